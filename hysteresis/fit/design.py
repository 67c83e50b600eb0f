"""A characterisation for one path: what to measure so that the error on that path is smallest.

Each part of the pattern may take several forms: other excursions, dwells, rates, amplitudes of
reversals. One part after another takes the form with which the error foretold on the path
(`path_forecast`) is smallest, all others as they are: coordinate exchange (Meyer & Nachtsheim
1995; from memory), on whole patterns, so that rests, order and the rig's past count too. What
every characterisation needs stays in: sync, conditioning, the field, small steps, dwells of
several lengths, a repeat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.bench import Bench
from hysteresis.fit.path_forecast import PathAim, Prior, aim_at, forecast_mm, prior_for
from hysteresis.model import FittedModel
from hysteresis.optics import deflection_from_spot
from hysteresis.plan.assemble import Axes
from hysteresis.plan.improve import Skeleton, skeleton_for_path, tailored
from hysteresis.tables import Pattern, SpotPath

FORMS = 6  # tried of each part


@dataclass(frozen=True)
class Design:
    """A pattern for one path: the segments chosen, and what error on the path is foretold.

    `forecast_mm`: rms distance on the path with this pattern; `usual_mm`: with the pattern
    `usual` of equal length that knows of no path.
    """

    pattern: Pattern
    chosen: tuple[str, ...]
    forecast_mm: float
    usual_mm: float


def design_for_path(
    bench: Bench,
    path: SpotPath,
    minutes: float,
    usual: Pattern,
    *,
    axes: Axes = "both",
    fitted: FittedModel | None = None,
    seed: int = 1,
) -> Design:
    """Lay out a characterisation of `minutes` for one path; `usual` is the one to beat.

    `seed`: of the order of its parts, which is that of a characterisation with this seed.
    Raises InputError when the essentials do not fit into the time.
    """
    prior = prior_for(bench, fitted, "xy" if axes == "both" else axes)
    aim = aim_at(prior, path, bench, usual)
    drive_x, drive_y = deflection_from_spot(path.x_mm, path.y_mm, prior.nominal)
    skeleton = skeleton_for_path(
        bench, minutes, path.t_s, drive_x, drive_y, axes, seed=seed
    )
    slots = skeleton.slots

    def laid(forms: tuple[int, ...]) -> _Laid:
        return _laid(prior, aim, skeleton, path, bench, minutes, forms, seed)

    best = laid(tuple(0 for _ in slots))
    rng = np.random.default_rng(seed)
    for k in rng.permutation(best.kept):
        others = rng.permutation([f for f in range(len(slots[k])) if f != best.forms[k]])[:FORMS]
        for form in others:
            tried = laid((*best.forms[:k], int(form), *best.forms[k + 1 :]))
            # a form that leaves no room for a later part is no exchange
            if set(best.kept) <= set(tried.kept) and tried.forecast_mm < best.forecast_mm:
                best = tried
    return Design(
        best.pattern, best.names, best.forecast_mm,
        float(np.hypot(*forecast_mm(prior, usual, path, bench, aim))),
    )  # fmt: skip


@dataclass(frozen=True)
class _Laid:
    """A pattern that was tried: its forecast, the form of each part, and which parts fit."""

    forecast_mm: float
    pattern: Pattern
    names: tuple[str, ...]
    forms: tuple[int, ...]
    kept: tuple[int, ...]


def _laid(
    prior: Prior, aim: PathAim, skeleton: Skeleton, path: SpotPath, bench: Bench,
    minutes: float, forms: tuple[int, ...], seed: int,
) -> _Laid:  # fmt: skip
    """A pattern with these forms of its parts, as many as the time holds, with its forecast."""
    pattern, kept = tailored(bench, skeleton, forms, minutes, seed=seed)
    value = float(np.hypot(*forecast_mm(prior, pattern, path, bench, aim)))
    names = tuple(skeleton.slots[k][forms[k]].name for k in kept)
    return _Laid(value, pattern, names, forms, kept)
