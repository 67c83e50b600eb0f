"""The door for toolpaths of any length: picks the reader, places the path, checks the field.

Nothing is put on a clock here. A path is handed on in chunks and never held whole, save for
drawings, whose files are bounded.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.paths.arcs import CHORD_TOLERANCE_MM
from hysteresis.paths.chunk import Chunk
from hysteresis.paths.chunking import CHUNK_ROWS, Rows, chunks_of
from hysteresis.paths.notes import SourceNotes, Tally
from hysteresis.paths.placement import Placement, check_in_field, placed, starts_anywhere
from hysteresis.paths.rs274 import rows_of_file
from hysteresis.paths.text_blocks import first_block
from hysteresis.paths.toolpath_csv import header_of, rows_of_table

TOLERANCE_MM = CHORD_TOLERANCE_MM
TOLERANCES_MM = (1e-4, 10.0)
SHORTEST_MM = 1e-9  # a path that stays within this never leaves its start
DRAWINGS = ("SVG", "DXF")

# A DXF text begins with group 0 and SECTION, perhaps behind remarks of group 999.
_DXF = re.compile(r"\s*(?:999[^\S\n]*\r?\n[^\n]*\n\s*)*0[^\S\n]*\r?\n\s*SECTION")
_SVG = re.compile(r"<(?:[A-Za-z_][\w.-]*:)?svg[\s>]")


@dataclass
class PathSource:
    """A toolpath on disk: `chunks` reads it from the beginning as often as it is asked.

    `kind` : 'RS-274', 'polyline', 'SVG', 'DXF' or 'job'. `in_field`: whether a place outside the
    field is refused.
    """

    path: Path
    kind: str
    bench: Bench
    placement: Placement
    rows: Callable[[Tally], Iterator[Rows]]
    chunk_rows: int = CHUNK_ROWS
    default_feed_mm_s: float | None = None
    in_field: bool = True
    _notes: SourceNotes | None = None
    _fitted: Placement | None = field(default=None, repr=False)

    @property
    def notes(self) -> SourceNotes:
        """What the last whole pass found; makes a pass of its own where there was none."""
        if self._notes is None:
            for _ in self.chunks():
                pass
        assert self._notes is not None
        return self._notes

    def chunks(self) -> Iterator[Chunk]:
        """Read the path from the beginning, as chunks in mm in the field.

        Chunks meet the contract of `chunk.Chunk` and have at most `chunk_rows` rows. A chunk
        ends at the last row within reach at which the spot comes to rest (a wait, or a change of
        the beam behind it), and only where there is none, anywhere. With `placement.fit` the file
        is read once more beforehand, for its extent.

        Raises InputError, with place and remedy, for whatever cannot be read, lies outside the
        field, or never leaves its start.
        """
        placement = self._shift_found()
        tally = Tally()
        sums = _Sums()
        for number, chunk in enumerate(chunks_of(self.rows(tally), self.chunk_rows)):
            chunk = placed(chunk, placement, first=number == 0)
            line = chunk.polyline
            if self.in_field:
                check_in_field(line.x_mm, line.y_mm, chunk.line_of_vertex, self.bench, self.path)
            sums.add(chunk, first=number == 0, default_feed_mm_s=self.default_feed_mm_s)
            yield chunk
        if not (sums.moved or sums.wait_s > 0.0):
            raise InputError(
                "the path never leaves its start", file=self.path, mend="check the positions"
            )
        skipped = tally.skipped()
        self._notes = SourceNotes(
            kind=self.kind,
            skipped=skipped,
            remarks=tally.remarks() + tuple(map(str, skipped)),
            rows=sums.rows,
            last_line=sums.last_line,
            x_mm=(float(sums.least[0]), float(sums.most[0])),
            y_mm=(float(sums.least[1]), float(sums.most[1])),
            trace_mm=sums.trace_mm,
            travel_mm=sums.travel_mm,
            wait_s=sums.wait_s,
            heights=tally.heights,
            own_feeds=sums.own_feeds,
            own_feed_mm=sums.own_feed_mm,
        )

    def extent_mm(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Least and largest x and y, in the field or not; a pass over the file."""
        placement, sums = self._shift_found(), _Sums()
        for number, chunk in enumerate(chunks_of(self.rows(Tally()), self.chunk_rows)):
            sums.add(placed(chunk, placement, first=number == 0), first=number == 0)
        x, y = zip(sums.least.tolist(), sums.most.tolist(), strict=True)
        return x, y

    def _shift_found(self) -> Placement:
        """The placement without `fit`; the extent it needs is looked for once."""
        if not self.placement.fit:
            return self.placement
        if self._fitted is None:
            loose = replace(self, placement=replace(self.placement, fit=False))
            self._fitted = self.placement.fitted(*loose.extent_mm(), self.bench)
        return self._fitted


def open_path(
    path: Path | str,
    bench: Bench,
    *,
    placement: Placement | None = None,
    skip_unknown: bool = False,
    delete_slashed: bool = False,
    default_feed_mm_s: float | None = None,
    tolerance_mm: float = TOLERANCE_MM,
    layers: tuple[str, ...] | None = None,
    in_field: bool = True,
) -> PathSource:
    """Open a toolpath of any length; nothing but its first block is read yet.

    The kind is told by the beginning of the file and its name: a table (`x_mm` in its first
    line, or .csv), SVG, DXF, a job file (.toml), else an RS-274 program.

    Parameters
    ----------
    path, bench : the file, and the rig that is to draw it.
    placement : where it lies in the field. Unplaced, the origin of a program, table or DXF is
        the field's centre, and the middle of an SVG page.
    skip_unknown : leave out words of a program that have no meaning here, and count them.
    delete_slashed : leave out lines of a program that begin with '/'.
    default_feed_mm_s : feed with the beam on where the file gives none, as drawings do.
    tolerance_mm : largest distance between a curve and the chords it is drawn with, as placed.
    layers : names of the layers of a DXF to trace; all that are shown without it.
    in_field : refuse places outside the field.

    Raises InputError for what is no toolpath, for a table with a clock of its own (which
    `read.read_path` reads), and for options without sense.
    """
    path = Path(path)
    for name, value in (("default_feed_mm_s", default_feed_mm_s),):
        if value is not None and not (np.isfinite(value) and value > 0):
            raise InputError(f"{name} must be above 0", value=value, mend="give it in mm/s")
    least, most = TOLERANCES_MM
    if not least <= tolerance_mm <= most:
        raise InputError(
            f"tolerance_mm must lie between {least:g} and {most:g}", value=tolerance_mm,
            mend="give it in mm",
        )  # fmt: skip
    placement = placement or Placement()
    kind = kind_of(path)
    fine_mm = tolerance_mm / placement.scale  # before it is placed; `fit` only makes smaller

    if kind == "timed":
        raise InputError(
            "a table with a clock of its own (t_s) is not read as a polyline", file=path,
            mend="use columns x_mm,y_mm,beam,feed_mm_s",
        )  # fmt: skip
    if kind in DRAWINGS and default_feed_mm_s is None:
        raise InputError(
            "a drawing says nothing of a speed", file=path, mend="give a feed with --feed-mm-s"
        )

    def rows(tally: Tally) -> Iterator[Rows]:
        if kind == "polyline":
            return rows_of_table(path, tally, default_feed_mm_s=default_feed_mm_s)
        if kind == "SVG":
            from hysteresis.paths.svg import rows_of_svg

            return rows_of_svg(path, tally, feed_mm_s=feed, tolerance_mm=fine_mm)
        if kind == "DXF":
            from hysteresis.paths.dxf import rows_of_dxf

            return rows_of_dxf(path, tally, feed_mm_s=feed, tolerance_mm=fine_mm, layers=layers)
        if kind == "job":
            from hysteresis.paths.job_file import read_job, rows_of_job

            def part(file: Path, where: Placement, part_feed: float | None) -> PathSource:
                if kind_of(file) == "job":
                    raise InputError(
                        "a part of a job is a job file itself", file=file, mend="name its parts"
                    )
                return open_path(
                    file, bench, placement=where, skip_unknown=skip_unknown,
                    delete_slashed=delete_slashed, default_feed_mm_s=part_feed or feed or None,
                    tolerance_mm=min(max(fine_mm, least), most), layers=layers,
                    in_field=in_field and placement.plain,  # else where the job puts it
                )  # fmt: skip

            return rows_of_job(read_job(path), part, tally)
        return rows_of_file(
            path, tally, skip_unknown=skip_unknown, delete_slashed=delete_slashed,
            default_feed_mm_s=default_feed_mm_s, chord_tolerance_mm=fine_mm,
        )  # fmt: skip

    feed = default_feed_mm_s or 0.0
    return PathSource(
        path, kind, bench, placement, rows, default_feed_mm_s=default_feed_mm_s, in_field=in_field
    )


def kind_of(path: Path | str) -> str:
    """What a file is, by its first block: 'timed', 'polyline', 'SVG', 'DXF', 'job' or 'RS-274'."""
    suffix = Path(path).suffix.lower()
    begin = first_block(path).decode("utf-8", errors="replace").removeprefix("\ufeff")
    header = header_of(begin)
    if suffix == ".csv" or "x_mm" in header:
        return "timed" if "t_s" in header else "polyline"
    if suffix == ".svg" or (begin.lstrip().startswith("<") and _SVG.search(begin)):
        return "SVG"
    if suffix == ".dxf" or _DXF.match(begin):
        return "DXF"
    return "job" if suffix == ".toml" else "RS-274"


class _Sums:
    """Extent, ways and waits of a pass."""

    def __init__(self) -> None:
        self.rows = self.last_line = self.own_feeds = 0
        self.own_feed_mm = 0.0
        self.trace_mm = self.travel_mm = self.wait_s = 0.0
        self.moved = False
        self.least, self.most = np.full(2, np.inf), np.full(2, -np.inf)

    def add(self, chunk: Chunk, *, first: bool, default_feed_mm_s: float | None = None) -> None:
        line = chunk.polyline
        new = slice(0 if first else 1, None)
        extent = slice(1 if first and starts_anywhere(chunk) and len(line) > 1 else 0, None)
        for i, values in enumerate((line.x_mm[extent], line.y_mm[extent])):
            self.least[i] = min(self.least[i], values.min())
            self.most[i] = max(self.most[i], values.max())
        way = np.hypot(np.diff(line.x_mm), np.diff(line.y_mm))
        on = line.beam[1:]
        self.moved |= bool((way > SHORTEST_MM).any())
        self.trace_mm += float(way[on].sum())
        if default_feed_mm_s is not None:
            own = on & (way > SHORTEST_MM) & (line.feed_mm_s[1:] != default_feed_mm_s)
            self.own_feeds += int(own.sum())
            self.own_feed_mm += float(way[own].sum())
        self.travel_mm += float(way[~on].sum())
        self.wait_s += float(line.dwell_s[new].sum())
        self.rows += len(line.dwell_s[new])
        self.last_line = max(self.last_line, int(chunk.line_of_vertex[-1]))
