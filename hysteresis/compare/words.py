"""What the terminal and the page of a comparison say alike, and what they show of it."""

from __future__ import annotations

from collections.abc import Sequence

from hysteresis.compare.results import (
    FORECAST_DOUBT,
    MOST_UNITS,
    Comparison,
    Difference,
    FigureComparison,
)


def notes_on(figures: Sequence[FigureComparison]) -> tuple[str, ...]:
    """What to know to read a table of these figures."""
    out = []
    if any(d.cut for f in figures for d in f.designs):
        out.append(
            "Intervals from 0 reached below it and are cut there: these figures are sizes, which "
            "are never negative."
        )
    for f in figures:
        for b in f.beyond:
            out.append(
                f"{b.suspension}: in {b.runs} of {b.of} runs the spot was not back within the "
                f"tolerance while it was watched, so its recovery time is only known to be more "
                f"than {b.least:.3g} {f.definition.unit}."
            )
    return tuple(out)


def more_units_words(d: Difference) -> str:
    """How many more units of each, for a table: 'no' where more of them would not settle it."""
    if d.separated:
        return "none"
    if d.more_units is not None:
        return str(d.more_units)
    return "no" if d.note == FORECAST_DOUBT else f"> {MOST_UNITS}"


def percent(level: float) -> str:
    """A level such as 95 %."""
    return f"{100 * level:g} %"


def summing(found: Comparison) -> list[FigureComparison]:
    """Figures that sum up a run: of both axes together where there is one, else of each."""
    whole = [f for f in found.figures if not f.conditions]
    both = {f.key for f in whole if f.axis == "xy"}
    return [f for f in whole if f.axis == "xy" or f.key not in both]


def left_out_together(found: Comparison) -> dict[tuple[str, str, str], list[str]]:
    """Runs by what was left out of them, the reason, and how to mend it."""
    grouped: dict[tuple[str, str, str], list[str]] = {}
    for out in found.left_out:
        grouped.setdefault((out.what, out.reason, out.mend), []).append(out.run)
    return grouped
