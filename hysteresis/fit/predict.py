"""Spots that a vector of unknowns foretells at each observation, and their exact derivatives.

Drive -> angle -> optics -> exposure; sensitivities come from the same recursion, no differences.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.compliance_axis import ComplianceAxis
from hysteresis.fit.structure import CLOCK, SHAPE, Layout, Recipe, axis_from_full
from hysteresis.optics import FREE as OPTICS
from hysteresis.optics import RigOptics, spot_with_slopes
from hysteresis.recording import Grid, Observations, average
from hysteresis.tables import Floats


def optics_from_full(full: Floats, nominal: RigOptics, first: int) -> RigOptics:
    """The rig's optics for a full vector whose optical part starts at `first`."""
    return replace(nominal, **dict(zip(OPTICS, map(float, full[first:]), strict=False)))


def predict(
    layout: Layout, short: Floats, grid: Grid, seen: Observations, nominal: RigOptics,
    *, slopes: bool,
) -> tuple[Floats, Floats, Floats | None]:  # fmt: skip
    """Spots (mm) at each observation for a short vector, and with `slopes` the Jacobian (2f, s).

    Rows of the Jacobian: all x, then all y.
    """
    full = layout.full(short)
    per = layout.per_axis
    head = 2 * per + len(OPTICS)
    optics = optics_from_full(full, nominal, 2 * per)
    offset, drift = full[head], full[head + 1]
    # true start on the drive clock, for small corrections of the clock found beforehand
    middle = 0.5 * (grid.t_s[0] + grid.t_s[-1])
    start = seen.start_s + offset + drift * (seen.start_s - middle)

    def one_axis(a: int) -> tuple[Floats, Floats]:
        drive = grid.drive_x if a == 0 else grid.drive_y
        part = full[a * per : (a + 1) * per]
        theta, slope = _axis_columns(layout, part, drive, grid.step_s, slopes)
        # apart: side by side they would be a second copy of the largest array there is
        means = [average(grid, v, start, seen.exposure_s) for v in (theta, slope) if v is not None]
        return np.column_stack(means), theta

    with ThreadPoolExecutor(2) as pool:
        (mean_x, theta_x), (mean_y, theta_y) = pool.map(one_axis, (0, 1))
    x, y, by_angle, by_optics = spot_with_slopes(mean_x[:, 0], mean_y[:, 0], optics)
    late = (seen.start_s - middle) / max(grid.t_s[-1] - grid.t_s[0], 1e-9)
    x = x + full[head + len(CLOCK)] * late
    y = y + full[head + len(CLOCK) + 1] * late
    if not slopes:
        return x, y, None
    frames = len(x)
    jacobian = np.zeros((2 * frames, layout.spread.shape[0]))
    for row in (0, 1):
        out = jacobian[row * frames : (row + 1) * frames]
        out[:, :per] = by_angle[:, row, 0, None] * mean_x[:, 1:]
        out[:, per : 2 * per] = by_angle[:, row, 1, None] * mean_y[:, 1:]
        out[:, 2 * per : head] = by_optics[:, row]
        rate_x = _rate_over_exposure(grid, theta_x, start, seen.exposure_s)
        rate_y = _rate_over_exposure(grid, theta_y, start, seen.exposure_s)
        speed = by_angle[:, row, 0] * rate_x + by_angle[:, row, 1] * rate_y
        out[:, head] = speed
        out[:, head + 1] = speed * (seen.start_s - middle)
        out[:, head + len(CLOCK) + row] = late
    return x, y, layout.shorten(jacobian, short)


def _axis_columns(
    layout: Layout, part: Floats, drive: Floats, step_s: Floats, slopes: bool
) -> tuple[Floats, Floats | None]:
    """Angle of one axis on the grid and, with `slopes`, its derivatives by `part` as columns."""
    recipe = layout.recipe
    axis, history = axis_from_full(recipe, part)
    if isinstance(axis, ComplianceAxis):
        columns = np.column_stack([axis.columns(drive, step_s), axis.history_columns(step_s)])
        theta = columns @ np.concatenate([axis.weights(), history * axis.compliance])
        return theta, columns if slopes else None
    state = axis.branch_state(history)
    if not slopes:
        return axis.deflection(drive, step_s, state)[0], None
    theta, slope = axis.deflection_with_slopes(drive, step_s, state, chain=recipe.chain)
    return theta, _by_history_torque(recipe, axis, history, slope)


def _by_history_torque(recipe: Recipe, axis: AxisModel, stretch: Floats, slope: Floats) -> Floats:
    """Derivatives by the branches' torque at the start instead of their stretch, in place.

    torque = stiffness × stretch, so at a fixed torque a stiffer branch starts less stretched.
    """
    branches = axis.after_effect.stiffness
    count = branches.size
    if count:
        first = len(SHAPE) + axis.friction.unknowns
        by_torque = slope[:, first + count : first + 2 * count]
        by_torque /= branches
        slope[:, first : first + count] -= stretch * by_torque
    return slope


def _rate_over_exposure(grid: Grid, theta: Floats, start: Floats, exposure: Floats) -> Floats:
    """Derivative of the exposure's mean by its start: difference of the ends over its length."""
    length = np.where(exposure > 0, exposure, 1e-3)
    return np.asarray(
        (np.interp(start + length, grid.t_s, theta) - np.interp(start, grid.t_s, theta)) / length
    )
