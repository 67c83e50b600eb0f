"""What a reader of paths has to say beside the path itself."""

from __future__ import annotations

from dataclasses import dataclass

from hysteresis.tables import Ints, Polyline


@dataclass(frozen=True)
class SkippedWord:
    """A word that was left out on request: as normalised ("G54", "T"), how often, first where."""

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
