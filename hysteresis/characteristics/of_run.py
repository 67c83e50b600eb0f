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
    standard,
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
from hysteresis.characteristics.view import AXES, Found, View
from hysteresis.degrees_of_freedom import effective_dof
from hysteresis.fit.fitted import absolute_uncertainty_mm
from hysteresis.metrics import LEAST_EXCURSION
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
CLOCK_S, FITTED_CLOCK_S = 5e-4, 2.5e-4
"""Standard uncertainty of the frames' times, before and at least after a fit has looked at them:
what a fit takes for a late clock may be a lag of the mirror (type B; errors of 0.1 to 0.2 ms were
seen on the virtual bench: experiments.figure_coverage and camera_clock)."""

UNSETTLED = ("return_to_zero", "return_to_zero_worst")
"""Figures read in rests as short as 0.3 s right after fast parts of the pattern."""
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
            # a mirror that rings through a reading: how unsettled it is, the data's scatter tells
            u = float(np.hypot(told.u, seen.u)) if place[0] in UNSETTLED else told.u
            told = replace(told, conditions=seen.conditions, u=u)
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
        clock_s=CLOCK_S if not np.isfinite(clock_s) else max(clock_s, FITTED_CLOCK_S),
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
    """The figures of the model, with the spread of its refits and its known discrepancy.

    What the pattern of the run does not show is told from a standard pattern, where one does.
    """
    known = trust_of(fitted)
    own_mm = discrepancy_mm(fitted, known)
    rigs = [(fitted.model, fitted.start)]
    if known is not None:
        rigs += refitted(known, fitted, view.bench, count)
    grid = grid_of(view.pattern, fitted.model)
    told = [collected(_foretold(view, grid, *rig)) for rig in rigs]
    for one, more in zip(told, _on_standard_pattern(view, rigs, told[0]), strict=True):
        one |= more
    out = {}
    for place, found in told[0].items():
        values = np.array([other[place].value for other in told[1:] if place in other])
        spread, dof = spread_of(values)
        error = float(np.hypot(own_mm * found.per_mm, found.u))
        out[place] = replace(
            found, u=float(np.hypot(spread, error)),
            dof=effective_dof(((spread, dof), (error, np.inf))),
        )  # fmt: skip
    return out


def _on_standard_pattern(
    view: View, rigs: list[tuple[RigModel, RigState]], there: dict[Place, Found]
) -> list[dict[Place, Found]]:
    """For every rig the sums that its own pattern did not show, on the standard pattern."""
    missing = {
        (key, axis, "") for key in standard.KEYS for axis in AXES
        if (key, axis, "") not in there and _moves(view, axis)
    }  # fmt: skip
    pattern = standard.standard_pattern(view.bench) if missing else None
    if pattern is None:
        return [{} for _ in rigs]
    blank = replace(view, pattern=pattern, seen=standard.blank_frames(pattern))
    grid = grid_of(pattern, rigs[0][0])
    return [
        {
            place: replace(found, note=standard.NOTE)
            for place, found in collected(_foretold(blank, grid, model, model.rest())).items()
            if place in missing
        }
        for model, _ in rigs
    ]


def _moves(view: View, axis: str) -> bool:
    """Whether the run's pattern drove this axis and saw it, so that its model means anything."""
    drive = view.pattern.drive_x if axis == "x" else view.pattern.drive_y
    seen = view.seen.x_mm if axis == "x" else view.seen.y_mm
    return bool(np.ptp(drive) > LEAST_EXCURSION and np.isfinite(seen).any())


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
