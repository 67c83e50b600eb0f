"""Root mean square and maximum over noisy readings: do their intervals hold the truth?

Theory: the expectation of the largest of n equal normals is σ a_n (tables; by SciPy's quadrature
here). Coverage is counted over seeded draws; the goal is 90 %, known from 400 trials to a standard
error of 1.5 % (binomial, textbook), of which two are granted.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from hysteresis.characteristics.spread import GAIN, corrected, largest, root_mean_square

TRIALS = 400
LEAST = (0.9 - 2.0 * 0.015) * TRIALS


@pytest.mark.parametrize(
    "true", [np.zeros(8), np.full(6, 0.5), np.array([3.0, -2.9, 2.8, 1.0]), np.array([20.0, 1, 2])]
)
def test_interval_of_a_root_mean_square(true: np.ndarray) -> None:
    rng = np.random.default_rng(1)
    exact = np.sqrt(np.mean(true**2))
    held, values = 0, []
    for _ in range(TRIALS):
        u = rng.uniform(0.5, 1.0, len(true))
        value, doubt = root_mean_square(true + u * rng.standard_normal(len(true)), u)
        held += abs(value - exact) <= 1.96 * doubt
        values.append(value)
    assert held >= LEAST
    if exact > 2:  # far from zero it is not biased
        assert np.mean(values) == pytest.approx(exact, abs=4 * np.std(values) / np.sqrt(TRIALS))


@pytest.mark.parametrize(
    "true",
    [
        np.zeros(11),
        np.full(20, 5.0),
        np.linspace(3, 5, 9),
        np.array([10.0, 1.0, -3.0]),
        np.array([10.0, 10.0, 9.0]),
        np.linspace(0.0, 10.0, 12),
    ],
)
def test_interval_of_a_maximum(true: np.ndarray) -> None:
    """Uncorrected, the largest of 20 equal readings is too large by 1.87 σ; most intervals miss."""
    rng = np.random.default_rng(2)
    exact = np.max(np.abs(true))
    held = plain = 0
    for _ in range(TRIALS):
        m = true + rng.standard_normal(len(true))
        value, doubt = largest(m, np.ones(len(true)))
        held += abs(value - exact) <= 1.96 * doubt
        plain += abs(np.max(np.abs(m)) - exact) <= 1.96
    print(f"{true[:3]} …: held {held}/{TRIALS}, without correction {plain}/{TRIALS}")
    assert held >= LEAST


def test_what_noise_adds_to_a_maximum_is_that_of_theory() -> None:
    """Readings far apart gain nothing; equal ones gain σ a_n, a_n = n ∫ x φ Φ^(n−1) dx (textbook).

    Equal readings drawn about: the bootstrap sees just this bias. 400 draws know it to σ/20.
    """
    n = 12

    def weighted(x: float) -> float:
        return n * x * stats.norm.pdf(x) * stats.norm.cdf(x) ** (n - 1)

    a_n = integrate.quad(weighted, -8, 8)[0]
    assert a_n == pytest.approx(1.6292, abs=1e-4)  # tables of normal order statistics, from memory
    value, _ = corrected(lambda m: np.max(m, axis=-1), np.full(n, 50.0), np.full(n, 0.1))
    assert value == pytest.approx(50.0 - GAIN * 0.1 * a_n, abs=4 * GAIN * 0.1 * 0.6 / 20)
    apart = 10.0 * np.arange(n, dtype=float)
    value, doubt = corrected(lambda m: np.max(m, axis=-1), apart, np.full(n, 0.1))
    assert value == pytest.approx(apart[-1], abs=4 * GAIN * 0.1 / 20)
    assert doubt == pytest.approx(0.1, rel=0.15)


def test_the_same_readings_give_the_same_figure() -> None:
    m, u = np.array([1.0, 2.0, 2.1]), np.array([0.1, 0.1, 0.1])
    assert largest(m, u) == largest(m, u)


def test_bootstrap_of_a_mean_has_the_textbook_standard_error() -> None:
    """σ/√n, as `scipy.stats.sem` gives it."""
    rng = np.random.default_rng(3)
    m = 5.0 + rng.standard_normal(50)
    value, doubt = corrected(lambda x: np.mean(x, axis=-1), m, np.full(50, m.std(ddof=1)))
    assert doubt == pytest.approx(stats.sem(m), rel=0.12)  # 400 draws: 3.5 %, three times
    assert value == pytest.approx(m.mean(), abs=0.3 * stats.sem(m))
