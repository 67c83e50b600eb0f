"""Loss factor from loop area, sin δ = W / (π F₀ x₀) (ISO 4664-1, from memory), in closed forms.

Standard linear solid, stop bank, Rayleigh's law and Bouc-Wen element: textbook forms, each
integrated here anew from its own branches. The trapezoidal rule of a closed curve of n points errs
by the order n⁻²; the bound beside each check is what halving n changes (Richardson), taken double.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from hysteresis.characteristics.loss import loop_area

N = 4000


def checked(loop: Callable[[int], tuple[np.ndarray, np.ndarray]], exact: float, what: str) -> float:
    """Area of a loop of N points against its closed form within the rule's own error."""
    fine, coarse = (loop_area(*loop(n))[0] for n in (N, N // 2))
    bound = max(2.0 * abs(fine - coarse), 1e-12 * abs(exact))
    print(f"{what}: W = {fine:.8g}, closed form {exact:.8g}, bound {bound:.1e}")
    assert fine == pytest.approx(exact, abs=bound)
    return fine


def test_standard_linear_solid() -> None:
    """W = π E″ ε₀² with E″ = E₁ ωτ/(1 + ω²τ²); E∞ = 1, E₁ = .25, τ = 2, ω = .7, ε₀ = .03:
    W = 3.343249e-4; sin δ by the area equals sin(atan(E″/E′))."""
    e0, e1, tau, omega, eps = 1.0, 0.25, 2.0, 0.7, 0.03
    x = omega * tau
    storage, loss = e0 + e1 * x**2 / (1 + x**2), e1 * x / (1 + x**2)

    def loop(n: int) -> tuple[np.ndarray, np.ndarray]:
        phase = 2 * np.pi * np.arange(n) / n
        return eps * (storage * np.sin(phase) + loss * np.cos(phase)), eps * np.sin(phase)

    exact = np.pi * loss * eps**2
    assert exact == pytest.approx(3.343249e-4, rel=1e-6)
    area = checked(loop, exact, "standard linear solid")
    force = eps * np.hypot(storage, loss)
    assert area / (np.pi * force * eps) == pytest.approx(
        np.sin(np.arctan(loss / storage)), rel=1e-5
    )


def branches(
    up: Callable[[np.ndarray], np.ndarray], amplitude: float
) -> Callable[[int], tuple[np.ndarray, np.ndarray]]:
    """A loop whose descending branch is the ascending one turned about the origin."""

    def loop(n: int) -> tuple[np.ndarray, np.ndarray]:
        x = np.linspace(-amplitude, amplitude, n // 2, endpoint=False)
        return np.concatenate([up(x), -up(x)]), np.concatenate([x, -x])

    return loop


def test_stop_bank() -> None:
    """W = Σ 4 k r (X − r)₊; k₀ = .5, k = (1, .6, .4, .3), r = (.1, .25, .5, .9), X = .8: 0.85.

    From the steady loop each stop goes from −r up with slope k until it slips at r.
    """
    k, r, top = np.array([1.0, 0.6, 0.4, 0.3]), np.array([0.1, 0.25, 0.5, 0.9]), 0.8

    def up(x: np.ndarray) -> np.ndarray:
        held = np.minimum(r, top)  # the last stop never slips: it is a spring
        return 0.5 * x + np.sum(k * np.minimum(x[:, None] + top - held, held), axis=1)

    exact = float(np.sum(4 * k * r * np.maximum(top - r, 0.0)))
    assert exact == pytest.approx(0.85, rel=1e-12)
    checked(branches(up, top), exact, "stop bank")


def test_rayleigh_law() -> None:
    """B = (μ + ν Ĥ) H ∓ (ν/2)(Ĥ² − H²) (IEC 60050-221, 221-03-32): W = 4/3 ν Ĥ³ = 4.1011 for
    ν = 1.4, Ĥ = 1.3."""
    mu, nu, top = 0.7, 1.4, 1.3

    def loop(n: int) -> tuple[np.ndarray, np.ndarray]:
        # the driven quantity is H and the answer B: −∮ B dH is the work
        h = np.linspace(-top, top, n // 2, endpoint=False)
        up = (mu + nu * top) * h - nu / 2 * (top**2 - h**2)
        return np.concatenate([h, -h]), np.concatenate([up, -up])

    checked(loop, 4.0 / 3.0 * nu * top**3, "Rayleigh")
    assert 4.0 / 3.0 * nu * top**3 == pytest.approx(4.10107, abs=5e-6)


@pytest.mark.parametrize(
    ("sigma", "largest", "area"),
    [(1.0, 0.744276867362, 0.719077108794), (0.75, 0.727365250649, 0.597136589978),
     (0.5, 0.703681068059, 0.441757235183)],
)  # fmt: skip
def test_bouc_wen(sigma: float, largest: float, area: float) -> None:
    """Limit cycle for n = 1, ρ = 1.2, X = .8: w_m and area in closed form (σ = 1: w_m = tanh(ρX),
    4 [X − tanh(ρX)/ρ]), and the equation itself integrated by SciPy over one cycle from −w_m."""
    rho, top = 1.2, 0.8
    if sigma == 1.0:
        assert largest == pytest.approx(np.tanh(rho * top), rel=1e-11)
        assert area == pytest.approx(4 * (top - np.tanh(rho * top) / rho), rel=1e-11)

    def rising(x: float, w: np.ndarray) -> np.ndarray:
        return rho * (1.0 - sigma * w + (sigma - 1.0) * np.abs(w))

    grid = np.linspace(-top, top, N // 2 + 1)
    answer = solve_ivp(rising, (-top, top), [-largest], t_eval=grid, rtol=1e-11, atol=1e-13)
    w = answer.y[0]
    assert w[-1] == pytest.approx(largest, abs=1e-8)
    torque, x = np.concatenate([w[:-1], -w[:-1]]), np.concatenate([grid[:-1], -grid[:-1]])
    fine, coarse = (loop_area(torque[::s], x[::s])[0] for s in (1, 2))
    print(f"Bouc-Wen sigma {sigma}: {fine:.8f}, closed form {area:.8f}")
    assert fine == pytest.approx(area, abs=max(2 * abs(fine - coarse), 1e-8))


def test_a_loop_run_the_other_way_gives_the_negative_and_order_of_axes_tells_which_lags() -> None:
    phase = np.linspace(0, 2 * np.pi, 1000, endpoint=False)
    force, way = np.sin(phase), np.sin(phase - 0.1)  # the deflection lags by 0.1 rad
    assert loop_area(force, way)[0] == pytest.approx(np.pi * np.sin(0.1), rel=1e-4)
    assert loop_area(force[::-1], way[::-1])[0] == pytest.approx(-np.pi * np.sin(0.1), rel=1e-4)
