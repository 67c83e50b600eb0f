"""What the other readings of a sheet foretell for each one, by a small robust regression.

Each axis is regressed on what the drive says (the nominal spot, the other drive, square and cube
for uneven springs, stop elements and Maxwell branches for the memory), with priors that keep all
but the first small, and weights that take gross errors out (Tukey's biweight; from memory). With
narrower priors on offset and gain a handful of readings, or none, foretell something too: the
nominal optics are worth as much as they are known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.bench import Bench
from hysteresis.measure.drive_columns import drive_columns, memory_of
from hysteresis.optics import nominal_optics, spot_from_deflection
from hysteresis.tables import Bools, Floats, Pattern

FEWEST = 8
"""Readings below which neighbours say too little to doubt one of them."""
MISFIT = 0.003
"""Scatter of the small model itself, as a part of full scale."""
MISFIT_BEFORE = 0.01
"""The same while few readings are in: what they cannot tell yet is told by the priors only."""
_PRIOR = (0.5, 0.5, 0.1, 0.02, 0.02, 0.02)
_PRIOR_BEFORE = (0.1, 0.15, 0.05, 0.02, 0.02, 0.02)
"""Offset, gain, other drive, squares and cube, in fractions of full scale. Before any reading:
the zero of the ruler lies within some mm of the spot at rest, the stated full scale is right to
some 15 % (common practice, no source)."""
_PRIOR_MEMORY = 0.07
_TUKEY = 4.685
_TO_SIGMA = 1.4826  # median absolute deviation to standard deviation of a normal distribution


@dataclass(frozen=True)
class Background:
    """What is known of a sheet without its readings.

    `columns` (n, m) of both axes, in fractions of full scale: of the spot, the first column is
    the offset, the second the nominal spot, whose coefficient is expected to be 1, all others 0.
    """

    columns: tuple[Floats, Floats]
    full_scale_mm: Floats

    def prior(self, widths: tuple[float, ...] = _PRIOR) -> Floats:
        """Standard deviations (m,) of the coefficients."""
        memory = self.columns[0].shape[1] - len(widths)
        return np.array([*widths, *[_PRIOR_MEMORY] * memory])

    @property
    def nominal_mm(self) -> Floats:
        """The nominal spots (n, 2)."""
        both = np.column_stack([columns[:, 1] for columns in self.columns])
        return both * self.full_scale_mm


@dataclass(frozen=True)
class Neighbours:
    """What the other readings foretell for each: `value` (n, 2) mm and its `sigma` (n, 2) mm.

    `sigma` holds the scatter of a reading and how little the others know of this one.
    """

    value: Floats
    sigma: Floats


def background_of(pattern: Pattern, t_s: Floats, bench: Bench) -> Background:
    """The background of readings at `t_s` (n,) of a pattern."""
    memory = drive_columns(pattern, corner_hz=bench.drive.corner_hz, memory=True)
    at = memory.averaged(t_s, 0.0)
    full = np.array([bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm])
    spot = spot_from_deflection(at[:, 0], at[:, 1], nominal_optics(bench.optics))
    nominal = np.column_stack(spot) / full
    both = [_regressors(nominal, at[:, :2], memory_of(at, axis), axis) for axis in range(2)]
    return Background((both[0], both[1]), full)


def _regressors(nominal: Floats, drive: Floats, memory: Floats, axis: int) -> Floats:
    """Columns (n, m) of the small model of one axis, in the order of the priors."""
    own, other = drive[:, axis], drive[:, 1 - axis]
    columns = [np.ones(len(drive)), nominal[:, axis], other, own**2, own * other, own**3]
    return np.column_stack([*columns, *memory.T])


def neighbours_say(
    background: Background, read_mm: Floats, rounding_mm: float, left_out: Bools | None = None
) -> Neighbours:
    """Leave-one-out prediction of both axes by the robust regression.

    `rounding_mm` is the standard uncertainty from rounding: the least scatter that is believed,
    with `MISFIT` of full scale for what the small model leaves out. Rows `left_out` say nothing
    about the others.
    """
    value = np.full(read_mm.shape, np.nan)
    sigma = np.full(read_mm.shape, np.nan)
    for axis in range(2):
        given = ~np.isnan(read_mm[:, axis])
        if left_out is not None:
            given &= ~left_out
        if int(given.sum()) < FEWEST:
            continue
        full = float(background.full_scale_mm[axis])
        least = float(np.hypot(rounding_mm, MISFIT * full))
        said = _said(background, axis, read_mm, given, background.prior(), least)
        value[:, axis], sigma[:, axis] = said
    return Neighbours(value, sigma)


def foretold(
    background: Background, read_mm: Floats, row: int, rounding_mm: float, trusted: Bools
) -> Neighbours:
    """What the readings typed so far foretell for `row`, and before them the nominal optics.

    `trusted` (n,) are rows that the person confirmed: their weight stays whole. Arrays of the
    result are (2,).
    """
    value, sigma = np.empty(2), np.empty(2)
    for axis in range(2):
        given = ~np.isnan(read_mm[:, axis])
        given[row] = False
        full = float(background.full_scale_mm[axis])
        least = float(np.hypot(rounding_mm, MISFIT_BEFORE * full))
        prior = background.prior(_PRIOR_BEFORE)
        said = _said(background, axis, read_mm, given, prior, least, trusted)
        value[axis], sigma[axis] = said[0][row], said[1][row]
    return Neighbours(value, sigma)


def _said(
    background: Background,
    axis: int,
    read_mm: Floats,
    given: Bools,
    prior: Floats,
    least: float,
    trusted: Bools | None = None,
) -> tuple[Floats, Floats]:
    """Prediction (n,) and its standard deviation for one axis, mm."""
    columns, full = background.columns[axis], float(background.full_scale_mm[axis])
    # fitted is what the nominal spot does not say already, in units of the priors
    nominal = columns[:, 1] * full
    fixed = np.zeros(len(given), dtype=bool) if trusted is None else trusted
    scaled = columns * (prior * full)
    left, sigma = _left_out(scaled, read_mm[:, axis] - nominal, given, least, fixed)
    return left + nominal, sigma


def _left_out(
    scaled: Floats, off: Floats, given: Bools, least: float, fixed: Bools
) -> tuple[Floats, Floats]:
    """Prediction (n,) of each value by all others, and its standard deviation with the scatter.

    `scaled` (n, m) has coefficients of prior deviation 1 and mean 0. A reading of weight w and
    leverage h (w included) is foretold by the others with the residual r / (1 - h); for w = 1
    this has the variance sigma² / (1 - h), for w = 0 sigma² (1 + x P x).
    """
    x, y = scaled[given], off[given]
    if not len(y):
        return np.zeros(len(off)), np.sqrt(least**2 + (scaled**2).sum(axis=1))
    sigma = max(_TO_SIGMA * float(np.median(np.abs(y - np.median(y)))), least)
    weight = np.ones(len(y))
    for turn in range(40):
        normal = (weight[:, None] * x).T @ x / sigma**2 + np.eye(x.shape[1])
        inverse = np.linalg.inv(normal)
        coefficients = inverse @ (x.T @ (weight * y)) / sigma**2
        spread = ((x @ inverse) * x).sum(axis=1) / sigma**2
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
        weight[fixed[given]] = 1.0
        settled = turn > 10 and abs(fresh - sigma) < 1e-4 * sigma
        sigma = fresh
        if settled:
            break
    value = scaled @ coefficients
    deviation = sigma * np.sqrt(1.0 + ((scaled @ inverse) * scaled).sum(axis=1) / sigma**2)
    value[given] = y - missed
    deviation[given] = sigma * ahead
    return value, deviation
