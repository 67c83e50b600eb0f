"""What moved numbers of a model would do to a path: the wanted one of the last job, or the recheck.

The drive is the one by which the stored model keeps to the path; a rig whose numbers have moved
answers it with other spots. For the small changes of a recheck the spots move in proportion, so
one derivative by each direction tells it for all of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.errors import DataError
from hysteresis.fit.directions import by_axis, moved_model
from hysteresis.model import RigModel
from hysteresis.recheck.estimate import Estimate, Names, Sight
from hysteresis.recheck.results import OnPath
from hysteresis.tables import Bools, Floats, Ints, SpotPath

LONGEST_S = 1800.0  # of a job; its first half hour tells enough
MOST_SPOTS = 4000
MOST_SAMPLES = 60_000  # of a job: every so many samples, corners cut by less than a change shows
STEP = 0.01  # a hundredth of each number, and 0.01 mm: a typical drift
DRAWS = 4000
SHARE = 95.0  # of the interval, %


@dataclass(frozen=True)
class PathEffect:
    """Derivatives of the spots of a path by the directions: (2, n, k), mm each; `path` in words."""

    names: Names
    effect: Floats
    path: str

    def error_mm(self, change: Floats) -> tuple[float, float]:
        """Rms and largest distance by which a change (k,) moves the traced spots."""
        moved = np.hypot(*(self.effect @ change))
        return float(np.sqrt(np.mean(moved**2))), float(moved.max())

    def interval_mm(self, change: Floats, covariance: Floats, seed: int = 0) -> tuple[float, float]:
        """95 % interval of the rms: of normal draws about the change."""
        share = np.einsum("adk,adl->kl", self.effect, self.effect) / self.effect.shape[1]
        draws = np.random.default_rng(seed).multivariate_normal(
            change, covariance, DRAWS, method="eigh"
        )
        size = np.sqrt(np.maximum(np.einsum("nk,kl,nl->n", draws, share, draws), 0.0))
        low, high = np.percentile(size, (50.0 - SHARE / 2.0, 50.0 + SHARE / 2.0))
        return float(low), float(high)


def effect_on_job(model: RigModel, names: Names, planned: SpotPath, words: str) -> PathEffect:
    """The effect on a wanted path, from rest, its lead-in included where the path has one.

    Raises DataError for a path that is never traced.
    """
    keep = np.flatnonzero(planned.t_s - planned.t_s[0] <= LONGEST_S)
    keep = keep[:: max(1, len(keep) // MOST_SAMPLES)]
    t, x, y = planned.t_s[keep], planned.x_mm[keep], planned.y_mm[keep]
    step = np.diff(t, prepend=t[0] - float(np.median(np.diff(t))))
    drive = model.drives(x, y, step)[:2]
    rows = np.flatnonzero(planned.beam[keep])
    if not rows.size:
        raise DataError("the planned path never has the beam on, so no error on it can be told")
    rows = rows[:: max(1, len(rows) // MOST_SPOTS)]
    return PathEffect(names, _derivatives(model, names, drive, step, rows), words)


def effect_on_recheck(sight: Sight, found: Estimate) -> PathEffect:
    """The effect on the recheck's own returns to zero, for a run without a job.

    Less their mean: as in every return-to-zero error, only what differs between returns counts.
    """
    home = found.effect[:, sight.home]
    return PathEffect(
        found.names, home - home.mean(axis=1, keepdims=True), "the recheck's own returns"
    )


def on_path(
    effect: PathEffect, change: Floats, covariance: Floats, tolerance_mm: float,
    counted: Bools | None = None, certain: bool = True,
) -> OnPath:  # fmt: skip
    """What a change leaves on the path; only the directions `counted` (k,) take part.

    Where the change is not `certain`, it may as well be none, and the interval begins at 0.
    """
    use = np.ones(len(change), bool) if counted is None else counted
    only = np.where(use, change, 0.0)
    error, worst = effect.error_mm(only)
    low, high = effect.interval_mm(only, np.where(np.outer(use, use), covariance, 0.0))
    return OnPath(
        effect.path,
        error,
        min(low, error) if certain else 0.0,
        max(high, error),
        worst,
        tolerance_mm,
    )


def _derivatives(
    model: RigModel, names: Names, drive: tuple[Floats, Floats], step: Floats, rows: Ints
) -> Floats:
    def spots(change: Floats) -> Floats:
        moved = moved_model(model, by_axis(list(names), change))
        return np.stack(moved.spots(*drive, step)[:2])[:, rows]

    here = spots(np.zeros(len(names)))
    return np.stack([(spots(STEP * e) - here) / STEP for e in np.eye(len(names))], axis=2)
