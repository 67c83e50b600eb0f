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
    elif findings.measured is not None and findings.measured.returns:
        worst = max(findings.measured.returns, key=lambda r: abs(r.first.error_mm))
        out.append(
            f"After {worst.dwell_s:.1f} s at {_fixed(100 * worst.excursion_fs, 0)} % drive the "
            f"spot came back {abs(worst.first.error_mm):.2f} ± {2 * worst.first.u_mm:.2f} mm "
            f"beside its place ({worst.axis}, {worst.first.wait_s:.1f} s after the return): the "
            f"largest of {len(findings.measured.returns)} return-to-zero errors. No path has been "
            "played yet."
        )
    if findings.fit_check is not None and findings.fitted is not None:
        gap = findings.fitted.discrepancy
        if gap.groups:
            out.append(
                f"On data held out from the fit the model is {plain(gap.typical_mm, 2)} mm off "
                f"(rms of {gap.groups} groups of the pattern, noise taken out)."
            )
    return out


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
