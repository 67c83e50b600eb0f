"""The bench's integrator against an independent solver, textbook formulas and its own step."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.signal import find_peaks

from hysteresis.virtual_bench import SUSPENSIONS, make_rig, play
from hysteresis.virtual_bench.integrator import COIL_K, SUSPENSION_K, advance, fresh_state
from hysteresis.virtual_bench.rig import branch_steps, constants_of

BARE = replace(
    SUSPENSIONS["braided-thread"],
    friction_stiffness=0.0,
    after_effect_per_decade=0.0,
    stiffness_per_k=0.0,
    uneven=0.0,
    stiffening=0.0,
)
"""A plain linear oscillator: textbook formulas hold for it exactly."""


def _smooth_drive(end_s: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    t = np.arange(0.0, end_s + 5e-4, 1e-3)
    u = 0.5 * np.sin(2 * np.pi * 1.3 * t) + 0.3 * np.sin(2 * np.pi * 3.1 * t) * t / end_s
    return t, u, -0.7 * u


def _without_heat(rig):
    return replace(
        rig, axes=tuple(replace(a, stiffness_per_k=0.0, zero_per_k=0.0) for a in rig.axes)
    )


def test_same_answer_as_an_independent_solver(bench):
    """The equations of the module's head, written again here, solved by scipy's DOP853.

    The bound is the integrator's own error, by Richardson from its step and half of it (a
    second-order method errs by 4/3 of the difference), with room for one half more.
    """
    rig = _without_heat(make_rig(bench, "braided-thread", 4))
    t, ux, uy = _smooth_drive(0.6)
    coarse, fine = (
        play(rig, t, ux, uy, history="rested", longest_step_s=h).theta_x for h in (2e-4, 1e-4)
    )
    axis = rig.axes[0]
    n = len(axis.slip_low)

    def slope(time, y):
        theta, omega, z, q = y[0], y[1], y[2 : 2 + n], y[2 + n :]
        limit = np.where(z > 0, axis.slip_high, axis.slip_low)
        z_slope = omega * (1 - 0.5 * (1 + np.sign(omega * z)) * np.abs(z / limit) ** 4)
        q_slope = axis.branch_stiffness * omega - q / axis.relaxation_s
        spring = theta + axis.uneven * theta**2 + axis.stiffening * theta**3
        torque = spring + axis.slip_stiffness @ z + q.sum()
        push = axis.gain * np.interp(time, t, ux) + axis.offset
        return np.concatenate(
            ([omega, (push - axis.damping * omega - torque) / axis.inertia], z_slope, q_slope)
        )

    start = np.zeros(2 + n + len(axis.relaxation_s))
    # the rig was played from 2 s of rest: its small offset has settled by then
    rest = solve_ivp(lambda s, y: slope(-1.0, y), (0, 2), start, "DOP853", rtol=1e-9, atol=1e-12).y[
        :, -1
    ]
    exact = solve_ivp(
        slope, (0, t[-1]), rest, "DOP853", t_eval=t, rtol=1e-9, atol=1e-12, max_step=1e-3
    ).y[0]
    bound = 1.5 * 4 / 3 * np.abs(coarse - fine).max()
    assert bound < 1e-4
    assert np.abs(coarse - exact).max() < bound


def test_error_falls_with_the_square_of_the_step(bench):
    rig = make_rig(bench, "braided-thread", 2)
    drive = _smooth_drive(1.0)
    runs = [
        play(rig, *drive, history="rested", longest_step_s=h).theta_x
        for h in (2.5e-4, 1.25e-4, 6.25e-5)
    ]
    first, second = (np.sqrt(np.mean((a - b) ** 2)) for a, b in pairwise(runs))
    assert first < 5e-5  # of full scale, at the step used by default
    assert 3.0 < first / second < 5.5  # 4 for a method of second order


def test_resonance_and_decay_are_the_textbook_ones(bench):
    """Damped frequency f0 √(1 − ζ²) and logarithmic decrement 2πζ/√(1 − ζ²) (textbook)."""
    rig = make_rig(bench, BARE, 5)
    played = play(
        rig, [0, 0.01, 2, 2.0005, 3], [0, 0.5, 0.5, 0, 0], np.zeros(5), rate_hz=5000.0,
        history="rested",
    )  # fmt: skip
    axis = rig.axes[0]
    f0 = np.sqrt(1.0 / axis.inertia) / (2 * np.pi)
    zeta = axis.damping / (2 * np.sqrt(axis.inertia))
    assert abs(f0 / BARE.resonance_hz - 1) <= 0.1
    assert abs(zeta / BARE.damping_ratio - 1) <= 0.1
    ringing = played.theta_x[played.t_s > 2.002] - axis.offset
    top, _ = find_peaks(ringing)
    top = top[:6]
    # parabola through the three samples at each peak
    left, mid, right = ringing[top - 1], ringing[top], ringing[top + 1]
    place = top + 0.5 * (left - right) / (left - 2 * mid + right)
    height = mid - 0.25 * (left - right) * 0.5 * (left - right) / (left - 2 * mid + right)
    frequency = 5000.0 / np.diff(place).mean()
    decrement = -np.diff(np.log(height)).mean()
    root = np.sqrt(1 - zeta**2)
    # the splitting's period errs by (2π f0 h)²/24 = 8e-5 at 0.2 ms
    assert frequency == pytest.approx(f0 * root, rel=3e-4)
    assert decrement == pytest.approx(2 * np.pi * zeta / root, rel=3e-3)


@pytest.mark.parametrize("name", SUSPENSIONS)
def test_small_steps_ring_at_the_stated_resonance(bench, name):
    """Within the ±10 % from unit to unit; slipping friction softens by at most its own share."""
    rig = make_rig(bench, name, 11)
    played = play(
        rig, [0, 1, 1.0005, 1.6], [0, 0, 0.02, 0.02], np.zeros(4), rate_hz=4000.0, history="rested"
    )
    after = played.theta_x[played.t_s > 1.002]
    top, _ = find_peaks(after)
    measured = 4000.0 / np.mean(np.diff(top[:3]))
    kind = SUSPENSIONS[name]
    softest = np.sqrt(1 - 1.2 * kind.friction_stiffness) * np.sqrt(
        1 - (1.1 * kind.damping_ratio) ** 2
    )
    assert 0.9 * softest - 0.01 <= measured / kind.resonance_hz <= 1.1 + 0.01


def test_fast_and_wild_moves_leave_every_slip_element_within_its_limits(bench):
    axis = make_rig(bench, "braided-thread", 6).axes[0]
    step_s, n_sub, n = 2e-4, 5, 400
    state, z, q = fresh_state(len(axis.slip_low), len(axis.relaxation_s))
    wild = np.repeat(np.random.default_rng(0).choice([-1.0, 1.0], n), n_sub)
    out = np.empty(1)
    for i in range(n):
        advance(
            constants_of(axis, step_s),
            np.minimum(axis.slip_low, axis.slip_high),
            np.stack((1 / axis.slip_low, 1 / axis.slip_high)),
            axis.slip_stiffness, *branch_steps(axis, step_s), np.zeros(1),
            wild[i * n_sub : (i + 1) * n_sub], n_sub, state, z, q, out,
        )  # fmt: skip
        # one sub-move is an eighth of a limit at most: the midpoint rule then overshoots by < 1 %
        assert np.all(z < 1.01 * axis.slip_high)
        assert np.all(z > -1.01 * axis.slip_low)
    assert np.max(np.abs(out)) < 3.0


def test_coil_settles_at_eight_kelvin_and_the_suspension_follows(bench):
    axis = make_rig(bench, "braided-thread", 7).axes[0]
    step_s, n_sub = 0.01, 100
    state, z, q = fresh_state(len(axis.slip_low), len(axis.relaxation_s))
    heavy = replace(axis, inertia=2.0 / 9.0**2, damping=0.4)
    seconds = 900
    out = np.empty(seconds)
    advance(
        constants_of(heavy, step_s),
        np.minimum(axis.slip_low, axis.slip_high),
        np.stack((1 / axis.slip_low, 1 / axis.slip_high)),
        axis.slip_stiffness, *branch_steps(axis, step_s), np.zeros(seconds),
        np.ones(seconds * n_sub), n_sub, state, z, q, out,
    )  # fmt: skip
    assert 7.0 < state[COIL_K] <= 8.01
    # at rest the network gives the suspension its share of the coil's rise
    assert state[SUSPENSION_K] == pytest.approx(axis.share * state[COIL_K], rel=0.01)


def test_ac_coupling_droops_and_undershoots(ac_bench):
    """First-order droop e^(−T/τ), and the opposite sign after the return (textbook)."""
    rig = make_rig(ac_bench, BARE, 3)
    axis = rig.axes[0]
    tau = 1 / (2 * np.pi * axis.coupling_corner_hz)
    played = play(
        rig, [0, 0.02, 1.0, 1.02, 2.0], [0, 0.8, 0.8, 0, 0], np.zeros(5), history="rested"
    )
    at = lambda s: played.theta_x[round(1000 * s)] - axis.offset  # noqa: E731
    assert at(0.9) / at(0.5) == pytest.approx(np.exp(-0.4 / tau), rel=1e-3)
    assert at(1.5) < 0 < at(0.9)
    assert at(1.9) / at(1.5) == pytest.approx(np.exp(-0.4 / tau), rel=1e-3)


@pytest.mark.parametrize("name", SUSPENSIONS)
@pytest.mark.parametrize("middle", [0.0, 0.4])
def test_closed_cycles_dissipate(bench, name, middle):
    """The work of the coil over a settled cycle is never negative (second law)."""
    rig = make_rig(bench, name, 8)
    period_s, cycles = 0.8, 4
    t = np.linspace(0, period_s * cycles, 1000 * cycles + 1)
    for size in (0.05, 0.5):
        u = middle + size * np.sin(2 * np.pi * t / period_s)
        lead = np.linspace(0, 0.5, 50, endpoint=False)
        time = np.concatenate((lead, 0.5 + t))
        drive = np.concatenate((np.linspace(0, middle, 50, endpoint=False), u))
        played = play(rig, time, drive, drive, history="rested")
        last = played.t_s >= 0.5 + period_s * (cycles - 1) - 1e-9
        for axis, theta in zip(rig.axes, (played.theta_x, played.theta_y), strict=True):
            push = axis.gain * np.interp(played.t_s, time, drive) + axis.offset
            torque, angle = push[last] - push[last][0], theta[last]
            assert np.trapezoid(torque, angle) > 0
