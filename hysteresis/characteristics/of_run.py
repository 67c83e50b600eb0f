"""All published figures of one run, from the data and from the fitted model, side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from hysteresis.bench import Bench
from hysteresis.characteristics import (
    after_effect,
    drift,
    drive_needed,
    dynamics,
    loop_figures,
    loss,
    positioning,
    returning,
)
from hysteresis.characteristics.definitions import DEFINITIONS
from hysteresis.characteristics.figure import Characteristic, Condition, Pair
from hysteresis.characteristics.modelled import (
    discrepancy_mm,
    frames_of,
    grid_of,
    on_drive_clock,
    refitted,
    spread_of,
    trust_of,
)
from hysteresis.characteristics.view import Found, View
from hysteresis.fit.fitted import absolute_uncertainty_mm
from hysteresis.metrics import effective_dof
from hysteresis.model import FittedModel, RigModel, RigState
from hysteresis.optics import nominal_optics
from hysteresis.recording import Grid, observations
from hysteresis.tables import Pattern, Recording

FAMILIES: tuple[Callable[[View], Iterator[Found]], ...] = (
    returning.figures,
    loop_figures.figures,
    positioning.figures,
    loss.figures,
    after_effect.figures,
    dynamics.figures,
    drive_needed.figures,
    drift.figures,
)
REFITS = 8
"""Refits by which the model's doubt is told; their spread is then known to a quarter."""
CLOCK_S = 1e-3
"""Standard uncertainty of the frames' times where no fit has looked at them (no source)."""

Place = tuple[str, str, str]  # key, axis, where in the run


def figures_of(
    pattern: Pattern,
    recording: Recording,
    bench: Bench,
    fitted: FittedModel | None = None,
    *,
    refits: int = REFITS,
) -> tuple[Pair, ...]:
    """Every figure that the recording carries, beside the same figure of the model.

    Pairs come in the order of `DEFINITIONS`. With `fitted`, spots are turned into deflections by
    the fitted optics and times are those of the fitted clock, else by the nominal ones; `refits`
    refits tell the model's doubt. A figure that neither can tell is absent (see `absent`).
    Raises DataError where no row of the recording can be used.
    """
    return tuple(paired(view_of(pattern, recording, bench, fitted), fitted, refits).values())


def paired(view: View, fitted: FittedModel | None, refits: int = REFITS) -> dict[Place, Pair]:
    """The pairs of a view by key, axis and place, in the order of `DEFINITIONS`."""
    measured = collected(view)
    modelled = {} if fitted is None else _modelled(view, fitted, refits)
    order = list(DEFINITIONS)
    places = sorted(dict.fromkeys([*measured, *modelled]), key=lambda place: order.index(place[0]))
    pairs = {}
    for place in places:
        seen, told = measured.get(place), modelled.get(place)
        if seen is not None and told is not None:
            told = replace(told, conditions=seen.conditions)
        pairs[place] = Pair(
            None if seen is None else _told(seen), None if told is None else _told(told)
        )
    return pairs


def view_of(
    pattern: Pattern, recording: Recording, bench: Bench, fitted: FittedModel | None
) -> View:
    """The measured frames as the definitions look at them."""
    seen = observations(pattern, recording)
    if fitted is not None:
        seen = on_drive_clock(seen, pattern, fitted)
    errors = {} if fitted is None else {p.name: p.standard_error for p in fitted.parameters}
    clock_s = errors.get("clock_offset_s", np.nan)
    return View(
        pattern=pattern,
        seen=seen,
        bench=bench,
        optics=nominal_optics(bench.optics) if fitted is None else fitted.model.optics,
        clock_s=CLOCK_S if not np.isfinite(clock_s) else clock_s,
        place_mm=absolute_uncertainty_mm(bench) / float(np.sqrt(2.0)),
    )


def collected(view: View) -> dict[Place, Found]:
    """All figures of a view, by key, axis and place."""
    return {
        (found.key, found.axis, found.place): found
        for family in FAMILIES
        for found in family(view)
        if np.isfinite(found.value)
    }


def _modelled(view: View, fitted: FittedModel, count: int) -> dict[Place, Found]:
    """The figures of the model, with the spread of its refits and its known discrepancy."""
    grid = grid_of(view.pattern, fitted.model)
    known = trust_of(fitted)
    own_mm = discrepancy_mm(fitted, known)
    base = collected(_foretold(view, grid, fitted.model, fitted.start))
    again = []
    if known is not None:
        for model, start in refitted(known, fitted, view.bench, count):
            again.append(collected(_foretold(view, grid, model, start)))
    out = {}
    for place, found in base.items():
        values = np.array([other[place].value for other in again if place in other])
        spread, dof = spread_of(values)
        error = own_mm * found.per_mm
        out[place] = replace(
            found, u=float(np.hypot(spread, error)),
            dof=effective_dof(((spread, dof), (error, np.inf))),
        )  # fmt: skip
    return out


def _foretold(view: View, grid: Grid, model: RigModel, start: RigState) -> View:
    seen = frames_of(model, start, grid, view.seen)
    return replace(view, seen=seen, exact=True, model=model, _kept={})


def _told(found: Found) -> Characteristic:
    return Characteristic(
        DEFINITIONS[found.key],
        found.axis,
        tuple(Condition(*one) for one in found.conditions),
        found.value,
        found.u,
        found.dof,
        found.note,
    )
