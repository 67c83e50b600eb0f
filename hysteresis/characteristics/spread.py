"""Value and standard uncertainty of a root mean square and of a maximum over noisy readings.

A maximum over noisy readings is too large: the noise helps to choose it. So it is corrected by a
parametric bootstrap (B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, ch. 6 and
10; from memory): readings are drawn again about those that were found, and what the maximum gains
from the second noise is taken off. The correction itself is in doubt by its own size, since
readings that already hold one noise are further apart than the true ones; that goes into the
uncertainty. Draws are seeded: the same run gives the same figures.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from hysteresis.tables import Floats

DRAWS = 400
SEED = 1


def root_mean_square(values: Floats, u: Floats) -> tuple[float, float]:
    """Rms of the true values behind noisy ones, and its standard uncertainty.

    S = mean(m² − u²) is an unbiased estimate of the mean square; its standard uncertainty is that
    of a sum of non-central χ²: √Σ(4 m² u² + 2 u⁴) / n (textbook; m² − u² for the true m²). The
    root bends: the longer of both sides of √(S ± 2 u_S) is halved.
    """
    n = len(values)
    square = float(np.mean(values**2 - u**2))
    own = np.maximum(values**2 - u**2, 0.0)
    u_square = float(np.sqrt(np.sum(4.0 * own * u**2 + 2.0 * u**4)) / n)
    root = float(np.sqrt(max(square, 0.0)))
    high = float(np.sqrt(max(square + 2.0 * u_square, 0.0)))
    low = float(np.sqrt(max(square - 2.0 * u_square, 0.0)))
    return root, max(high - root, root - low) / 2.0


def corrected(
    figure: Callable[[Floats], Floats], values: Floats, u: Floats, common: Floats | None = None
) -> tuple[float, float]:
    """A figure that selects among readings, freed of what noise adds, and its uncertainty.

    figure : takes readings (..., n) and gives (...).
    values, u : (n,) readings and standard uncertainties, independent of each other.
    common : (n,) shift of every reading by one standard deviation of a cause they share.
    """
    rng = np.random.default_rng(SEED)
    drawn = values + u * rng.standard_normal((DRAWS, len(values)))
    if common is not None:
        drawn = drawn + common * rng.standard_normal((DRAWS, 1))
    plain = float(figure(values))
    again = figure(drawn)
    bias = float(np.mean(again)) - plain
    return plain - bias, float(np.hypot(np.std(again, ddof=1), bias))


def largest(values: Floats, u: Floats) -> tuple[float, float]:
    """Largest size among the true values behind noisy ones (≥ 0), and its uncertainty."""
    value, doubt = corrected(lambda m: np.max(np.abs(m), axis=-1), values, u)
    return max(value, 0.0), doubt
