"""The calibration line of JCGM 100:2008, annex H.3, by the line that tells the drift of zero.

Data from memory (thermometer readings t and corrections b, °C); results as the document prints
them, tolerances half of the last printed digit. SciPy's `linregress` beside it.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from hysteresis.characteristics.drift import line_through
from hysteresis.characteristics.figure import Characteristic, Definition
from hysteresis.degrees_of_freedom import effective_dof

T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010,
              26.511])  # fmt: skip
B = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161,
              -0.160])  # fmt: skip


def test_h3_line() -> None:
    """y₁ = −0.1712 °C (at 20 °C), u 0.0029; y₂ = 0.00218, u 0.00067; s 0.0035; b(30 °C) −0.1494,
    u 0.0041; correlation of y₁ and y₂ −0.930."""
    line = line_through(T, B)
    at_20, u_20 = line.at(20.0)
    assert (at_20, u_20) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (line.slope, line.u_slope) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert line.scatter == pytest.approx(0.0035, abs=5e-5)
    assert line.dof == 9
    at_30, u_30 = line.at(30.0)
    assert (at_30, u_30) == pytest.approx((-0.1494, 0.0041), abs=5e-5)
    correlation = line.u_slope * (20.0 - line.middle) / u_20
    assert correlation == pytest.approx(-0.930, abs=5e-4)


def test_against_scipy() -> None:
    line, other = line_through(T - 20.0, B), stats.linregress(T - 20.0, B)
    assert line.slope == pytest.approx(other.slope, rel=1e-12)
    assert line.u_slope == pytest.approx(other.stderr, rel=1e-12)
    assert line.at(0.0)[1] == pytest.approx(other.intercept_stderr, rel=1e-12)


def test_a_scatter_below_the_readings_own_does_not_count() -> None:
    line = line_through(T, B, least=0.01)
    assert line.scatter == 0.01 and line.dof == np.inf


def test_h1_effective_degrees_of_freedom_and_expanded() -> None:
    """Annex H.1 (from memory): 25 (18), 9.7 (25.6), 2.9 (50), 16.6 nm (2): ν 16, U₉₉ = 93 nm."""
    parts = ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))
    nu = effective_dof(parts)
    assert int(nu) == 16
    one = Characteristic(
        Definition("length", "", "", "", "nm", "neither"), "x", (), 215.0,
        float(np.sqrt(sum(u**2 for u, _ in parts))), float(int(nu)),
    )  # fmt: skip
    assert one.expanded(0.99) == pytest.approx(93.0, abs=0.5)
    low, high = one.interval(0.99)
    assert (low + high) / 2 == pytest.approx(215.0)


@pytest.mark.parametrize("level", [0.68, 0.95, 0.99])
@pytest.mark.parametrize("dof", [1.0, 3.5, 30.0, np.inf])
def test_expanded_uncertainty_is_that_of_scipy(dof: float, level: float) -> None:
    one = Characteristic(Definition("a", "", "", "", "1", "less"), "x", (), 1.0, 0.3, dof)
    factor = stats.norm.ppf(0.5 + level / 2) if np.isinf(dof) else stats.t.ppf(0.5 + level / 2, dof)
    assert one.expanded(level) == pytest.approx(0.3 * factor, rel=1e-9)


def test_effective_dof_of_one_part_is_its_own_and_of_none_infinite() -> None:
    assert effective_dof([(0.2, 7.0)]) == pytest.approx(7.0)
    assert effective_dof([(0.0, 1.0), (0.1, np.inf)]) == np.inf
    assert effective_dof([(1e-300, 4.0), (1e-300, 4.0)]) == pytest.approx(8.0)
