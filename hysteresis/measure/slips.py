"""Slips of the pen in typed readings: which value its neighbours do not believe, and why.

Each reading is compared with what the others foretell for it (`neighbours`), by the standard
deviation of that. Nothing is changed: a value is put in doubt, with a guess at how it came about.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from hysteresis.measure.granularity import rounding_sigma
from hysteresis.measure.neighbours import Background, Neighbours, foretold
from hysteresis.tables import Bools, Floats

OFF_UNEXPLAINED, OFF_EXPLAINED, FITS = 5.5, 4.5, 3.0
"""Standard deviations: off by so many is in doubt with no slip that explains it; with one that
brings the value back to within the third."""
ASKED_UNEXPLAINED, ASKED_EXPLAINED, LEAST_ASKED = 8.0, 5.0, 0.04
"""The same for what is asked about while typing, where less is known."""
_SELECTIVE = 0.2
LEAST_OFF = 0.02
"""A value closer to its prediction than this part of full scale is never in doubt."""


@dataclass(frozen=True)
class Slip:
    """A value in doubt: row of the sheet (from 0), axis 0 or 1, what the others suggest, why."""

    row: int
    axis: int
    suggested_mm: float
    guess: str


def find_slips(
    read_mm: Floats, said: Neighbours, full_scale_mm: Floats, step_mm: float
) -> list[Slip]:
    """Readings (n, 2) that their neighbours do not believe, in the order of the rows.

    `step_mm` is the step to which the values were rounded (0: none).
    """
    slips = []
    for row, axis in np.argwhere(~np.isnan(read_mm) & ~np.isnan(said.value)).tolist():
        off = abs(read_mm[row, axis] - said.value[row, axis])
        sigma = float(said.sigma[row, axis])
        if off <= max(OFF_EXPLAINED * sigma, 2.0 * step_mm, LEAST_OFF * full_scale_mm[axis]):
            continue
        guess = _guess(read_mm, said, row, axis, step_mm)
        if guess or off > OFF_UNEXPLAINED * sigma:
            slips.append(Slip(row, axis, float(said.value[row, axis]), guess))
    return slips


def question_about(
    background: Background, read_mm: Floats, row: int, step_mm: float, trusted: Bools
) -> str:
    """What is to be asked about the reading `row` of those typed so far (n, 2), or ''.

    It is asked about only where the readings so far *and* the same with those that the person
    confirmed (`trusted`) taken at full weight foretell something clearly else.
    """
    rounding = rounding_sigma(step_mm)
    least = np.maximum(3.0 * step_mm, LEAST_ASKED * background.full_scale_mm) / ASKED_EXPLAINED

    def off_by(said: Neighbours) -> Floats:
        return np.abs(read_mm[row] - said.value) / np.maximum(said.sigma, least)

    nobody = np.zeros(len(read_mm), dtype=bool)
    said = foretold(background, read_mm, row, rounding, nobody)
    off = off_by(said)
    if trusted.any() and np.any(off > ASKED_EXPLAINED):
        off = np.fmin(off, off_by(foretold(background, read_mm, row, rounding, trusted)))
    parts = []
    for axis in np.flatnonzero(off > ASKED_EXPLAINED).tolist():
        value = float(read_mm[row, axis])
        here = Neighbours(said.value[None], said.sigma[None])
        guess = _guess(read_mm[row : row + 1], here, 0, axis, step_mm, _SELECTIVE)
        if guess or off[axis] > ASKED_UNEXPLAINED:
            about = f"{name_of(axis)} = {value:g} mm where about {round(said.value[axis]) + 0:d} mm"
            parts.append(about + " is expected from what has been typed so far"
                         + (f": {guess}" if guess else ""))  # fmt: skip
    return "; ".join(parts)


def name_of(axis: int) -> str:
    """x or y."""
    return "xy"[axis]


def _guess(
    read_mm: Floats,
    said: Neighbours,
    row: int,
    axis: int,
    step_mm: float,
    selective: float = np.inf,
) -> str:
    """The likeliest slip that turns the neighbours' value into the one on the sheet, or ''.

    A slip explains a value that it brings within `selective` (a part of it) of what is expected.
    """
    value, target = float(read_mm[row, axis]), float(said.value[row, axis])
    near = FITS * float(said.sigma[row, axis]) + step_mm / 2.0
    near = min(near, selective * abs(target) + step_mm)

    def fits(candidate: float) -> bool:
        return abs(candidate - target) <= near

    other, other_target = float(read_mm[row, 1 - axis]), float(said.value[row, 1 - axis])
    if fits(-value):
        return "sign?"
    if fits(value / 10):
        return "a decimal point missing?" if value == round(value) else "ten times too large?"
    if fits(value * 10):
        return "cm instead of mm?"
    if fits(value / 25.4) or fits(value * 25.4):
        return "inches?"
    if fits(other) and abs(value - other_target) <= near:
        return "x and y swapped?"
    if any(fits(swapped) for swapped in _swapped_digits(value)):
        return "digits swapped?"
    for neighbour, word in ((row - 1, "above"), (row + 1, "below")):
        if 0 <= neighbour < len(read_mm):
            there = float(said.value[neighbour, axis])
            if abs(value - there) <= near and abs(there - target) > 2 * near:
                return f"the value of the line {word}?"
    if any(fits(changed) for changed in _one_digit_changed(value)):
        return "one digit wrong?"
    return ""


def _digits(value: float) -> str:
    return f"{abs(value):.4f}".rstrip("0").rstrip(".")


def _swapped_digits(value: float) -> list[float]:
    """The value with two digits that stand beside each other exchanged."""
    text, sign = _digits(value), -1.0 if value < 0 else 1.0
    places = [i for i, c in enumerate(text) if c != "."]
    found = []
    for i, j in pairwise(places):
        if text[i] != text[j]:
            digits = list(text)
            digits[i], digits[j] = digits[j], digits[i]
            found.append(sign * float("".join(digits)))
    return found


def _one_digit_changed(value: float) -> list[float]:
    """The value with any one of its digits in front of the point another, or one left out."""
    text, sign = _digits(value), -1.0 if value < 0 else 1.0
    point = text.index(".") if "." in text else len(text)
    whole, rest = text[:point], text[point:]
    found = []
    for i in range(len(whole)):
        found += [float(whole[:i] + digit + whole[i + 1 :] + rest) for digit in "0123456789"]
    for i in range(len(whole) + 1):
        found += [float(whole[:i] + digit + whole[i:] + rest) for digit in "123456789"]
    if len(whole) > 1:
        found += [float(whole[:i] + whole[i + 1 :] + rest) for i in range(len(whole))]
    return [sign * number for number in found]
