"""On which scale a figure is compared: its values, or their logarithms.

What scatters between units of one design (stiffness, friction, creep) multiplies a figure rather
than adding to it, so that spreads grow with the mean and designs differ by a factor. On the log
scale such spreads are alike and intervals of a positive figure stay positive. The scale is chosen
by the likelihood of Box and Cox (J. R. Stat. Soc. B 26 (1964) 211) with two candidates, λ = 0
(log) and λ = 1 (plain), one mean per design and one common spread: the log scale is kept unless
the plain one is better by more than half the 95 % quantile of χ²₁, as in their interval of λ.
"""

from __future__ import annotations

import numpy as np

from hysteresis.compare.results import Scale
from hysteresis.tables import Floats, Ints

LARGE_U = 0.3  # of a value: beyond it ln(value ± u) is no longer about ln value ± u / value
HALF_CHI2 = 1.92  # half of the 95 % quantile of chi-square with one degree of freedom


def choose_scale(values: Floats, u: Floats, design: Ints) -> tuple[Scale, str]:
    """Scale and the reason in words, from the units' values (n,), their uncertainties, designs."""
    if not np.all(values > 0.0):
        return "plain", "a value is not above zero"
    if np.any(u > LARGE_U * values):
        return "plain", f"a value is less than {1 / LARGE_U:.1f} times its standard uncertainty"
    counts = np.bincount(design)
    if counts.max(initial=0) < 2:
        return "log", "positive; no design has two units, so spreads tell nothing"
    worse = log_likelihood(values, design, 1.0) - log_likelihood(values, design, 0.0)
    if worse > HALF_CHI2:
        return "plain", "spreads do not grow with the mean (Box-Cox likelihood)"
    return "log", "positive, and spreads as good as proportional to the mean (Box-Cox likelihood)"


def log_likelihood(values: Floats, design: Ints, power: float) -> float:
    """Profile log-likelihood of the Box-Cox exponent 0 or 1, without its constant."""
    y = np.log(values) if power == 0.0 else values
    counts = np.maximum(np.bincount(design), 1)
    means = np.bincount(design, y) / counts
    square = float(np.sum((y - means[design]) ** 2))
    n = len(values)
    # values that agree to rounding have no spread to compare
    least = (1e-9 * float(np.abs(y).max())) ** 2 + 1e-300
    return -0.5 * n * np.log(max(square, least) / n) + (power - 1.0) * float(np.log(values).sum())
