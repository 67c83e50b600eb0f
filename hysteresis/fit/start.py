"""Stage 2, start: with the angle known, the torque balance is linear in every weight.

One convex fit per axis, `drive = k1 θ + k2 θ² + k3 θ³ + Σ k z[θ] + Σ k y[θ]`, on the grid.
"""

from __future__ import annotations

import numpy as np

from hysteresis.fit.bounded import compress, solve_bounded
from hysteresis.fit.smooth import Smoothed
from hysteresis.fit.finish import predict
from hysteresis.fit.structure import SHAPE, Layout, axis_from_full
from hysteresis.kernels import maxwell_branches, stops
from hysteresis.optics import RigOptics
from hysteresis.recording import Grid, Observations
from hysteresis.tables import Floats


RESONANCES_HZ = tuple(np.geomspace(12.0, 150.0, 28))


def start(layout: Layout, grid: Grid, smoothed: Smoothed) -> Floats:
    """First short vector: weights of both axes from the smoothed angles, the rest at its prior."""
    recipe = layout.recipe
    n, m = len(recipe.slip_limits), len(recipe.relaxation_times_s)
    short = np.where(np.isfinite(layout.prior_sd), layout.prior_mean, 0.0)
    limit, tau = np.array(recipe.slip_limits), np.array(recipe.relaxation_times_s)
    for a, (theta, drive) in enumerate(
        ((smoothed.theta_x, grid.drive_x), (smoothed.theta_y, grid.drive_y))
    ):
        theta = np.ascontiguousarray(theta)
        stretch = stops.stretch_columns(theta, 0.0, limit, np.zeros(n))
        branch = maxwell_branches.stretch_columns(theta, grid.step_s, 0.0, tau, np.zeros(m))
        full = np.zeros((len(theta), layout.spread.shape[0]))
        first = a * layout.per_axis
        full[:, first : first + 3] = np.column_stack([theta, theta**2, theta**3])
        full[:, first + len(SHAPE) : first + len(SHAPE) + n] = stretch
        full[:, first + len(SHAPE) + n : first + len(SHAPE) + n + m] = branch
        columns = full @ layout.spread
        used = np.any(columns != 0.0, axis=0)
        weight = np.sqrt(grid.step_s)
        scale = 1e-4 * np.linalg.norm(drive * weight)
        prior = np.diag(np.where(np.isfinite(layout.prior_sd), 1.0 / layout.prior_sd, 1.0))
        r, target, _ = compress(
            np.vstack([columns[:, used] * weight[:, None], scale * prior[np.ix_(used, used)]]),
            np.concatenate([(drive - full @ layout.base) * weight, np.zeros(int(used.sum()))]),
        )
        short[used] = solve_bounded(r, target, layout.not_negative[used])
    for axis in "xy":
        k = layout.index(f"{axis}_k1")
        short[k] = max(short[k], 0.2)
    return short


def start_dynamics(
    layout: Layout, short: Floats, grid: Grid, seen: Observations, nominal: RigOptics
) -> Floats:
    """Put inertia and damping near the resonance that explains the fast rows best.

    The square sum has many local minima in the resonance frequency, so it is scanned: 12 to
    150 Hz, each axis by itself, then the damping ratio. Returns a new short vector.
    """
    names = list(layout.names)
    if "x_inertia" not in names:
        return short
    at = {a: (names.index(f"{a}_damping"), names.index(f"{a}_inertia")) for a in "xy"}
    full = layout.full(short)
    per = layout.per_axis
    stiffness = {
        a: axis_from_full(layout.recipe, full[i * per : (i + 1) * per])[0].small_signal_stiffness()
        for i, a in enumerate("xy")
    }
    best = {a: (np.inf, short[at[a][0]], short[at[a][1]]) for a in "xy"}

    def attempt(frequency: dict[str, float], ratio: float) -> None:
        trial = short.copy()
        for a in "xy":
            omega = 2 * np.pi * frequency[a]
            trial[at[a][1]] = stiffness[a] / omega**2
            trial[at[a][0]] = 2 * ratio * stiffness[a] / omega
        x, y, _ = predict(layout, trial, grid, seen, nominal, slopes=False)
        for a, value, model, sigma in (
            ("x", seen.x_mm, x, seen.sigma_x_mm), ("y", seen.y_mm, y, seen.sigma_y_mm)
        ):  # fmt: skip
            misfit = float(np.nansum(np.abs((value - model) / sigma)))
            if misfit < best[a][0]:
                best[a] = (misfit, trial[at[a][0]], trial[at[a][1]])

    for frequency in RESONANCES_HZ:
        attempt({"x": frequency, "y": frequency}, 0.05)
    found = {a: float(np.sqrt(stiffness[a] / best[a][2]) / (2 * np.pi)) for a in "xy"}
    for ratio in (0.005, 0.02, 0.1, 0.25):
        attempt(found, ratio)
    out = short.copy()
    for a in "xy":
        out[at[a][0]], out[at[a][1]] = best[a][1:]
    return out
