"""Why a figure is not there, in words."""

from __future__ import annotations

from hysteresis.bench import Bench
from hysteresis.characteristics.definitions import DEFINITIONS
from hysteresis.characteristics.figure import Pair
from hysteresis.characteristics.of_run import figures_of
from hysteresis.model import FittedModel
from hysteresis.tables import Pattern, Recording

WANTED = {
    "return_to_zero": "a held excursion with a reading at zero before and after it",
    "return_to_zero_worst": "a held excursion with a reading at zero before and after it",
    "relative_zero_error": "a held excursion that was read at its end, with zero before and after",
    "zero_return": "a held excursion that was read at its end, with zero before and after",
    "creep_at_zero": "pair of readings at zero drive, early and late, after a held excursion",
    "creep_at_held_drive": "an excursion held for 2 s or more and filmed early and late",
    "hysteresis": "a sweep that was filmed, or steps that come up and down to one drive",
    "reversal_value": "settled steps that come to one drive from both sides",
    "drive_for_full_scale": "a sweep that was filmed",
    "hysteresis_less_dead_band": "a sweep that was filmed closely about its reversals",
    "dead_band": "a sweep that was filmed closely about its reversals",
    "nonlinearity_terminal": "a sweep that was filmed",
    "nonlinearity_best_fit": "a sweep that was filmed",
    "repeatability": "an early part with settled steps that is played again",
    "mean_reversal_value": "settled steps that come to one drive from both sides",
    "repeatability_up": "settled steps that come to one drive twice from both sides",
    "repeatability_down": "settled steps that come to one drive twice from both sides",
    "repeatability_both_ways": "settled steps that come to one drive twice from both sides",
    "systematic_deviation": "settled steps that come to one drive from both sides",
    "mean_deviation_range": "settled steps that come to one drive from both sides",
    "positioning_accuracy": "settled steps that come to one drive twice from both sides",
    "loss_factor": "a sweep that was filmed",
    "after_effect_per_decade": "a filmed recovery after a held excursion",
    "recovery_time": "recovery to within the bench's tolerance before the end of its watch",
    "resonance": "repeated small steps in which the mirror is seen to ring",
    "damping_ratio": "repeated small steps in which the mirror is seen to ring",
    "repeat_shift": "an early part with settled steps that is played again",
    "zero_drift": "set of three readings at zero drive, each after a conditioning",
}


def absent(
    pattern: Pattern,
    recording: Recording,
    bench: Bench,
    fitted: FittedModel | None = None,
    *,
    pairs: tuple[Pair, ...] | None = None,
) -> tuple[tuple[str, str], ...]:
    """Key and reason of every figure that these data (and model) cannot tell for any axis.

    A figure that is told under some conditions but not summed up is named too. `pairs`: what
    `figures_of` gave, where it is known already. Raises as `figures_of`.
    """
    if pairs is None:
        pairs = figures_of(pattern, recording, bench, fitted, refits=0)
    there = {pair.definition.key for pair in pairs}
    summed = {pair.definition.key for pair in pairs if not pair.either.conditions}
    out = []
    for key in DEFINITIONS:
        wanted = WANTED[key].removeprefix("a ").removeprefix("an ")
        if key not in there:
            out.append((key, f"the recording shows no {wanted}"))
        elif key not in summed:
            out.append((key, f"it is not summed up: not every part of the run shows {WANTED[key]}"))
    return tuple(out)
