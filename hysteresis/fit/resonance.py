"""A start for inertia and damping: the square sum has many minima in the resonance frequency.

Only the stretches of the pattern made for it (repeated small steps) are simulated, for a dense
set of resonances and damping ratios, each axis by itself on top of the fitted slow part.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.fit.predict import optics_from_full
from hysteresis.fit.structure import Layout, axis_from_full
from hysteresis.operators.elastic import Dynamics
from hysteresis.optics import RigOptics, spot_from_deflection
from hysteresis.recording import Grid, Observations, average
from hysteresis.tables import Floats

RESONANCES_HZ = np.geomspace(8.0, 200.0, 130)
RATIOS = (0.005, 0.015, 0.04, 0.1, 0.25)
LEAD_S = 0.3  # simulated before the first step, so that the rest before it is at rest


def start_dynamics(
    layout: Layout, short: Floats, grid: Grid, seen: Observations, nominal: RigOptics
) -> Floats:
    """The short vector with inertia and damping of both axes from the scan.

    Unchanged when the layout has no dynamics or no group of small steps was seen.
    """
    if not layout.recipe.dynamics:
        return short
    windows = _windows(grid, seen)
    if not windows:
        return short
    full, per = layout.full(short), layout.per_axis
    optics = optics_from_full(full, nominal, 2 * per)
    axes, states, drives = [], [], (grid.drive_x, grid.drive_y)
    for a in (0, 1):
        axis, history = axis_from_full(layout.recipe, full[a * per : (a + 1) * per])
        assert isinstance(axis, AxisModel)  # the only form with dynamics
        axes.append(replace(axis, dynamics=Dynamics()))
        states.append(axis.branch_state(history))
    misfit = np.zeros((2, len(RESONANCES_HZ), len(RATIOS)))
    at = 0
    for first, last, rows in windows:
        base, begin = [], []
        for a in (0, 1):
            _, states[a] = axes[a].deflection(drives[a][at:first], grid.step_s[at:first], states[a])
            begin.append(states[a])
            theta, states[a] = axes[a].deflection(
                drives[a][first:last], grid.step_s[first:last], states[a]
            )
            base.append(theta)
        at = last
        part = Grid(*(v[first:last] for v in (grid.t_s, grid.step_s, *drives)))
        for a in (a for a in (0, 1) if "xy"[a] in layout.recipe.axes):
            misfit[a] += _scan(axes[a], begin[a], base, a, part, rows, optics)
    out = short.copy()
    for a, name in enumerate("xy"):
        if name not in layout.recipe.axes:
            continue
        f, z = np.unravel_index(int(np.argmin(misfit[a])), misfit[a].shape)
        dynamics = _dynamics(axes[a], RESONANCES_HZ[f], RATIOS[z])
        out[layout.index(f"{name}_damping")] = dynamics.damping_s
        out[layout.index(f"{name}_inertia")] = dynamics.inertia_s2
    return out


def _windows(grid: Grid, seen: Observations) -> list[tuple[int, int, Observations]]:
    """Node ranges and rows of each group of small steps, in order of time."""
    kinds = np.array([name.split("/")[0] for name in seen.group])
    out: list[tuple[int, int, Observations]] = []
    for name in dict.fromkeys(seen.group[kinds == "steps"]):
        rows = seen.take(seen.group == name)
        first = int(np.searchsorted(grid.t_s, rows.start_s[0] - LEAD_S))
        last = int(np.searchsorted(grid.t_s, rows.start_s[-1] + rows.exposure_s[-1] + 0.02))
        first = max(first, out[-1][1] if out else 0)
        if last - first > 10:
            out.append((first, last, rows))
    return out


def _dynamics(axis: AxisModel, frequency_hz: float, ratio: float) -> Dynamics:
    stiffness, omega = axis.small_signal_stiffness(), 2 * np.pi * frequency_hz
    return Dynamics(2 * ratio * stiffness / omega, stiffness / omega**2)


def _scan(
    axis: AxisModel,
    begin: Floats,
    base: list[Floats],
    a: int,
    part: Grid,
    rows: Observations,
    optics: RigOptics,
) -> Floats:
    """Sum of |residual| / sigma about its median, shape (resonances, ratios).

    The median is taken out: a slow error of the model must not speak for a resonance.
    """
    drive = part.drive_x if a == 0 else part.drive_y
    other = average(part, base[1 - a], rows.start_s, rows.exposure_s)
    measured = rows.x_mm if a == 0 else rows.y_mm
    sigma = rows.sigma_x_mm if a == 0 else rows.sigma_y_mm
    out = np.zeros((len(RESONANCES_HZ), len(RATIOS)))
    for f, frequency in enumerate(RESONANCES_HZ):
        for z, ratio in enumerate(RATIOS):
            moving = replace(axis, dynamics=_dynamics(axis, frequency, ratio))
            theta, _ = moving.deflection(drive, part.step_s, begin)
            own = average(part, theta, rows.start_s, rows.exposure_s)
            pair = (own, other) if a == 0 else (other, own)
            r = (measured - spot_from_deflection(*pair, optics)[a]) / sigma
            out[f, z] = np.nansum(np.abs(r - np.nanmedian(r))) if np.isfinite(r).any() else 0.0
    return out
