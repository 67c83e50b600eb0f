"""One recipe from first look to solution: smooth -> start -> finish, slow part before the whole.

The slow part (rows before which the drive hardly moved, on a coarse grid, without resonance) costs
a tenth of the whole and holds nearly all that tells one memory from another.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from hysteresis.errors import DataError
from hysteresis.fit.droop import behind_output, scan_droop
from hysteresis.fit.finish import Solution, finish
from hysteresis.fit.resonance import start_dynamics
from hysteresis.fit.smooth import smooth
from hysteresis.fit.start import start
from hysteresis.fit.structure import Recipe, layout
from hysteresis.optics import RigOptics, deflection_from_spot
from hysteresis.recording import Grid, Observations, simulation_grid
from hysteresis.tables import Bools, Floats, Pattern

Say = Callable[[str, float], None]
SMOOTHING_LIMITS = 12  # plays of the smoothing stage
FASTEST_DROOP_STEP = 0.2  # longest step of a grid behind an AC-coupled output, over its time


@dataclass(frozen=True)
class Work:
    """What every stage of one fit reads: grid of the simulation, rows, nominal optics."""

    pattern: Pattern
    seen: Observations
    nominal: RigOptics
    rich: bool

    @property
    def angles(self) -> tuple[Floats, Floats]:
        """Angles (FS) of the rows by the nominal optics; NaN where an axis was not measured."""
        x, y = self.seen.x_mm, self.seen.y_mm
        middle = [np.nanmedian(v) if np.isfinite(v).any() else 0.0 for v in (x, y)]
        angle = deflection_from_spot(
            np.where(np.isfinite(x), x, middle[0]), np.where(np.isfinite(y), y, middle[1]),
            self.nominal,
        )  # fmt: skip
        return (
            np.where(np.isfinite(x), angle[0], np.nan),
            np.where(np.isfinite(y), angle[1], np.nan),
        )

    def grid(self, recipe: Recipe) -> Grid:
        """Fine steps only where the recipe has a resonance, or droop, to follow."""
        t, x, y = self.pattern.t_s, self.pattern.drive_x, self.pattern.drive_y
        longest = 0.1
        if recipe.droop_start_per_s > 0:
            longest = float(np.clip(FASTEST_DROOP_STEP / recipe.droop_start_per_s, 0.002, 0.1))
        if recipe.dynamics:
            return simulation_grid(t, x, y, longest_step_s=longest)
        return simulation_grid(
            t, x, y, fine_step_s=min(0.01, longest), settle_s=0.0, growth=0.2,
            longest_step_s=longest,
        )  # fmt: skip


@dataclass(frozen=True)
class Slow:
    """The slow part of a fit: recipe without resonance, grid, rows and solution."""

    recipe: Recipe
    grid: Grid
    seen: Observations
    solution: Solution


def slow_part(recipe: Recipe, work: Work, say: Say) -> Slow:
    """Springs, memory and optics from the slow rows; of few readings from all of them."""
    say("smoothing", 0.0)
    grid = work.grid(replace(recipe, dynamics=False))
    if recipe.droop:
        droop = scan_droop(grid, work.seen, *work.angles)
        recipe = replace(recipe, droop_start_per_s=droop)
        grid = work.grid(replace(recipe, dynamics=False))
    seen = work.seen.take(_slow_rows(grid, work.seen)) if work.rich else work.seen
    if len(seen) < 2:
        raise DataError(
            "hardly a frame was taken while the spot was at rest or moving slowly; "
            "measure the whole pattern"
        )
    still = replace(recipe, dynamics=False)
    plan = layout(still)
    short = first_vector(still, work, grid)
    if not work.rich:
        solution = finish(plan, short, grid, seen, work.nominal, progress=_steps(say, 0.2, 0.8))
        return Slow(still, grid, seen, solution)
    solution = finish(
        plan, short, grid, seen, work.nominal, steps=8, progress=_steps(say, 0.2, 0.4)
    )
    # groups that the model explains less well count less: their error is the model's
    solution = finish(
        plan, solution.short, grid, with_group_sigma(seen, solution), work.nominal, steps=12,
        progress=_steps(say, 0.6, 0.4),
    )  # fmt: skip
    return Slow(still, grid, seen, solution)


def whole_part(recipe: Recipe, slow: Slow, work: Work, say: Say) -> tuple[Grid, Solution]:
    """Every row, with the resonance where the recipe has one."""
    recipe = replace(slow.recipe, dynamics=recipe.dynamics)
    plan = layout(recipe)
    grid = work.grid(recipe)
    short = np.zeros(len(plan.names))
    for name, value in zip(slow.solution.layout.names, slow.solution.short, strict=True):
        short[plan.index(name)] = value
    if recipe.dynamics:
        say("looking for the resonance", 0.0)
        short = start_dynamics(plan, short, grid, work.seen, work.nominal)
    solution = finish(
        plan, short, grid, work.seen, work.nominal, steps=8, progress=_steps(say, 0.2, 0.4)
    )
    return grid, finish(
        plan, solution.short, grid, with_group_sigma(work.seen, solution), work.nominal,
        progress=_steps(say, 0.6, 0.4),
    )  # fmt: skip


def first_vector(recipe: Recipe, work: Work, grid: Grid) -> Floats:
    """Short vector to begin with: smoothed and convex where there is memory, else plain gains."""
    plan = layout(recipe)
    if not (recipe.remembers or recipe.chain):
        short = np.where(np.isfinite(plan.prior_sd), plan.prior_mean, 0.0)
        for axis in recipe.axes:
            short[plan.index(f"{axis}_k1")] = 1.0
        return short
    seen = work.seen
    angle_x, angle_y = work.angles
    top = float(max(np.abs(grid.drive_x).max(), np.abs(grid.drive_y).max()))
    limits, times = recipe.slip_limits, recipe.relaxation_times_s
    if work.rich:
        limits = tuple(np.geomspace(0.004, 0.87 * top, SMOOTHING_LIMITS))
    smoothed = smooth(
        behind_output(grid, recipe.droop_start_per_s) if recipe.droop else grid,
        seen, angle_x, angle_y, seen.sigma_x_mm, seen.sigma_y_mm,
        slip_limits=limits, retardation_times_s=times[:: 1 if work.rich else 3],
    )  # fmt: skip
    return start(plan, grid, smoothed)


def _steps(say: Say, base: float, span: float) -> Callable[[int, float], None]:
    return lambda n, cost: say(f"step {n}", base + span * min(1.0, n / 15))


def _slow_rows(grid: Grid, seen: Observations) -> Bools:
    """Rows before which neither drive has moved faster than 0.3 per second for 0.15 s."""
    travel = np.cumsum(
        np.abs(np.diff(grid.drive_x, prepend=0.0)) + np.abs(np.diff(grid.drive_y, prepend=0.0))
    )
    after = np.interp(seen.start_s + seen.exposure_s, grid.t_s, travel)
    before = np.interp(seen.start_s - 0.15, grid.t_s, travel)
    return np.asarray(after - before < 0.3 * 0.15)


def with_group_sigma(seen: Observations, solution: Solution) -> Observations:
    """The observations with sigma at least as large as their group's own residuals."""
    names, number = np.unique(seen.group, return_inverse=True)

    def softened(sigma: Floats, residual: Floats) -> Floats:
        ok = np.isfinite(residual)
        square = np.bincount(number[ok], (residual[ok] / sigma[ok]) ** 2, minlength=len(names))
        count = np.maximum(np.bincount(number[ok], minlength=len(names)), 1)
        return np.asarray(sigma * np.sqrt(np.maximum(1.0, square / count))[number])

    return replace(
        seen,
        sigma_x_mm=softened(seen.sigma_x_mm, solution.residual_x_mm),
        sigma_y_mm=softened(seen.sigma_y_mm, solution.residual_y_mm),
    )
