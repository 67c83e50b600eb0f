"""Stage 1, smooth: the angle as a convex sum of play operators and creep modes of the drive.

The compliance form (Prandtl-Ishlinskii plays and Kelvin creep of the drive, weights ≥ 0) gives a
noise-free estimate of the angle at the times of the grid. It needs no start and has one minimum.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.fit.bounded import compress, solve_bounded
from hysteresis.kernels import maxwell_branches, stops
from hysteresis.recording import Grid, Observations, average
from hysteresis.tables import Floats


@dataclass(frozen=True)
class Smoothed:
    """Estimated angle of both axes on the grid, in full scale, without offset or coupling.

    `left`: weighted square sum of the angles that is not explained.
    """

    theta_x: Floats
    theta_y: Floats
    left: float


def smooth(
    grid: Grid,
    seen: Observations,
    angle_x: Floats,
    angle_y: Floats,
    sigma_x: Floats,
    sigma_y: Floats,
    *,
    slip_limits: tuple[float, ...],
    retardation_times_s: tuple[float, ...],
) -> Smoothed:
    """Fit each axis' angle (FS, one per observation) by its own drive, its past and the other.

    `sigma_*` are the standard deviations of the angles. Returns the part of each axis' own
    drive and memory; offset, coupling and the decay of an unknown history are fitted and left out.
    """
    out = []
    left = 0.0
    for own, other, angle, sigma in (
        (grid.drive_x, grid.drive_y, angle_x, sigma_x),
        (grid.drive_y, grid.drive_x, angle_y, sigma_y),
    ):
        columns, bound = _columns(grid, own, slip_limits, retardation_times_s)
        age = grid.t_s - grid.t_s[0]
        nuisance = np.column_stack(
            [np.ones_like(own), other, other**2, own * other]
            + [np.exp(-age / tau) for tau in retardation_times_s]
        )
        good = np.isfinite(angle)
        matrix = average(
            grid, np.column_stack([columns, nuisance]), seen.start_s[good], seen.exposure_s[good]
        )
        weight = 1.0 / sigma[good]
        free = np.concatenate([bound, np.zeros(nuisance.shape[1], dtype=bool)])
        # a whiff of ridge keeps nearly parallel columns apart
        ridge = np.eye(matrix.shape[1]) * (1e-6 * np.linalg.norm(matrix * weight[:, None]))
        r, target, rest = compress(
            np.vstack([matrix * weight[:, None], ridge]),
            np.concatenate([angle[good] * weight, np.zeros(len(ridge))]),
        )
        x = solve_bounded(r, target, free)
        left += rest + float(np.sum((r @ x - target) ** 2))
        out.append(columns @ x[: columns.shape[1]])
    return Smoothed(out[0], out[1], left)


def _columns(
    grid: Grid, drive: Floats, slip_limits: tuple[float, ...], times_s: tuple[float, ...]
) -> tuple[Floats, np.ndarray]:
    """Columns of one axis' own drive and which of them carry weights ≥ 0."""
    limit = np.array(slip_limits)
    tau = np.array(times_s)
    drive = np.ascontiguousarray(drive)
    play = drive[:, None] - stops.stretch_columns(drive, 0.0, limit, np.zeros(limit.size))
    creep = drive[:, None] - maxwell_branches.stretch_columns(
        drive, grid.step_s, 0.0, tau, np.zeros(tau.size)
    )
    columns = np.column_stack([drive, drive**2, drive**3, play, creep])
    bound = np.ones(columns.shape[1], dtype=bool)
    bound[1:3] = False
    return columns, bound
