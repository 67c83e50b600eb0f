"""Non-linear least squares under bounds: a damped Gauss-Newton step on the compressed Jacobian.

The model is any function with exact derivatives; nothing here knows what it describes. Each step
is a bounded linear least-squares problem, so that many unknowns may sit at a bound without
stalling it. Sources: K. Levenberg (1944) and D. W. Marquardt (1963) for the damping, J. J. Moré
(1978) for scales that remember, C. L. Lawson & R. J. Hanson, Solving Least Squares Problems
(1974), and P. B. Stark & R. L. Parker (1995) for the bounds, M. K. Transtrum & J. P. Sethna,
arXiv:1201.5885 (2012), for the bent step, P. J. Huber (1964) for the loss; all from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hysteresis.fit.bounded import compress, solve_bounded
from hysteresis.tables import Bools, Floats

Model = Callable[[Floats, bool], tuple[Floats, Floats | None]]

FIRST_DAMPING, LEAST_DAMPING = 1e-4, 1e-12
MOST_TRIES = 16  # tenfold more damping each time: a step that fails so often is no step at all
PATIENCE = 3  # steps in a row that brought nothing although the derivatives promised something
WORTH = 1e-2  # least share of the promised gain that must come true, or the step is not taken
MEMORY = 0.1  # the scale of an unknown falls at most tenfold per step (Moré: not at all)
PROBE = 0.1  # part of a step over which its curvature is looked at
BENT = 0.75  # a correction longer than this share of the step means: take a shorter step


@dataclass(frozen=True)
class Minimum:
    """Where a minimisation ended.

    `at` (s,); `residual` (n,): target minus model, NaN where nothing was measured; `root` (s, s):
    R of the weighted Jacobian with prior rows at `at`, so that `root.T @ root` is the Gauss-Newton
    Hessian; `free` (s,): off their bounds; `cost`: half the robust weighted square sum with
    priors; `converged`: False when the steps ran out, or when the derivatives promise a gain
    that no step brings.
    """

    at: Floats
    residual: Floats
    root: Floats
    free: Bools
    cost: float
    iterations: int
    converged: bool


@dataclass(frozen=True)
class _Tangent:
    """The problem made linear at `at`: minimise ‖root δ − aim‖ over the move δ."""

    at: Floats
    residual: Floats  # weighted by sigma only
    weight: Floats  # square roots of Huber's weights
    jacobian: Floats  # of the rows that count, weighted by both
    root: Floats
    aim: Floats

    def promise(self, new: Floats) -> float:
        """By how much the cost would fall if the model were linear (Huber's loss: at least)."""
        left = self.aim - self.root @ (new - self.at)
        return 0.5 * float(np.sum(self.aim**2) - np.sum(left**2))


@dataclass(frozen=True)
class _Trial:
    """A place to go to: its cost, and what the tangent promised for the straight step there."""

    at: Floats
    cost: float
    promised: float


def minimise(
    model: Model,
    start: Floats,
    target: Floats,
    sigma: Floats,
    *,
    not_negative: Bools,
    upper: Floats | None = None,
    prior_rows: tuple[Floats, Floats] | None = None,
    huber: float = np.inf,
    steps: int = 30,
    enough: tuple[float, float] = (0.01, 5e-5),
    bend: bool = False,
    project: Callable[[Floats], Floats] | None = None,
    progress: Callable[[int, float], None] | None = None,
) -> Minimum:
    """Minimise `Σ ρ((target − model(x)) / sigma) + ½ ‖b − A x‖²` from `start` (s,) on.

    model(x, slopes): values (n,), and with `slopes` their derivatives (n, s), else None. Rows
    whose `target` (n,) or `sigma` (n,) is not finite are left out. `prior_rows` = (A (k, s), b
    (k,)): rows in units of their own standard deviation, of any shape: a value expected of an
    unknown, or a spectrum that should be smooth. ρ is Huber's loss: square up to `huber` sigmas,
    then linear; inf: least squares. `not_negative` (s,) unknowns stay ≥ 0, all stay ≤ `upper`
    (s,), inf where there is none; a start outside is moved to its bound.

    `enough` = (a, b): a step that lowers the cost by less than `a + b · cost` is the last. The
    default is what rows in units of their noise can tell (the cost of a good fit is about half
    the number of rows). `bend`: steps follow the curvature of the model, for two more evaluations
    without derivatives per trial; worth it where unknowns can stand in for each other along a
    narrow bent valley. `project` may move a trial to where the model is defined. progress(step,
    cost) is called after every step that lowered the cost.

    Raises ValueError where shapes disagree, a bound is no bound, or the start has no finite cost.
    """
    size = len(start)
    high = np.full(size, np.inf) if upper is None else np.asarray(upper, dtype=float)
    low = np.where(not_negative, 0.0, -np.inf)
    prior, wanted = prior_rows if prior_rows is not None else (np.zeros((0, size)), np.zeros(0))
    _check(start, target, sigma, low, high, prior, wanted)
    good = np.isfinite(target) & np.isfinite(sigma)
    at = np.clip(np.asarray(start, dtype=float), low, high)

    def residual_of(values: Floats) -> Floats:
        out: Floats = (target - values)[good] / sigma[good]
        return out

    def cost_of(r: Floats, x: Floats) -> float:
        if not np.isfinite(r).all():
            return np.inf
        size = np.abs(r)
        inner = np.minimum(size, huber)
        pull = wanted - prior @ x
        return float(np.sum(inner * (size - 0.5 * inner)) + 0.5 * np.sum(pull**2))

    def tangent_at(x: Floats, r: Floats, jacobian: Floats | None) -> _Tangent:
        assert jacobian is not None
        weight = np.sqrt(np.minimum(1.0, huber / np.maximum(np.abs(r), 1e-12)))
        rows = (jacobian[good] / sigma[good, None]) * weight[:, None]
        root, aim, _ = compress(
            np.vstack([rows, prior]), np.concatenate([r * weight, wanted - prior @ x])
        )
        return _Tangent(x, r, weight, rows, root, aim)

    def trial(tangent: _Tangent, damping: Floats) -> _Trial:
        new = _damped_step(tangent, damping, not_negative, high)
        new = new if project is None else project(new)
        promised = tangent.promise(new)
        # far out a model may overflow: such a trial has no finite cost and is not taken
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            if bend:
                near = residual_of(model(tangent.at + PROBE * (new - tangent.at), False)[0])
                bent = _bent(tangent, new, near, damping, low, high)
                if bent is None:
                    return _Trial(new, np.inf, promised)
                new = bent if project is None else project(bent)
            cost = cost_of(residual_of(model(new, False)[0]), new)
        return _Trial(new, cost if np.isfinite(cost) else np.inf, promised)

    values, jacobian = model(at, True)
    residual = residual_of(values)
    cost = cost_of(residual, at)
    if not np.isfinite(cost):
        raise ValueError("the model is not finite at the start")
    tangent = tangent_at(at, residual, jacobian)
    scale, damping = np.zeros(len(at)), FIRST_DAMPING
    count, stalled, converged = 0, 0, False
    while count < steps and not converged and stalled < PATIENCE:
        count += 1
        trifle = enough[0] + enough[1] * cost
        scale = np.maximum(MEMORY * scale, np.sqrt(np.sum(tangent.root**2, axis=0)))
        promised = np.inf
        for tries in range(MOST_TRIES):
            tried = trial(tangent, damping * scale**2)
            if tries == 0:
                promised = tried.promised  # of a step bolder than the last one that worked
            if cost - tried.cost > WORTH * max(tried.promised, 0.0):
                break
            damping = max(damping * 10.0, 1e-6)
        else:
            converged = promised <= trifle
            break
        nothing = cost - tried.cost < trifle
        converged = nothing and (tries == 0 or promised <= trifle)
        stalled = stalled + 1 if nothing else 0
        at, cost = tried.at, tried.cost
        damping = max(damping * 0.1, LEAST_DAMPING)
        if progress is not None:
            progress(count, cost)
        values, jacobian = model(at, True)
        residual = residual_of(values)
        tangent = tangent_at(at, residual, jacobian)
    free = (at > low) & (at < high)
    return Minimum(at, target - values, tangent.root, free, cost, count, converged)


def _damped_step(tangent: _Tangent, damping: Floats, not_negative: Bools, high: Floats) -> Floats:
    """Where the damped linear problem has its minimum under the bounds.

    Its unknown is the new vector itself, so that bounds at zero are plain non-negativity.
    """
    root, at = tangent.root, tangent.at
    matrix = np.vstack([root, np.diag(np.sqrt(damping))])
    aim = np.concatenate([tangent.aim + root @ at, np.sqrt(damping) * at])
    if not np.isfinite(high).any():
        return solve_bounded(matrix, aim, not_negative)
    return solve_boxed(matrix, aim, not_negative, high)


def solve_boxed(matrix: Floats, target: Floats, not_negative: Bools, upper: Floats) -> Floats:
    """Minimise ‖matrix x − target‖ with `x ≤ upper` and `x[not_negative] ≥ 0`.

    Active sets as in Lawson & Hanson, with unknowns held at either bound (Stark & Parker's
    bounded-variable least squares, in scipy.optimize.lsq_linear). Columns are scaled inside; a
    column of zeros gets the value nearest to 0.
    """
    from scipy.optimize import lsq_linear

    size = np.linalg.norm(matrix, axis=0)
    alive = size > 0
    low = np.where(not_negative, 0.0, -np.inf)
    out = np.clip(np.zeros(len(size)), low, upper)
    if alive.any():
        scaled = matrix[:, alive] / size[alive]
        bounds = low[alive] * size[alive], upper[alive] * size[alive]
        found = lsq_linear(scaled, target, bounds, method="bvls", tol=1e-15)
        inside = np.clip(found.x / size[alive], low[alive], upper[alive])
        # exactly at a bound, whatever the scaling rounded
        out[alive] = np.where(
            found.active_mask > 0, upper[alive], np.where(found.active_mask < 0, 0.0, inside)
        )
    return out


def _bent(
    tangent: _Tangent, new: Floats, near: Floats, damping: Floats, low: Floats, high: Floats
) -> Floats | None:
    """The step with half the geodesic acceleration added; None where that is no small thing.

    `near` are the residuals a part `PROBE` of the way along. The second derivative of the model
    along the step is pulled back by the same damped matrix, for the unknowns off their bounds.
    """
    move = new - tangent.at
    slope = (tangent.residual - near) * tangent.weight / PROBE - tangent.jacobian @ move
    curvature = 2.0 / PROBE * slope
    free = (new > low) & (new < high) & (damping > 0)
    if not np.isfinite(curvature).all():
        return None
    stacked = np.vstack([tangent.root, np.diag(np.sqrt(damping))])[:, free]
    r = np.asarray(np.linalg.qr(stacked, mode="r"))
    push = tangent.jacobian[:, free].T @ curvature
    bend = np.zeros(len(new))
    bend[free] = -np.linalg.solve(r, np.linalg.solve(r.T, push))
    scale = np.sqrt(damping)
    if 2 * np.linalg.norm(scale * bend) > BENT * np.linalg.norm(scale * move):
        return None
    return np.clip(new + 0.5 * bend, low, high)


def _check(
    start: Floats, target: Floats, sigma: Floats, low: Floats, high: Floats,
    prior: Floats, wanted: Floats,
) -> None:  # fmt: skip
    """Complain of shapes that disagree and of bounds that are none."""
    count = len(start)
    if target.shape != sigma.shape or target.ndim != 1:
        raise ValueError("target and sigma are two lists of equal length")
    if low.shape != (count,) or high.shape != (count,):
        raise ValueError("bounds have one entry per unknown")
    if prior.ndim != 2 or prior.shape[1] != count or wanted.shape != prior.shape[:1]:
        raise ValueError("prior rows are a matrix with a column per unknown, and a target per row")
    if not (low < high).all():
        raise ValueError("an upper bound lies above the lower one")
    if not np.isfinite(start).all():
        raise ValueError("the start is finite")
