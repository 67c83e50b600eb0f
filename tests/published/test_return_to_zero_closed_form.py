"""Return-to-zero error and loop loss of friction memory, in closed form.

Source: derived from Masing's rule (1926) for a bank of stops k₀, kᵢ, rᵢ with initial curve
g(x) = k₀ x + Σ kᵢ min(x, rᵢ):
  * torque back to zero after X: x_rem = X − 2 g⁻¹(g(X)/2);
  * loss of a loop ±X: W = Σ 4 kᵢ rᵢ (X − rᵢ)₊;
  * play form (weights wᵢ, thresholds ρᵢ of the drive), drive H and back:
    RTZ = Σ wᵢ min((H − ρᵢ)₊, ρᵢ) = h(H) − 2 h(H/2), h(H) = w₀ H + Σ wᵢ (H − ρᵢ)₊.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from hysteresis.axis import AxisModel
from hysteresis.operators.elastic import Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip

EPS = np.finfo(float).eps
K0, K, R = 0.5, np.array([1.0, 0.6, 0.4, 0.3]), np.array([0.1, 0.25, 0.5, 0.9])
X = 0.8
AXIS = AxisModel(Elastic(K0), friction=MaxwellSlip(R, K))


def g(x: float) -> float:
    return K0 * x + float(np.sum(K * np.minimum(x, R)))


def test_the_worked_example() -> None:
    """g(0.8) = 1.09 and x_rem = 0.305555… = 11/36, printed to as many digits as they have."""
    assert g(X) == pytest.approx(1.09, abs=1e-15)
    (held, left), _ = AXIS.deflection([1.09, 0.0], 1.0)
    print(f"held {held:.15f}, left {left:.15f} (closed form 0.8 and {11 / 36:.15f})")
    assert held == pytest.approx(0.8, abs=4 * EPS)
    assert left == pytest.approx(11 / 36, abs=4 * EPS)


@pytest.mark.parametrize("size", [0.05, 0.1, 0.15, 0.2, 0.3, 0.45, 0.7, 0.95, 1.3, 2.0])
def test_angle_left_after_torque_returns_to_zero(size: float) -> None:
    half = brentq(lambda x: g(x) - g(size) / 2, 0.0, size, xtol=1e-15, rtol=4 * EPS)
    wanted = size - 2 * half
    for sign in (1.0, -1.0):
        for samples in (1, 50):  # one jump, or many small steps: friction does not know time
            up = g(size) * np.arange(1, samples + 1) / samples
            path = sign * np.concatenate([up, up[::-1][1:], [0.0]])
            theta, _ = AXIS.deflection(path, 0.1)
            assert theta[samples - 1] == pytest.approx(sign * size, abs=200 * EPS)
            assert theta[-1] == pytest.approx(sign * wanted, abs=200 * EPS)


def test_nothing_is_left_below_the_first_knee() -> None:
    (_, left), _ = AXIS.deflection([g(0.1), 0.0], 1.0)
    assert left == pytest.approx(0.0, abs=4 * EPS)


def test_loop_loss() -> None:
    """0.8500 for the example; the trapezoidal rule is exact, as every knee (X − 2 rᵢ and its
    mirror image) lies on the grid of 0.05."""
    closed = float(np.sum(4 * K * R * np.maximum(X - R, 0.0)))
    assert closed == pytest.approx(0.85, abs=1e-15)
    up, down = np.arange(-15, 17), np.arange(15, -17, -1)
    theta = 0.05 * np.concatenate([np.arange(17), down, up, down, up])
    torque, _ = AXIS.drive(theta, 1.0)
    loop = slice(16, 16 + 65)  # from the first +X once round
    x, f = theta[loop], torque[loop]
    assert x[0] == x[-1] == pytest.approx(X)
    assert f[0] == pytest.approx(f[-1], abs=100 * EPS)
    loss = np.trapezoid(f, x)
    print(f"loss {loss:.15f} (closed form 0.85)")
    assert loss == pytest.approx(closed, abs=200 * EPS)


def test_work_of_the_friction_alone_is_the_whole_loss() -> None:
    """The elastic part gives its work back: the same loss for any k₀."""
    theta = np.concatenate([np.linspace(0, X, 801), np.linspace(X, -X, 1601)[1:],
                            np.linspace(-X, X, 1601)[1:]])  # fmt: skip
    for stiffness in (0.2, 3.0):
        axis = AxisModel(Elastic(stiffness), friction=AXIS.friction)
        torque, _ = axis.drive(theta, 1.0)
        loop = slice(800, None)
        assert np.trapezoid(torque[loop], theta[loop]) == pytest.approx(0.85, abs=1e-11)


def play_axis(w: np.ndarray, rho: np.ndarray) -> AxisModel:
    """The axis that moves as w₀ u + Σ wᵢ play(ρᵢ): Kuhnen's rule (see test_kuhnen_inverse)."""
    total = np.cumsum(w)
    k = w[1:] / (total[1:] * total[:-1])
    limit = np.array(
        [sum(w[j] * (rho[i] - rho[j]) for j in range(i + 1)) for i in range(1, w.size)]
    )
    return AxisModel(Elastic(1 / w[0] - k.sum()), friction=MaxwellSlip(limit, k))


W, RHO = np.array([1.0, 0.2, 0.15, 0.1]), np.array([0.0, 0.1, 0.3, 0.7])


@pytest.mark.parametrize("drive", [0.05, 0.1, 0.17, 0.2, 0.3, 0.5, 0.6, 0.9, 1.4, 2.0])
def test_return_to_zero_of_the_play_form(drive: float) -> None:
    """Drive H and back to zero, from rest; knees at ρᵢ and 2 ρᵢ."""
    axis = play_axis(W, RHO)
    (held, left), _ = axis.deflection([drive, 0.0], 1.0)
    h = lambda u: float(W @ np.maximum(u - RHO, 0.0))  # noqa: E731
    closed = float(np.sum(W[1:] * np.minimum(np.maximum(drive - RHO[1:], 0.0), RHO[1:])))
    assert h(drive) - 2 * h(drive / 2) == pytest.approx(closed, abs=4 * EPS)
    assert held == pytest.approx(h(drive), abs=20 * EPS)
    assert left == pytest.approx(closed, abs=20 * EPS)


def test_return_to_zero_says_nothing_of_the_linear_gain() -> None:
    """A consequence of the closed form: w₀ cancels; and it saturates at Σ wᵢ ρᵢ."""
    for drive in (0.25, 0.8, 5.0):
        left = []
        for gain in (0.5, 1.0, 2.0):
            axis = play_axis(np.array([gain, *W[1:]]), RHO)
            left.append(axis.deflection([drive, 0.0], 1.0)[0][-1])
        np.testing.assert_allclose(left, left[0], rtol=0, atol=50 * EPS)
    assert left[0] == pytest.approx(float(W @ RHO), abs=50 * EPS)
