"""Branches by a law against the power law itself: gamma function, Mittag-Leffler function.

Sources, from memory: J. D. Ferry, Viscoelastic Properties of Polymers (spectra); R. L. Bagley &
P. J. Torvik (1983) and F. Mainardi, Fractional Calculus and Waves in Linear Viscoelasticity
(power-law element, modulus η t^(−p) / Γ(1−p), and its creep); R. Gorenflo & F. Mainardi (1997)
for the integral of the Mittag-Leffler function. The functions are SciPy's.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import erfcx, gamma, gammaincc

from hysteresis.operators.after_effect import (
    AfterEffect,
    beyond_spring,
    logarithmic,
    power_law,
    ripple,
    strength_of,
)

LN10 = np.log(10.0)
SHORT_S, LONG_S, PER_DECADE = 1e-14, 1e12, 5.0
T = np.geomspace(1e-3, 1e3, 37)
EXPONENTS = (0.05, 0.2, 0.35, 0.5)


def element(eta: float, p: float) -> tuple[AfterEffect, float]:
    """Branches of the power-law element, and the spring that stands for slower ones."""
    strength = strength_of(eta / gamma(1 - p), p)
    branches = power_law(strength, p, SHORT_S, LONG_S, PER_DECADE)
    return branches, beyond_spring(strength, p, branches.relaxation_time_s)


def share_missed(p: float, t: np.ndarray) -> np.ndarray:
    """Bound of the relative error of the modulus: ripple of the grid, slower branches that are
    no spring (they relax by t/τ), faster ones that are left out, the width of the last cell."""
    cell = LN10 / PER_DECADE
    slow = (t / LONG_S) ** (1 + p) / (1 + p) / gamma(p)
    # of fast branches an impulse Σ k τ is missing, which acts at t like a delay
    fast = (SHORT_S / t) ** (1 - p) / (1 - p) / gamma(p)
    last_cell = (t / LONG_S) ** p / (p * gamma(p)) * (p * cell) ** 2 / 20
    return ripple(p, PER_DECADE) + slow + fast + last_cell


@pytest.mark.parametrize("p", EXPONENTS)
def test_relaxation_is_the_power_law(p: float) -> None:
    """η t^(−p) / Γ(1−p), over six decades of time."""
    branches, spring = element(2.0, p)
    modulus = 2.0 * T**-p / gamma(1 - p)
    error = np.abs(branches.relaxation(T) + spring - modulus) / modulus
    print(f"p {p}: {error.max():.1e}, bound {share_missed(p, T).min():.1e}")
    assert (error <= share_missed(p, T) + 1e-14).all()


@pytest.mark.parametrize("per_decade", [1.0, 1.5, 2.0, 3.0])
def test_the_ripple_of_a_coarse_grid_is_as_foretold(per_decade: float) -> None:
    """2 |Γ(p + 2πi/h)| / Γ(p), not more and hardly less."""
    p = 0.3
    branches = power_law(1.0, p, 1e-10, 1e16, per_decade)
    spring = beyond_spring(1.0, p, branches.relaxation_time_s)
    t = np.geomspace(1.0, 1e3, 400)
    modulus = gamma(p) / LN10 * t**-p
    # the last cell's width, (p h)²/24 of the spring, is no ripple
    width = (p * LN10 / per_decade / 2) / np.sinh(p * LN10 / per_decade / 2)
    error = np.abs(branches.relaxation(t) + spring * width - modulus) / modulus
    print(f"{per_decade} per decade: {error.max():.3e}, foretold {ripple(p, per_decade):.3e}")
    assert 0.9 * ripple(p, per_decade) < error.max() < 1.001 * ripple(p, per_decade) + 1e-5


def test_ends_of_the_spectrum_are_incomplete_gamma_functions() -> None:
    """Without the spring: what is slower than the last cell is missing, exactly
    `Γ(p) t^(−p) P(p, t/τ)` per ln 10."""
    p, longest = 0.25, 1e3
    branches = power_law(1.0, p, 1e-20, longest, 8.0)
    edge = longest * 10 ** (0.5 / 8.0)
    t = np.geomspace(1.0, 30.0, 20)
    wanted = gamma(p) / LN10 * t**-p * gammaincc(p, t / edge)
    # cells of the trapezoidal rule against the integral's sharp end: h²/24 times the slope there
    cell = LN10 / 8.0
    slope = edge**-p * (p + t / edge) * np.exp(-t / edge) / LN10
    allowed = cell**2 / 20 * slope + (ripple(p, 8.0) + 1e-12) * wanted
    np.testing.assert_array_less(np.abs(branches.relaxation(t) - wanted), allowed)


@pytest.mark.parametrize("p", EXPONENTS)
def test_creep_of_the_element_alone(p: float) -> None:
    """t^p / (η Γ(1+p)): with the modulus it makes ∫ G(t−s) J(s) ds = t."""
    branches, spring = element(2.0, p)
    wanted = T**p / (2.0 * gamma(1 + p))
    error = np.abs(branches.creep(T, spring) - wanted) / wanted
    print(f"p {p}: {error.max():.1e}")
    assert (error <= share_missed(p, T) + 1e-12).all()


def mittag_leffler(p: float, x: float) -> float:
    """E_p(−x) for 0 < p < 1, x > 0: ∫ e^(−r t) K(r) dr with t = x^(1/p) and
    K = sin(pπ)/π · r^(p−1) / (r^(2p) + 2 r^p cos(pπ) + 1), here over ln r."""
    t = x ** (1 / p)

    def kernel(u: float) -> float:
        power = np.exp(p * u)
        return np.exp(-np.exp(u) * t) * power / (power**2 + 2 * power * np.cos(p * np.pi) + 1)

    turn = -np.log(t)
    ends = (turn - 40 / p, turn - 5.0, turn + 4.0)
    parts = [quad(kernel, a, b, epsabs=1e-14, epsrel=1e-12, limit=400)[0]
             for a, b in pairwise(ends)]  # fmt: skip
    return float(np.sin(p * np.pi) / np.pi * sum(parts))


def test_the_mittag_leffler_integral_itself() -> None:
    """E_½(−x) = e^(x²) erfc(x), and the series for small x."""
    for x in (0.01, 0.3, 1.0, 4.0):
        assert mittag_leffler(0.5, x) == pytest.approx(float(erfcx(x)), abs=1e-11)
        series = sum((-min(x, 0.3)) ** k / gamma(0.2 * k + 1) for k in range(80))
        assert mittag_leffler(0.2, min(x, 0.3)) == pytest.approx(float(series), abs=1e-11)


@pytest.mark.parametrize("p", EXPONENTS)
def test_creep_of_a_spring_beside_the_element(p: float) -> None:
    """J = (1 − E_p(−(t/τ)^p)) / E, τ^p = η/E: fractional Kelvin-Voigt solid, as one mirror on a
    fibre that creeps by a power law."""
    stiffness, eta = 1.0, 0.3
    branches, beyond = element(eta, p)
    wanted = np.array([1 - mittag_leffler(p, stiffness / eta * t**p) for t in T]) / stiffness
    error = np.abs(branches.creep(T, stiffness + beyond) - wanted) / wanted
    print(f"p {p}: {error.max():.1e}")
    # the element's share of the whole is below one, and so is what its error does
    assert (error <= share_missed(p, T) + 1e-10).all()


@pytest.mark.parametrize("p", EXPONENTS)
def test_loss_factor_does_not_depend_on_frequency(p: float) -> None:
    """tan δ = tan(pπ/2), storage η ω^p cos(pπ/2)."""
    branches, spring = element(2.0, p)
    omega = 1 / T
    storage, loss = branches.moduli(omega)
    missed = share_missed(p, T)
    np.testing.assert_array_less(
        np.abs((storage + spring) / (2.0 * omega**p * np.cos(p * np.pi / 2)) - 1), missed + 1e-12
    )
    # the loss part is smaller than the whole by sin(pπ/2)
    np.testing.assert_array_less(
        np.abs(loss / (2.0 * omega**p * np.sin(p * np.pi / 2)) - 1),
        missed / np.sin(p * np.pi / 2) + 1e-12,
    )


def test_creep_in_logarithmic_time_leaves_what_boltzmann_says() -> None:
    """Held for T, back at zero for t: `C log10((t+T)/t)`; 2.0828 %, 3.5707 %, 1.6902 % of C = 2 %
    for (T, t) = (10, 1), (60, 1), (60, 10) s, and it depends on T/t only."""
    branches = logarithmic(0.02, 1e-6, 1e8, 4.0)
    cases = ((10, 1, 2.0828), (60, 1, 3.5707), (60, 10, 1.6902), (600, 60, 2.0828))
    for hold, wait, figure in cases:
        soon, late = branches.relaxation(np.array([wait, wait + hold], dtype=float))
        wanted = 0.02 * np.log10((wait + hold) / wait)
        assert 100 * wanted == pytest.approx(figure, abs=5e-5)
        # ripple at both times; ends of the spectrum: t/τ of a cell
        allowed = 2 * 0.02 / LN10 * ripple(0.0, 4.0) + 0.02 * (wait + hold) / 1e8
        assert soon - late == pytest.approx(wanted, abs=allowed)
