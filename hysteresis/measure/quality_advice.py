"""What would help a measurement, in figures, and the verdict in words.

Advice follows from a budget alone: the fewest components, largest first, that keep the combined
uncertainty above what is asked for; each with the factor by which it must shrink and what to
change for that. A component that is not among them is not mentioned.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from hysteresis.measure.quality_sources import Sources
from hysteresis.uncertainty_budget import Budget, Component

Grade = Literal["good", "limited", "not enough"]
GOOD_SHARE = 1.0 / 3.0
"""An expanded uncertainty of at most a third of the tolerance is called good (common practice, no
source)."""
LONGEST_S = 5.0  # of averaging in one reading
MOST_READINGS, FINEST_MM = 10, 0.1  # of one place, and of a ruler with a loupe (common practice)
_REST_SHARE = 0.9  # of the variance asked for that may stay with components left alone


@dataclass(frozen=True)
class Advice:
    """One change: `component` of `measurand` must shrink by `factor`, to `foretold_mm`."""

    measurand: str
    component: str
    factor: float
    foretold_mm: float
    text: str


_CAMERA = "measure with a camera"


def grade_of(expanded_mm: float, tolerance_mm: float) -> Grade:
    """good: U ≤ T/3; limited: U < T; else not enough, since T − U leaves nothing to prove."""
    if expanded_mm <= GOOD_SHARE * tolerance_mm:
        return "good"
    return "limited" if expanded_mm < tolerance_mm else "not enough"


def advised(budget: Budget, tolerance_mm: float, s: Sources, source: str) -> tuple[Advice, ...]:
    """What would bring U of this budget to a third of the tolerance; empty where it is."""
    wanted = GOOD_SHARE * tolerance_mm / budget.coverage_factor()
    if budget.combined <= wanted * (1.0 + 1e-9):
        return ()
    parts = sorted(budget.components, key=lambda c: -c.contribution)
    count, rest = 0, budget.combined**2
    while count < len(parts) and rest > _REST_SHARE * wanted**2:
        count += 1
        rest = sum(c.contribution**2 for c in parts[count:])
    allowed = math.sqrt(max(wanted**2 - rest, 0.0) / count)
    found = []
    for part in parts[:count]:
        factor = part.contribution / allowed
        if factor > 1.0:
            text = change(budget, part, factor, s, source)
            found.append(Advice(budget.measurand, part.name, factor, allowed, text))
    beyond = [advice for advice in found if advice.text.startswith(_CAMERA)]
    return tuple(beyond[:1] or found)  # with another instrument all else is another question


def change(budget: Budget, part: Component, factor: float, s: Sources, source: str) -> str:
    """What to change so that one component shrinks by this factor."""
    times = f"{factor:.2g} times"
    if source == "typed" and part.name in ("scatter", "rounding", "ruler zero"):
        return _by_eye(part, factor)
    if part.name == "scatter":
        # c² = 1/n + 1/m of a difference, 1/n of a place: an even number in each reading
        readings = 2.0 if budget.measurand.startswith("return") else 1.0
        frames = math.ceil(readings * (factor / part.sensitivity) ** 2 - 1e-9)
        seconds = frames * s.frame_s
        if s.alike:  # what a codec repeats cannot be averaged
            return (
                "film with less compression, so that frames at rest are no copies of each other "
                f"and can be averaged, or bring the camera closer: pixels {times} finer"
            )
        closer = f"bring the camera closer until its pixels are {times} finer"
        if seconds > LONGEST_S:  # the spot creeps meanwhile
            return closer
        return (
            f"average {frames} frames in each reading ({seconds:.2g} s of rest at this rate), or "
            + closer
        )
    if part.name == "rounding":
        return (
            "let the tracker write centres between pixels, or bring the camera closer until its "
            f"pixels are {times} finer"
        )
    if part.name == "wander":
        return (
            f"calm what moves slowly (draughts, a shaking camera, speckle), {times} less; more "
            "frames in one reading would not help"
        )
    if part.name == "registration" and s.scale_share > 0.5:
        return (
            f"make the scale of the registration {times} surer: measure the check rulers on the "
            "printed target and say so with --ruler-mm, or compare with a better scale"
        )
    if part.name == "registration":
        if part.unit == "%":
            return f"make the registration {times} better: more marks, spread over the field"
        return (
            f"use {factor**2:.2g} times as many fiducials, spread like these, or marks that are "
            f"placed and found {times} better, as on a printed target"
        )
    if part.name == "clock":
        if budget.measurand.startswith("place of one moving"):
            return f"time the frames {times} better, or judge places at rest"
        return f"read {times} later after the return, when the spot creeps less"
    if part.name == "moment":
        return (
            f"wait {times} as long before each reading, when the spot creeps less, or note its "
            f"moment to {part.value / factor:.2g} s"
        )
    if part.name == "drift":
        return (
            f"let rig and camera warm up until the zero drifts by less than "
            f"{part.value / factor:.2g} mm/min ({part.value:.2g} now)"
        )
    if part.name == "ruler scale":
        return f"check the ruler against a better one, to {part.value / factor:.2g} %"
    return f"make it {times} smaller: {part.words}"


def _by_eye(part: Component, factor: float) -> str:
    """More readings or a finer ruler, as long as an eye can do it."""
    again, finer = math.ceil(factor**2 - 1e-9), 2.0 * part.value / factor
    if part.name == "scatter" and again <= MOST_READINGS:
        return f"read every place {again} times afresh and type the mean"
    if part.name == "rounding" and finer >= FINEST_MM:
        return f"read to {finer:.2g} mm instead of {2.0 * part.value:.2g} mm: a finer ruler"
    if part.name == "ruler zero" and finer >= FINEST_MM:
        return f"lay the ruler against its mark to ±{finer / 2.0:.2g} mm"
    return (
        f"measure with a camera: a reading would have to be good to {part.u / factor:.2g} mm "
        "(standard uncertainty), finer than an eye reads a ruler"
    )


def verdict(
    zero: Budget, at: Budget, tolerance_mm: float, s: Sources, advice: tuple[Advice, ...]
) -> str:
    """One plain paragraph: how good, what limits, what would help."""
    u, t = zero.expanded(), tolerance_mm
    grade = grade_of(u, t)
    axis, largest = zero.measurand[-1], zero.largest()
    known = f"a return to zero is known to ±{_two(u)} mm (95 %, {axis})"
    told = f"{_percent(u / t)} of the tolerance of {t:g} mm"
    if grade == "good":
        text = f"Good: {known}, {told}; a third or less is good."
    elif grade == "limited":
        text = (
            f"Limited: {known}, {told} where a third would be good. An error counts as proven "
            f"within tolerance only below {_two(t - u)} mm, the tolerance less the uncertainty."
        )
    else:
        text = (
            f"Not enough: {known}, {told}. Not even a spot that seems to come back exactly is "
            "proven to be within tolerance."
        )
    share = largest.contribution**2 / zero.combined**2 if zero.combined else 0.0
    text += f" What limits it most: {largest.words} ({_percent(share)} of the variance)."
    text += _helps(zero, advice)
    u_place = at.expanded()
    worst = at.largest()
    text += (
        f" The place itself is known to ±{_two(u_place)} mm ({at.measurand[-1]}), mostly by "
        f"{worst.words}"
    )
    if worst.name in ("registration", "ruler zero", "ruler scale"):
        text += ": that moves a job as a whole and cancels in a return to zero."
    else:
        text += "."
    if grade_of(u_place, t) != "good" and _CAMERA not in text:
        text += _helps(at, advice)
    return text + _drift_words(s, t)


def _helps(budget: Budget, advice: tuple[Advice, ...]) -> str:
    mine = [a.text for a in advice if a.measurand == budget.measurand]
    if not mine:
        return ""
    if mine[0].startswith(_CAMERA):
        return f" What would help: {mine[0]}."
    first = f"To bring it to a third of the tolerance: {mine[0]}"
    return f" {first}" + "".join(f"; and {text}" for text in mine[1:]) + "."


def _drift_words(s: Sources, tolerance_mm: float) -> str:
    """Drift beyond a third of the tolerance, and beyond its own uncertainty, is said."""
    if s.drift is None:
        return ""
    size = float(math.hypot(*s.drift.shift_mm))
    u = float(math.hypot(*s.drift.u_mm))
    if size <= GOOD_SHARE * tolerance_mm or size <= 2.0 * u:
        return ""
    return (
        f" A part that was played again {s.drift.later_s:.0f} s later came out {_two(size)} mm "
        "beside its first playing: rig or camera drift, or what was done before the pattern still "
        "creeps. Let both warm up and rest, and measure again."
    )


def _two(value: float) -> str:
    """Two significant digits without exponent."""
    if value <= 0 or not math.isfinite(value):
        return "0"
    place = 1 - math.floor(math.log10(value))
    return f"{round(value, place):.{max(place, 0)}f}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.095 else f"{100 * share:.1f} %"
