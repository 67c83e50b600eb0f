"""Stage 2, start: with the angle known, the torque balance is linear in nearly every unknown.

One convex fit per axis, `drive = k1 θ + k2 θ² + k3 θ³ + friction[θ] + Σ k y[θ]`, on the grid. The
few unknowns that are not linear (shape of a Bouc-Wen element, exponent of a power law) are taken
from a coarse set: the one whose convex fit leaves least. In compliance form angle and drive change
places.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np

from hysteresis.compliance_axis import ComplianceAxis
from hysteresis.fit.bounded import compress, solve_bounded
from hysteresis.fit.smooth import Smoothed
from hysteresis.fit.structure import LEAST_REACH, SHAPE, Layout, Recipe, memory_names
from hysteresis.kernels import maxwell_branches, stops
from hysteresis.operators.after_effect import power_law_stiffness
from hysteresis.operators.bouc_wen import BoucWen
from hysteresis.operators.drive_chain import DriveChain
from hysteresis.operators.preisach import Preisach
from hysteresis.recording import Grid
from hysteresis.tables import Floats

EXPONENTS = (0.0, 0.05, 0.1, 0.2, 0.4)
SHAPES = tuple(product((0.02, 0.05, 0.12, 0.3, 0.7), (0.5, 0.75), (1.0, 2.0)))  # reach, sigma, n
MOST_ROWS = 6000  # on which a set of shapes is compared

Fixed = dict[str, float]  # short unknowns that are set, not solved for


def start(layout: Layout, grid: Grid, smoothed: Smoothed) -> Floats:
    """First short vector: weights of both axes from the smoothed angles, the rest at its prior."""
    recipe = layout.recipe
    short = np.where(np.isfinite(layout.prior_sd), layout.prior_mean, 0.0)
    chain = DriveChain(recipe.droop_start_per_s if recipe.droop else 0.0)
    for a, (axis, theta, drive) in enumerate(
        (("x", smoothed.theta_x, grid.drive_x), ("y", smoothed.theta_y, grid.drive_y))
    ):
        if axis not in recipe.axes:
            continue
        if recipe.droop:
            drive, _ = chain.forward(drive, grid.step_s)
            short[layout.index(f"{axis}_droop_per_s")] = recipe.droop_start_per_s
        best = np.inf
        for columns, target, fixed in _options(
            layout, a, np.ascontiguousarray(theta), drive, grid.step_s
        ):
            thin = slice(None, None, 1 + len(target) // MOST_ROWS)
            cost, found = _solve(
                layout, columns[thin], target[thin], grid.step_s[thin], short, fixed
            )
            if cost < best:
                best, short_best, chosen = cost, found, (columns, target, fixed)
        if len(target) > MOST_ROWS:
            _, short_best = _solve(layout, *chosen[:2], grid.step_s, short, chosen[2])
        short = short_best
    for axis in recipe.axes:
        k = layout.index(f"{axis}_k1")
        short[k] = max(short[k], 0.2)
    return short


def _solve(
    layout: Layout, columns: Floats, target: Floats, step_s: Floats, short: Floats, fixed: Fixed
) -> tuple[float, Floats]:
    """Square sum left and the short vector, with the unknowns that have a column solved for."""
    used = np.any(columns != 0.0, axis=0)
    weight = np.sqrt(step_s)
    scale = 1e-4 * np.linalg.norm(target * weight)
    prior, expected = layout.prior_rows()
    lone = np.diag(np.where(np.isfinite(layout.prior_sd), 0.0, 1.0))  # a whiff for those without
    soft = np.vstack([prior, lone])[:, used]
    r, aim, rest = compress(
        np.vstack([columns[:, used] * weight[:, None], scale * soft]),
        np.concatenate([target * weight, scale * expected, np.zeros(len(lone))]),
    )
    out = short.copy()
    out[used] = solve_bounded(r, aim, layout.not_negative[used])
    for name, value in fixed.items():
        out[layout.index(name)] = value
    return rest + float(np.sum((r @ out[used] - aim) ** 2)), out


def _options(
    layout: Layout, a: int, theta: Floats, drive: Floats, step_s: Floats
) -> Iterator[tuple[Floats, Floats, Fixed]]:
    """Columns (n, s) by short unknowns, what they sum up to, and unknowns set beforehand."""
    recipe, axis = layout.recipe, "xy"[a]
    first = a * layout.per_axis
    full = np.zeros((len(theta), layout.spread.shape[0]))
    tau = np.array(recipe.relaxation_times_s)
    n, m = len(memory_names(recipe)), tau.size
    if recipe.form == "compliance":
        form = ComplianceAxis(threshold=np.array(recipe.slip_limits), weight=np.zeros(n),
                              retardation_time_s=tau, compliance=np.zeros(m))  # fmt: skip
        full[:, first : first + 3 + n + m] = form.columns(drive, step_s)
        yield full @ layout.spread, theta - full @ layout.base, {}
        return
    branch = maxwell_branches.stretch_columns(theta, step_s, 0.0, tau, np.zeros(m))
    full[:, first : first + 3] = np.column_stack([theta, theta**2, theta**3])
    own = slice(first + len(SHAPE), first + len(SHAPE) + n)
    full[:, own.stop : own.stop + m] = branch
    laws = [law for law in layout.laws if law.first == own.stop]
    for shape in SHAPES if recipe.memory == "bouc-wen" else ((),):
        fixed: Fixed = {}
        if shape:
            reach, sigma, exponent = shape
            element = BoucWen(1.0, reach, sigma, exponent)
            full[:, own.start] = element.torque(theta, step_s, element.rest())[0]
            fixed = {
                f"{axis}_bouc_wen_reach": reach - LEAST_REACH,
                f"{axis}_bouc_wen_sigma": sigma - 0.5,
                f"{axis}_bouc_wen_exponent": exponent - 1.0,
            }
        else:
            full[:, own] = _memory_columns(recipe, theta)
        columns = full @ layout.spread
        target = drive - full[:, first : first + 3] @ layout.base[first : first + 3]
        if not laws:
            yield columns, target, fixed
            continue
        for law, exponent in product(laws, EXPONENTS):
            stiffness, _ = power_law_stiffness(1.0, exponent, tau)
            columns = columns.copy()
            columns[:, law.strength] = branch @ stiffness
            yield columns, target, fixed | {f"{axis}_branch_exponent": exponent}


def _memory_columns(recipe: Recipe, theta: Floats) -> Floats:
    """Torque of each unit element of a memory that is linear in its unknowns."""
    if recipe.memory == "preisach":
        node = np.array(recipe.nodes)
        levels = node.size - 1
        return Preisach(node, np.zeros(levels * (levels + 1) // 2)).columns(theta)
    limit = np.array(recipe.slip_limits)
    return stops.stretch_columns(theta, 0.0, limit, np.zeros(limit.size))
