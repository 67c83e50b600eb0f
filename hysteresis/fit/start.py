"""Stage 2, start: with the angle known, the torque balance is linear in every weight.

One convex fit per axis, `drive = k1 θ + k2 θ² + k3 θ³ + Σ k z[θ] + Σ k y[θ]`, on the grid.
"""

from __future__ import annotations

import numpy as np

from hysteresis.fit.bounded import compress, solve_bounded
from hysteresis.fit.smooth import Smoothed
from hysteresis.fit.structure import SHAPE, Layout
from hysteresis.kernels import maxwell_branches, stops
from hysteresis.recording import Grid
from hysteresis.tables import Floats


def start(layout: Layout, grid: Grid, smoothed: Smoothed) -> Floats:
    """First short vector: weights of both axes from the smoothed angles, the rest at its prior."""
    recipe = layout.recipe
    n, m = len(recipe.slip_limits), len(recipe.relaxation_times_s)
    short = np.where(np.isfinite(layout.prior_sd), layout.prior_mean, 0.0)
    limit, tau = np.array(recipe.slip_limits), np.array(recipe.relaxation_times_s)
    for a, (axis, theta, drive) in enumerate(
        (("x", smoothed.theta_x, grid.drive_x), ("y", smoothed.theta_y, grid.drive_y))
    ):
        if axis not in recipe.axes:
            continue
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
    for axis in recipe.axes:
        k = layout.index(f"{axis}_k1")
        short[k] = max(short[k], 0.2)
    return short
