"""AC coupling: the drive chain against the textbook and against SciPy.

Sources: the first-order high pass v' = u' − v/τ, τ = 1/(2π f_c) (textbook, from memory): droop
1 − e^(−T/τ) of a hold T, undershoot −(1 − e^(−T/τ)) e^(−t/τ) after the return to zero, inverse
u = v + (1/τ) ∫v dt, magnitude 1/√2 and phase 45° at the corner. scipy.signal and scipy.linalg solve
the same equation by ways of their own: `lsim` and `cont2discrete` by first-order hold, `expm` of
the augmented state matrix, `freqs` for the response.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import linalg, signal

from hysteresis.operators.drive_chain import DriveChain

EPS = np.finfo(float).eps
JUMP_S = 1e-12  # a jump of the drive takes this long: it droops by JUMP_S/(2 τ) meanwhile


def coupled(corner_hz: float) -> DriveChain:
    return DriveChain(droop_per_s=2 * np.pi * corner_hz)


@pytest.mark.parametrize(
    ("corner_hz", "hold_s", "droop"), [(20.0, 1e-3, 0.118089), (0.5, 0.1, 0.269597)]
)
def test_droop_and_undershoot(corner_hz: float, hold_s: float, droop: float) -> None:
    """Figures to six digits; the whole course to the droop within the two jumps and rounding."""
    chain, rate = coupled(corner_hz), 2 * np.pi * corner_hz
    n = 400
    drive = np.concatenate([np.full(n + 1, 0.8), np.zeros(2 * n + 1)])
    step = np.concatenate([[JUMP_S], np.full(n, hold_s / n), [JUMP_S], np.full(2 * n, hold_s / n)])
    v, _ = chain.forward(drive, step)
    bound = 0.8 * (rate * JUMP_S + 8 * v.size * EPS)
    t = hold_s / n * np.arange(n + 1)
    np.testing.assert_allclose(v[: n + 1], 0.8 * np.exp(-rate * t), rtol=0, atol=bound)
    t = hold_s / n * np.arange(2 * n + 1)
    undershoot = 0.8 * np.expm1(-rate * hold_s) * np.exp(-rate * t)
    np.testing.assert_allclose(v[n + 1 :], undershoot, rtol=0, atol=bound)
    print(f"f_c {corner_hz} Hz, T {hold_s} s: droop {1 - v[n] / v[0]:.6f}")
    assert 1 - v[n] / v[0] == pytest.approx(droop, abs=5e-7)
    assert -v[n + 1] / v[0] == pytest.approx(droop, abs=5e-7)


def test_a_held_torque_wants_a_rising_drive() -> None:
    """u = v + (1/τ)∫v dt. For a hold the drive is a straight line and the formula is exact; for a
    sine the integral is taken by trapezoids, with their textbook error h³/12 max|v''| a step."""
    chain = coupled(0.5)
    d, h, n = chain.droop_per_s, 1e-3, 3000
    held = np.full(n, 0.3)
    u, _ = chain.inverse(held, np.concatenate([[JUMP_S], np.full(n - 1, h)]))
    t = h * np.arange(n)
    np.testing.assert_allclose(
        u, 0.3 * (1 + d * t), rtol=0, atol=0.3 * (d * JUMP_S + 8 * n * EPS * (1 + d * t[-1]))
    )
    v = 0.3 * np.sin(2 * np.pi * 1.7 * t)
    u, _ = chain.inverse(v, h)
    area = np.cumsum(h * 0.5 * (v + np.concatenate([[0.0], v[:-1]])))
    speed = np.abs(np.diff(u)).max() / h
    # where the drive is straight, v'' = −d v' and v' = u' − d v
    bound = n * d * h**3 / 12 * d * (speed + d * 0.3)
    assert bound < 2e-4
    np.testing.assert_allclose(u, v + d * area, rtol=0, atol=bound)


@pytest.mark.parametrize("corner_hz", [0.005, 0.5, 20.0])
def test_against_lsim(corner_hz: float) -> None:
    """s/(s + d) under a random drive of straight pieces, even steps: both are exact there."""
    rng = np.random.default_rng(5)
    chain, h, n = coupled(corner_hz), 1e-3, 4000
    drive = np.interp(np.arange(n + 1), np.arange(0, n + 1, 40), rng.uniform(-1, 1, n // 40 + 1))
    drive[0] = 0.0
    v, _ = chain.forward(drive[1:], h)
    system = signal.lti([1.0, 0.0], [1.0, chain.droop_per_s])
    _, wanted, _ = signal.lsim(system, drive, h * np.arange(n + 1))
    # lsim's state is u − v in other units, ∫ of size u/d, rounded once a step; ours is u − v
    np.testing.assert_allclose(v, wanted[1:], rtol=0, atol=8 * n * EPS)


def test_against_cont2discrete() -> None:
    """The recursion's own two numbers: the first-order hold of scipy.signal.cont2discrete."""
    h = 2e-3
    for corner_hz in (0.02, 0.5, 20.0, 300.0):
        chain = coupled(corner_hz)
        numerator, denominator, _ = signal.cont2discrete(
            ([1.0, 0.0], [1.0, chain.droop_per_s]), h, method="foh"
        )
        impulse = np.zeros(400)
        impulse[0] = 1.0
        v, _ = chain.forward(impulse, h)
        wanted = signal.lfilter(numerator.ravel(), denominator, impulse)
        np.testing.assert_allclose(v, wanted, rtol=0, atol=8 * impulse.size * EPS)


def test_uneven_steps_against_the_matrix_exponential() -> None:
    """(v, slope of u)' = [[−d, 1], [0, 0]] (v, slope), propagated by scipy.linalg.expm."""
    rng = np.random.default_rng(11)
    chain, n = coupled(0.5), 300
    drive, step = rng.uniform(-1, 1, n), 10.0 ** rng.uniform(-5, 0.5, n)
    v, state = chain.forward(drive, step)
    wanted, before, value = np.empty(n), 0.0, 0.0
    for k in range(n):
        turn = linalg.expm(step[k] * np.array([[-chain.droop_per_s, 1.0], [0.0, 0.0]]))
        value = turn[0, 0] * value + turn[0, 1] * (drive[k] - before) / step[k]
        wanted[k], before = value, drive[k]
    # expm is backward stable: its error is some ten EPS times the norm of what it exponentiates
    size = 1 + chain.droop_per_s * step.max() + step.max()
    np.testing.assert_allclose(v, wanted, rtol=0, atol=n * 10 * EPS * size)
    np.testing.assert_array_equal(state, [drive[-1], v[-1], v[-1]])


@pytest.mark.parametrize("ratio", [0.1, 0.5, 1.0, 2.0, 10.0])
def test_magnitude_and_phase_against_freqs(ratio: float) -> None:
    """A sine at `ratio` of the corner, its transient gone, by projection over whole periods."""
    chain, per_period = coupled(0.5), 2000
    frequency = ratio * 0.5
    rest = int(np.ceil(36.0 / (2 * np.pi) * ratio))  # periods until e^(−d t) < 2.4e-16
    angle = 2 * np.pi * np.arange(1, per_period * (rest + 2) + 1) / per_period
    v, _ = chain.forward(np.sin(angle), 1 / (frequency * per_period))
    tail = slice(-2 * per_period, None)
    got = 2j * np.mean(v[tail] * np.exp(-1j * angle[tail]))
    _, wanted = signal.freqs([1.0, 0.0], [1.0, chain.droop_per_s], [2 * np.pi * frequency])
    # a sine lies within (ω h)²/8 of its chords; a high pass, δ(t) − d e^(−d t), at most doubles
    # what is bounded, and so does the projection
    bound = 4 * (2 * np.pi / per_period) ** 2 / 8 + 8 * v.size * EPS
    print(f"{ratio} corner: |v/u| {abs(got):.6f}, {np.degrees(np.angle(got)):.4f} degrees")
    assert abs(got - wanted[0]) < bound
    if ratio == 1.0:
        assert abs(got) == pytest.approx(np.sqrt(0.5), abs=bound)
        assert np.angle(got) == pytest.approx(np.pi / 4, abs=1.5 * bound)


def test_the_undershoot_gives_back_the_area() -> None:
    """A high pass has no gain at frequency zero, so ∫v dt of a drive that returns to zero is zero
    (final value theorem); until then d ∫v dt is the charge left on the capacitor, u − v."""
    chain = coupled(0.5)
    d, h = chain.droop_per_s, 1e-3
    t = h * np.arange(1, 8001)
    drive = np.interp(t, [0, 0.1, 0.9, 1.2, 1.3, 8.0], [0, 0.8, 0.8, -0.1, 0, 0])
    v, state = chain.forward(drive, h)
    area = h * (np.sum(v) - 0.5 * v[-1])
    # trapezoids against the true area: h²/12 ∫|v''|, v'' = −d v' on a step, kinks lie on samples
    bound = h**2 / 12 * d * np.sum(np.abs(np.diff(v, prepend=0.0))) + 8 * v.size * EPS
    assert area * d == pytest.approx(state[0] - state[1], abs=d * bound)
    assert abs(area) < abs(v[-1]) / d + bound < 1e-6
    assert h * np.sum(np.abs(v)) > 0.3  # there was something to give back
