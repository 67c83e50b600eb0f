"""Numbers and sentences of a report, shared by the page and by the command line."""

from __future__ import annotations

import math
from decimal import Decimal

from hysteresis.bootstrap import Estimate
from hysteresis.findings import Findings
from hysteresis.verify import Row, Verification


def plain(value: float, digits: int = 3) -> str:
    """A number with so many significant digits, without exponent where it is of usual size."""
    if not math.isfinite(value):
        return "–"
    if value == 0:
        return "0"
    place = _place(value, digits)
    if not -8 <= place <= 6:
        return f"{value:.{digits - 1}e}"
    return _fixed(round(value, -place), max(-place, 0))


def _place(value: float, digits: int) -> int:
    """Power of ten of the last of so many significant digits, after rounding (0.9999 → 1.00)."""
    place = Decimal(value).adjusted() - digits + 1
    return Decimal(round(value, -place)).adjusted() - digits + 1


def name_of(key: str) -> str:
    """A published figure's short name, from the key of its definition."""
    return key.replace("_", " ")


def with_interval(estimate: Estimate | None) -> str:
    """A figure with its 95 % interval, both to two digits of half the interval's length."""
    if estimate is None or not math.isfinite(estimate.value):
        return "–"
    half = (estimate.high - estimate.low) / 2.0
    if not estimate.has_interval or half <= 1e-6 * abs(estimate.value):
        return plain(estimate.value)
    decimals = min(max(-_place(half, 2), 0), 8)
    value, low, high = (_fixed(v, decimals) for v in (estimate.value, estimate.low, estimate.high))
    return f"{value} ({low} … {high})"


def _fixed(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def row_cells(row: Row) -> tuple[str, str, str, str]:
    """Name with unit, before, after, ratio: one line of the table of before and after."""
    return (
        f"{row.name}, {row.unit}",
        with_interval(row.before),
        with_interval(row.after),
        with_interval(row.ratio),
    )


def verdict(findings: Findings) -> list[str]:
    """What the run shows, in a few sentences, the most important first."""
    out = []
    played = findings.played
    if played is not None:
        out += _played_verdict(played)
    else:
        out += [f"{words} No path has been played yet." for words in _memory_verdict(findings)]
    return out + _held_out(findings)


def fit_verdict(findings: Findings) -> list[str]:
    """What the rig remembers and how far its model is to be trusted, in a few sentences."""
    return [
        *_memory_verdict(findings),
        *_held_out(findings),
        *_residual(findings),
        *_agreement(findings),
        *measurement_verdict(findings),
    ]


def measurement_verdict(findings: Findings) -> list[str]:
    """The first sentence of the judgement of the measurement."""
    if findings.quality is None:
        return []
    first = findings.quality.verdict.partition(". ")[0].rstrip(".")
    return [f"The measurement is {first[:1].lower()}{first[1:]}."]


def _memory_verdict(findings: Findings) -> list[str]:
    if findings.measured is None or not findings.measured.returns:
        return []
    worst = max(findings.measured.returns, key=lambda r: abs(r.first.error_mm))
    return [
        f"After {worst.dwell_s:.1f} s at {_fixed(100 * worst.excursion_fs, 0)} % drive the "
        f"spot came back {abs(worst.first.error_mm):.2f} ± {2 * worst.first.u_mm:.2f} mm "
        f"beside its place ({worst.axis}, {worst.first.wait_s:.1f} s after the return): the "
        f"largest of {len(findings.measured.returns)} return-to-zero errors."
    ]


def _held_out(findings: Findings) -> list[str]:
    if findings.fit_check is None or findings.fitted is None:
        return []
    gap = findings.fitted.discrepancy
    if not gap.groups:
        return []
    return [
        f"On data held out from the fit the model is {plain(gap.typical_mm, 2)} mm off "
        f"(rms of {gap.groups} groups of the pattern, noise taken out)."
    ]


def _residual(findings: Findings) -> list[str]:
    """How much more than noise the fit leaves, the worse axis of each."""
    if findings.fitted is None:
        return []
    told = findings.fitted.figures

    def worst(key: str) -> float:
        found = [told.get(f"{key}_{axis}", float("nan")) for axis in "xy"]
        return max((v for v in found if math.isfinite(v)), default=float("nan"))

    rms, robust = worst("residual_over_noise"), worst("robust_residual_over_noise")
    if not math.isfinite(rms):
        return []
    beside = f", {plain(robust, 2)} times by its robust size" if math.isfinite(robust) else ""
    return [
        f"What the model leaves of the recording is {plain(rms, 2)} times the noise (rms of the "
        f"worse axis{beside})."
    ]


def _agreement(findings: Findings) -> list[str]:
    whole = [p for p in findings.pairs if not p.either.conditions and p.disagree is not None]
    if not whole:
        return []
    differ = [f"{name_of(p.definition.key)} of {p.either.axis}" for p in whole if p.disagree]
    if not differ:
        return [f"Data and model agree in all {len(whole)} figures that sum up the run."]
    named = ", ".join(differ[:4]) + (" and others" if len(differ) > 4 else "")
    return [
        f"Of {len(whole)} figures that sum up the run, data and model differ in {len(differ)} by "
        f"more than their uncertainty: {named}."
    ]


def _played_verdict(played: Verification) -> list[str]:
    out: list[str] = []
    rms = played.row("rms")
    if rms is None:
        return out
    if rms.before is not None and rms.after is not None and rms.ratio is not None:
        times = (
            f"{plain(rms.ratio.value, 2)} times less"
            if rms.ratio.value > 1
            else f"{plain(1 / rms.ratio.value, 2)} times more"
        )
        out.append(
            f"On this path the spot was {plain(rms.before.value, 2)} mm off (rms) without and "
            f"{plain(rms.after.value, 2)} mm with compensation: {times}."
        )
    else:
        one = rms.before or rms.after
        words = "without" if rms.before is not None else "with"
        if one is not None:
            out.append(
                f"On this path the spot was {plain(one.value, 2)} mm off (rms) {words} "
                "compensation."
            )
    outside = played.row("outside")
    if outside is not None and outside.after is not None and played.tolerance_mm is not None:
        inside = 100.0 - outside.after.value
        out.append(
            f"With compensation {inside:.0f} % of the traced time is within the tolerance of "
            f"{played.tolerance_mm:g} mm."
        )
    if played.forecast is not None and played.after_figures is not None:
        low, high = played.forecast.after_low_mm, played.forecast.after_high_mm
        how = "lies within" if played.covered else "lies outside"
        tail = "" if played.covered else ": trust the forecasts of this model less"
        out.append(
            f"The error left {how} the interval foretold for it, {plain(low, 2)} to "
            f"{plain(high, 2)} mm{tail}."
        )
    return out


DEFINITIONS: tuple[tuple[str, str], ...] = (
    (
        "Return-to-zero error",
        "Reading at zero drive after a held excursion, minus the reading at zero drive before it; "
        "in the form of the relative zero error of ISO 376:2011 (from memory) and of the minimum "
        "dead load output return of OIML R 60-1:2021, 3.5.10, with the actual dwell and wait "
        "beside each figure (R 60-2, 2.8.3.2). Readings are means of the frames of the last half "
        "second at most before the excursion, of 0.4 to 0.6 s after the return, and of the last "
        "half second of the watch.",
    ),
    (
        "Recovered",
        "Last reading after a return minus the first (the creep of ISO 376 and OIML R 60-1, "
        "3.7.1, in form).",
    ),
    (
        "Hysteresis",
        "Largest difference of consecutive up- and down-scale readings at one drive within one "
        "cycle, in per cent of the span (IEC 61298-2:2008, 4.1.7, from memory). Dead band is "
        "included.",
    ),
    (
        "Reversal value",
        "B = max |x̄↑ − x̄↓| over the targets approached from both sides, and its mean over the "
        "targets (ISO 230-2, 2.12 to 2.14). The standard asks for five runs per direction (from "
        "memory); how many there were stands beside the figure.",
    ),
    (
        "Repeatability",
        "A stretch of the pattern played again, later minus first at the settled readings: the "
        "extreme difference (non-repeatability of IEC 61298-2, from memory, with two cycles) and "
        "the mean difference, which is drift.",
    ),
    (
        "Error on the traced path",
        "Played minus wanted spot at the same time, wherever the wanted beam is on, weighted by "
        "time: root of the mean square, mean (shift as a whole), the distance that 95 % of the "
        "time is nearer than, and the farthest. 'Where a trace begins after a park': mean of "
        "the first 50 ms.",
    ),
    (
        "Uncertainties and intervals",
        "± is two standard uncertainties (JCGM 100: type A, 4.2; combined in square, 5.1.2). "
        "Brackets hold 95 % percentile intervals of a block bootstrap over the parts of the job: "
        "how far a figure would move if the job were made of other parts of the same kind. Single "
        "frames more than six robust standard deviations off are left out of readings and loops.",
    ),
)
