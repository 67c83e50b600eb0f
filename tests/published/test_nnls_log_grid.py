"""A sum of exponentials fitted on a logarithmic grid: the curve is pinned, the modes are not.

Source: C. Lanczos, Applied Analysis (1956), the classic ill-posed example, and NIST StRD Lanczos1-3
(nonlinear regression, from memory): y = 0.0951 e^(−x) + 0.8607 e^(−3x) + 1.5576 e^(−5x) at 24
points x = 0 … 1.15, given to three precisions.
"""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.fit.bounded import solve_bounded

X = 0.05 * np.arange(24)


def certified(x):
    return 0.0951 * np.exp(-x) + 0.8607 * np.exp(-3 * x) + 1.5576 * np.exp(-5 * x)


DATA = {
    "Lanczos1": (np.array([float(f"{v:.13e}") for v in certified(X)]), 5e-14, 1.1e-7),
    "Lanczos2": (np.array([float(f"{v:.5e}") for v in certified(X)]), 5e-6, 9.2e-7),
    "Lanczos3": (np.round(certified(X), 4), 5e-5, 2.5e-5),
}
"""As the sets are given (14 and 6 digits, 4 places), half a unit in the last place of the first
reading, and the rms residual that a non-negative fit of another program left."""


@pytest.mark.parametrize("name", DATA)
def test_the_curve_is_pinned(name: str) -> None:
    """100 rates, 0.3 to 30 per unit: fitted to the grid's error or to the rounding of the data, and
    as good at points that were not fitted."""
    y, half_unit, rms = DATA[name]
    rate = np.geomspace(0.3, 30.0, 100)
    weight = solve_bounded(np.exp(-np.outer(X, rate)), y, np.ones(rate.size, bool))
    active = np.count_nonzero(weight)
    residual = np.sqrt(np.mean((np.exp(-np.outer(X, rate)) @ weight - y) ** 2))
    between = X[:-1] + 0.025
    held_out = np.exp(-np.outer(between, rate)) @ weight - certified(between)
    print(f"{name}: rms {residual:.1e}, between {np.abs(held_out).max():.1e}, {active} modes")
    assert residual <= 1.1 * rms
    # readings are good to half a unit of their last place, the first few to this
    assert np.abs(held_out).max() <= max(half_unit, 3 * residual)
    assert 3 <= active <= 8


def test_the_modes_are_not() -> None:
    """From 5 digits the rates come out wrong although the curve is right to 5 digits: so the
    package reports curves and intervals, never single modes."""
    y, _, _ = DATA["Lanczos3"]
    rate = np.geomspace(0.3, 30.0, 100)
    weight = solve_bounded(np.exp(-np.outer(X, rate)), y, np.ones(rate.size, bool))
    slow = weight[rate < 1.6].sum()
    assert abs(slow / 0.0951 - 1) > 0.1
    assert weight.sum() == pytest.approx(certified(0.0), abs=1e-4)
