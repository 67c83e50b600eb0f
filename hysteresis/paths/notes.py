"""What a reader of paths has to say beside the path itself."""

from __future__ import annotations

from dataclasses import dataclass, field

from hysteresis.tables import Ints, Polyline


@dataclass(frozen=True)
class SkippedWord:
    """What was left out: a word as normalised ("G54", "T") or a kind of element ("text"), how
    often, and first where.
    """

    word: str
    count: int
    first_line: int

    def __str__(self) -> str:
        times = "once" if self.count == 1 else f"{self.count} times, first"
        return f"{self.word} skipped {times} in line {self.first_line}"


@dataclass(frozen=True)
class PathNotes:
    """Where a path came from and what the person should know about it.

    Attributes
    ----------
    source : 'RS-274', 'polyline' or 'timed'.
    line_of_row : for each row of the SpotPath, the line of the file whose move *ends* at or
        after it; 0 before the first line that moves (shape: rows of the path).
    skipped : words left out with `skip_unknown`.
    remarks : one sentence each, ready to print.
    duration_s : length of the path, lead-in and lead-out of the smoothing included.
    trace_mm, travel_mm : way with the beam on and off.
    peak_speed_mm_s, peak_acceleration_mm_s2 : measured on the finished path.
    kernel_s : length of the smoothing kernel (0: not smoothed); the path starts and ends with
        half of it at rest.
    smoothing_mm : largest distance between the path before and after smoothing, beam on.
    """

    source: str
    line_of_row: Ints
    skipped: tuple[SkippedWord, ...] = ()
    remarks: tuple[str, ...] = ()
    duration_s: float = 0.0
    trace_mm: float = 0.0
    travel_mm: float = 0.0
    peak_speed_mm_s: float = 0.0
    peak_acceleration_mm_s2: float = 0.0
    kernel_s: float = 0.0
    smoothing_mm: float = 0.0


@dataclass(frozen=True)
class ReadPolyline:
    """A polyline as read, with the line of the file that each vertex comes from.

    `feed_mm_s` of the polyline is NaN where the move goes at the travel speed. A wait is a row
    of its own at the place of the row before it, so that it has its own beam and line.
    """

    polyline: Polyline
    line_of_vertex: Ints
    skipped: tuple[SkippedWord, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class SourceNotes:
    """What one pass over a toolpath found; none of it needs a clock.

    Attributes
    ----------
    kind : 'RS-274', 'polyline', 'SVG', 'DXF' or 'job'.
    skipped, remarks : as in `PathNotes`; the remarks hold the skipped ones too.
    rows, last_line : rows of the polyline; the last line that made one.
    x_mm, y_mm : least and largest position, the start left out where nothing is traced from it.
    trace_mm, travel_mm : way with the beam on and off. wait_s : all waits together.
    heights : how many times a trace began at another height Z than the trace before it: the
        layers of a program that says so by Z; 0 where no Z is written.
    own_feeds, own_feed_mm : moves with the beam on (chords of a curve counted each) whose feed is
        the path's own and not the default that was given for those without one, and their way;
        0 where no default was given.
    """

    kind: str
    skipped: tuple[SkippedWord, ...]
    remarks: tuple[str, ...]
    rows: int
    last_line: int
    x_mm: tuple[float, float]
    y_mm: tuple[float, float]
    trace_mm: float
    travel_mm: float
    wait_s: float
    heights: int = 0
    own_feeds: int = 0
    own_feed_mm: float = 0.0


@dataclass
class Tally:
    """Counts of one pass, filled while it runs: remarks, and what is left out."""

    seen: dict[str, list[int]] = field(default_factory=dict)  # remark -> [count, first line]
    left_out: dict[str, list[int]] = field(default_factory=dict)
    heights: int = 0

    def note(self, what: str, line: int, count: int = 1) -> None:
        """Count a remark."""
        self.seen.setdefault(what, [0, line])[0] += count

    def skip(self, word: str, line: int, count: int = 1) -> None:
        """Count something that is left out."""
        self.left_out.setdefault(word, [0, line])[0] += count

    def add(self, other: Tally) -> None:
        """Take in the counts of another pass."""
        for mine, theirs in ((self.seen, other.seen), (self.left_out, other.left_out)):
            for what, (count, line) in theirs.items():
                mine.setdefault(what, [0, line])[0] += count
        self.heights += other.heights

    def skipped(self) -> tuple[SkippedWord, ...]:
        """What was left out, by name."""
        return tuple(
            SkippedWord(word, count, line) for word, (count, line) in sorted(self.left_out.items())
        )

    def remarks(self) -> tuple[str, ...]:
        """One sentence for each remark, with its place, in the order of the file."""
        return tuple(
            what if line <= 0 else
            f"{what} ({f'{count} lines, first ' if count > 1 else ''}line {line})"
            for what, (count, line) in sorted(
                self.seen.items(), key=lambda item: (item[1][1] <= 0, item[1][1], item[0])
            )
        )  # fmt: skip
