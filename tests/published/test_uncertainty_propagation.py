"""Propagation of uncertainty against the `uncertainties` library, which differentiates exactly.

Its derivatives are analytic (automatic differentiation) and its combination is equation 13 of
JCGM 100, by code of its own. The tolerance is that of central differences over a thousandth of a
standard uncertainty: (u/1000)² of the third derivative over the first, plus rounding 1e-13 x/step.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties
from uncertainties import umath

from hysteresis.uncertainty_budget import Budget, Component, mean_of, propagated

CASES = {
    "linear": (lambda x, m: 3 * x[0] - 2 * x[1] + 0.5 * x[2]),
    "product": (lambda x, m: x[0] * x[1] / x[2]),
    "optics": (lambda x, m: x[0] * m.tan(2 * x[1]) + m.sqrt(x[2])),
    "creep": (lambda x, m: x[0] * m.log(x[1]) * m.exp(-x[2])),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("correlated", [False, True])
def test_against_automatic_derivatives(case: str, correlated: bool) -> None:
    rng = np.random.default_rng(len(case))
    for _ in range(20):
        x = rng.uniform(0.2, 0.6, 3)
        u = rng.uniform(1e-3, 3e-2, 3)
        root = rng.normal(size=(3, 3)) if correlated else np.eye(3)
        c = root @ root.T
        c = c / np.sqrt(np.outer(np.diag(c), np.diag(c))) * np.outer(u, u)
        expected = CASES[case](uncertainties.correlated_values(x, c), umath)
        y, variance, slopes = propagated(lambda v: CASES[case](v, math), x, c)
        assert y[0] == pytest.approx(expected.nominal_value, rel=1e-14)
        # relative to the terms that are added up, since these may cancel
        whole = float(np.sum(np.abs(slopes[0]) * u))
        assert abs(math.sqrt(max(variance[0, 0], 0.0)) - expected.std_dev) < 1e-6 * whole


def test_budget_of_independent_components() -> None:
    rng = np.random.default_rng(1)
    for _ in range(50):
        u, c = rng.uniform(0, 1, 6), rng.normal(size=6)
        parts = tuple(
            Component(f"c{k}", "", "B", "normal", float(u[k]), "mm", float(c[k])) for k in range(6)
        )
        total = sum(float(c[k]) * uncertainties.ufloat(0, float(u[k])) for k in range(6))
        assert Budget("y", "mm", parts).combined == pytest.approx(total.std_dev, rel=1e-12)


def test_two_readings_with_one_ruler_cancel_its_zero() -> None:
    """A common error of both readings drops out of their difference, and doubles in their sum."""
    zero = uncertainties.ufloat(0.0, 0.3)
    before, after = uncertainties.ufloat(0.0, 0.1) + zero, uncertainties.ufloat(1.0, 0.1) + zero
    r = 0.3**2 / (0.3**2 + 0.1**2)
    for sign, expected in ((-1.0, after - before), (1.0, after + before)):
        u = math.hypot(0.1, 0.3)
        parts = (
            Component("before", "", "B", "normal", u, "mm", sign),
            Component("after", "", "B", "normal", u, "mm", 1.0),
        )
        budget = Budget("difference", "mm", parts, (("before", "after", r),))
        assert budget.combined == pytest.approx(expected.std_dev, rel=1e-12)


def test_distributions_by_sampling() -> None:
    """Divisors against the scatter of samples: 4 standard errors of a standard deviation."""
    rng = np.random.default_rng(2)
    n = 200_000
    drawn = {
        "rectangular": rng.uniform(-1, 1, n),
        "triangular": rng.triangular(-1, 0, 1, n),
        "u-shaped": np.sin(rng.uniform(0, 2 * np.pi, n)),
        "normal": rng.normal(size=n),
    }
    for name, values in drawn.items():
        u = Component("a", "", "B", name, 1.0, "mm").u
        assert values.std() == pytest.approx(u, rel=4 / math.sqrt(2 * n))


def test_mean_against_pandas() -> None:
    import pandas as pd

    values = np.random.default_rng(3).normal(size=23)
    mean, u, dof = mean_of(values)
    assert mean == pytest.approx(pd.Series(values).mean(), rel=1e-12)
    assert u == pytest.approx(pd.Series(values).sem(), rel=1e-12)
    assert dof == 22


def test_coverage_of_small_samples() -> None:
    """The interval mean ± U of five readings holds the truth in 95 % of 20 000 trials (4 s.e.)."""
    rng = np.random.default_rng(4)
    readings = rng.normal(size=(20_000, 5))
    u = readings.std(axis=1, ddof=1) / math.sqrt(5)
    k = Budget("m", "mm", (Component("s", "", "A", "normal", 1.0, "mm", 1.0, 4),)).coverage_factor()
    held = np.mean(np.abs(readings.mean(axis=1)) <= k * u)
    assert held == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 20_000))


@pytest.mark.parametrize(
    "wrong",
    [
        {"distribution": "bell"},
        {"value": -1.0},
        {"value": math.nan},
        {"dof": 0.0},
        {"sensitivity": math.inf},
    ],
)
def test_impossible_components_are_refused(wrong: dict[str, object]) -> None:
    plain: dict[str, object] = {
        "name": "a", "words": "", "kind": "A", "distribution": "normal", "value": 1.0, "unit": "mm",
    }  # fmt: skip
    with pytest.raises(ValueError):
        Component(**(plain | wrong))  # type: ignore[arg-type]


def test_contradicting_correlations_are_refused() -> None:
    parts = tuple(Component(n, "", "A", "normal", 1.0, "mm") for n in "abc")
    pairs = (("a", "b", 0.9), ("b", "c", 0.9), ("a", "c", -0.9))
    with pytest.raises(ValueError, match="contradict"):
        Budget("y", "mm", parts, pairs)
    with pytest.raises(ValueError, match="none"):
        Budget("y", "mm", parts, (("a", "z", 0.1),))
