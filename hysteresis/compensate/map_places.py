"""Places of a job at which errors are foretold, thinned from arrays or from a stream.

The drive of the first minutes is kept, every 10 ms, as the model's doubt is worked out under it.
Of what comes later a few layers are sampled, evenly over the job, a few places each: memory is
bounded, whatever the length.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from hysteresis.compensate.forecast import GRID_S, PLACES
from hysteresis.errors import DataError
from hysteresis.paths.marks import mark_path
from hysteresis.tables import Bools, DriveSignal, Floats, Ints, SpotPath

EARLY_S = 600.0  # what is unknown of a model shows in the first minutes
OUTLINE = 8000  # points of the early trace that are kept to be drawn
LATER_LAYERS = 40  # of a long job, sampled behind the first minutes
LATER_PLACES = 48  # of each
KEPT = 1024  # places of a layer under way before every other one is dropped


@dataclass(frozen=True)
class JobPlaces:
    """Traced places (m,) of a job, in order of time, and the drive of its first minutes.

    `t_s` from the start of the output; `layer` from 0; `line` of the file, 0 where not known.
    `early` places lie under `drive`; the job lasts `duration_s` and has `layers`. `outline` (4, k):
    t_s, x_mm, y_mm and layer of the early trace, densely, to be drawn.
    """

    t_s: Floats
    x_mm: Floats
    y_mm: Floats
    layer: Ints
    line: Ints
    early: Bools
    drive: DriveSignal
    duration_s: float
    layers: int
    outline: Floats

    @property
    def whole(self) -> bool:
        """Whether nothing had to be sampled: the whole job is in the first minutes."""
        return bool(self.early.all())

    def words(self) -> str:
        """What was looked at, for a person."""
        count = len(self.t_s)
        if self.whole:
            return f"{count} places of the whole trace"
        later = len(set(self.layer[~self.early].tolist()))
        return (
            f"{int(self.early.sum())} places of the first {self.drive.t_s[-1] / 60:.0f} minutes "
            f"and {int((~self.early).sum())} of {later} later layers (of {self.layers}, "
            f"{self.duration_s / 60:.0f} minutes in all)"
        )


class Samples(Protocol):
    """A block of an output, as `stream.compensate_stream` gives it: row k is at k · step_s."""

    @property
    def first(self) -> int: ...
    @property
    def step_s(self) -> float: ...
    @property
    def x_mm(self) -> Floats: ...
    @property
    def y_mm(self) -> Floats: ...
    @property
    def beam(self) -> Bools: ...
    @property
    def drive_x(self) -> Floats: ...
    @property
    def drive_y(self) -> Floats: ...
    @property
    def line_of_row(self) -> Ints: ...
    @property
    def layer(self) -> Ints: ...


def places_of_path(
    planned: SpotPath, drive: DriveSignal, line_of_row: Ints | None = None
) -> JobPlaces:
    """Places of a job in one piece; `planned` and `drive` on one clock, as long as it may be."""
    layer = mark_path(planned).layer
    line = np.zeros(len(planned), dtype=np.int64) if line_of_row is None else line_of_row
    collect = PlaceCollector()
    collect.add_rows(planned.t_s - planned.t_s[0], planned.x_mm, planned.y_mm,
                     np.interp(planned.t_s, drive.t_s, drive.drive_x),
                     np.interp(planned.t_s, drive.t_s, drive.drive_y),
                     planned.beam, line, layer)  # fmt: skip
    return collect.done()


@dataclass
class PlaceCollector:
    """Looks over the blocks of an output as they pass: `add` each, then `done`."""

    _drive: list[Floats] = field(default_factory=list)
    _early: list[Floats] = field(default_factory=list)
    _later: dict[int, Floats] = field(default_factory=dict)
    _stride: int = 1
    _layers: int = 0
    _end_s: float = 0.0

    def add(self, block: Samples) -> None:
        """Look at one block."""
        t = np.asarray((block.first + np.arange(len(block.x_mm))) * block.step_s, np.float64)
        self.add_rows(t, block.x_mm, block.y_mm, block.drive_x, block.drive_y, block.beam,
                      block.line_of_row, block.layer)  # fmt: skip

    def add_rows(
        self, t_s: Floats, x_mm: Floats, y_mm: Floats, drive_x: Floats, drive_y: Floats,
        beam: Bools, line: Ints, layer: Ints,
    ) -> None:  # fmt: skip
        """Look at some rows; all (n,)."""
        if not len(t_s):
            return
        early = t_s <= EARLY_S
        # one row of each hundredth of a second, the first in it
        tick = np.floor(t_s / GRID_S + 1e-6)
        keep = np.diff(tick, prepend=np.floor(self._end_s / GRID_S + 1e-6)) > 0
        keep[0] |= self._end_s == 0.0
        self._end_s = float(t_s[-1])
        rows = np.stack([t_s, x_mm, y_mm, layer, line])
        if (early & keep).any():
            mine = early & keep
            self._drive.append(np.stack([t_s, drive_x, drive_y, beam])[:, mine])
            self._early.append(rows[:, mine & beam])
        if beam.any():
            self._layers = max(self._layers, int(layer[beam].max()) + 1)
        late = rows[:, ~early & keep & beam]
        for number in np.unique(late[3]).astype(int) if late.shape[1] else ():
            self._sample(number, late[:, late[3] == number])

    def _sample(self, number: int, rows: Floats) -> None:
        """Keep places of every `_stride`th layer; twice as seldom whenever there are too many."""
        if number % self._stride:
            return
        own = np.concatenate([self._later[number], rows], 1) if number in self._later else rows
        while own.shape[1] > KEPT:
            own = own[:, ::2]
        self._later[number] = own
        for before in self._later:  # whole by now
            if before != number and self._later[before].shape[1] > LATER_PLACES:
                self._later[before] = _thinned(self._later[before], LATER_PLACES)
        while len(self._later) > LATER_LAYERS:
            self._stride *= 2
            self._later = {n: v for n, v in self._later.items() if n % self._stride == 0}

    def done(self) -> JobPlaces:
        """What was found. Raises DataError where the beam was never on."""
        early = np.concatenate(self._early, axis=1) if self._early else np.empty((5, 0))
        outline = _thinned(early[:4], OUTLINE)
        early = _thinned(early, PLACES)
        later = [_thinned(v, LATER_PLACES) for v in self._later.values()]
        rows = np.concatenate([early, *later], axis=1)
        if not rows.shape[1]:
            raise DataError("the beam is never on, so there is no place to foretell an error at")
        drive = np.concatenate(self._drive, axis=1)
        return JobPlaces(
            rows[0], rows[1], rows[2], rows[3].astype(np.int64), rows[4].astype(np.int64),
            np.arange(rows.shape[1]) < early.shape[1],
            DriveSignal(drive[0], drive[1], drive[2], drive[3] > 0), self._end_s, self._layers,
            outline,
        )  # fmt: skip


def _thinned(rows: Floats, most: int) -> Floats:
    count = rows.shape[1]
    return rows[:, np.linspace(0, count - 1, most).astype(int)] if count > most else rows
