"""Closed forms of the Bouc-Wen element for exponents 1 and 2.

Source: the normalised equation of Ikhouane & Rodellar 2007 (Systems with Hysteresis; from memory),
w' = rho (1 - |w|^n) away from zero and rho (1 + a |w|^n) back, a = 2 sigma - 1, integrated by hand:
n = 1 gives exponentials, n = 2 tanh and tan. Figures to twelve digits were computed from these
formulas by a program of its own.

The operator's error: `TOLERANCE` of the limit per evaluation and twice that at each reversal; no
later run magnifies it, since w' falls on the way back and on the way out. In a limit cycle every
leg keeps only (1 - w)/(1 + a w) < 0.3 of it: three times `TOLERANCE` in all.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from hysteresis.kernels.bouc_wen_table import TOLERANCE
from hysteresis.operators.bouc_wen import BoucWen
from hysteresis.operators.maxwell_slip import MaxwellSlip

RHO, X = 1.2, 0.8
HALF_DIGIT = 5e-13
FIGURES = [
    (1.00, 0.744276867362, 0.719077108794),
    (0.75, 0.727365250649, 0.597136589978),
    (0.50, 0.703681068059, 0.441757235183),
]


def error(turns: int) -> float:
    return (1 + 2 * turns) * TOLERANCE


def element(sigma: float, exponent: float = 1.0) -> BoucWen:
    """w = torque: limit 1 at the slope rho."""
    return BoucWen(stiffness=RHO, reach=1.0 / RHO, sigma=sigma, exponent=exponent)


def last_loop(operator: BoucWen, per_leg: int) -> tuple[np.ndarray, np.ndarray]:
    """Angle and torque of one loop from +X, after 40 legs, which leave 0.3⁴⁰ of the start."""
    turns = X * (-1.0) ** np.arange(1, 41)
    _, state = operator.torque(turns, np.ones(40), operator.rest())
    leg = X - 2.0 * X * np.arange(per_leg + 1) / per_leg
    theta = np.concatenate([leg, -leg[1:]])
    torque, _ = operator.torque(theta, np.ones(theta.size), state)
    return theta, torque


@pytest.mark.parametrize(("sigma", "extreme", "area"), FIGURES)
def test_limit_cycle_and_loop_area_of_exponent_one(sigma, extreme, area) -> None:
    """ln(1 + a w)/a − ln(1 − w) = 2 rho X, and ∮ w dx. A third of what halving the step changes is
    taken off the trapezoidal rule (Richardson); a twentieth of the change is left."""
    theta, torque = last_loop(element(sigma), 4000)
    assert torque[0] == pytest.approx(extreme, abs=HALF_DIGIT + 3 * TOLERANCE)
    assert torque[4000] == pytest.approx(-extreme, abs=HALF_DIGIT + 3 * TOLERANCE)
    a = 2.0 * sigma - 1.0
    way_back = np.log1p(a * extreme) / a if a else extreme
    assert way_back - np.log1p(-extreme) == pytest.approx(2 * RHO * X, abs=1e-11)
    fine, coarse = (np.trapezoid(torque[::k], theta[::k]) for k in (1, 2))
    better = fine + (fine - coarse) / 3.0
    assert abs(fine - coarse) < 1e-6
    bound = HALF_DIGIT + 4 * X * 3 * TOLERANCE + 0.05 * abs(fine - coarse)
    assert better == pytest.approx(area, abs=bound)


def test_area_of_sigma_one_is_the_stated_closed_form() -> None:
    assert 4 * (X - np.tanh(RHO * X) / RHO) == pytest.approx(FIGURES[0][2], abs=HALF_DIGIT)
    assert np.tanh(RHO * X) == pytest.approx(FIGURES[0][1], abs=HALF_DIGIT)


def closed_run(n: int, sigma: float, w: float, length: float) -> float:
    """w·way after a run of rho·|Δx| = length from w·way = w, exponent 1 or 2."""
    a = 2.0 * sigma - 1.0
    if w < 0.0:
        root = np.sqrt(a)
        if n == 1:
            to_zero = np.log1p(-a * w) / a if a else -w
        else:
            to_zero = np.arctan(-root * w) / root if a else -w
        if length < to_zero:
            left = to_zero - length
            if a == 0.0:
                return -left
            return -np.expm1(a * left) / a if n == 1 else -np.tan(root * left) / root
        w, length = 0.0, length - to_zero
    if n == 1:
        return 1.0 - (1.0 - w) * np.exp(-length)
    return float(np.tanh(np.arctanh(w) + length))


@pytest.mark.parametrize("sigma", [0.5, 0.7, 1.0])
@pytest.mark.parametrize("n", [1, 2])
def test_any_path_follows_the_closed_form(n, sigma) -> None:
    rng = np.random.default_rng(n)
    theta = rng.uniform(-1, 1, 60) * rng.choice([0.05, 0.4, 1.5], 60)
    torque, _ = element(sigma, n).torque(theta, np.ones(60), np.zeros(2))
    w = before = 0.0
    for k, x in enumerate(theta):
        way = np.sign(x - before)
        w = way * closed_run(n, sigma, way * w, RHO * abs(x - before))
        assert torque[k] == pytest.approx(w, abs=error(k))
        before = x


@pytest.mark.parametrize("sigma", [0.6, 1.0])
def test_limit_cycle_of_exponent_two(sigma) -> None:
    """arctan(√a w)/√a + artanh(w) = 2 rho X."""
    root = np.sqrt(2 * sigma - 1)
    extreme = brentq(
        lambda w: np.arctan(root * w) / root + np.arctanh(w) - 2 * RHO * X, 0.0, 0.999, xtol=1e-15
    )
    _, torque = last_loop(element(sigma, 2.0), 10)
    assert torque[0] == pytest.approx(extreme, abs=3 * TOLERANCE)


@pytest.mark.parametrize("exponent", [50.0, 400.0])
def test_a_sharp_knee_is_one_maxwell_slip_element(exponent) -> None:
    """n → ∞ with sigma = 1/2 is elastic and perfectly plastic (Wen 1976; from memory). How near:
    by hand, s(w) − w = ∫ w^n / (1 − w^n) dw = −ln(1 − e^(−n d)) / n at w = 1 − d for large n, so a
    leg from the limit is furthest off at the knee, by ln 2 / n. Long legs alone: small cycles near
    the knee creep towards zero here, which a slip element does not do."""
    legs = np.linspace(1.0, -1.0, 25)[1:]  # a sample falls on the knee
    theta = np.concatenate([[1.0], *([legs, -legs] * 3)])
    smooth, _ = element(0.5, exponent).torque(theta, np.ones(theta.size), np.zeros(2))
    slip = MaxwellSlip(np.array([1.0 / RHO]), np.array([RHO]))
    sharp, _ = slip.torque(theta, np.ones(theta.size), slip.rest())
    off = np.abs(smooth - sharp)[1:].max()
    assert off == pytest.approx(np.log(2) / exponent, rel=2.0 / exponent)


def test_the_first_loading_is_off_by_log_two_over_n() -> None:
    for exponent in (50.0, 400.0):
        w = element(0.5, exponent).torque(np.array([1.0 / RHO]), np.ones(1), np.zeros(2))[0][0]
        assert 1.0 - w == pytest.approx(np.log(2) / exponent, rel=2.0 / exponent)
