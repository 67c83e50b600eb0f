"""The frames that a fitted model foretells for the very pattern that was measured."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from hysteresis.bench import Bench
from hysteresis.fit.predict import optics_from_full
from hysteresis.fit.structure import axis_from_full, layout
from hysteresis.fit.uncertainty import Trust
from hysteresis.model import FittedModel, RigModel, RigState
from hysteresis.optics import nominal_optics, spot_from_deflection
from hysteresis.recording import Grid, Observations, average, simulation_grid
from hysteresis.tables import Floats, Pattern

COARSE: dict[str, Any] = {"fine_step_s": 0.01, "settle_s": 0.0, "growth": 0.2}
"""Grid of a model without inertia, as the fit uses for it."""


def on_drive_clock(seen: Observations, pattern: Pattern, fitted: FittedModel) -> Observations:
    """The rows with their times corrected by the clock that the fit found (as `fit.predict`)."""
    clock = {p.name: p.value for p in fitted.parameters}
    middle_s = 0.5 * float(pattern.t_s[0] + pattern.t_s[-1])
    drift_s = clock.get("clock_drift", 0.0) * (seen.start_s - middle_s)
    return replace(seen, start_s=seen.start_s + clock.get("clock_offset_s", 0.0) + drift_s)


def grid_of(pattern: Pattern, model: RigModel) -> Grid:
    """Grid on which a model is simulated for a pattern."""
    inert = all(axis.dynamics.inertia_s2 <= 0 for axis in (model.axis_x, model.axis_y))
    return simulation_grid(
        pattern.t_s, pattern.drive_x, pattern.drive_y, **(COARSE if inert else {})
    )


def frames_of(model: RigModel, start: RigState, grid: Grid, seen: Observations) -> Observations:
    """The rows of `seen` (on the drive's clock) as the model would have shown them.

    Places that were not measured stay unknown: data and model tell each figure from the same rows.
    """
    theta = [
        axis.deflection(drive, grid.step_s, state)[0]
        for axis, drive, state in (
            (model.axis_x, grid.drive_x, start.x), (model.axis_y, grid.drive_y, start.y)
        )
    ]  # fmt: skip
    mean = average(grid, np.column_stack(theta), seen.start_s, seen.exposure_s)
    x, y = spot_from_deflection(mean[:, 0], mean[:, 1], model.optics)
    return replace(
        seen,
        x_mm=np.where(np.isfinite(seen.x_mm), x, np.nan),
        y_mm=np.where(np.isfinite(seen.y_mm), y, np.nan),
    )


def trust_of(fitted: FittedModel) -> Trust | None:
    """What the fit knows of its own doubt; None of a few readings."""
    return None if fitted.trust is None else Trust.from_json(fitted.trust)


def refitted(
    known: Trust, fitted: FittedModel, bench: Bench, count: int
) -> list[tuple[RigModel, RigState]]:
    """The first `count` refits to redrawn blocks as models with their start states."""
    plan = layout(known.recipe)
    nominal = replace(nominal_optics(bench.optics), turn_rad=fitted.model.optics.turn_rad)
    out = []
    for short in known.refits[:count]:
        full, per = plan.full(short), plan.per_axis
        (axis_x, past_x), (axis_y, past_y) = (
            axis_from_full(known.recipe, full[k * per : (k + 1) * per]) for k in (0, 1)
        )
        model = RigModel(axis_x, axis_y, optics_from_full(full, nominal, 2 * per))
        out.append((model, RigState(axis_x.branch_state(past_x), axis_y.branch_state(past_y))))
    return out


def discrepancy_mm(fitted: FittedModel, known: Trust | None) -> float:
    """Standard uncertainty of one reading of one axis by the model's own error, mm.

    The error on data held out (a distance), less what of it is doubt of the unknowns, which the
    refits tell already; shared by two axes.
    """
    counted = 0.0 if known is None else known.counted_mm
    typical = fitted.discrepancy.typical_mm
    if not np.isfinite(typical):
        return 0.0
    return float(np.sqrt(max(typical**2 - counted**2, 0.0) / 2.0))


def spread_of(values: Floats) -> tuple[float, float]:
    """Standard deviation of a figure over the refits, and its degrees of freedom."""
    good = values[np.isfinite(values)]
    if good.size < 2:
        return 0.0, np.inf
    return float(np.std(good, ddof=1)), good.size - 1.0
