"""A correction of the path, learned from layers that repeat: the wanted path is shifted by it.

Iterative learning control (first-order, with smoothing as its robustness filter; D. A. Bristow,
M. Tharayil, A. G. Alleyne, A survey of iterative learning control, 2006; from memory): the mean
error along a layer, as a function of the time since its first trace began, is taken off the wanted
path before the next play. What the layers do not share is averaged out and left alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis.compensate.local_line import middle, smoothed
from hysteresis.compensate.path_pieces import ShiftedBlock
from hysteresis.compensate.played_job import (
    Layer,
    PlayedJob,
    layers_of,
    rms,
    simulated,
    used,
    without_delay,
)
from hysteresis.errors import InputError
from hysteresis.files import read_json, write_json
from hysteresis.model import RigModel
from hysteresis.paths.marks import mark_path
from hysteresis.paths.stream import TimedBlock
from hysteresis.plain_content import PartFault, number, numbers, within
from hysteresis.tables import Bools, Floats, SpotPath

SCHEMA, SCHEMA_VERSION = "hysteresis correction", 1
GAIN = 0.8  # of the error that one play takes off: what noise it lets in is forgotten in a few
KNOT_S = 0.033  # between knots of the shift; it goes smoothly from one to the next
MOST_MM = 5.0  # a shift beyond this is no memory of a mirror
FOREIGN_MM = 0.5  # a wanted place this far from the learned one belongs to another path
LARGEST = 1e6


@dataclass(frozen=True)
class LayerShift:
    """Shift of one kind of layer. `t_s` (n,) since its first trace began, rising; `x_mm`, `y_mm`:
    wanted there; `shift_*_mm` (n,): added to the wanted path; `traced` (n,): knots of a trace, not
    of the way to the next layer.
    """

    t_s: Floats
    x_mm: Floats
    y_mm: Floats
    shift_x_mm: Floats
    shift_y_mm: Floats
    traced: Bools

    def at(self, t_s: Floats) -> tuple[Floats, Floats]:
        """The shift at times since the layer began; ends held. Smooth: its rate is 0 at knots."""
        if len(self.t_s) == 1:
            return np.full(len(t_s), self.shift_x_mm[0]), np.full(len(t_s), self.shift_y_mm[0])
        row = np.clip(np.searchsorted(self.t_s, t_s, side="right") - 1, 0, len(self.t_s) - 2)
        part = np.clip((t_s - self.t_s[row]) / (self.t_s[row + 1] - self.t_s[row]), 0.0, 1.0)
        part = _smooth(part)
        return (
            self.shift_x_mm[row] + part * (self.shift_x_mm[row + 1] - self.shift_x_mm[row]),
            self.shift_y_mm[row] + part * (self.shift_y_mm[row + 1] - self.shift_y_mm[row]),
        )


@dataclass(frozen=True)
class Correction:
    """Shifts by kind of layer. `kind_of_layer`: of layers 0, 1, …; further ones go on from the
    start of the list. `held_before_mm`, `held_after_mm`: rms error of layers held out, as seen and
    with what was learned from the others taken off."""

    shifts: tuple[LayerShift, ...]
    kind_of_layer: tuple[int, ...]
    held_before_mm: float
    held_after_mm: float
    plays: int = 1

    def of_layer(self, layer: int) -> LayerShift:
        return self.shifts[self.kind_of_layer[layer % len(self.kind_of_layer)]]


@dataclass(frozen=True)
class PathLearned:
    """What a job taught about the path: None where nothing may be taken on, and why."""

    correction: Correction | None
    held_before_mm: float
    held_after_mm: float
    largest_mm: float
    notes: tuple[str, ...]


def learn_correction(
    job: PlayedJob,
    model: RigModel | None = None,
    before: Correction | None = None,
    *,
    gain: float = GAIN,
) -> PathLearned:
    """A correction from the errors of repeated layers, if it makes the layers held out better.

    Parameters
    ----------
    model : the model by which the next drive will be made, where it is not that of the drive
        played: the error is then what this model leaves unexplained. None: the same one.
    before : the correction that was in the drive played; the new one holds it as well.
    gain : part of the error to take off, 0 to 1.

    The layers held out never take part. A correction that does not lower their error is not
    given; nor is one without repeated layers.
    """
    if not 0.0 < gain <= 1.0:
        raise InputError("the gain of learning lies above 0, at most 1", value=gain)
    shift_x, shift_y = _shift_in(job, before)
    if model is None:
        off = job.x_mm - job.wanted_x_mm - shift_x, job.y_mm - job.wanted_y_mm - shift_y
    else:
        mean_x, mean_y = simulated(job, model)
        off = job.x_mm - mean_x, job.y_mm - mean_y
    # `off`: played less what was aimed at; `error`: what is left if nothing else is changed
    off = without_delay(job, off[0], off[1], used(job, off) & ~job.held)
    error = off[0] + shift_x, off[1] + shift_y
    keep = used(job, error)
    counts = np.bincount(np.array(job.kind))
    if job.block_kind != "layers" or counts.max() < 2:
        whole = rms(error[0][keep], error[1][keep])
        return PathLearned(None, whole, whole, 0.0, (
            "no layer of this job repeats, so errors of the path cannot be told from chance; "
            "learn the model alone",
        ))  # fmt: skip
    shifts = []
    for kind in range(len(counts)):
        mine = keep & ~job.held & (np.array(job.kind)[job.layer] == kind)
        first = job.layers[job.kind.index(kind)]
        shifts.append(_shift_of(job, first, mine, error, before, gain * (counts[kind] > 1)))
    shifts = _led_over(shifts, job)
    new = Correction(tuple(shifts), job.kind, 0.0, 0.0, 1 if before is None else before.plays + 1)
    own_x, own_y = _shift_in(job, new)
    held = keep & job.held
    left = error[0] - shift_x + own_x, error[1] - shift_y + own_y
    was, now = (rms(e[0][held], e[1][held]) for e in (error, left))
    largest = max(float(np.hypot(s.shift_x_mm, s.shift_y_mm).max()) for s in shifts)
    if not now < was:
        note = (
            f"on layers held out the error would go from {was:.4f} to {now:.4f} mm: the path is "
            "left as it was"
        )
        return PathLearned(None, was, now, largest, (note,))
    notes = []
    if largest >= MOST_MM * (1.0 - 1e-9):
        notes.append(f"the shift was held at {MOST_MM:g} mm; look at the rig before the next play")
    alone = int(np.sum(counts[np.array(job.kind)] == 1))
    if alone:
        notes.append(f"{alone} layers that do not repeat keep their path as it is")
    done = replace(new, held_before_mm=was, held_after_mm=now)
    return PathLearned(done, was, now, largest, tuple(notes))


def _shift_in(job: PlayedJob, correction: Correction | None) -> tuple[Floats, Floats]:
    """The shift of the wanted path at each spot."""
    out = np.zeros((2, len(job.t_s)))
    if correction is not None:
        for place, layer in enumerate(job.layers):
            mine = job.layer == place
            out[:, mine] = correction.of_layer(layer.number).at(job.t_s[mine] - layer.begin_s)
    return out[0], out[1]


def _shift_of(
    job: PlayedJob, first: Layer, mine: Any, error: tuple[Floats, Floats],
    before: Correction | None, gain: float,
) -> LayerShift:  # fmt: skip
    """Shift of one kind: that of before, less gain × the error that its layers share.

    The old shift is kept as it is; smoothing it again and again would wear it off.
    """
    begin = np.array([layer.begin_s for layer in job.layers])
    since = job.t_s - begin[job.layer]
    knots, columns = [], []
    base = [middle(e[mine]) for e in error]
    for place, (start, end) in enumerate(first.traces_s - first.begin_s):
        count = max(2, int(np.ceil((end - start) / KNOT_S)) + 1)
        t = np.linspace(start, end, count)
        rows = np.flatnonzero(mine & (job.trace == place))
        knots.append(t)
        old = (np.zeros(count), np.zeros(count))
        if before is not None:
            old = before.of_layer(first.number).at(t)
        values = [
            o - gain * smoothed(since[rows], e[rows], t, b)
            for o, e, b in zip(old, error, base, strict=True)
        ]
        size = np.maximum(np.hypot(*values) / MOST_MM, 1.0)
        columns.append(np.stack(values) / size)
    t = np.concatenate(knots)
    shift = np.concatenate(columns, axis=1)
    # traces that touch share a moment: the later one's value counts from there on
    late = np.append(np.diff(t) > 1e-9, True)
    t, shift = t[late], shift[:, late]
    at = first.begin_s + t
    x, y = (np.interp(at, job.planned.t_s, v) for v in (job.planned.x_mm, job.planned.y_mm))
    return LayerShift(t, x, y, shift[0], shift[1], np.ones(len(t), dtype=bool))


def _led_over(shifts: list[LayerShift], job: PlayedJob) -> list[LayerShift]:
    """With a last knot where the next layer begins, so that the shift goes over in between."""
    out = list(shifts)
    for kind, shift in enumerate(shifts):
        place = job.kind.index(kind)
        if place + 1 == len(job.layers):
            continue
        after = shifts[job.kind[place + 1]]
        period = job.layers[place + 1].begin_s - job.layers[place].begin_s
        if period <= shift.t_s[-1] + 1e-9:
            continue
        out[kind] = LayerShift(
            np.append(shift.t_s, period), np.append(shift.x_mm, after.x_mm[0]),
            np.append(shift.y_mm, after.y_mm[0]), np.append(shift.shift_x_mm, after.shift_x_mm[0]),
            np.append(shift.shift_y_mm, after.shift_y_mm[0]), np.append(shift.traced, False),
        )  # fmt: skip
    return out


# ---- putting it on a path ----------------------------------------------------------------------


def apply_correction(blocks: Iterable[TimedBlock], correction: Correction) -> Iterator[TimedBlock]:
    """The path shifted, block by block, for the drive; what is wanted stays the path as it was.

    Before the first trace of a job the shift is that of its beginning; behind a layer's last
    trace it goes over to that of the next layer's beginning. Raises InputError where the path is
    not the one that was learned from (`FOREIGN_MM`), with the line.
    """
    layer, begin_s = -1, float("nan")
    rest = np.zeros(2)  # what the shift lacks of going on without a jump
    for block in blocks:
        t: Floats = np.asarray((block.first + np.arange(len(block))) * block.step_s, np.float64)
        shift_x, shift_y = np.zeros(len(block)), np.zeros(len(block))
        edges = [0, *(np.flatnonzero(np.diff(block.layer)) + 1).tolist(), len(block)]
        for a, b in pairwise(edges):
            number, rows = int(block.layer[a]), slice(a, b)
            shift = correction.of_layer(number)
            if number != layer:
                if layer >= 0:
                    came = correction.of_layer(layer).at(
                        np.asarray(t[a : a + 1] - begin_s, dtype=float)
                    )
                    goes = shift.at(np.zeros(1))
                    rest = np.array([came[0][0] - goes[0][0], came[1][0] - goes[1][0]])
                    begin_s = float(t[a])
                layer = number
            lit = np.flatnonzero(block.beam[rows])
            if np.isnan(begin_s) and lit.size:
                begin_s = float(t[a + lit[0]])
            since = np.zeros(b - a) if np.isnan(begin_s) else np.maximum(t[rows] - begin_s, 0.0)
            dx, dy = shift.at(since)
            fade = _smooth(np.clip(1.0 - since / KNOT_S, 0.0, 1.0))
            if not np.isnan(begin_s):
                _check_same(shift, since, block, rows)
            shift_x[rows], shift_y[rows] = dx + fade * rest[0], dy + fade * rest[1]
        yield ShiftedBlock(
            block.first, block.step_s, block.x_mm + shift_x, block.y_mm + shift_y, block.beam,
            block.switch_at, block.switch_on, block.line_of_row, block.layer, block.smoothing_mm,
            shift_x, shift_y,
        )  # fmt: skip


def apply_to_path(path: SpotPath, correction: Correction) -> SpotPath:
    """`apply_correction` for a path in one piece."""
    layers = layers_of(mark_path(path))
    if not layers:
        return path
    begin = np.array([layer.begin_s for layer in layers])
    place = np.maximum(np.searchsorted(begin, path.t_s + 1e-9, side="right") - 1, 0)
    x, y = path.x_mm.copy(), path.y_mm.copy()
    for k, layer in enumerate(layers):
        rows = np.flatnonzero(place == k)
        dx, dy = correction.of_layer(layer.number).at(
            np.maximum(path.t_s[rows] - layer.begin_s, 0.0)
        )
        x[rows] += dx
        y[rows] += dy
    return SpotPath(path.t_s, x, y, path.beam)


def _smooth(part: Floats) -> Floats:
    """From 0 to 1 with no rate at either end."""
    return np.asarray(part * part * (3.0 - 2.0 * part))


def _check_same(shift: LayerShift, since: Floats, block: TimedBlock, rows: slice) -> None:
    """Refuse a path whose traces do not pass the places that were learned from."""
    inside = shift.traced & (shift.t_s >= since[0]) & (shift.t_s <= since[-1])
    at = shift.t_s[inside]
    if not at.size:
        return
    away = np.hypot(
        np.interp(at, since, block.x_mm[rows]) - shift.x_mm[inside],
        np.interp(at, since, block.y_mm[rows]) - shift.y_mm[inside],
    )
    worst = int(np.argmax(away))
    if away[worst] > FOREIGN_MM:
        k = rows.start + int(np.searchsorted(since, at[worst], side="right")) - 1
        raise InputError(
            f"the correction was learned from another path: this one is {away[worst]:.2f} mm "
            "beside it", row=int(block.line_of_row[k]),
            mend="leave out the correction, or learn it anew from a play of this path",
        )  # fmt: skip


# ---- the file ----------------------------------------------------------------------------------


def write_correction(path: Path | str, correction: Correction, *, overwrite: bool = True) -> None:
    """Write correction.json, whole or not at all."""
    content = {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "units": {"length": "mm", "time": "s"},
        "plays": correction.plays,
        "held_before_mm": correction.held_before_mm,
        "held_after_mm": correction.held_after_mm,
        "kind_of_layer": list(correction.kind_of_layer),
        "shifts": [
            {
                "t_s": s.t_s.tolist(), "x_mm": s.x_mm.tolist(), "y_mm": s.y_mm.tolist(),
                "shift_x_mm": s.shift_x_mm.tolist(), "shift_y_mm": s.shift_y_mm.tolist(),
                "traced": [int(v) for v in s.traced],
            }
            for s in correction.shifts
        ],
    }  # fmt: skip
    write_json(path, content, overwrite=overwrite)


def read_correction(path: Path | str) -> Correction:
    """Read correction.json; InputError for another file, a newer one, or absurd content."""
    data = read_json(path, mend="learn it again")
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise InputError(
            "this is not a correction of this toolkit", file=path,
            mend="make one with: hysteresis learn",
        )  # fmt: skip
    if data.get("schema_version") != SCHEMA_VERSION:
        raise InputError(
            f"the correction's schema version is not {SCHEMA_VERSION}", file=path,
            column="schema_version", value=data.get("schema_version"), mend="learn it again",
        )  # fmt: skip
    try:
        return _from_json(data)
    except PartFault as fault:
        raise InputError(
            f"the correction's content is not as it should be: {fault}", file=path,
            mend="learn it again",
        ) from fault  # fmt: skip


def _from_json(data: dict[str, Any]) -> Correction:
    entries = data.get("shifts")
    if not isinstance(entries, list) or not entries:
        raise PartFault("shifts", "is not a list of one or more")
    shifts = []
    for k, entry in enumerate(entries, 1):
        with within(f"shifts.{k}"):
            if not isinstance(entry, dict):
                raise PartFault("shift", "is not an object with entries")
            t, x, y, dx, dy, traced = (
                numbers(entry, name, most=LARGEST)
                for name in ("t_s", "x_mm", "y_mm", "shift_x_mm", "shift_y_mm", "traced")
            )
            if not len(t) or {len(v) for v in (x, y, dx, dy, traced)} != {len(t)}:
                raise PartFault("t_s", "and the other lists differ in length, or are empty")
            if np.any(np.diff(t) <= 0.0):
                raise PartFault("t_s", "does not rise strictly")
            if max(np.abs(dx).max(), np.abs(dy).max()) > 2.0 * MOST_MM:
                raise PartFault("shift_x_mm", f"or shift_y_mm is beyond {2.0 * MOST_MM:g} mm")
            shifts.append(LayerShift(t, x, y, dx, dy, traced != 0.0))
    kinds = numbers(data, "kind_of_layer", most=LARGEST)
    if not len(kinds) or not np.isin(kinds, np.arange(len(shifts))).all():
        raise PartFault("kind_of_layer", "is not a list of numbers of shifts")
    return Correction(
        tuple(shifts), tuple(int(k) for k in kinds),
        number(data, "held_before_mm", 0.0, LARGEST), number(data, "held_after_mm", 0.0, LARGEST),
        int(number(data, "plays", 1, LARGEST)),
    )  # fmt: skip
