"""A toolpath on disk as timed blocks, as often as asked, with all that a job may ask of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from hysteresis.bench import Bench
from hysteresis.compensate.correction import Correction, apply_correction
from hysteresis.compensate.lead_in import even_step_s
from hysteresis.errors import InputError
from hysteresis.paths.chunk import Chunk
from hysteresis.paths.job_file import read_job
from hysteresis.paths.placement import Placement, check_in_field, reach_mm
from hysteresis.paths.reached import Reached
from hysteresis.paths.source import PathSource, kind_of, open_path
from hysteresis.paths.stream import TimedBlock, timed_blocks
from hysteresis.paths.timed_rows import smoothed_blocks
from hysteresis.paths.timing import Corner, Timing, timing_for
from hysteresis.paths.toolpath_csv import read_timed_csv
from hysteresis.paths.waits import LAYER_WAIT_S, with_parks
from hysteresis.tables import Ints, Polyline, SpotPath


@dataclass(frozen=True)
class PathOptions:
    """What a job asks of its path; names and units as in `paths.source` and `paths.timing`.

    `slowed` is the share of its own speed at which the whole path moves (accelerations with its
    square, waits as they are). `layers`: those of a DXF, by name; None: all. `park`: x, y (mm) and
    wait (s) of a park after each layer; None: as the path has it.
    """

    placement: Placement = Placement()  # noqa: RUF009 frozen
    skip_unknown: bool = False
    feed_mm_s: float | None = None
    travel_mm_s: float | None = None
    corner: Corner = "rest"
    corner_tolerance_mm: float | None = None
    jerk_mm_s3: float | None = None
    settle_s: float = 0.0
    slowed: float = 1.0
    layers: tuple[str, ...] | None = None
    park: tuple[float, float, float] | None = None


USUAL = PathOptions()
OF_TIMING = (
    "feed_mm_s", "travel_mm_s", "corner", "corner_tolerance_mm", "jerk_mm_s3", "settle_s", "park",
    "skip_unknown",
)  # fmt: skip
"""Options that mean nothing to a table with a clock of its own."""


@dataclass(frozen=True)
class JobPath:
    """A path with its options; `source` is None for a table with a clock of its own.

    `reached` tells what of the trace ran at its feed, of the last whole pass of `blocks`.
    """

    path: Path
    bench: Bench
    options: PathOptions
    timing: Timing
    source: PathSource | None
    table: tuple[SpotPath, Ints] | None
    reached: Reached = field(default_factory=Reached, compare=False)

    def blocks(self, correction: Correction | None = None) -> Iterator[TimedBlock]:
        """Read, time and smooth the path from its beginning, on the grid of the torque balance.

        With a correction, what is aimed at is shifted by it (`correction.apply_correction`).
        """
        step = even_step_s(self.bench)
        try:
            if self.table is not None:
                blocks = smoothed_blocks([self.table], self.timing.kernel_s, grid_step_s=step)
            else:
                reached = Reached()
                blocks = timed_blocks(self.chunks(), self.timing, grid_step_s=step, reached=reached)
            yield from blocks if correction is None else apply_correction(blocks, correction)
            if self.table is None:
                vars(self.reached).update(vars(reached))
        except InputError as error:
            if error.file is not None:
                raise
            raise InputError(
                error.what, file=self.path, row=error.row, column=error.column, value=error.value,
                mend=error.mend,
            ) from error  # fmt: skip

    def chunks(self) -> Iterator[Chunk]:
        """The path without its clock, with its parks, slowed."""
        assert self.source is not None
        share = self.options.slowed
        for chunk in self._parked():
            line = chunk.polyline
            yield (
                chunk
                if share == 1.0
                else Chunk(replace(line, feed_mm_s=share * line.feed_mm_s), chunk.line_of_vertex)
            )

    def _parked(self) -> Iterator[Chunk]:
        """The path with the parks that were asked for. InputError where it has no layers."""
        assert self.source is not None
        if self.options.park is None:
            yield from self.source.chunks()
            return
        x_mm, y_mm, wait_s = self.options.park
        given = made = 0

        def counted() -> Iterator[Chunk]:
            nonlocal given
            assert self.source is not None
            for chunk in self.source.chunks():
                given += len(chunk.polyline)
                yield chunk

        for chunk in with_parks(counted(), (x_mm, y_mm), wait_s):
            made += len(chunk.polyline)
            yield chunk
        if made == given:
            raise InputError(
                f"no layer of the path ends with a wait of {LAYER_WAIT_S:g} s with the beam off, "
                "so there is no place for --park", file=self.path,
                mend="leave out --park, or write a wait (G4) where a layer ends",
            )  # fmt: skip

    def table_chunks(self) -> Iterator[Chunk]:
        """A table with a clock of its own as a way without one, for a picture."""
        assert self.table is not None
        spots, lines = self.table
        nothing = np.zeros(len(spots))
        beam = np.append(False, spots.beam[:-1])
        yield Chunk(Polyline(spots.x_mm, spots.y_mm, beam, nothing + 1.0, nothing), lines)

    def extent_mm(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Least and largest x and y."""
        if self.source is not None:
            return self.source.notes.x_mm, self.source.notes.y_mm
        assert self.table is not None
        x, y = self.table[0].x_mm, self.table[0].y_mm
        return (float(x.min()), float(x.max())), (float(y.min()), float(y.max()))

    def anywhere(self) -> PathSource:
        """The same path, in the field or not."""
        return _source(self.path, self.bench, self.options, in_field=False)

    def travel_mm(self) -> float:
        """Way with the beam off."""
        return 0.0 if self.source is None else self.source.notes.travel_mm

    def with_options(self, options: PathOptions) -> JobPath:
        """The same path, asked otherwise."""
        return open_job(self.path, self.bench, options)


def open_job(path: Path | str, bench: Bench, options: PathOptions) -> JobPath:
    """Open a toolpath of any kind that `paths` reads; InputError for what cannot be read."""
    path = Path(path)
    for name, value in (("feed_mm_s", options.feed_mm_s), ("travel_mm_s", options.travel_mm_s)):
        if value is not None and not (np.isfinite(value) and value > 0):
            raise InputError(f"{as_option(name)} must be above 0", value=value,
                             mend="give it in mm/s")  # fmt: skip
    timing = _timing(bench, options)
    kind = kind_of(path)
    if options.layers is not None and kind not in ("DXF", "job"):
        raise InputError(
            "only a DXF has layers to choose from", file=path, value=", ".join(options.layers),
            mend="leave out --layers",
        )  # fmt: skip
    if kind == "timed":
        if not options.placement.plain or options.slowed != 1.0:
            raise InputError(
                "a table with a clock of its own (t_s) is played as it is", file=path,
                mend="leave out what places or slows it, or give columns x_mm,y_mm,beam,feed_mm_s",
            )  # fmt: skip
        no_effect = [name for name in OF_TIMING if getattr(options, name) != getattr(USUAL, name)]
        if no_effect:
            raise InputError(
                f"a table with a clock of its own (t_s) is played as it is, so "
                f"{as_option(no_effect[0])} would have no effect", file=path, mend="leave it out",
            )  # fmt: skip
        spots, lines = read_timed_csv(path)
        try:
            check_in_field(spots.x_mm, spots.y_mm, lines, bench, path)
        except InputError as error:
            raise InputError(
                error.what, file=path, row=error.row,
                mend="nothing moves or scales a table with a clock of its own (t_s): make it anew "
                "within the field, or give columns x_mm,y_mm,beam,feed_mm_s",
            ) from error  # fmt: skip
        return JobPath(path, bench, options, timing, None, (spots, lines))
    if options.skip_unknown and kind not in ("RS-274", "job"):
        raise InputError(
            "--skip-unknown is for RS-274 programs, so it would have no effect", file=path,
            mend="leave it out",
        )  # fmt: skip
    if kind == "job":
        read_job(path)  # its faults are told at once
    return JobPath(path, bench, options, timing, _source(path, bench, options), None)


def _source(path: Path, bench: Bench, options: PathOptions, *, in_field: bool = True) -> PathSource:
    return open_path(
        path, bench, placement=options.placement, skip_unknown=options.skip_unknown,
        default_feed_mm_s=options.feed_mm_s, layers=options.layers, in_field=in_field,
    )  # fmt: skip


def as_option(name: str) -> str:
    """A setting's name as the command line has it."""
    return "--" + name.replace("_", "-")


def _timing(bench: Bench, options: PathOptions) -> Timing:
    """The clock that was asked for, slowed; complaints name the options of the command line."""
    try:
        timing = timing_for(
            bench, travel_mm_s=options.travel_mm_s, corner=options.corner,
            corner_tolerance_mm=options.corner_tolerance_mm, jerk_mm_s3=options.jerk_mm_s3,
            settle_s=options.settle_s, settle_off_s=options.settle_s,
        )  # fmt: skip
    except InputError as error:
        what = error.what
        for name in OF_TIMING:
            what = what.replace(f"{name} must", f"{as_option(name)} must")
        raise InputError(what, value=error.value, mend=error.mend) from error
    if options.park is not None:
        for axis, place, reach in zip("xy", options.park, reach_mm(bench), strict=False):
            if abs(place) > reach:
                raise InputError(
                    f"--park lies outside the field: {axis} = {place:g} mm of ±{reach:g} mm",
                    mend="give another place",
                )  # fmt: skip
    share = options.slowed
    if share == 1.0:
        return timing
    jerk = timing.jerk_mm_s3
    return replace(
        timing, travel_mm_s=share * timing.travel_mm_s,
        acceleration_mm_s2=share**2 * timing.acceleration_mm_s2,
        jerk_mm_s3=None if jerk is None else share**3 * jerk,
    )  # fmt: skip
