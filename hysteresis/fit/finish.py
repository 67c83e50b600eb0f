"""Stage 3, finish: prediction-error least squares on what was really measured.

Drive -> angle -> optics -> exposure, compared with each frame; exact sensitivities from the same
recursion; a damped Gauss-Newton step under bounds on the compressed Jacobian; robust weights.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hysteresis.fit.bounded import compress, solve_bounded
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
    robust weighted square sum with priors; `converged`: False when the step limit was reached.
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
    """Minimise the robust square sum from `short` on. See the module's text for the method."""
    measured = np.concatenate([seen.x_mm, seen.y_mm])
    sigma = np.concatenate([seen.sigma_x_mm, seen.sigma_y_mm])
    good = np.isfinite(measured) & np.isfinite(sigma)
    prior_root = np.where(np.isfinite(layout.prior_sd), 1.0 / layout.prior_sd, 0.0)

    def residual(x: Floats, y: Floats) -> Floats:
        return (measured - np.concatenate([x, y]))[good] / sigma[good]

    def cost_of(r: Floats, at: Floats) -> float:
        size = np.abs(r)
        loss = np.where(size <= HUBER, 0.5 * size**2, HUBER * size - 0.5 * HUBER**2)
        return float(loss.sum() + 0.5 * np.sum((prior_root * (at - layout.prior_mean)) ** 2))

    damping = 1e-4
    x, y, jacobian = predict(layout, short, grid, seen, nominal, slopes=True)
    r = residual(x, y)
    cost = cost_of(r, short)
    converged = False
    root = np.eye(len(short))
    step_count = 0
    while step_count < steps:
        assert jacobian is not None
        weight = np.sqrt(np.minimum(1.0, HUBER / np.maximum(np.abs(r), 1e-12)))
        matrix = (jacobian[good] / sigma[good, None]) * weight[:, None]
        pull = prior_root * (layout.prior_mean - short)
        root, target, _ = compress(
            np.vstack([matrix, np.diag(prior_root)]), np.concatenate([r * weight, pull])
        )
        if converged:
            break
        scale = np.sqrt(np.sum(root**2, axis=0))
        accepted = False
        for _ in range(8):
            damped = np.vstack([root, np.sqrt(damping) * np.diag(scale)])
            # unknown: the new vector itself, so that bounds at zero are plain non-negativity
            aim = np.concatenate([target + root @ short, np.sqrt(damping) * scale * short])
            new = solve_bounded(damped, aim, layout.not_negative)
            new = _keep_stiff(layout, new)
            nx, ny, _ = predict(layout, new, grid, seen, nominal, slopes=False)
            nr = residual(nx, ny)
            new_cost = cost_of(nr, new)
            if np.isfinite(new_cost) and new_cost < cost:
                accepted = True
                break
            damping = max(damping * 10.0, 1e-6)
        step_count += 1
        if not accepted:
            converged = True
            continue
        gain = cost - new_cost
        short, cost = new, new_cost
        damping = max(damping * 0.1, 1e-9)
        if progress is not None:
            progress(step_count, cost)
        # the cost of a good fit is about half the number of rows: stop when a step changes
        # nothing that the rows could tell
        converged = gain < 0.01 + 5e-5 * cost
        x, y, jacobian = predict(layout, short, grid, seen, nominal, slopes=True)
        r = residual(x, y)
    everything = measured - np.concatenate([x, y])
    frames = len(seen)
    return Solution(
        layout=layout,
        short=short,
        residual_x_mm=everything[:frames],
        residual_y_mm=everything[frames:],
        root=root,
        cost=cost,
        iterations=step_count,
        converged=converged,
    )


def _keep_stiff(layout: Layout, short: Floats) -> Floats:
    """Keep the elastic stiffness away from zero, where the angle would run off."""
    out = short.copy()
    for axis in layout.recipe.axes:
        k = layout.index(f"{axis}_k1")
        out[k] = max(out[k], 0.05)
    return out
