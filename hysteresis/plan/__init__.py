"""Patterns: what the rig is to play so that its memory shows, inspected before anything moves.

A plan is data: vertices of a piecewise-linear drive with named segments. `plan` joins the stage.
"""

from __future__ import annotations

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.plan.assemble import Axes
from hysteresis.plan.characterise import characterisation
from hysteresis.plan.preview import Preview, draw_preview, preview
from hysteresis.plan.reading_steps import reading_steps
from hysteresis.plan.recheck import recheck, recheck_readings
from hysteresis.plan.sheet import reading_sheet, sheet_pages, write_sheet_pdf
from hysteresis.plan.verification import verification
from hysteresis.tables import Pattern

__all__ = [
    "KINDS",
    "Preview",
    "characterisation",
    "draw_preview",
    "plan",
    "preview",
    "reading_sheet",
    "reading_steps",
    "recheck",
    "recheck_readings",
    "sheet_pages",
    "verification",
    "write_sheet_pdf",
]

KINDS = ("characterisation", "reading-steps", "recheck", "verification", "recheck-readings")


def plan(
    kind: str,
    bench: Bench,
    *,
    minutes: float | None = None,
    readings: int = 40,
    axes: Axes = "both",
) -> Pattern:
    """Lay out a pattern of one of `KINDS`; see the function of each kind for what it raises.

    `minutes` left out means: 6 for a characterisation, as long as it takes for the others;
    a recheck takes none, since it has its 30 s. `readings` is for reading steps alone.
    """
    if axes not in ("both", "x", "y"):
        raise InputError("there is no such axis", value=axes, mend="choose both, x or y")
    if kind == "characterisation":
        return characterisation(bench, 6.0 if minutes is None else minutes, axes)
    if kind == "reading-steps":
        return reading_steps(bench, readings, minutes, axes)
    if kind == "verification":
        return verification(bench, axes, minutes=minutes)
    if kind not in ("recheck", "recheck-readings"):
        raise InputError(
            "there is no such pattern", value=kind, mend="choose one of " + ", ".join(KINDS)
        )
    if minutes is not None:
        raise InputError(
            "a recheck always takes 30 s or less, six readings a minute",
            value=minutes,
            mend="leave out the minutes",
        )
    return recheck(bench, axes) if kind == "recheck" else recheck_readings(bench, axes)
