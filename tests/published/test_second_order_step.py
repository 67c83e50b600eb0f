"""Inertia and damping: the step response of a second-order system.

Sources: textbook formulas (K. Ogata, Modern Control Engineering, from memory): overshoot
exp(−πζ/√(1−ζ²)) at t_p = π/ω_d, settled within ±2 % after about 4/(ζω_n); and scipy.signal, which
solves the same system by the matrix exponential.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from hysteresis.axis import AxisModel
from hysteresis.operators.elastic import Dynamics, Elastic

STIFFNESS, RESONANCE_HZ = 1.3, 35.0


def rig(ratio: float) -> AxisModel:
    omega = 2 * np.pi * RESONANCE_HZ
    inertia = STIFFNESS / omega**2
    return AxisModel(
        Elastic(STIFFNESS), dynamics=Dynamics(2 * ratio * np.sqrt(STIFFNESS * inertia), inertia)
    )


def step_response(axis: AxisModel, step_s: float, end_s: float) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(1, round(end_s / step_s) + 1) * step_s
    return t, axis.deflection(np.ones(t.size), step_s)[0]


def peak(t: np.ndarray, value: np.ndarray) -> tuple[float, float]:
    """Place and height of the first maximum, by a parabola through three samples."""
    n = int(np.flatnonzero(np.diff(value) < 0)[0])
    left, mid, right = value[n - 1 : n + 2]
    shift = 0.5 * (left - right) / (left - 2 * mid + right)
    return t[n] + shift * (t[1] - t[0]), mid - 0.25 * (left - right) * shift


def test_resonance_and_damping_ratio_are_what_they_say() -> None:
    axis = rig(0.07)
    assert axis.dynamics.resonance_hz(STIFFNESS) == pytest.approx(RESONANCE_HZ, rel=1e-14)
    assert axis.dynamics.damping_ratio(STIFFNESS) == pytest.approx(0.07, rel=1e-14)
    assert Dynamics().resonance_hz(1.0) == np.inf
    assert np.isnan(Dynamics().damping_ratio(1.0))


@pytest.mark.parametrize(("ratio", "overshoot"), [(0.05, 0.854468), (0.2, 0.526621)])
def test_overshoot_and_peak_time(ratio: float, overshoot: float) -> None:
    """Bounds: a second-order method errs by a third of what halving the step changes (Richardson),
    taken double."""
    omega = 2 * np.pi * RESONANCE_HZ
    damped = omega * np.sqrt(1 - ratio**2)
    assert np.exp(-np.pi * ratio / np.sqrt(1 - ratio**2)) == pytest.approx(overshoot, abs=5e-7)
    at, high = zip(*(peak(*step_response(rig(ratio), h, 0.03)) for h in (1e-5, 5e-6)), strict=True)
    high = np.array(high) * STIFFNESS - 1
    bound_at, bound_high = (2 / 3 * abs(np.diff(v)[0]) for v in (at, high))
    print(f"ζ {ratio}: overshoot {high[1]:.6f} (formula {overshoot}), bound {bound_high:.1e}; "
          f"peak at {at[1] * 1e3:.5f} ms (formula {np.pi / damped * 1e3:.5f})")  # fmt: skip
    assert bound_high < 1e-5
    assert bound_at < 1e-7
    assert high[1] == pytest.approx(overshoot, abs=bound_high + 5e-7)
    assert at[1] == pytest.approx(np.pi / damped, abs=bound_at)


@pytest.mark.parametrize("ratio", [0.01, 0.05, 0.2, 0.7, 1.0, 3.0])
def test_step_response_against_scipy(ratio: float) -> None:
    """scipy.signal.step, whole curves; second order in the step."""
    axis = rig(ratio)
    d = axis.dynamics
    system = signal.lti([1.0], [d.inertia_s2, d.damping_s, STIFFNESS])
    runs = {}
    for h in (2e-5, 1e-5):
        t, runs[h] = step_response(axis, h, 0.1)
    exact = signal.step(system, T=np.concatenate(([0.0], t)))[1][1:]
    coarse = np.abs(runs[2e-5] - exact[1::2]).max()
    fine = np.abs(runs[1e-5] - exact).max()
    bound = 2 / 3 * np.abs(runs[2e-5] - runs[1e-5][1::2]).max()
    assert bound < 2e-4
    assert fine <= bound
    assert 3.5 < coarse / fine < 4.5


def test_a_driven_resonance_against_scipy() -> None:
    """scipy.signal.lsim under a chirp given as straight pieces, which lsim solves exactly."""
    axis = rig(0.06)
    d = axis.dynamics
    system = signal.lti([1.0], [d.inertia_s2, d.damping_s, STIFFNESS])
    coarse_t = np.arange(0, 5001) * 1e-4
    drive = 0.5 * signal.chirp(coarse_t, 5.0, coarse_t[-1], 80.0) * np.minimum(coarse_t / 0.05, 1)
    exact = signal.lsim(system, drive, coarse_t)[1]
    errors, runs = [], []
    for split in (4, 8):
        t = np.arange(1, 5000 * split + 1) * (1e-4 / split)
        theta, _ = axis.deflection(np.interp(t, coarse_t, drive), 1e-4 / split)
        runs.append(theta[split - 1 :: split])
        errors.append(np.abs(runs[-1] - exact[1:]).max())
    bound = 2 / 3 * np.abs(runs[0] - runs[1]).max()
    assert bound < 1e-4 * np.abs(exact).max() * 10
    assert errors[1] <= bound
    assert 3.5 < errors[0] / errors[1] < 4.5


def test_settling_time() -> None:
    """Within ±2 % after about 4/(ζω_n), as the envelope e^(−ζω_n t)/√(1−ζ²) says."""
    ratio = 0.1
    t, theta = step_response(rig(ratio), 2e-5, 0.4)
    outside = np.flatnonzero(np.abs(theta * STIFFNESS - 1) > 0.02)
    settled = t[outside[-1] + 1]
    omega = 2 * np.pi * RESONANCE_HZ
    latest = -np.log(0.02 * np.sqrt(1 - ratio**2)) / (ratio * omega)
    half_period = np.pi / (omega * np.sqrt(1 - ratio**2))
    assert latest - half_period <= settled <= latest
    assert latest == pytest.approx(4 / (ratio * omega), rel=0.03)


def test_pre_distortion_moves_without_ringing() -> None:
    """The drive of a smooth move, played into SciPy's rig: the angle follows the wanted path."""
    axis = rig(0.03)
    d = axis.dynamics
    step_s = 2e-5
    t = np.arange(0, 5001) * step_s
    shape = np.polynomial.Polynomial([0, 0, 0, 0, 35, -84, 70, -20])  # flat to the third derivative
    part = np.clip((t - 0.01) / 0.04, 0, 1)
    wanted = 0.6 * shape(part)
    drive, _ = axis.drive(wanted[1:], step_s)
    system = signal.lti([1.0], [d.inertia_s2, d.damping_s, STIFFNESS])
    played = signal.lsim(system, np.concatenate(([0.0], drive)), t)[1]
    plain = signal.lsim(system, wanted * STIFFNESS, t)[1]
    # BDF2's velocity errs by h² θ‴/3 and its acceleration by 2/3 h² θ⁗ (Taylor); ringing at most
    # doubles what a disturbance of the drive does
    third, fourth = (0.6 * np.abs(shape.deriv(n)(part)).max() / 0.04**n for n in (3, 4))
    bound = 2 * step_s**2 * (d.damping_s * third / 3 + d.inertia_s2 * fourth * 2 / 3) / STIFFNESS
    assert bound < 1e-4
    assert np.abs(played - wanted).max() <= bound
    assert np.abs(plain - wanted).max() > 100 * bound
