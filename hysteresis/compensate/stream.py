"""Whole jobs in a stream: timed blocks in, drives out, block by block, in bounded memory.

The chain of each block: wanted spots (smoothed by `paths` to the rig's bandwidth) -> optics and
coupling inverse -> torque balance -> drive. Before the path goes the lead-in, behind it the way
to the field's centre and a fade of the drives to zero, all on one even clock. What the rig
remembers is the state that goes from block to block, so that blocks equal one pass: to the last
bit where they are cut at multiples of 1024 samples, as `paths.stream` cuts them.

Stretches with the beam off are gathered whole before `beam_off` may put other moves in their
place, for which it needs the state at their start.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any

import numpy as np

from hysteresis.bench import Bench
from hysteresis.compensate.beam_off import Option, beam_off_window
from hysteresis.compensate.lead_in import even_step_s, lead_in, way_home
from hysteresis.compensate.path_pieces import SHIFT, Samples, checked, pieces
from hysteresis.errors import DataError, InputError
from hysteresis.model import FittedModel, RigState, content_error
from hysteresis.optics import deflection_from_spot
from hysteresis.paths.stream import TimedBlock, with_last
from hysteresis.plain_content import PartFault
from hysteresis.pre_distortion import drives_on_even_clock
from hysteresis.tables import Bools, Floats, Ints

MODEL_FILE = "model.json"
FADE_S = 0.3  # in which the drives are led to zero at the end
LONGEST_WINDOW_S = 600.0  # a longer stretch with the beam off is followed as it is
GATHERED = 16_384  # samples of small pieces that are passed on together


@dataclass(frozen=True)
class PlayedBlock:
    """Some samples of an output, on an even grid; (n,) each.

    Sample i is `first + i` steps behind the start of the output. `x_mm`, `y_mm`: the spots
    aimed at; `drive_*`: what puts them there; `shift_*_mm`: what a correction put on the wanted
    spots to aim there (None without one); `plain_*`: the drives of a rig thought to have no
    memory, and `error_*_mm` how far from the wanted spots these would take this rig (None unless
    asked for). `beam` is that of each sample; it changes at `switch_at` (in samples behind
    `first`, with fractions, below n) to `switch_on`. `line_of_row` and `layer` as in
    `TimedBlock`, line 0 in the lead-in. `part`: 'lead-in', 'path' or 'way out'. `end` is the
    rig's state after the last sample.
    """

    part: str
    first: int
    step_s: float
    x_mm: Floats
    y_mm: Floats
    drive_x: Floats
    drive_y: Floats
    plain_x: Floats | None
    plain_y: Floats | None
    error_x_mm: Floats | None
    error_y_mm: Floats | None
    beam: Bools
    switch_at: Floats
    switch_on: Bools
    line_of_row: Ints
    layer: Ints
    smoothing_mm: float
    end: RigState
    shift_x_mm: Floats | None = None
    shift_y_mm: Floats | None = None

    def __len__(self) -> int:
        return len(self.x_mm)

    @property
    def wanted(self) -> PlayedBlock:
        """The same with the wanted spots in the place of those aimed at."""
        if self.shift_x_mm is None or self.shift_y_mm is None:
            return self
        return replace(
            self, x_mm=self.x_mm - self.shift_x_mm, y_mm=self.y_mm - self.shift_y_mm,
            shift_x_mm=None, shift_y_mm=None,
        )  # fmt: skip


def compensate_stream(
    fitted: FittedModel,
    bench: Bench,
    blocks: Iterable[TimedBlock],
    *,
    start: RigState | None = None,
    condition: bool = True,
    beam_off: Option = "follow",
    extra_s: float = 0.0,
    plain: bool = False,
    threads: int = 1,
) -> Iterator[PlayedBlock]:
    """Pre-distort a path of any length for one rig.

    Parameters
    ----------
    blocks : the path, on the grid of `lead_in.even_step_s`.
    start : the rig's state before; None: that of a rig at rest without a past. Not changed.
    condition : begin with conditioning swings.
    beam_off : what to do while the beam is off; see `beam_off.beam_off_window`.
    extra_s : wait so much longer before each new layer.
    plain : also the drives without compensation, and the error they leave.
    threads : 1, or 2 for one axis each.

    Raises
    ------
    DataError for no block at all, InputError for a `beam_off` that an always-on beam rules out, or
    for a model that makes no numbers; ValueError for blocks on another grid.
    """
    if beam_off != "follow" and bench.beam.mode == "always-on":
        raise InputError(
            "the beam of this bench cannot be switched off, so that travel must be followed",
            value=beam_off, mend="leave --beam-off at follow",
        )  # fmt: skip
    if not (np.isfinite(extra_s) and 0.0 <= extra_s <= 600.0):
        raise InputError(
            "the extra wait lies between 0 and 600 s", value=extra_s, mend="give it in seconds"
        )
    source = with_last(checked(blocks, even_step_s(bench)))
    block, last = next(source, (None, True))
    if block is None:
        raise DataError("the path has fewer than two points")
    rig = _Rig(fitted, bench, start, plain, threads)
    to_mm = (float(block.x_mm[0]), float(block.y_mm[0]))
    x, y = _within_drive(rig, bench, to_mm, condition)
    yield rig.play("lead-in", Samples.still(x, y, 0, 0))
    following = chain([(block, last)], source)
    if beam_off == "follow" and extra_s == 0.0:
        for block, last in following:
            x_last, y_last = float(block.x_mm[-1]), float(block.y_mm[-1])
            yield rig.play("path", Samples.of(block, last))
    else:
        gathered: list[PlayedBlock] = []
        extra = round(extra_s / rig.step_s)
        for samples, window in pieces(following, round(LONGEST_WINDOW_S / rig.step_s)):
            if window is not None:
                if extra and window.new_layer:
                    samples = samples.held(extra)
                moved = beam_off_window(
                    beam_off, rig.model, rig.state, bench, samples.x_mm, samples.y_mm, rig.step_s
                )
                samples = samples._replace(x_mm=moved.x_mm, y_mm=moved.y_mm)
            x_last, y_last = float(samples.x_mm[-1]), float(samples.y_mm[-1])
            gathered.append(rig.play("path", samples))
            if sum(map(len, gathered)) >= GATHERED:
                yield _together(gathered)
                gathered = []
        if gathered:
            yield _together(gathered)
    x, y = way_home(rig.model, bench, (x_last, y_last))
    yield rig.play("way out", Samples.still(x, y, rig.line, rig.layer))
    yield rig.fade()


def _together(blocks: list[PlayedBlock]) -> PlayedBlock:
    """Blocks that follow each other, as one."""
    if len(blocks) == 1:
        return blocks[0]
    begin = blocks[0]

    def column(name: str) -> Any:
        values = [getattr(b, name) for b in blocks]
        return None if values[0] is None else np.concatenate(values)

    names = (*COLUMNS, *ERRORS, *SHIFT, "beam", "switch_on", "line_of_row", "layer")
    columns = {name: column(name) for name in names}
    at = np.concatenate([b.switch_at + (b.first - begin.first) for b in blocks])
    return PlayedBlock(
        part=begin.part, first=begin.first, step_s=begin.step_s, switch_at=at,
        smoothing_mm=max(b.smoothing_mm for b in blocks), end=blocks[-1].end,
        **columns,
    )  # fmt: skip


# ---- the rig -------------------------------------------------------------------------------------


class _Rig:
    """The rig as far as it has been played: its state, and that of the plain drives."""

    def __init__(
        self, fitted: FittedModel, bench: Bench, start: RigState | None, plain: bool, threads: int
    ) -> None:
        self.model, self.still = fitted.model, fitted.without_memory
        self.step_s, self.threads = even_step_s(bench), threads
        self.state = self.model.rest() if start is None else start
        self.under_plain = self.state  # of this rig when it plays the plain drives
        self.plain_state: RigState | None = None  # of the rig thought to have no memory
        self.plain, self.first, self.line, self.layer = plain, 0, 0, 0
        self.last = np.zeros(4)  # drives of the last sample, with and without compensation

    def play(self, part: str, wanted: Samples) -> PlayedBlock:
        x, y = aimed_x, aimed_y = wanted.x_mm, wanted.y_mm
        with np.errstate(all="ignore"):  # what is not finite is told below
            drive_x, drive_y, self.state = drives_on_even_clock(
                self.model, x, y, self.step_s, self.state, threads=self.threads
            )
            plain: Any = (None,) * 4
            if self.plain:
                if wanted.shift_x_mm is not None and wanted.shift_y_mm is not None:
                    x, y = x - wanted.shift_x_mm, y - wanted.shift_y_mm  # it knows no correction
                plain_x, plain_y = self._plain_drives(x, y)
                spot_x, spot_y, self.under_plain = self.model.spots(
                    plain_x, plain_y, self.step_s, self.under_plain
                )
                plain = (plain_x, plain_y, spot_x - x, spot_y - y)
                self.last[2:] = plain_x[-1], plain_y[-1]
        for values in (aimed_x, aimed_y, drive_x, drive_y, *plain[:2]):
            if values is not None and not np.isfinite(values).all():
                raise content_error(PartFault("model", "makes drives that are not finite"),
                                    MODEL_FILE)  # fmt: skip
        self.last[:2] = drive_x[-1], drive_y[-1]
        self.line, self.layer = int(wanted.line[-1]), int(wanted.layer[-1])
        block = PlayedBlock(
            part, self.first, self.step_s, aimed_x, aimed_y, drive_x, drive_y, plain[0], plain[1],
            plain[2], plain[3], wanted.beam, wanted.switch_at, wanted.switch_on, wanted.line,
            wanted.layer, wanted.smoothing_mm, self.state, wanted.shift_x_mm, wanted.shift_y_mm,
        )  # fmt: skip
        self.first += len(x)
        return block

    def _plain_drives(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Drives of the calibration without memory, which starts where its path starts."""
        if self.plain_state is None:
            theta_x, theta_y = deflection_from_spot(x[:1], y[:1], self.still.optics)
            self.plain_state = self.still.rest()
            for state, theta in ((self.plain_state.x, theta_x), (self.plain_state.y, theta_y)):
                state[0] = state[1] = theta[0]
        out_x, out_y, self.plain_state = drives_on_even_clock(
            self.still, x, y, self.step_s, self.plain_state, threads=self.threads
        )
        return out_x, out_y

    def fade(self) -> PlayedBlock:
        """The drives led to zero, and the spots that this makes."""
        count = max(2, round(FADE_S / self.step_s))
        ways = self.last[:, np.newaxis] * np.linspace(1.0, 0.0, count + 1)[1:]
        x, y, self.state = self.model.spots(ways[0], ways[1], self.step_s, self.state)
        off = Samples.still(x, y, self.line, self.layer)
        nothing = np.zeros(count) if self.plain else None
        return PlayedBlock(
            "way out", self.first, self.step_s, x, y, ways[0], ways[1],
            ways[2] if self.plain else None, ways[3] if self.plain else None, nothing, nothing,
            off.beam, off.switch_at, off.switch_on, off.line, off.layer, 0.0, self.state,
        )  # fmt: skip


def _within_drive(
    rig: _Rig, bench: Bench, to_mm: tuple[float, float], condition: bool
) -> tuple[Floats, Floats]:
    """The lead-in, with conditioning swings as large as the drive allows."""
    reach = 0.9 * bench.limits.max_drive
    for _ in range(6):
        x, y = lead_in(rig.model, rig.state, bench, to_mm, amplitude_fs=reach, condition=condition)
        with np.errstate(all="ignore"):
            drives = drives_on_even_clock(rig.model, x, y, rig.step_s, rig.state)[:2]
        largest = max(float(np.abs(drive).max()) for drive in drives)
        if not condition or not largest > bench.limits.max_drive:
            break
        reach *= 0.97 * bench.limits.max_drive / largest
    return x, y


# ---- rows out ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Rows:
    """Rows of an output: one at each sample, and one at each change of the beam between them.

    `beam` holds from a row to the next. Columns as in `PlayedBlock`; places and drives of a row
    between two samples lie on the straight line between those.
    """

    t_s: Floats
    x_mm: Floats
    y_mm: Floats
    drive_x: Floats
    drive_y: Floats
    plain_x: Floats | None
    plain_y: Floats | None
    beam: Bools
    line: Ints


COLUMNS = ("x_mm", "y_mm", "drive_x", "drive_y", "plain_x", "plain_y")
ERRORS = ("error_x_mm", "error_y_mm")
ON_SAMPLE = 1e-9  # of a step: a change nearer to a sample is at it


def as_rows(blocks: Iterable[PlayedBlock]) -> Iterator[Rows]:
    """Turn an output into rows; blocks of any length give the same rows."""
    names = COLUMNS
    held: PlayedBlock | None = None
    for block in blocks:
        block = replace(block, shift_x_mm=None, shift_y_mm=None)  # no row tells it
        if held is not None:
            block = _together([held, block])
        count = len(block) - 1  # the last sample waits for the one behind it
        if count:
            yield _rows(block, count, names)
        inside = block.switch_at >= count
        columns = {name: getattr(block, name) for name in (*names, *ERRORS)}
        parts: dict[str, Any] = {n: None if v is None else v[count:] for n, v in columns.items()}
        held = replace(
            block, first=block.first + count, beam=block.beam[count:],
            switch_at=block.switch_at[inside] - count, switch_on=block.switch_on[inside],
            line_of_row=block.line_of_row[count:], layer=block.layer[count:],
            **parts,
        )  # fmt: skip
    if held is not None:
        yield _rows(held, 1, names)


def _rows(block: PlayedBlock, count: int, names: tuple[str, ...]) -> Rows:
    """Rows from the first sample to below sample `count`."""
    at, on, beam = block.switch_at, block.switch_on, block.beam[:count].copy()
    near = np.round(at).astype(np.int64)
    between = (np.abs(at - near) > ON_SAMPLE) & (at < count) & (at < len(block) - 1)
    between[:-1] &= np.diff(at) > ON_SAMPLE  # of changes at one moment the last one counts
    same = ~between & (near < count)
    beam[near[same]] = on[same]
    at, on = at[between], on[between]
    behind = np.floor(at).astype(np.int64)
    part = at - behind
    columns: dict[str, Any] = {}
    for name in names:
        values = getattr(block, name)
        if values is not None:
            new = values[behind] + part * (values[behind + 1] - values[behind]) if len(at) else at
            values = np.insert(values[:count], behind + 1, new)
        columns[name] = values
    place = np.insert(np.arange(count, dtype=np.float64), behind + 1, at)
    return Rows(
        t_s=block.step_s * (block.first + place),
        beam=np.insert(beam, behind + 1, on),
        line=np.insert(block.line_of_row[:count], behind + 1, block.line_of_row[behind]),
        **columns,
    )
