"""Value and standard uncertainty of a root mean square and of a maximum over noisy readings.

A maximum over noisy readings is too large: the noise helps to choose it. So it is corrected by a
parametric bootstrap (B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, ch. 6 and
10; from memory): readings are drawn again about those that were found, and what the maximum gains
from the second noise is taken off. Readings that already hold one noise are further apart than
the true ones, so that the second noise gains less than the first did: of equal readings √2 − 1 =
0.41 of it, of readings that stand apart all of it. So `GAIN` times as much is taken off, and
`DOUBT` times the gain goes into the uncertainty: a compromise with which 90 % (all readings equal)
to 95 % of intervals hold the truth, counted in tests/characteristics/test_spread.py.
Draws are seeded: the same run gives the same figures.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from hysteresis.tables import Floats

DRAWS = 400
SEED = 1
GAIN, DOUBT = 1.75, 1.25


def root_mean_square(values: Floats, u: Floats) -> tuple[float, float]:
    """Rms of the true values behind noisy ones, and its standard uncertainty.

    S = mean(m² − u²) is an unbiased estimate of the mean square; its standard uncertainty is that
    of a sum of non-central χ²: √Σ(4 m² u² + 2 u⁴) / n (textbook; m² − u² for the true m²). The
    root bends: the longer of both sides of √(S ± 2 u_S) is taken for 1.9 standard uncertainties, a
    little less than 1.96 so that an interval that reaches down to 0 holds 0.
    """
    n = len(values)
    square = float(np.mean(values**2 - u**2))
    own = np.maximum(values**2 - u**2, 0.0)
    u_square = float(np.sqrt(np.sum(4.0 * own * u**2 + 2.0 * u**4)) / n)
    root = float(np.sqrt(max(square, 0.0)))
    high = float(np.sqrt(max(square, 0.0) + 2.0 * u_square))  # equal readings are no proof of 0
    low = float(np.sqrt(max(square - 2.0 * u_square, 0.0)))
    return root, max(high - root, root - low) / 1.9


def corrected(figure: Callable[[Floats], Floats], values: Floats, u: Floats) -> tuple[float, float]:
    """A figure that selects among readings, freed of what noise adds, and its uncertainty.

    figure : takes readings (..., n) and gives (...).
    values, u : (n,) readings and standard uncertainties, independent of each other.
    """
    rng = np.random.default_rng(SEED)
    drawn = values + u * rng.standard_normal((DRAWS, len(values)))
    plain = float(figure(values))
    again = figure(drawn)
    gain = float(np.mean(again)) - plain
    return plain - GAIN * gain, float(np.hypot(np.std(again, ddof=1), DOUBT * gain))


def largest(values: Floats, u: Floats) -> tuple[float, float]:
    """Largest size among the true values behind noisy ones (≥ 0), and its uncertainty."""
    value, doubt = corrected(lambda m: np.max(np.abs(m), axis=-1), values, u)
    return max(value, 0.0), doubt
