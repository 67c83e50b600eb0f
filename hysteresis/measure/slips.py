"""Slips of the pen in typed readings: which value its neighbours do not believe, and why.

Each axis is regressed on what the drive says (the nominal spot, the other drive, square and cube
for uneven springs, stop elements and Maxwell branches for the memory), with priors that keep all
but the first small, and weights that take gross errors out (Tukey's biweight; from memory). Each
reading is then compared with what the *others* foretell for it, by the standard deviation of
that. Nothing is changed: a value is put in doubt, with a guess at how it came about.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from hysteresis.tables import Bools, Floats

FEWEST = 8
"""Readings below which neighbours say too little to doubt one of them."""
OFF_UNEXPLAINED, OFF_EXPLAINED, FITS = 8.0, 5.0, 3.0
"""Standard deviations: off by so many is in doubt with no slip that explains it; with one that
brings the value back to within the third."""
LEAST_OFF = 0.02
"""A value closer to its prediction than this part of full scale is never in doubt."""
MISFIT = 0.003
"""Scatter of the small model itself, as a part of full scale."""
_TUKEY = 4.685
_TO_SIGMA = 1.4826  # median absolute deviation to standard deviation of a normal distribution


@dataclass(frozen=True)
class Slip:
    """A value in doubt: row of the sheet (from 0), axis 0 or 1, what the others suggest, why."""

    row: int
    axis: int
    suggested_mm: float
    guess: str


@dataclass(frozen=True)
class Neighbours:
    """What the other readings foretell for each: `value` (n, 2) mm and its `sigma` (n, 2) mm.

    `sigma` holds the scatter of a reading and how little the others know of this one.
    """

    value: Floats
    sigma: Floats


def regressors(nominal: Floats, drive: Floats, memory: Floats, axis: int) -> tuple[Floats, Floats]:
    """Columns (n, m) of the small model of one axis, what is known of it beforehand (m,) on top.

    `nominal` (n, 2) is the spot that the nominal optics give for the drive, in fractions of full
    scale, `drive` (n, 2) the drive, `memory` (n, k) the memory columns of this axis. Returned
    with the columns are their prior standard deviations, all in fractions of full scale; the
    prior mean is 1 for the nominal spot (the second column) and 0 for all else.
    """
    own, other = drive[:, axis], drive[:, 1 - axis]
    columns = [np.ones(len(drive)), nominal[:, axis], other, own**2, own * other, own**3]
    prior = [0.5, 0.5, 0.1, 0.02, 0.02, 0.02]
    columns += list(memory.T)
    prior += [0.07] * memory.shape[1]
    return np.column_stack(columns), np.array(prior)


def neighbours_say(
    columns: tuple[Floats, Floats],
    prior: Floats,
    read_mm: Floats,
    full_scale_mm: Floats,
    rounding_mm: float,
) -> Neighbours:
    """Leave-one-out prediction of both axes by the robust regression.

    `rounding_mm` is the standard uncertainty from rounding: the least scatter that is believed,
    with `MISFIT` of full scale for what the small model leaves out.
    """
    value = np.full(read_mm.shape, np.nan)
    sigma = np.full(read_mm.shape, np.nan)
    for axis in range(2):
        given = ~np.isnan(read_mm[:, axis])
        if int(given.sum()) < FEWEST:
            continue
        full = float(full_scale_mm[axis])
        # fitted is what the nominal spot does not say already, in units of the priors
        off = read_mm[:, axis] - columns[axis][:, 1] * full
        least = float(np.hypot(rounding_mm, MISFIT * full))
        left, sigma[:, axis] = _left_out(columns[axis] * (prior * full), off, given, least)
        value[:, axis] = left + columns[axis][:, 1] * full
    return Neighbours(value, sigma)


def _left_out(scaled: Floats, off: Floats, given: Bools, least: float) -> tuple[Floats, Floats]:
    """Prediction (n,) of each value by all others, and its standard deviation with the scatter.

    `scaled` (n, m) has coefficients of prior deviation 1 and mean 0. A reading of weight w and
    leverage h (w included) is foretold by the others with the residual r / (1 - h); for w = 1
    this has the variance sigma² / (1 - h), for w = 0 sigma² (1 + x P x).
    """
    x, y = scaled[given], off[given]
    sigma = max(_TO_SIGMA * float(np.median(np.abs(y - np.median(y)))), least)
    weight = np.ones(len(y))
    for turn in range(40):
        normal = (weight[:, None] * x).T @ x / sigma**2 + np.eye(x.shape[1])
        inverse = np.linalg.inv(normal)
        coefficients = inverse @ (x.T @ (weight * y)) / sigma**2
        spread = np.einsum("ij,jk,ik->i", x, inverse, x) / sigma**2
        lever = np.minimum(weight * spread, 0.999)
        missed = (y - x @ coefficients) / (1.0 - lever)
        # without the reading itself (rank-one update of the inverse)
        ahead = np.sqrt(1.0 + spread / (1.0 - lever))
        fresh = max(_TO_SIGMA * float(np.median(np.abs(missed) / ahead)), least)
        scores = np.abs(missed) / (ahead * fresh)
        # absolute deviations first, since gross errors still hide each other; then the biweight
        if turn < 8:
            weight = 1.0 / np.maximum(scores, 0.5)
        else:
            weight = np.maximum(1.0 - (scores / _TUKEY) ** 2, 0.0) ** 2
        settled = turn > 10 and abs(fresh - sigma) < 1e-4 * sigma
        sigma = fresh
        if settled:
            break
    value = scaled @ coefficients
    deviation = sigma * np.sqrt(1.0 + np.einsum("ij,jk,ik->i", scaled, inverse, scaled) / sigma**2)
    value[given] = y - missed
    deviation[given] = sigma * ahead
    return value, deviation


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
        if off <= max(OFF_EXPLAINED * sigma, 3.0 * step_mm, LEAST_OFF * full_scale_mm[axis]):
            continue
        guess = _guess(read_mm, said, row, axis, step_mm)
        if guess or off > OFF_UNEXPLAINED * sigma:
            slips.append(Slip(row, axis, float(said.value[row, axis]), guess))
    return slips


def _guess(read_mm: Floats, said: Neighbours, row: int, axis: int, step_mm: float) -> str:
    """The likeliest slip that turns the neighbours' value into the one on the sheet, or ''."""
    value, target = float(read_mm[row, axis]), float(said.value[row, axis])
    near = FITS * float(said.sigma[row, axis]) + step_mm / 2.0

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
