"""Laws of two parameters, and creep in closed form, for any set of branches."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.axis import AxisModel
from hysteresis.fit.gauss_newton import minimise
from hysteresis.operators.after_effect import (
    AfterEffect,
    grid_s,
    logarithmic,
    power_law,
    power_law_stiffness,
    strength_of,
)
from hysteresis.operators.elastic import Elastic

EPS = float(np.finfo(float).eps)


@st.composite
def solids(draw) -> tuple[AfterEffect, float]:
    count = draw(st.integers(1, 12))
    step = draw(st.lists(st.floats(0.02, 3.0), min_size=count, max_size=count))
    time_s = 1e-3 * 10 ** np.cumsum(step)
    stiffness = draw(
        st.lists(st.one_of(st.just(0.0), st.floats(1e-9, 2.0)), min_size=count, max_size=count)
    )
    return AfterEffect(time_s, np.array(stiffness)), draw(st.floats(0.05, 5.0))


@settings(max_examples=80, deadline=None)
@given(solids())
def test_the_modes_of_creep_are_those_of_the_branches(solid: tuple[AfterEffect, float]) -> None:
    """Complex compliance times complex modulus is 1 at every frequency (textbook); compliances
    are not negative; each mode lies above its branch and below the next."""
    branches, elastic = solid
    time_s, compliance = branches.retardation(elastic)
    used = branches.relaxation_time_s[branches.stiffness > 0]
    assert (compliance >= 0).all() and len(time_s) == len(used)
    assert (time_s >= used).all() and (time_s[:-1] <= used[1:]).all()
    omega = np.geomspace(1e-1 / branches.relaxation_time_s[-1], 1e4, 40)
    storage, loss = branches.moduli(omega)
    x = omega[:, None] * time_s
    whole = 1 / elastic - np.sum(compliance)  # what gives way at once
    assert whole == pytest.approx(1 / (elastic + branches.stiffness.sum()), rel=1e-11)
    yields = whole + (1 / (1 + 1j * x)) @ compliance
    product = yields * (elastic + storage + 1j * loss)
    # near a weak branch a mode and its branch cancel but for their distance, kept in logarithms
    np.testing.assert_allclose(product, 1.0, atol=1e-11)


def test_creep_of_the_standard_linear_solid() -> None:
    """J(2) = 0.910134207, J(10) = 0.996336872 for E∞ = 1, E₁ = 0.25, τ = 2 (Ferry's formula; the
    figures by an ODE solver), retardation time 2.5."""
    branches = AfterEffect(np.array([2.0]), np.array([0.25]))
    angle = branches.creep(np.array([[0.0, 2.0, 10.0]]), 1.0)
    np.testing.assert_allclose(angle, [[0.8, 0.910134207, 0.996336872]], atol=5e-10)
    time_s, compliance = branches.retardation(1.0)
    np.testing.assert_allclose(np.append(time_s, compliance), [2.5, 0.2], rtol=1e-14)


def test_creep_is_what_the_simulation_of_an_axis_comes_to() -> None:
    """Drive switched on: the implicit solver against the closed form. The angle is taken as linear
    within a step; halving the steps leaves a quarter of the error (Richardson)."""
    branches = power_law(0.05, 0.15, 0.02, 200.0, 3.0)
    axis = AxisModel(Elastic(0.9), after_effect=branches)
    coarse, errors = np.geomspace(1e-4, 60.0, 400), []
    middle = np.sqrt(coarse[1:] * coarse[:-1])
    fine = np.sort(np.concatenate([coarse, middle]))
    for t in (coarse, fine):
        step = np.concatenate([[1e-12], np.diff(t, prepend=0.0)])
        angle = axis.deflection(np.ones(step.size), step)[0][1:]
        errors.append((angle - branches.creep(t, 0.9))[np.searchsorted(t, coarse - 1e-12)])
    assert np.abs(errors[1]).max() < 2 / 3 * np.abs(errors[0] - errors[1]).max()
    assert np.abs(errors[1]).max() < 1e-5


def test_relaxation_is_the_torque_of_a_held_step() -> None:
    branches = power_law(0.3, 0.2, 0.01, 1e3, 4.0)
    t = np.geomspace(1e-3, 1e4, 30)
    step = np.concatenate([[1e-12], np.diff(t, prepend=0.0)])
    torque, _ = branches.torque(np.ones(step.size), step, branches.rest())
    # the step takes a picosecond, over which the fastest branch relaxes by half a part in 1e10
    np.testing.assert_allclose(torque[1:], branches.relaxation(t), atol=1e-10 * torque[0])


def test_derivatives_of_the_law_are_exact() -> None:
    """By a complex step (Squire & Trapp 1998): the formula itself, at complex parameters."""
    time_s = grid_s(0.03, 3e3, 4.0)
    stiffness, slope = power_law_stiffness(0.04, 0.25, time_s)
    cell = np.log10(time_s[1] / time_s[0])
    by_exponent = (0.04 * time_s ** -(0.25 + 1e-30j) * cell).imag / 1e-30
    np.testing.assert_allclose(slope[:, 0] * 0.04, stiffness, rtol=4 * EPS)
    np.testing.assert_allclose(slope[:, 1], by_exponent, rtol=1e-13)


def test_two_parameters_are_found_again_through_the_minimiser() -> None:
    """Self-recovery, of the derivatives and nothing else: the law's own relaxation, no noise."""
    time_s = grid_s(0.03, 3e3, 4.0)
    t = np.geomspace(0.1, 1e3, 50)
    decay = np.exp(-t[:, None] / time_s)

    def model(x, slopes):
        stiffness, by = power_law_stiffness(x[0], x[1], time_s)
        return decay @ stiffness, decay @ by if slopes else None

    found = minimise(
        model, np.array([0.2, 0.5]), power_law(0.04, 0.15, 0.03, 3e3, 4.0).relaxation(t),
        np.full(t.size, 1e-6), not_negative=np.ones(2, bool), upper=np.array([np.inf, 0.95]),
        enough=(1e-6, 0.0),
    )  # fmt: skip
    assert found.converged
    np.testing.assert_allclose(found.at, [0.04, 0.15], rtol=1e-4)


def test_a_law_without_exponent_has_equal_branches() -> None:
    branches = logarithmic(0.02, 0.1, 1e4, 3.0)
    np.testing.assert_allclose(branches.stiffness, 0.02 / 3.0, rtol=1e-13)
    assert branches.relaxation_time_s[[0, -1]] == pytest.approx([0.1, 1e4])
    assert strength_of(1.0, 0.5) == pytest.approx(np.log(10) / np.sqrt(np.pi))  # Γ(½) = √π


def test_what_is_no_law_is_refused() -> None:
    for bad in (
        lambda: power_law(-0.1, 0.2, 0.1, 10.0),
        lambda: power_law(0.1, 1.0, 0.1, 10.0),
        lambda: power_law(0.1, -0.1, 0.1, 10.0),
        lambda: power_law(0.1, 0.2, 10.0, 0.1),
        lambda: logarithmic(0.1, 0.0, 10.0),
        lambda: power_law_stiffness(0.1, 0.2, np.array([1.0])),
        lambda: logarithmic(0.1, 0.1, 10.0).creep(np.ones(1), 0.0),
    ):
        with pytest.raises(ValueError):
            bad()
