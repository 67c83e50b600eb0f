"""A published calibration: five cycles of a weighing scale, loads up and down.

A. J. Wheeler and A. R. Ganji, Introduction to Engineering Experimentation, example 2.3; readings
and results as a public teaching notebook of mechanical metrology prints them (found, not the book
itself). Its hysteresis is left out: the text says 0.52, the printed table gives 0.54.
"""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.characteristics.loop_figures import non_repeatability
from hysteresis.characteristics.positioning import positioning

UP_LB = np.arange(0.5, 5.01, 0.5)
# cycles 2 to 5 began at 0.5 lb; the first one at 2.5 lb
UP = np.array([
    [0.20, 0.70, 1.18, 1.81, 2.49, 3.18, 3.84, 4.71, 5.35, 6.27],
    [0.08, 0.78, 1.26, 1.93, 2.46, 3.24, 3.86, 4.61, 5.49, 6.10],
    [0.17, 0.64, 1.25, 1.81, 2.46, 3.28, 3.97, 4.60, 5.46, 6.24],
    [0.19, 0.61, 1.24, 1.93, 2.58, 3.13, 3.96, 4.60, 5.39, 6.16],
])  # fmt: skip
UP_FIRST = np.array([2.62, 3.15, 3.90, 4.59, 5.41, 6.24])
DOWN_LB = np.arange(4.5, -0.01, -0.5)
DOWN = np.array([
    [5.71, 4.96, 4.22, 3.57, 2.98, 2.22, 1.57, 1.07, 0.52, 0.02],
    [5.74, 5.11, 4.34, 3.64, 2.86, 2.23, 1.70, 1.07, 0.61, 0.08],
    [5.78, 5.08, 4.21, 3.66, 2.98, 2.26, 1.69, 1.11, 0.61, 0.08],
    [5.87, 5.03, 4.22, 3.55, 2.98, 2.29, 1.63, 1.16, 0.61, -0.03],
    [5.82, 5.03, 4.24, 3.67, 2.94, 2.26, 1.57, 1.11, 0.45, 0.06],
])  # fmt: skip
SPAN_LB = 6.45  # of the readings, by the line from 0 to 5 lb


def line(load_lb: np.ndarray) -> np.ndarray:
    """The example's straight line, laid by eye."""
    return 1.290 * load_lb - 0.374


def test_the_printed_systematic_errors() -> None:
    """Mean deviation from the line, printed: +0.41 and −0.35 lb; E of ISO 230-2 is their sum.

    Printed sums are of two figures rounded to 0.01, so E agrees to 0.01 and the rounding of means.
    """
    assert line(np.array([5.0]))[0] - line(np.array([0.0]))[0] == pytest.approx(SPAN_LB, abs=1e-9)
    x, load, up = [], [], []
    for table, loads, side in ((UP, UP_LB, True), (DOWN, DOWN_LB, False)):
        x.append((table - line(loads)).ravel())
        load.append(np.tile(loads, len(table)))
        up += [side] * table.size
    x.append(UP_FIRST - line(UP_LB[4:]))
    load.append(UP_LB[4:])
    up += [True] * 6
    all_load, side = np.concatenate(load), np.array(up)
    deviation = np.concatenate(x)
    means = [
        deviation[(all_load == w) & (side == s)].mean()
        for s in (True, False) for w in np.unique(all_load[side == s])
    ]  # fmt: skip
    assert (max(means), min(means)) == pytest.approx((0.41, -0.35), abs=0.015)
    # targets with both directions; the extremes at 0 and 5 lb have one direction each
    both = (all_load > 0.1) & (all_load < 4.9)
    target = np.unique(all_load[both], return_inverse=True)[1]
    told = positioning(deviation[both], target, side[both])
    inner = [
        deviation[both & (all_load == w) & (side == s)].mean()
        for s in (True, False) for w in np.unique(all_load[both])
    ]  # fmt: skip
    assert told.systematic == pytest.approx(max(inner) - min(inner), rel=1e-12)
    assert told.largest_reversal == pytest.approx(np.abs(told.reversal).max())
    assert np.all(told.reversal < 0)  # it reads higher while the load comes down


def test_the_printed_accuracy() -> None:
    """Largest deviations of single readings: +0.45 and −0.40 lb."""
    every = np.concatenate([(UP - line(UP_LB)).ravel(), (DOWN - line(DOWN_LB)).ravel()])
    assert (every.max(), every.min()) == pytest.approx((0.45, -0.40), abs=0.005)


def test_the_printed_repeatability() -> None:
    """Range 0.17 lb over the cycles at one load and direction: ±1.3 % of the span."""
    at = [UP[:, :4], np.vstack([UP[:, 4:], UP_FIRST]), DOWN]
    worst = max(float(non_repeatability(table)) for table in at)
    assert worst == pytest.approx(0.17, abs=1e-9)
    assert 100.0 * worst / 2.0 / SPAN_LB == pytest.approx(1.3, abs=0.05)
