"""Spectra on a grid: exact identities of the result, and what smoothness does."""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.fit.spectrum import KelvinSpectrum, kelvin_spectrum, prony_spectrum
from hysteresis.operators.after_effect import power_law

T = np.geomspace(0.05, 500.0, 120)


def test_what_is_left_and_what_came_back_make_up_the_creep() -> None:
    """J(T) = left + recovered, and left = J(t+T) − J(t) (Boltzmann), to rounding."""
    solid = KelvinSpectrum(np.array([0.3, 4.0, 90.0]), np.array([0.1, 0.2, 0.05]), 0.7, 1e-3)
    hold_s = 37.0
    left, back = solid.left(T, hold_s), solid.recovered(T, hold_s)
    np.testing.assert_allclose(left + back, solid.creep(np.array(hold_s)), rtol=1e-14)
    np.testing.assert_allclose(left, solid.creep(T + hold_s) - solid.creep(T), atol=1e-14)
    assert solid.left(np.array(1e9), hold_s) == pytest.approx(1e-3 * hold_s)  # flow stays


def test_a_creep_curve_on_its_own_times_gives_the_modes_back() -> None:
    """Branches beside a spring creep exactly by the modes of `retardation` (self-recovery)."""
    branches = power_law(0.1, 0.2, 0.1, 100.0, 2.0)
    time_s, compliance = branches.retardation(0.8)
    found = kelvin_spectrum(T, branches.creep(T, 0.8), time_s)
    assert found.flow_per_s == 0.0
    # seven neighbouring exponentials: rounding times the condition of the columns
    columns = np.column_stack([1 - np.exp(-T[:, None] / time_s), np.ones_like(T)])
    error = 100 * np.finfo(float).eps * np.linalg.cond(columns)
    np.testing.assert_allclose(found.compliance, compliance, atol=error)
    assert found.at_once == pytest.approx(1 / (0.8 + branches.stiffness.sum()), abs=error)


def test_smoothness_links_neighbours_and_costs_fit() -> None:
    rng = np.random.default_rng(4)
    truth = power_law(0.1, 0.2, 0.1, 1e3, 4.0)
    readings = truth.relaxation(T) + 1e-3 * rng.standard_normal(T.size)
    grid = np.geomspace(0.1, 1e3, 33)
    fits = [
        prony_spectrum(T, readings, grid, sigma=1e-3, smoothness=s) for s in (0.0, 0.3, 3.0, 1e5)
    ]
    square = [float(np.sum((f.relaxation(T) - readings) ** 2)) for f in fits]
    bend = [float(np.abs(np.diff(f.modulus, 2)).max()) for f in fits]
    assert (np.diff(square) >= 0).all() and (np.diff(bend) <= 0).all()
    assert bend[-1] < 1e-6  # a straight line in the end
    # and a little of it comes nearer to the truth between the readings, where noise was fitted
    t = np.geomspace(0.05, 500.0, 1000)
    error = [float(np.sqrt(np.mean((f.relaxation(t) - truth.relaxation(t)) ** 2))) for f in fits]
    assert error[1] < error[0]


def test_what_does_not_go_together_is_refused() -> None:
    grid = np.array([1.0, 10.0])
    for bad in (
        {"sigma": 0.0},
        {"smoothness": -1.0},
        {"times_s": np.zeros(0)},
        {"modulus": np.ones(3)},
    ):
        with pytest.raises(ValueError):
            prony_spectrum(**{"t_s": T, "modulus": np.ones_like(T), "times_s": grid, **bad})
