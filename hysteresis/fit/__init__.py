"""Identification: convex start, exact finish, honest account of what the data carry.

`fit_recording` joins the stages: `smooth` -> `start` -> `finish`, for each recipe that the data
can carry; `held_out` and `uncertainty` say how far to trust the outcome.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from hysteresis.bench import Bench
from hysteresis.fit.finish import Solution, finish
from hysteresis.fit.held_out import HeldOut, held_out
from hysteresis.fit.predict import optics_from_full
from hysteresis.fit.recipes import RICH, candidates, measured_axes
from hysteresis.fit.resonance import start_dynamics
from hysteresis.fit.rows import after_conditioning, driven_only, refuse_another_pattern
from hysteresis.fit.smooth import Smoothed, smooth
from hysteresis.fit.start import start
from hysteresis.fit.structure import Layout, Recipe, axis_from_full, layout
from hysteresis.fit.uncertainty import discrepancy, standard_errors, unseen_creep_mm
from hysteresis.model import Discrepancy, RigModel, RigState
from hysteresis.optics import RigOptics, deflection_from_spot, nominal_optics
from hysteresis.recording import Grid, Observations, observations, simulation_grid
from hysteresis.tables import Bools, Floats, Pattern, Recording, Texts

CLEARLY = 2.0  # standard errors by which any memory must be better than none: it is not guessed
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Choice:
    """One recipe that was tried: its held-out mean square in units of noise², and its size."""

    name: str
    held_out_ratio: float
    standard_error: float
    unknowns: int
    chosen: bool


@dataclass(frozen=True)
class Fit:
    """Outcome of a fit: models, how they did, and what the data could not tell.

    `noise_*_mm` is the measurement's own standard deviation (median), `residual_*_mm` (f,)
    measured minus model, `held` the same for data held out. `names`, `values`, `errors` are
    the unknowns with standard errors (NaN: at a bound).
    """

    model: RigModel
    without_memory: RigModel
    start_state: RigState
    end: RigState
    names: Texts
    values: Floats
    errors: Floats
    discrepancy: Discrepancy
    seen: Observations
    residual_x_mm: Floats
    residual_y_mm: Floats
    held: HeldOut
    noise_x_mm: float
    noise_y_mm: float
    choices: tuple[Choice, ...]
    notes: tuple[str, ...]
    converged: bool


def fit_recording(
    pattern: Pattern,
    recording: Recording,
    bench: Bench,
    *,
    memory: str = "auto",
    zero_mm: float = 0.0,
    progress: Progress | None = None,
) -> Fit:
    """Fit the memory of both axes to a recording of a pattern.

    `memory` forces one candidate by name; 'auto' takes the simplest whose held-out error is
    not clearly worse than the best. `zero_mm` is the standard uncertainty of absolute
    positions (camera registration); creep from before the pattern is added to it.
    `progress(text, fraction)`. Raises DataError when the data cannot carry a fit.
    """
    from threadpoolctl import threadpool_limits

    tell = progress or (lambda text, fraction: None)
    seen = driven_only(pattern, after_conditioning(pattern, observations(pattern, recording)))
    options = candidates(pattern, seen, memory)
    refuse_another_pattern(pattern, recording)
    nominal = nominal_optics(bench.optics)
    with threadpool_limits(limits=1):  # small dense algebra: more threads only wait
        tell("calibration without memory", 0.0)
        still_grid = _grid_for(Recipe(), pattern)
        plain = _fit_recipe(
            Recipe(tilt=len(seen) >= 16, curve=len(seen) >= 16, clock=len(seen) >= RICH,
                   axes=measured_axes(seen)),
            still_grid, seen, nominal, None,
        )  # fmt: skip
        tried = {}
        for k, (name, recipe) in enumerate(options.recipes.items()):
            share = 0.9 / len(options.recipes)
            base = 0.05 + k * share

            def step(
                text: str, part: float, name: str = name, base: float = base, share: float = share
            ) -> None:
                tell(f"{name}: {text}", base + share * part)

            grid = _grid_for(recipe, pattern)
            solution = _fit_recipe(recipe, grid, seen, nominal, step)
            tried[name] = (grid, solution, held_out(solution, grid, seen, nominal))
        chosen, choices = _choose(tried, seen)
        grid, solution, held = tried[chosen]
        tell("standard errors", 0.97)
        errors = standard_errors(solution, seen)
    model, begin, end = _model_of(solution, grid, nominal)
    noise = _noise(recording)
    creep_mm = unseen_creep_mm(
        pattern,
        (model.axis_x.after_effect_share(), model.axis_y.after_effect_share()),
        (bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm),
    )
    tell("done", 1.0)
    return Fit(
        model=model,
        without_memory=_model_of(plain, still_grid, nominal)[0],
        start_state=begin,
        end=end,
        names=solution.layout.names,
        values=solution.short,
        errors=errors,
        discrepancy=discrepancy(
            held,
            seen,
            float(np.mean(noise)),
            float(np.hypot(zero_mm, creep_mm)),
            rich=len(seen) >= RICH,
        ),
        seen=seen,
        residual_x_mm=solution.residual_x_mm,
        residual_y_mm=solution.residual_y_mm,
        held=held,
        noise_x_mm=noise[0],
        noise_y_mm=noise[1],
        choices=choices,
        notes=(*options.notes, *_doubts(solution, errors)),
        converged=solution.converged,
    )


def _grid_for(recipe: Recipe, pattern: Pattern) -> Grid:
    """Fine steps only where the recipe has a resonance to follow."""
    t, x, y = pattern.t_s, pattern.drive_x, pattern.drive_y
    if recipe.dynamics:
        return simulation_grid(t, x, y)
    return simulation_grid(t, x, y, fine_step_s=0.01, settle_s=0.0, growth=0.2)


def _fit_recipe(
    recipe: Recipe,
    grid: Grid,
    seen: Observations,
    nominal: RigOptics,
    tell: Progress | None,
) -> Solution:
    say = tell or (lambda text, part: None)
    plan = layout(recipe)
    if recipe.slip_limits or recipe.relaxation_times_s:
        say("smoothing", 0.0)
        middle_x, middle_y = (
            np.nanmedian(v) if np.isfinite(v).any() else 0.0 for v in (seen.x_mm, seen.y_mm)
        )
        angle_x, angle_y = deflection_from_spot(
            np.where(np.isfinite(seen.x_mm), seen.x_mm, middle_x),
            np.where(np.isfinite(seen.y_mm), seen.y_mm, middle_y),
            nominal,
        )
        rich = len(seen) >= RICH
        smoothed = smooth(
            grid, seen,
            np.where(np.isfinite(seen.x_mm), angle_x, np.nan),
            np.where(np.isfinite(seen.y_mm), angle_y, np.nan),
            seen.sigma_x_mm, seen.sigma_y_mm,
            slip_limits=recipe.slip_limits[:: 2 if rich else 1],
            retardation_times_s=recipe.relaxation_times_s[:: 1 if rich else 3],
        )  # fmt: skip
        if recipe.dynamics:
            say("slow part", 0.05)
            short = _slow_first(recipe, plan, grid, seen, nominal, smoothed)
            say("looking for the resonance", 0.3)
            short = start_dynamics(plan, short, grid, seen, nominal)
        else:
            short = start(plan, grid, smoothed)
    else:
        short = np.where(np.isfinite(plan.prior_sd), plan.prior_mean, 0.0)
        for axis in recipe.axes:
            short[plan.index(f"{axis}_k1")] = 1.0

    def on_step(base: float, span: float) -> Callable[[int, float], None]:
        return lambda n, cost: say(f"step {n}", base + span * min(1.0, n / 15))

    first = 8 if len(seen) >= RICH else 30
    solution = finish(plan, short, grid, seen, nominal, steps=first, progress=on_step(0.35, 0.35))
    if len(seen) < RICH:
        return solution
    # groups that the model explains less well count less: their error is the model's
    return finish(
        plan, solution.short, grid, _with_group_sigma(seen, solution), nominal,
        progress=on_step(0.7, 0.3),
    )  # fmt: skip


def _slow_first(
    recipe: Recipe,
    plan: Layout,
    grid: Grid,
    seen: Observations,
    nominal: RigOptics,
    smoothed: Smoothed,
) -> Floats:
    """Fit springs and memory to the slow rows on a coarse grid, where it costs a tenth."""
    still = replace(recipe, dynamics=False)
    still_plan = layout(still)
    coarse = _coarse(grid)
    slow = seen.take(_slow_rows(grid, seen))
    short = start(still_plan, grid, smoothed)
    solution = finish(still_plan, short, coarse, slow, nominal, steps=8)
    solution = finish(
        still_plan, solution.short, coarse, _with_group_sigma(slow, solution), nominal, steps=10
    )  # fmt: skip
    out = np.zeros(len(plan.names))
    for name, value in zip(still_plan.names, solution.short, strict=True):
        out[plan.index(name)] = value
    return out


def _coarse(grid: Grid) -> Grid:
    """Every node at which the drive turns, and no two others closer than about 10 ms."""
    slope_x = np.diff(grid.drive_x) / np.diff(grid.t_s)
    slope_y = np.diff(grid.drive_y) / np.diff(grid.t_s)
    turns = np.zeros(len(grid.t_s), dtype=bool)
    turns[1:-1] = (np.abs(np.diff(slope_x)) > 1e-6) | (np.abs(np.diff(slope_y)) > 1e-6)
    keep = turns | (np.diff(np.floor(grid.t_s / 0.01), prepend=-1.0) > 0)
    keep[0] = keep[-1] = True
    t = grid.t_s[keep]
    return Grid(t, np.diff(t, prepend=t[0] - 0.01), grid.drive_x[keep], grid.drive_y[keep])


def _slow_rows(grid: Grid, seen: Observations) -> Bools:
    """Rows before which neither drive has moved faster than 0.3 per second for 0.15 s."""
    travel = np.cumsum(
        np.abs(np.diff(grid.drive_x, prepend=0.0)) + np.abs(np.diff(grid.drive_y, prepend=0.0))
    )
    after = np.interp(seen.start_s + seen.exposure_s, grid.t_s, travel)
    before = np.interp(seen.start_s - 0.15, grid.t_s, travel)
    return np.asarray(after - before < 0.3 * 0.15)


def _with_group_sigma(seen: Observations, solution: Solution) -> Observations:
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


def _choose(
    tried: dict[str, tuple[Grid, Solution, HeldOut]], seen: Observations
) -> tuple[str, tuple[Choice, ...]]:
    """Simplest recipe whose held-out square is about the best: within one standard error.

    No memory at all is preferred within two.
    """
    squares = {}
    for name, (_, _, held) in tried.items():
        z = np.concatenate(
            [held.residual_x_mm / seen.sigma_x_mm, held.residual_y_mm / seen.sigma_y_mm]
        )
        fold = np.concatenate([held.fold, held.fold])
        clipped = np.minimum(z**2, 100.0)  # one wild reading does not choose the model
        squares[name] = np.array(
            [
                np.nanmean(clipped[fold == f])
                for f in np.unique(fold)
                if f >= 0 and np.isfinite(z[fold == f]).any()
            ]
        )
    names = list(tried)
    mean = {name: float(np.mean(squares[name])) for name in names}
    best = min(names, key=lambda n: mean[n])
    chosen = best
    for name in names:
        gap = squares[name] - squares[best]
        # folds share most of their training rows: variance of the mean as corrected by
        # Nadeau & Bengio 2003 (from memory), test share over training share added to 1/folds
        folds = len(gap)
        error = (
            float(np.std(gap, ddof=1) * np.sqrt(1.0 / folds + 1.0 / (folds - 1)))
            if folds > 1
            else 0.0
        )
        if float(np.mean(gap)) <= (CLEARLY if name == "none" else 1.0) * error:
            chosen = name
            break
    choices = tuple(
        Choice(
            name,
            float(np.sqrt(mean[name])),
            float(np.std(np.sqrt(squares[name]), ddof=1) / np.sqrt(len(squares[name])))
            if len(squares[name]) > 1 else float("nan"),
            len(tried[name][1].short),
            name == chosen,
        )
        for name in names
    )  # fmt: skip
    return chosen, choices


def _model_of(
    solution: Solution, grid: Grid, nominal: RigOptics
) -> tuple[RigModel, RigState, RigState]:
    """The model, its state before the pattern, and its state after it."""
    plan = solution.layout
    full = plan.full(solution.short)
    per = plan.per_axis
    axis_x, history_x = axis_from_full(plan.recipe, full[:per])
    axis_y, history_y = axis_from_full(plan.recipe, full[per : 2 * per])
    model = RigModel(axis_x, axis_y, optics_from_full(full, nominal, 2 * per))
    begin = RigState(axis_x.branch_state(history_x), axis_y.branch_state(history_y))
    _, _, end = model.spots(grid.drive_x, grid.drive_y, grid.step_s, begin)
    return model, begin, end


def _noise(recording: Recording) -> tuple[float, float]:
    used = recording.used
    x = recording.sigma_x_mm[used & np.isfinite(recording.x_mm)]
    y = recording.sigma_y_mm[used & np.isfinite(recording.y_mm)]
    fallback = float(np.median(np.concatenate([x, y])))
    return (
        float(np.median(x)) if len(x) else fallback,
        float(np.median(y)) if len(y) else fallback,
    )


def _doubts(solution: Solution, errors: Floats) -> list[str]:
    """What the data do not tell, in plain words: unknowns as uncertain as they are large."""
    out = []
    if not solution.converged:
        out.append("the fit stopped before it settled; its figures may still move a little")
    plan = solution.layout
    for words, parts in (
        ("resonance of axis {axis}", ("{axis}_inertia",)),
        ("damping of axis {axis}", ("{axis}_damping",)),
        ("heating of axis {axis}", ("{axis}_heat1", "{axis}_heat2")),
    ):
        for axis in "xy":
            names = [p.format(axis=axis) for p in parts]
            places = [plan.index(n) for n in names if n in plan.names]
            if places and all(
                not np.isfinite(errors[p]) or abs(solution.short[p]) < 2 * errors[p] for p in places
            ):
                out.append(f"the {words.format(axis=axis)} is not identifiable from these data")
    return out
