"""A start for the droop of an AC-coupled output: which corner explains a recording best?

Droop is not linear in its corner, but for a given corner everything else of the smoothing stage
is, so a coarse set of corners is tried and the best one handed on.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hysteresis.fit.smooth import smooth
from hysteresis.operators.drive_chain import DriveChain
from hysteresis.recording import Grid, Observations
from hysteresis.tables import Floats

CORNERS_HZ = np.geomspace(3e-4, 3.0, 25)
MOST_ROWS = 1500  # a corner needs few rows to be told from another
LIMITS = (0.02, 0.08, 0.3)
TIMES_S = (0.3, 3.0, 30.0, 300.0)


def behind_output(grid: Grid, droop_per_s: float) -> Grid:
    """The grid with what an output of that droop lets through in place of the drive."""
    chain = DriveChain(droop_per_s)
    x, _ = chain.forward(grid.drive_x, grid.step_s)
    y, _ = chain.forward(grid.drive_y, grid.step_s)
    return replace(grid, drive_x=x, drive_y=y)


def scan_droop(grid: Grid, seen: Observations, angle_x: Floats, angle_y: Floats) -> float:
    """Droop per s with which plays and creep modes of the drive leave least of the angles.

    0 where no corner does better than none.
    """
    thin = np.arange(len(seen)) % (1 + len(seen) // MOST_ROWS) == 0
    rows = seen.take(thin)

    def left(droop_per_s: float) -> float:
        return smooth(
            behind_output(grid, droop_per_s), rows, angle_x[thin], angle_y[thin],
            rows.sigma_x_mm, rows.sigma_y_mm, slip_limits=LIMITS, retardation_times_s=TIMES_S,
        ).left  # fmt: skip

    tries = np.concatenate([[0.0], 2 * np.pi * CORNERS_HZ])
    return float(tries[int(np.argmin([left(t) for t in tries]))])
