"""Approaches to targets from both sides: ISO 230-2 (clauses numbered as in 2006).

A target is a drive; the deviation of a reading is taken from the straight line of deflection
against drive through all readings (a calibration with gain and offset), since a rig of this kind
has no scale of its own. What goes with the drive of the other axis is taken off: the standard
moves one axis at a time, these patterns move both. The standard asks for five runs in each
direction (from memory); with fewer the figures say so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from hysteresis.characteristics.spread import corrected
from hysteresis.characteristics.view import AXES, Found, View
from hysteresis.tables import Bools, Floats, Ints

RUNS = 5  # per direction and target (ISO 230-2, from memory)


@dataclass(frozen=True)
class Approaches:
    """Readings at targets that were approached from both sides.

    `drive`, `target`, `up` (n,): of each reading, in order of target; `target` numbers the targets
    and `up` tells approaches from below. `raw_mm` (m,) are all readings of steps with their
    standard uncertainties `u_mm`; `taken` (n, m) makes of them the readings at targets, freed of
    what goes with the other axis.
    """

    drive: Floats
    target: Ints
    up: Bools
    raw_mm: Floats
    u_mm: Floats
    taken: Floats

    @property
    def place_mm(self) -> Floats:
        """Readings at the targets (n,)."""
        return np.asarray(self.taken @ self.raw_mm)

    @property
    def at_drive(self) -> Floats:
        """Drive of each target, rising."""
        return np.array([self.drive[self.target == i][0] for i in range(self.target.max() + 1)])

    def fewest_runs(self) -> int:
        """Fewest readings per direction at any target."""
        counts = [np.bincount(self.target[side]) for side in (self.up, ~self.up)]
        return int(min(count.min() for count in counts))


@dataclass(frozen=True)
class Positioning:
    """The figures of ISO 230-2 in mm; arrays (..., targets) or (...). NaN where one run is all.

    `reversal` B_i (2.12), `mean` x̄_i, `repeat_up`, `repeat_down` R_i↑, R_i↓ (2.16), `repeat` R_i
    (2.18). Of the axis: `largest_reversal` B (2.13), `mean_reversal` B̄ (2.14), `up`, `down`, `both`
    R↑, R↓, R (2.17, 2.19), `systematic_up`, `systematic_down`, `systematic` E↑, E↓, E (2.20, 2.21),
    `mean_range` M (2.22), `accuracy_up`, `accuracy_down`, `accuracy` A↑, A↓, A (2.23, 2.24).
    """

    reversal: Floats
    mean: Floats
    repeat_up: Floats
    repeat_down: Floats
    repeat: Floats
    largest_reversal: Floats
    mean_reversal: Floats
    up: Floats
    down: Floats
    both: Floats
    systematic_up: Floats
    systematic_down: Floats
    systematic: Floats
    mean_range: Floats
    accuracy_up: Floats
    accuracy_down: Floats
    accuracy: Floats


def positioning(deviation_mm: Floats, target: Ints, up: Bools) -> Positioning:
    """ISO 230-2 from deviations x_ij (..., n) with target and direction (n,) of each.

    Standard deviations are those of the sample (n − 1); a target with one run in a direction has
    none.
    """
    sides = []
    for side in (up, ~up):
        columns, spreads = [], []
        for i in range(int(target.max()) + 1):
            runs = deviation_mm[..., side & (target == i)]
            columns.append(runs.mean(axis=-1))
            one = runs.shape[-1] < 2
            spreads.append(np.full(runs.shape[:-1], np.nan) if one else runs.std(axis=-1, ddof=1))
        sides.append((np.stack(columns, axis=-1), np.stack(spreads, axis=-1)))
    (mean_up, s_up), (mean_down, s_down) = sides
    reversal = mean_up - mean_down
    mean = (mean_up + mean_down) / 2.0
    repeat_up, repeat_down = 4.0 * s_up, 4.0 * s_down
    repeat = np.maximum(
        2.0 * s_up + 2.0 * s_down + np.abs(reversal), np.maximum(repeat_up, repeat_down)
    )
    high, low = np.maximum(mean_up, mean_down), np.minimum(mean_up, mean_down)
    top = np.maximum(mean_up + 2.0 * s_up, mean_down + 2.0 * s_down)
    bottom = np.minimum(mean_up - 2.0 * s_up, mean_down - 2.0 * s_down)
    return Positioning(
        reversal=reversal,
        mean=mean,
        repeat_up=repeat_up,
        repeat_down=repeat_down,
        repeat=repeat,
        largest_reversal=np.abs(reversal).max(axis=-1),
        mean_reversal=reversal.mean(axis=-1),
        up=repeat_up.max(axis=-1),
        down=repeat_down.max(axis=-1),
        both=repeat.max(axis=-1),
        systematic_up=np.ptp(mean_up, axis=-1),
        systematic_down=np.ptp(mean_down, axis=-1),
        systematic=high.max(axis=-1) - low.min(axis=-1),
        mean_range=np.ptp(mean, axis=-1),
        accuracy_up=(mean_up + 2.0 * s_up).max(axis=-1) - (mean_up - 2.0 * s_up).min(axis=-1),
        accuracy_down=(mean_down + 2.0 * s_down).max(axis=-1)
        - (mean_down - 2.0 * s_down).min(axis=-1),
        accuracy=top.max(axis=-1) - bottom.min(axis=-1),
    )


def approaches(view: View, axis: str, fewest: int = 1) -> Approaches | None:
    """Readings at all targets with `fewest` runs or more in each direction; None without any.

    What the other axis' drive does to the reading is taken off (see `freed_of_other_axis`).
    """
    k = AXES.index(axis)
    steps = [step for step in view.steps() if step.still.approach[k] != 0]
    own = np.array([round(step.still.drive[k], 6) for step in steps])
    side = np.array([step.still.approach[k] for step in steps], dtype=float)
    often = [
        drive for drive in np.unique(own)
        if min(np.sum((own == drive) & (side == s)) for s in (1.0, -1.0)) >= fewest
    ]  # fmt: skip
    if not often:
        return None
    other = np.array([step.still.drive[1 - k] for step in steps])
    rows = np.concatenate([np.flatnonzero(own == drive) for drive in often])
    return Approaches(
        own[rows],
        np.searchsorted(often, own[rows]).astype(np.int64),
        side[rows] > 0,
        view.full_scale_mm[k] * np.array([step.deflection_fs[k] for step in steps]),
        np.array([step.mean.u_mm[k] for step in steps]),
        freed_of_other_axis(own, other, side)[rows],
    )


def freed_of_other_axis(own: Floats, other: Floats, side: Floats) -> Floats:
    """Matrix (n, n) that takes off readings what goes with the other axis' drive.

    Mirrors and camera lie a little askew. Least squares on both drives (n,); only the terms with
    the other one are taken off. The terms with the own drive and the `side` of the approach stand
    beside them so that a reversal value stays. The unit matrix where too few readings would have
    to tell them.
    """
    n = len(own)
    mine = np.column_stack([np.ones(n), own, own**2, own**3, side])
    others = np.column_stack([other, other**2, own * other])
    if n < 2 * (mine.shape[1] + others.shape[1]):
        return np.eye(n)
    solution = np.linalg.pinv(np.hstack([mine, others]), rcond=1e-9)
    return np.asarray(np.eye(n) - others @ solution[mine.shape[1] :])


_OF_AXIS = (
    ("reversal_value", "largest_reversal"), ("mean_reversal_value", "mean_reversal"),
)  # fmt: skip
_OF_LINE = (
    ("systematic_deviation", "systematic"), ("mean_deviation_range", "mean_range"),
)  # fmt: skip
_OF_RUNS = (
    ("repeatability_up", "up"), ("repeatability_down", "down"),
    ("repeatability_both_ways", "both"), ("positioning_accuracy", "accuracy"),
)  # fmt: skip


def figures(view: View) -> Iterator[Found]:
    """Reversal value of each target, and the figures of the axis."""
    for axis in AXES:
        found = approaches(view, axis)
        if found is None:
            continue
        told = positioning(found.place_mm, found.target, found.up)
        note = _note(found.fewest_runs())
        for i, drive in enumerate(found.at_drive):
            sides = [(found.target == i) & side for side in (found.up, ~found.up)]
            weight = np.mean(found.taken[sides[0]], axis=0) - np.mean(found.taken[sides[1]], axis=0)
            u = 0.0 if view.exact else float(np.sqrt(weight**2 @ found.u_mm**2))
            yield Found(
                "reversal_value", axis, f"{drive:.6f}", float(told.reversal[i]), u,
                conditions=(("drive", float(drive), "1"),), per_mm=float(np.sqrt(2.0)),
                note=_note(int(min(np.sum(side) for side in sides))),
            )  # fmt: skip
        yield from _of_axis(view, axis, found, (*_OF_AXIS, *_OF_LINE), note)
        often = approaches(view, axis, fewest=2)
        if often is not None:
            yield from _of_axis(view, axis, often, _OF_RUNS, _note(often.fewest_runs()))


def _note(runs: int) -> str:
    if runs >= RUNS:
        return ""
    return f"{runs} run{'s' * (runs > 1)} per direction at the fewest; ISO 230-2 asks for {RUNS}"


def _of_axis(
    view: View, axis: str, found: Approaches, wanted: tuple[tuple[str, str], ...], note: str
) -> Iterator[Found]:
    away = found.drive - found.drive.mean()
    square = max(float(away @ away), 1e-12)

    def all_figures(raw_mm: Floats) -> Positioning:
        place_mm = raw_mm @ found.taken.T
        slope = (place_mm @ away) / square
        middle = place_mm.mean(axis=-1)[..., None]
        deviation = place_mm - middle - slope[..., None] * away
        return positioning(deviation, found.target, found.up)

    plain = all_figures(found.raw_mm)
    for key, name in wanted:
        value, u = float(getattr(plain, name)), 0.0
        if not view.exact:

            def figure(raw_mm: Floats, name: str = name) -> Floats:
                return np.asarray(getattr(all_figures(raw_mm), name))

            value, u = corrected(figure, found.raw_mm, found.u_mm)
            if key != "mean_reversal_value":
                value = max(value, 0.0)
        if (key, name) in _OF_LINE or key == "positioning_accuracy":
            # what the registration of the camera may bend
            u = float(np.hypot(u, np.sqrt(2.0) * view.place_mm))
        yield Found(key, axis, "", value, u, per_mm=float(np.sqrt(2.0)), note=note)
