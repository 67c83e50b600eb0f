"""Every figure's definition, by its key: what a report prints beside the numbers.

Clauses marked 'from memory' were recalled, not looked up. 'One side': from zero to full scale.
"""

from __future__ import annotations

from hysteresis.characteristics.figure import Better, Definition

_RETURN = "ISO 376:2011, relative zero error (from memory), and OIML R 60-1:2021, 3.5.10, in form"
_IEC = "IEC 61298-2:2008, 4.1.7 (formula from memory)"
_DEVIATION = (
    "x_ij: deflection of run j at target i, less the straight line of deflection against drive "
    "through all readings"
)


def _definition(
    key: str, words: str, formula: str, source: str, unit: str, better: Better = "less"
) -> tuple[str, Definition]:
    return key, Definition(key, words, formula, source, unit, better)


DEFINITIONS: dict[str, Definition] = dict([
    _definition(
        "return_to_zero",
        "Return-to-zero error: what is left at zero drive after a held excursion. Summed up: root "
        "mean square over all excursions and dwells at the earliest reading (0.5 s after the "
        "return where it was filmed).",
        "100 × (reading after − reading before) / full scale of one side",
        _RETURN + "; dwell and wait as they were (OIML R 60-2, 2.8.3.2)", "% FS",
    ),
    _definition(
        "return_to_zero_worst",
        "Largest return-to-zero error over all excursions and dwells at the earliest reading.",
        "max |100 × (reading after − reading before) / full scale of one side|",
        _RETURN, "% FS",
    ),
    _definition(
        "relative_zero_error",
        "Relative zero error after the largest excursion: what is left, against the deflection "
        "that was held. Summed up: the largest size over the excursions of the largest size, "
        "earliest reading.",
        "f₀ = 100 × (i_f − i₀) / X_N, X_N the deflection at the end of the hold",
        "ISO 376:2011, relative zero error f₀ (from memory); the standard waits 30 s, here the "
        "wait as it was", "%",
    ),
    _definition(
        "zero_return",
        "Zero return: reading at zero before and after the largest excursion, held for the longest "
        "dwell of that size; positive towards the side of the excursion. Earliest reading.",
        "DR = reading after − reading before",
        "OIML R 60-1:2021, 3.5.10 (minimum dead load output return) in form", "mm",
    ),
    _definition(
        "creep_at_zero",
        "Creep after the return to zero, against the deflection that was held; negative: back "
        "towards zero. Summed up: root mean square over all excursions and dwells.",
        "100 × (reading at t₂ − reading at t₁) / X_N, t counted from reaching zero drive",
        "ISO 376:2011, creep c after removal (from memory; there 30 and 300 s), times as they were",
        "%",
    ),
    _definition(
        "creep_under_load",
        "Creep at a held drive, against the deflection; positive: further out. Summed up: root "
        "mean square over all excursions that were held for 2 s or more.",
        "100 × (reading at t₂ − reading at t₁) / X_N, t counted from reaching the held drive",
        "OIML R 60-1:2021, 3.7.1 (change in output with time under constant load); ISO 376:2011, "
        "c (from memory), times as they were", "%",
    ),
    _definition(
        "hysteresis",
        "Hysteresis: largest difference of up-scale and down-scale reading at one drive in one "
        "cycle, dead band included. Summed up: the largest over the sweeps in which the axis "
        "moves alone (over all sweeps where there is none, over the steps where there is no "
        "sweep).",
        "100 × max |reading up − reading down| / span of the loop",
        _IEC + "; 'hysteretic error' of ANSI/ISA-51.1 (from memory)", "% span",
    ),
    _definition(
        "reversal_value",
        "Reversal value: mean approach from below less mean approach from above. Of one target "
        "with its sign; summed up: the largest size over all targets.",
        "B_i = x̄_i↑ − x̄_i↓; B = max |B_i|",
        "ISO 230-2, 2.12 and 2.13 (numbering of 2006)", "mm",
    ),
    _definition(
        "drive_for_full_scale",
        "Drive that the slowest loop needs for a deflection of full scale: end to end, memory "
        "included.",
        "(drive at the upper end − drive at the lower end) / (deflection up there − down there)",
        "common practice, no source", "1",
    ),
    _definition(
        "repeat_shift",
        "Shift of an early part of the pattern when it is played again near the end: mean over its "
        "settled steps, later less first.",
        "100 × mean(later − first) / full scale of one side",
        "common practice, no source", "% FS", "less",
    ),
])  # fmt: skip
