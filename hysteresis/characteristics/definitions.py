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
        "creep_at_held_drive",
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
        "hysteresis_less_dead_band",
        "Hysteresis less dead band, of the slowest sweep in which the axis moves alone.",
        "largest difference of up-scale and down-scale reading, % span, minus dead band, % span",
        "ANSI/ISA-51.1, 'hysteresis' (from memory)", "% span",
    ),
    _definition(
        "dead_band",
        "Dead band at the reversals of the slowest sweep in which the axis moves alone, the larger "
        "one: drive from the reversal to where the straight response after it, extrapolated back, "
        "leaves the value that the straight response before it had reached; lines are laid "
        "between 2 % and 22 % of half the span from the reversal.",
        "100 × drive without response / span of the drive",
        "IEC 61298-2:2008, 4.2, in form (from memory; there a just visible response at 10, 50 and "
        "90 % of the span, three times)", "% span",
    ),
    _definition(
        "nonlinearity_terminal",
        "Terminal-based non-linearity of the slowest sweep in which the axis moves alone: mean of "
        "up-scale and down-scale readings against the line through the outermost two.",
        "100 × max |mean reading − line| / span of the loop", _IEC, "% span",
    ),
    _definition(
        "nonlinearity_best_fit",
        "Non-linearity of the slowest sweep in which the axis moves alone against the "
        "least-squares line.",
        "100 × max |mean reading − line| / span of the loop",
        "ISA-37.1 and IEC 61298-2 in form (from memory), least squares for the line", "% span",
    ),
    _definition(
        "repeatability",
        "Non-repeatability: largest difference between two readings at one drive in one "
        "direction, when a part of the pattern is played again. Span: twice full scale.",
        "100 × max |later − first| / (2 × full scale of one side)", _IEC, "% span",
    ),
    _definition(
        "reversal_value",
        "Reversal value: mean approach from below less mean approach from above. Of one target "
        "with its sign; summed up: the largest size over all targets.",
        "B_i = x̄_i↑ − x̄_i↓; B = max |B_i|",
        "ISO 230-2, 2.12 and 2.13 (numbering of 2006)", "mm",
    ),
    _definition(
        "mean_reversal_value", "Mean reversal value over all targets, with its sign.",
        "B̄ = mean(B_i)", "ISO 230-2, 2.14 (numbering of 2006)", "mm", "neither",
    ),
    _definition(
        "repeatability_up",
        "Unidirectional repeatability approaching from below: the largest over all targets with "
        "two runs or more. It tells of these runs, not of all runs there could be.",
        "R↑ = max 4 s_i↑; " + _DEVIATION, "ISO 230-2, 2.16 and 2.17 (numbering of 2006)", "mm",
    ),
    _definition(
        "repeatability_down",
        "Unidirectional repeatability approaching from above: the largest over all targets with "
        "two runs or more. It tells of these runs, not of all runs there could be.",
        "R↓ = max 4 s_i↓; " + _DEVIATION, "ISO 230-2, 2.16 and 2.17 (numbering of 2006)", "mm",
    ),
    _definition(
        "repeatability_both_ways",
        "Bidirectional repeatability: the largest over all targets with two runs or more.",
        "R = max_i max(2 s_i↑ + 2 s_i↓ + |B_i|; R_i↑; R_i↓); " + _DEVIATION,
        "ISO 230-2, 2.18 and 2.19 (numbering of 2006)", "mm",
    ),
    _definition(
        "systematic_deviation",
        "Bidirectional systematic deviation over all targets, from the straight line.",
        "E = max(x̄_i↑; x̄_i↓) − min(x̄_i↑; x̄_i↓); " + _DEVIATION,
        "ISO 230-2, 2.21 (numbering of 2006)", "mm",
    ),
    _definition(
        "mean_deviation_range",
        "Range of the mean bidirectional deviation over all targets, from the straight line.",
        "M = max x̄_i − min x̄_i, x̄_i = (x̄_i↑ + x̄_i↓)/2; " + _DEVIATION,
        "ISO 230-2, 2.22 (numbering of 2006)", "mm",
    ),
    _definition(
        "positioning_accuracy",
        "Bidirectional accuracy over all targets with two runs or more, from the straight line.",
        "A = max(x̄_i↑ + 2 s_i↑; x̄_i↓ + 2 s_i↓) − min(x̄_i↑ − 2 s_i↑; x̄_i↓ − 2 s_i↓); "
        + _DEVIATION, "ISO 230-2, 2.24 (numbering of 2006)", "mm",
    ),
    _definition(
        "loss_factor",
        "Loss factor of a loop of drive against deflection at the rate at which it was swept. "
        "Summed up: that of the slowest sweep in which the axis moves alone.",
        "sin δ = W / (π F₀ x₀); W: work of one cycle, F₀ and x₀: half the spans of drive and "
        "deflection",
        "ISO 4664-1 and ASTM D5992, hysteresis loop (from memory)", "1",
    ),
    _definition(
        "after_effect_per_decade",
        "After-effect per decade of time, in % of the held deflection: slope of the recovery "
        "against log₁₀((t + T)/t), T the dwell and t from 0.2 s after the return on. Summed up: "
        "mean over the recoveries, each weighted as well as it is known.",
        "100 × slope / X_N",
        "creep in logarithmic time and Boltzmann's sum (Ferry, Viscoelastic Properties of "
        "Polymers; textbook, from memory)", "%/decade",
    ),
    _definition(
        "recovery_time",
        "Time after a return until the error stays within the bench's tolerance, by the straight "
        "line of the recovery against log₁₀((t + T)/t). Summed up: the longest; only where every "
        "excursion was back within its watch.",
        "t at which |rest + slope × log₁₀((t + T)/t)| = tolerance",
        "common practice, no source", "s",
    ),
    _definition(
        "resonance",
        "Undamped resonance as repeated small steps show it (size of the steps beside it). Summed "
        "up: that of the steps nearest zero.",
        "f₀ = ω/2π of θ″ + 2 ζ ω θ′ + ω² θ = ω² u",
        "second-order step response (textbook: Ogata, Modern Control Engineering; from memory)",
        "Hz", "more",
    ),
    _definition(
        "damping_ratio",
        "Damping ratio as repeated small steps show it, after-effect included. Summed up: that of "
        "the steps nearest zero.",
        "ζ of θ″ + 2 ζ ω θ′ + ω² θ = ω² u",
        "second-order step response (textbook: Ogata, Modern Control Engineering; from memory)",
        "1", "more",
    ),
    _definition(
        "drive_for_full_scale",
        "Drive that the slowest loop needs for a deflection of full scale: end to end, memory "
        "included (of held excursions, by least squares, where no sweep was filmed).",
        "(drive at the upper end − drive at the lower end) / (deflection up there − down there)",
        "common practice, no source", "1",
    ),
    _definition(
        "repeat_shift",
        "Shift of an early part of the pattern when it is played again near the end: mean over its "
        "settled steps, later less first.",
        "100 × mean(later − first) / full scale of one side",
        "common practice, no source", "% FS",
    ),
    _definition(
        "zero_drift",
        "Drift of zero: slope of the readings at zero drive after each conditioning against time. "
        "The after-effect of what came before is in it.",
        "100 × slope / full scale of one side",
        "least-squares line as in JCGM 100:2008, H.3", "% FS/h",
    ),
])  # fmt: skip
