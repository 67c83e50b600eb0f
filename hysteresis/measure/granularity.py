"""The step to which written-down numbers were rounded, and what it adds to their uncertainty."""

from __future__ import annotations

import numpy as np

from hysteresis.tables import Floats

_MANTISSAS = (10.0, 5.0, 2.5, 2.0, 1.0)
_SHARE = 0.85  # of the numbers must lie on the step: a slip of the pen does not hide it


def rounding_step(values: Floats, *, largest: float = 10.0, smallest: float = 1e-4) -> float:
    """Largest usual step (1, 2, 2.5 or 5 times a power of ten) of which the numbers are multiples.

    NaN and zeros (multiples of everything) are passed over. Returns 0.0 when the numbers lie on
    no step of at least `smallest`, or when there are fewer than four to judge by.
    """
    given = np.unique(np.abs(values[np.isfinite(values) & (values != 0.0)]))
    if len(given) < 4:
        return 0.0
    power = np.floor(np.log10(largest))
    while 10.0**power >= smallest / 10:
        for mantissa in _MANTISSAS:
            step = mantissa * 10.0**power
            if step > largest * (1 + 1e-9) or step < smallest * (1 - 1e-9):
                continue
            off = np.abs(given / step - np.round(given / step))
            # the numbers come from decimal text: only binary rounding separates them from it
            if np.mean(off <= 1e-9 + 1e-12 * given / step) >= _SHARE:
                return float(step)
        power -= 1
    return 0.0


def rounding_sigma(step: float) -> float:
    """Standard uncertainty from rounding to the nearest multiple of `step`: step / sqrt(12).

    JCGM 100:2008, 4.3.7 with F.2.2.1: the value lies anywhere within half a step on either side
    with equal probability.
    """
    return step / np.sqrt(12.0)
