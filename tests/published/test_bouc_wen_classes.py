"""Bounded and passive classes of the Bouc-Wen element.

Source: Ikhouane & Rodellar 2007, Systems with Hysteresis, and Ikhouane, Mañosa & Rodellar 2006
(both from memory), for `z' = A x' − β|x'||z|^(n−1) z − γ x'|z|^n`, z₀ = (A/(β+γ))^(1/n):
class I is A > 0, β + γ > 0, β − γ ≥ 0, where |z| ≤ max(|z(0)|, z₀); with thermodynamics
(Erlicher & Point 2004, from memory) −β ≤ γ ≤ β. Class II is A > 0, β + γ > 0, β − γ < 0. There
z₁ = (A/(γ−β))^(1/n) is where the way back stops; z₁ ≥ z₀ needs β ≥ 0 (derived here: β + γ ≥ γ − β).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from hysteresis.errors import InputError
from hysteresis.kernels.bouc_wen_table import TOLERANCE
from hysteresis.operators.bouc_wen import BoucWen

some = settings(max_examples=60, deadline=None)
constants = st.floats(-3.0, 3.0, allow_nan=False)
exponents = st.floats(1.0, 5.0)


def textbook(operator: BoucWen, gain: float) -> tuple[float, float]:
    """β and γ of a normalised element, for a given A."""
    unit = (operator.reach * gain) ** operator.exponent
    beta = operator.sigma * gain / unit
    return beta, gain / unit - beta


@some
@given(st.floats(0.5, 3.0), exponents, st.floats(0.05, 20.0), st.floats(0.1, 10.0))
def test_the_normalised_numbers_are_always_of_class_one(sigma, n, reach, gain) -> None:
    operator = BoucWen(1.0, reach, sigma, n)
    beta, gamma = textbook(operator, gain)
    rounding = 8 * np.finfo(float).eps * abs(beta)
    assert beta + gamma > 0.0
    assert abs(gamma) <= beta + rounding
    if abs(gamma) < beta - rounding:
        again = BoucWen.from_textbook(gain, beta, gamma, n, torque_per_z=1.0 / gain)
        for name in ("stiffness", "reach", "sigma"):
            assert getattr(again, name) == pytest.approx(getattr(operator, name), rel=1e-12)


@some
@given(st.floats(0.1, 5.0), constants, constants, exponents)
def test_the_textbook_constants_are_taken_in_class_one_alone(gain, beta, gamma, n) -> None:
    if beta + gamma > 1e-3 and abs(gamma) <= beta:
        operator = BoucWen.from_textbook(gain, beta, gamma, n)
        assert operator.sigma >= 0.5
        limit = (gain / (beta + gamma)) ** (1 / n)
        assert operator.stiffness * operator.reach == pytest.approx(limit, rel=1e-12)
    elif not (beta + gamma > 0.0 and abs(gamma) <= beta):
        with pytest.raises(InputError, match="passive"):
            BoucWen.from_textbook(gain, beta, gamma, n)


@pytest.mark.parametrize(
    ("beta", "gamma", "n"),
    [
        (0.6, 0.4, 1.0),  # I
        (0.8, -0.3, 1.7),  # I, γ < 0
        (0.5, 0.5, 3.0),  # I, σ = 1/2
        (0.3, 0.7, 1.0),  # II
        (0.1, 0.9, 2.0),  # II
        (0.9, -1.1, 1.0),  # none: hardening
        (0.5, -0.5, 1.5),  # β + γ = 0
        (0.0, 0.0, 1.0),  # a spring
    ],
)
def test_every_class_that_rises_follows_the_equation(beta, gamma, n) -> None:
    """Against scipy's DOP853 on each leg, rtol 1e-12 (its global error a few times that); ours
    is TOLERANCE of the largest stretch of the table per evaluation, twice at each turn."""
    operator = BoucWen.from_textbook(1.0, beta, gamma, n, admissible=False, swing=1.0)
    turns = np.array([1.0, -1.0, 0.7, 0.1, 0.9, -0.3, 0.0])
    torque, _ = operator.torque(turns, np.ones(turns.size), operator.rest())
    z = before = 0.0
    for k, x in enumerate(turns):
        way = np.sign(x - before)

        def slope(_, z, way=way):
            return way * (1.0 - np.abs(z) ** n * (beta * np.sign(z * way) + gamma))

        hit = lambda t, z: z[0]  # noqa: E731  a kink of the equation: stop there
        hit.terminal, hit.direction = True, way
        span, start = abs(x - before), 0.0
        while start < span:
            run = solve_ivp(slope, (start, span), [z], "DOP853", rtol=1e-12, atol=1e-14,
                            events=hit if z * way < 0 else None)  # fmt: skip
            start, z = run.t[-1], run.y[0, -1]
            if run.status == 1:
                z = 0.0
        scale = max(1.0, operator.stiffness * operator.reach)
        assert torque[k] == pytest.approx(z, abs=(1 + 2 * k) * TOLERANCE * scale + 2e-11)
        before = x
    if beta + gamma > 0.0:  # classes I and II: |z| ≤ z₀ from rest
        assert np.abs(torque).max() <= (1.0 / (beta + gamma)) ** (1.0 / n)
