"""Uncertainty budgets against worked examples of JCGM 100:2008 (the GUM).

Data and results of the examples from memory, recomputed here: H.1 (end gauge), H.2 (simultaneous
resistance and reactance), G.4.1 (Welch-Satterthwaite). Tolerances are half of the last digit that
the document prints.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from hysteresis.uncertainty_budget import (
    Budget,
    Component,
    coverage_factor,
    mean_of,
    propagated,
)


def normal(name: str, u: float, dof: float = math.inf, c: float = 1.0) -> Component:
    return Component(name, name, "A", "normal", u, "nm", c, dof)


# ---- H.1: calibration of an end gauge -----------------------------------------------------------


def end_gauge() -> Budget:
    """Table H.1 with the sub-budgets of H.1.3 (nm)."""
    return Budget(
        "length of the end gauge",
        "nm",
        (
            normal("standard", 25.0, 18),  # calibration certificate
            normal("difference", 9.7, 25.6),  # comparator: 5.8, 3.9 and 6.7 nm
            normal("expansion", 2.9, 50),  # difference of the expansion coefficients
            # difference of temperature: ±0.05 °C, known to half of itself; c = -l_s α_s
            Component("temperature", "", "B", "rectangular", 0.05, "°C", -575.0, 2),
        ),
    )


def test_h1_combined_and_expanded() -> None:
    budget = end_gauge()
    assert budget.components[3].contribution == pytest.approx(16.6, abs=0.05)
    assert budget.combined == pytest.approx(32, abs=0.5)
    assert math.floor(budget.effective_dof) == 16
    assert budget.coverage_factor(0.99) == pytest.approx(2.92, abs=0.005)
    assert budget.expanded(0.99) == pytest.approx(93, abs=0.5)
    assert sum(budget.shares()) == pytest.approx(1.0, abs=1e-12)
    assert budget.largest().name == "standard"


def test_h1_difference_of_the_comparator() -> None:
    """u(d) from repeatability 5.8 (24), comparator random 3.9 (5) and systematic 6.7 nm (8)."""
    budget = Budget("d", "nm", (normal("r", 5.8, 24), normal("d1", 3.9, 5), normal("d2", 6.7, 8)))
    assert budget.combined == pytest.approx(9.7, abs=0.05)
    assert budget.effective_dof == pytest.approx(25.6, abs=0.5)  # from rounded components: 25.3


# ---- G.4.1: Welch-Satterthwaite -----------------------------------------------------------------


def test_g4_product_of_three() -> None:
    """Y = b X1 X2 X3: relative u 0.25, 0.57, 0.82 % of 10, 5 and 15 readings: ν_eff = 19."""
    parts = tuple(normal(f"x{n}", u, n - 1) for n, u in ((10, 0.25), (5, 0.57), (15, 0.82)))
    budget = Budget("y", "%", parts)
    assert budget.combined == pytest.approx(1.03, abs=0.005)
    assert budget.effective_dof == pytest.approx(19.0, abs=0.05)
    assert budget.expanded(0.95) == pytest.approx(2.2, abs=0.05)


# ---- H.2: resistance and reactance --------------------------------------------------------------

VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
MILLIAMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def impedance(x):
    v, i, phi = x[0], x[1] * 1e-3, x[2]
    return np.array([v / i * np.cos(phi), v / i * np.sin(phi), v / i])


def test_h2_correlated_inputs_and_outputs() -> None:
    """Tables H.3 and H.4: R, X, Z with uncertainties and correlations."""
    readings = np.column_stack([VOLTS, MILLIAMPERES, PHASE])
    inputs = [mean_of(column) for column in readings.T]
    u_in = [u for _, u, _ in inputs]
    assert u_in == pytest.approx([0.0032, 0.0095, 0.00075], rel=0.02)
    r_in = np.corrcoef(readings.T)
    assert [r_in[0, 1], r_in[0, 2], r_in[1, 2]] == pytest.approx([-0.36, 0.86, -0.65], abs=0.006)
    covariance = np.cov(readings.T) / len(readings)
    y, c, _ = propagated(impedance, readings.mean(axis=0), covariance)
    assert y == pytest.approx([127.732, 219.847, 254.260], abs=0.0006)
    u = np.sqrt(np.diag(c))
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=0.0006)
    r = c / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=0.0006)


def test_h2_as_a_budget_with_correlations() -> None:
    """Equation 13 by components gives what the matrix gives; four readings more, four dof."""
    readings = np.column_stack([VOLTS, MILLIAMPERES, PHASE])
    _, c, slopes = propagated(impedance, readings.mean(axis=0), np.cov(readings.T) / 5)
    r_in = np.corrcoef(readings.T)
    names = ("v", "i", "phi")
    parts = tuple(
        Component(name, name, "A", "normal", mean_of(column)[1], "", float(slopes[0, k]), 4)
        for k, (name, column) in enumerate(zip(names, readings.T, strict=True))
    )
    pairs = tuple((names[a], names[b], float(r_in[a, b])) for a, b in ((0, 1), (0, 2), (1, 2)))
    budget = Budget("R", "ohm", parts, pairs)
    assert budget.combined == pytest.approx(math.sqrt(c[0, 0]), rel=1e-9)
    assert sum(budget.shares()) == pytest.approx(1.0, abs=1e-12)
    # five sets of simultaneous readings: the result has four degrees of freedom (H.2.4)
    assert budget.effective_dof == pytest.approx(4.0, rel=1e-9)


# ---- the t distribution -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dof", "level", "k"),
    [(1, 0.95, 12.71), (2, 0.95, 4.30), (10, 0.95, 2.23), (50, 0.95, 2.01), (16, 0.99, 2.92),
     (math.inf, 0.95, 1.960), (math.inf, 0.99, 2.576)],
)  # fmt: skip
def test_table_g2(dof: float, level: float, k: float) -> None:
    """Table G.2 (from memory), and SciPy's own t distribution."""
    assert coverage_factor(dof, level) == pytest.approx(k, abs=0.005)
    if math.isfinite(dof):
        assert coverage_factor(dof + 0.7, level) == pytest.approx(
            stats.t.ppf(0.5 + level / 2, dof), rel=1e-9
        )
