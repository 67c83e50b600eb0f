"""Identification: convex start, exact finish, honest account of what the data carry.

`fit_recording` joins the stages: the slow part of each recipe that the data can carry, the choice
between them on data held out, the whole of the chosen one, and how far to trust it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.errors import DataError
from hysteresis.fit.choice import Choice, choose
from hysteresis.fit.finish import Solution, finish
from hysteresis.fit.held_out import HeldOut, held_out
from hysteresis.fit.predict import optics_from_full
from hysteresis.fit.recipes import RICH, candidates, measured_axes
from hysteresis.fit.rows import (
    after_conditioning,
    driven_only,
    refuse_another_pattern,
    refuse_far_places,
    seen_to_the_end,
    turned,
    wild_rows,
)
from hysteresis.fit.stages import Slow, Work, first_vector, slow_part, whole_part
from hysteresis.fit.structure import Recipe, axis_from_full, layout
from hysteresis.fit.uncertainty import (
    Trust,
    discrepancy,
    standard_errors,
    trust,
    unseen_creep_mm,
)
from hysteresis.model import Discrepancy, RigModel, RigState
from hysteresis.optics import RigOptics, nominal_optics
from hysteresis.recording import Grid, Observations, observations
from hysteresis.tables import Floats, Pattern, Recording, Texts

Progress = Callable[[str, float], None]
MANY_FOLDS = 24
MOST_LEFT = 0.2  # of the motion (standard deviations); common practice, no source


@dataclass(frozen=True)
class Fit:
    """Outcome of a fit: models, how they did, and what the data could not tell.

    `noise_*_mm` is the measurement's own standard deviation (median), `residual_*_mm` (f,)
    measured minus model, `held` the same for data held out. `names`, `values`, `errors` are
    the unknowns with standard errors (NaN: at a bound). `solution`, `grid` and `nominal` are what
    identifiability, bootstrap and diagnostics start from, `trust` what a forecast on a path does.
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
    solution: Solution
    grid: Grid
    nominal: RigOptics
    trust: Trust | None


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

    `memory` forces one candidate by name (`recipes.NAMES`); 'auto' takes the simplest whose
    held-out error is not clearly worse than the best. `zero_mm` is the standard uncertainty of
    absolute positions (camera registration); creep from before the pattern is added to it.
    `progress(text, fraction)`. Raises DataError when the data cannot carry a fit.
    """
    from threadpoolctl import threadpool_limits

    tell = progress or (lambda text, fraction: None)
    seen = driven_only(pattern, after_conditioning(pattern, observations(pattern, recording)))
    options = candidates(pattern, seen, memory)
    refuse_another_pattern(pattern, recording)
    refuse_far_places(seen, (bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm))
    notes = seen_to_the_end(pattern, seen)
    nominal = turned(pattern, seen, nominal_optics(bench.optics))
    rich = options.rich
    work = Work(pattern, seen, nominal, rich)
    with threadpool_limits(limits=1):  # small dense algebra: more threads only wait
        still = _without_memory(work)
        slow = {}
        for k, (name, recipe) in enumerate(options.recipes.items()):
            share = (0.5 if rich else 0.9) / len(options.recipes)
            slow[name] = slow_part(recipe, work, _part(tell, name, 0.03 + k * share, share))
        choices = compared(slow, nominal, rich=rich)
        chosen = next(c.name for c in choices if c.chosen)
        grid, solution = slow[chosen].grid, slow[chosen].solution
        if rich:
            grid, solution = whole_part(
                options.recipes[chosen], slow[chosen], work, _part(tell, chosen, 0.55, 0.4)
            )
        tell("held out, standard errors", 0.96)
        held = held_out(solution, grid, seen, nominal)
        errors = standard_errors(solution, seen)
        known = trust(solution, grid, seen, nominal, zero_mm)
    _refuse_what_does_not_follow(solution, seen)
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
        without_memory=_model_of(still.solution, still.grid, nominal)[0],
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
            rich=rich,
        ),
        seen=seen,
        residual_x_mm=solution.residual_x_mm,
        residual_y_mm=solution.residual_y_mm,
        held=held,
        noise_x_mm=noise[0],
        noise_y_mm=noise[1],
        choices=choices,
        notes=(
            *options.notes, *notes, *_doubts(solution, errors, model),
            *wild_rows(seen, solution.residual_x_mm, solution.residual_y_mm),
        ),
        converged=solution.converged,
        solution=solution,
        grid=grid,
        nominal=nominal,
        trust=known,
    )


def _refuse_what_does_not_follow(solution: Solution, seen: Observations) -> None:
    """Raise DataError where most of the motion is left unexplained: parameters of such a fit mean
    nothing."""
    for axis, r, places in (
        ("x", solution.residual_x_mm, seen.x_mm), ("y", solution.residual_y_mm, seen.y_mm)
    ):  # fmt: skip
        ok = np.isfinite(r)
        if not ok.any():
            continue
        moved = float(np.std(places[ok]))
        left = 1.4826 * float(np.median(np.abs(r[ok])))
        if not left <= MOST_LEFT * moved:
            raise DataError(
                f"the model does not follow axis {axis}: {left:.3g} mm are left of a motion of "
                f"{moved:.3g} mm; check that recording, pattern and bench.toml belong together, "
                "and whether the output is AC-coupled"
            )


def _part(tell: Progress, name: str, base: float, share: float) -> Progress:
    return lambda text, part: tell(f"{name}: {text}", base + share * part)


def _without_memory(work: Work) -> Slow:
    """The best calibration by a rig without memory: what compensation is compared with.

    It knows as little of an AC-coupled output as a person who has none of this.
    """
    few = len(work.seen) < 16
    recipe = Recipe(tilt=not few, curve=not few, clock=len(work.seen) >= RICH,
                    axes=measured_axes(work.seen))  # fmt: skip
    grid = work.grid(recipe)
    short = first_vector(recipe, work, grid)
    solution = finish(layout(recipe), short, grid, work.seen, work.nominal)
    return Slow(recipe, grid, work.seen, solution)


def compared(slow: dict[str, Slow], nominal: RigOptics, *, rich: bool) -> tuple[Choice, ...]:
    """The candidates side by side; of a camera log nearly every group is held out by itself."""
    folds = MANY_FOLDS if rich else 6
    tried = {
        name: (
            held_out(s.solution, s.grid, s.seen, nominal, folds=folds),
            s.seen, len(s.solution.short),
        )
        for name, s in slow.items()
    }  # fmt: skip
    return choose(tried)


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


def _doubts(solution: Solution, errors: Floats, model: RigModel) -> list[str]:
    """What the data do not tell, in plain words: unknowns as uncertain as they are large."""
    out = []
    for word, own in (("x", model.axis_x), ("y", model.axis_y)):
        if isinstance(own, AxisModel) and not own.elastic.is_monotone():
            out.append(
                f"the fitted spring of axis {word} turns soft before the edge of the field: the "
                "recording does not reach far enough to that side, do not drive beyond it"
            )
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
