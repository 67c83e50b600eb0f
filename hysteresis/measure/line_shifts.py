"""Runs of readings written one line too low or too high.

A run shows itself by its rows agreeing with what is foretold for the row before (or after), both
axes together, where they disagree with what is foretold for their own. Such a run spoils the
very prediction it is judged by, so it is looked for twice: against the nominal optics, fitted by
offset and gain alone, and again against the neighbours without the rows found first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.measure.neighbours import Background, Neighbours, neighbours_say
from hysteresis.tables import Bools, Floats

_COARSE = 0.05
"""Scatter about nominal optics with free offset and gain, as a part of full scale: memory."""
_MOST = 25.0
"""A single value speaks for or against a shift with at most five standard deviations squared."""
_FEWEST_ROWS, _FEWEST_TELLING = 3, 2
_LEAST_GAIN = 40.0
"""Least sum of squares that a shift explains: two rows whose both axes speak for it, nearly."""


@dataclass(frozen=True)
class Shift:
    """Rows `first` to `last` (from 0) that hold what belongs `by` rows further up: +1 means
    written one line too low, -1 one line too high."""

    first: int
    last: int
    by: int

    @property
    def rows(self) -> range:
        """The rows of the run."""
        return range(self.first, self.last + 1)


def find_shifts(background: Background, read_mm: Floats, rounding_mm: float) -> list[Shift]:
    """Runs of rows one line off, in the order of the rows; empty with too few readings."""
    n = len(read_mm)
    said = _roughly(background, read_mm)
    if said is None:
        return []
    found = _runs(read_mm, said)
    for _ in range(3):
        out = np.zeros(n, dtype=bool)
        for shift in found:
            out[shift.first : shift.last + 1] = True
        said = neighbours_say(background, read_mm, rounding_mm, left_out=out)
        if np.isnan(said.value).all():
            return []
        again = _runs(read_mm, said)
        if again == found:
            break
        found = again
    return found


def _roughly(background: Background, read_mm: Floats) -> Neighbours | None:
    """Nominal spots with an offset and a gain that the middle of the readings gives."""
    value = np.empty_like(read_mm)
    for axis in range(2):
        nominal, read = background.nominal_mm[:, axis], read_mm[:, axis]
        given = ~np.isnan(read)
        if not given.any():
            value[:, axis] = np.nan
            continue
        # Theil-Sen: the median of the slopes between all pairs far enough apart (from memory)
        x, y = nominal[given], read[given]
        i, j = np.triu_indices(len(x), 1)
        far = np.abs(x[i] - x[j]) > 0.2 * background.full_scale_mm[axis]
        gain = float(np.median((y[i] - y[j])[far] / (x[i] - x[j])[far])) if far.sum() > 9 else 1.0
        value[:, axis] = float(np.median(y - gain * x)) + gain * nominal
    if np.isnan(value).all():
        return None
    return Neighbours(value, np.broadcast_to(_COARSE * background.full_scale_mm, value.shape))


def _runs(read_mm: Floats, said: Neighbours) -> list[Shift]:
    """The runs that explain most, one after the other, without overlap."""
    taken = np.zeros(len(read_mm), dtype=bool)
    found: list[Shift] = []
    while True:
        best, most = None, _LEAST_GAIN
        for by in (1, -1):
            gain, telling = _gains(read_mm, said, by)
            gain[taken] = -np.inf
            first, last, total = _best_run(gain)
            rows = slice(first, last + 1)
            if (
                total > most
                and last - first + 1 >= _FEWEST_ROWS
                and int(telling[rows].sum()) >= _FEWEST_TELLING
            ):
                best, most = Shift(first, last, by), total
        if best is None:
            return sorted(found, key=lambda shift: shift.first)
        found.append(best)
        taken[best.first : best.last + 1] = True


def _gains(read_mm: Floats, said: Neighbours, by: int) -> tuple[Floats, Bools]:
    """By how much a shift explains each row better (n,), and which rows speak for it clearly."""
    there = np.full((len(read_mm), 2, 2), np.nan)  # value and sigma of the row it came from
    source = np.stack([said.value, said.sigma], axis=2)
    if by > 0:
        there[by:] = source[:-by]
    else:
        there[:by] = source[-by:]
    own = np.minimum(((read_mm - said.value) / said.sigma) ** 2, _MOST)
    other = np.minimum(((read_mm - there[..., 0]) / there[..., 1]) ** 2, _MOST)
    each = np.where(np.isnan(own) | np.isnan(other), 0.0, own - other)
    # a row whose source lies outside the sheet cannot have been shifted
    outside = np.isnan(there[..., 0]).all(axis=1) & ~np.isnan(said.value).all(axis=1)
    gain = each.sum(axis=1)
    gain[outside] = -np.inf
    return gain, gain > 0.5 * _MOST


def _best_run(gain: Floats) -> tuple[int, int, float]:
    """First and last row of the run with the largest sum of gains (Kadane), and that sum.

    The run begins and ends with a row that speaks for it.
    """
    best, first, last = 0.0, 0, -1
    total, start = 0.0, 0
    for row, value in enumerate(gain.tolist()):
        if total <= 0.0:
            total, start = 0.0, row
        total += value
        if total > best + 1e-9:
            best, first, last = total, start, row
    return first, last, best
