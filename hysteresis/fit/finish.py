"""Stage 3, finish: prediction-error least squares on what was really measured.

Drive -> angle -> optics -> exposure, compared with each frame; exact sensitivities from the same
recursion; robust loss, bounds and priors as `gauss_newton` minimises them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hysteresis.fit.gauss_newton import minimise
from hysteresis.fit.predict import predict
from hysteresis.fit.structure import Layout
from hysteresis.optics import RigOptics
from hysteresis.recording import Grid, Observations
from hysteresis.tables import Floats

HUBER = 3.0  # residuals beyond this many sigma pull with constant force (Huber 1964; from memory)


@dataclass(frozen=True)
class Solution:
    """Where the finish ended.

    `short` (s,); `residual_x_mm`, `residual_y_mm` (f,) measured minus model (NaN: not measured);
    `root` (s, s): R of the weighted Jacobian with priors, at the solution; `cost`: half the
    robust weighted square sum with priors; `converged`: False when the step limit was reached or
    no step brought what the derivatives promised.
    """

    layout: Layout
    short: Floats
    residual_x_mm: Floats
    residual_y_mm: Floats
    root: Floats
    cost: float
    iterations: int
    converged: bool


def finish(
    layout: Layout,
    short: Floats,
    grid: Grid,
    seen: Observations,
    nominal: RigOptics,
    *,
    steps: int = 30,
    progress: Callable[[int, float], None] | None = None,
) -> Solution:
    """Minimise the robust square sum from `short` on. The method: see `gauss_newton`."""
    frames = len(seen)

    def spots(at: Floats, slopes: bool) -> tuple[Floats, Floats | None]:
        x, y, jacobian = predict(layout, at, grid, seen, nominal, slopes=slopes)
        return np.concatenate([x, y]), jacobian

    found = minimise(
        spots,
        short,
        np.concatenate([seen.x_mm, seen.y_mm]),
        np.concatenate([seen.sigma_x_mm, seen.sigma_y_mm]),
        not_negative=layout.not_negative,
        upper=layout.upper if np.isfinite(layout.upper).any() else None,
        prior_rows=layout.prior_rows(),
        huber=HUBER,
        steps=steps,
        project=lambda at: _keep_stiff(layout, at),
        progress=progress,
    )
    return Solution(
        layout=layout,
        short=found.at,
        residual_x_mm=found.residual[:frames],
        residual_y_mm=found.residual[frames:],
        root=found.root,
        cost=found.cost,
        iterations=found.iterations,
        converged=found.converged,
    )


def _keep_stiff(layout: Layout, short: Floats) -> Floats:
    """Keep the elastic stiffness away from zero, where the angle would run off."""
    out = short.copy()
    for axis in layout.recipe.axes:
        k = layout.index(f"{axis}_k1")
        out[k] = max(out[k], 0.05)
    return out
