"""Learning from a job that was played: a small update of the model, tried on what is held out.

Few directions of the model drift or are often wrong: the strength of friction and after-effect,
the stiffness of the spring, the zero. They are fitted to the spots that were seen under the drive
that was played, by least squares with Huber's weights, drawn to no change with stated widths
(ridge, the same as a normal prior; textbook). Every third layer is held out; an update that does
not lower the error there is not taken.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from hysteresis.compensate.played_job import (
    PlayedJob,
    rms,
    simulated,
    speed_of,
    state_after_pattern,
    used,
)
from hysteresis.fit.directions import (
    WORDS,
    axis_of,
    by_axis,
    directions_of,
    moved_file,
    moved_model,
)
from hysteresis.model import FittedModel
from hysteresis.tables import Floats, Pattern

WIDTHS = {
    "friction": 0.25, "after_effect_fast": 0.25, "after_effect_slow": 0.25, "spring": 0.02,
    "zero_mm": 0.2, "delay_s": 0.002,
}  # fmt: skip
"""Prior standard deviations of the directions: factors as their logarithm (common practice, no
source), the zero in mm, the delay of the film's clock in s."""
MOST_FACTOR, MOST_ZERO_MM = 2.0, 3.0  # further than this the rig is another one: fit again
ROUNDS = 10
TURNED = 2.0  # robust standard deviations at which Huber's weights begin to fall
LEAST_MM = 1e-4  # below which no spot is known
STEP = 1e-3  # of a direction, for differences: their error is of its square


@dataclass(frozen=True)
class Moved:
    """One direction: `value` a factor (1: no change) or mm (0: none), with its standard error."""

    axis: str
    direction: str
    value: float
    standard_error: float
    at_bound: bool

    @property
    def unit(self) -> str:
        return "mm" if self.direction == "zero_mm" else "times"

    @property
    def words(self) -> str:
        return f"{WORDS[self.direction]}, {self.axis}"


@dataclass(frozen=True)
class ModelLearned:
    """What a job taught about the model.

    `fitted`: the model with the update, or as it was where `accepted` is False. `held_*_mm`: rms
    of the distance between spots held out and the model's, before and with the update;
    `learned_*_mm` the same of the spots learned from. `block_kind`: what was held out.
    """

    fitted: FittedModel
    accepted: bool
    moved: tuple[Moved, ...]
    held_before_mm: float
    held_after_mm: float
    learned_before_mm: float
    learned_after_mm: float
    block_kind: str
    notes: tuple[str, ...]


def learn_model(fitted: FittedModel, job: PlayedJob) -> ModelLearned:
    """Update a model from a played job, if that makes what is held out better.

    The update is bounded: factors within 1/2 to 2, the zero within 3 mm. The film's clock may be
    late by an unknown delay, which is fitted along and forgotten.
    """
    names = [(axis, d) for axis in "xy" for d in directions_of(axis_of(fitted.model, axis))]
    width = np.array([WIDTHS[d] for _, d in names] + [WIDTHS["delay_s"]])
    bound = np.array([
        MOST_ZERO_MM if d == "zero_mm" else np.log(MOST_FACTOR) for _, d in names
    ] + [5.0 * WIDTHS["delay_s"]])  # fmt: skip
    p = np.zeros(len(width))
    speed = [speed_of(job, v) for v in (job.planned.x_mm, job.planned.y_mm)]

    def seen(q: Floats) -> Floats:
        x, y = simulated(job, moved_model(fitted.model, by_axis(names, q)))
        return np.concatenate([x + q[-1] * speed[0], y + q[-1] * speed[1]])

    target = np.concatenate([job.x_mm, job.y_mm])
    here = first = seen(p)
    split = np.split(target - first, 2)
    keep = used(job, (split[0], split[1]))
    rows = np.tile(keep & ~job.held, 2)
    for _ in range(ROUNDS):
        slopes = np.stack([(seen(p + STEP * e) - here) / STEP for e in np.eye(len(p))], axis=1)
        left = target - here
        weight = _weights(job, left, rows)
        normal = slopes.T @ (weight[:, None] * slopes) + np.diag(width**-2)
        move = np.linalg.solve(normal, slopes.T @ (weight * left) - p / width**2)
        now = np.clip(p + move, -bound, bound)
        done = np.abs(now - p).max() < 1e-4
        p, here = now, seen(now)
        if done:
            break
    spread = np.sqrt(np.diag(np.linalg.inv(normal)))
    moved = tuple(
        Moved(axis, d, float(v if d == "zero_mm" else np.exp(v)),
              float(s if d == "zero_mm" else np.exp(v) * s), bool(abs(v) >= b * (1 - 1e-9)))
        for (axis, d), v, s, b in zip(names, p[:-1], spread[:-1], bound[:-1], strict=True)
    )  # fmt: skip
    # the delay is the film's, not the model's: both are judged with the delay that was found
    late = p[-1] * np.concatenate(speed)
    sizes = [
        rms(*np.split((target - value)[np.tile(part, 2)], 2))
        for part in (keep & job.held, keep & ~job.held)
        for value in (first + late, here)
    ]
    notes = []
    if any(m.at_bound for m in moved):
        worst = next(m for m in moved if m.at_bound)
        notes.append(f"{worst.words} was held at its bound; measure and fit the rig again")
    accepted = bool(sizes[1] < sizes[0])
    if accepted:
        by = by_axis(names, p[:-1])
        told = {
            "moved": [{"axis": a, "direction": d, "value": by[a][d]} for a, d in names],
            "held_out": job.block_kind, "held_before_mm": sizes[0], "held_after_mm": sizes[1],
        }  # fmt: skip
        result = moved_file(fitted, by, "learned", told)
    else:
        result = fitted
        notes.append(
            f"on {job.block_kind} held out the error would go from {sizes[0]:.4f} to "
            f"{sizes[1]:.4f} mm: the model is left as it was"
        )
    return ModelLearned(
        result, accepted, moved, sizes[0], sizes[1], sizes[2], sizes[3], job.block_kind,
        tuple(notes),
    )  # fmt: skip


def with_end(fitted: FittedModel, pattern: Pattern | None) -> FittedModel:
    """With the state of this very model when its pattern ends, where that pattern is known."""
    if pattern is None:
        return fitted
    return replace(fitted, end=state_after_pattern(fitted.model, fitted.start, pattern))


def _weights(job: PlayedJob, left: Floats, rows: Any) -> Floats:
    """Weight of each coordinate: Huber's over the variance, less where errors hang together."""
    out = np.zeros(len(left))
    for part, use, r in zip(
        np.split(np.arange(len(left)), 2), np.split(rows, 2), np.split(left, 2), strict=True
    ):
        mine = r[use]
        size = max(1.4826 * float(np.median(np.abs(mine - np.median(mine)))), LEAST_MM)
        block = job.layer[use]  # within a layer the model's error hangs together
        z = np.clip(mine / size, -5.0, 5.0)
        # Kish's design effect of cluster samples (from memory): sums over a block scatter more
        together = float(np.sum(np.bincount(block, weights=z) ** 2) / max(np.sum(z**2), 1e-12))
        huber = np.minimum(1.0, TURNED * size / np.maximum(np.abs(mine), 1e-12))
        out[part[use]] = huber / (size**2 * max(together, 1.0))
    return out
