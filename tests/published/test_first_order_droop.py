"""An AC-coupled output droops: the virtual bench against the textbook and against SciPy.

Source: the first-order high-pass v' = u' − v/τ, τ = 1/(2π f_c) (textbook, from memory): a hold
droops by 1 − e^(−T/τ) in the time T, and after the return to zero the output stands at
−(1 − e^(−T/τ)) e^(−t/τ), on the opposite side. scipy.signal solves the same transfer function.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from hysteresis.bench import TEMPLATE, Bench
from hysteresis.virtual_bench import make_rig, play
from hysteresis.virtual_bench.integrator import COUPLED, advance, fresh_state
from hysteresis.virtual_bench.rig import Axis, branch_steps, constants_of

EPS = np.finfo(float).eps


@pytest.fixture(scope="module")
def benches() -> dict[str, Bench]:
    bench = Bench.model_validate(tomllib.loads(TEMPLATE))
    coupled = bench.drive.model_copy(update={"coupling": "ac", "corner_hz": 0.5})
    return {"dc": bench, "ac": bench.model_copy(update={"drive": coupled})}


def output_of(axis: Axis, drive: np.ndarray, step_s: float) -> np.ndarray:
    """What reaches the coil, sample by sample, from the bench's own integrator."""
    state, z, q = fresh_state(len(axis.slip_low), len(axis.relaxation_s))
    fixed = (
        constants_of(axis, step_s),
        np.minimum(axis.slip_low, axis.slip_high),
        np.stack((1 / axis.slip_low, 1 / axis.slip_high)),
        axis.slip_stiffness,
        *branch_steps(axis, step_s),
        np.zeros(1),
    )
    out = np.empty(drive.size)
    for n in range(drive.size):
        advance(*fixed, drive[n : n + 1], 1, state, z, q, np.empty(1))
        out[n] = state[COUPLED]
    return out


@pytest.mark.parametrize(
    ("corner_hz", "hold_s", "droop"), [(20.0, 1e-3, 0.118089), (0.5, 0.1, 0.269597)]
)
def test_droop_and_undershoot(benches, corner_hz: float, hold_s: float, droop: float) -> None:
    axis = replace(
        make_rig(benches["ac"], "metal-flexure", 1).axes[0], coupling_corner_hz=corner_hz
    )
    tau = 1 / (2 * np.pi * corner_hz)
    assert 1 - np.exp(-hold_s / tau) == pytest.approx(droop, abs=5e-7)
    step_s, count = hold_s / 1000, 1000
    drive = np.concatenate([np.full(count + 1, 0.8), np.zeros(2 * count)])
    v = output_of(axis, drive, step_s)
    # the bench takes the drive as straight between its samples: the jump takes one step, in which
    # the output droops by half a step's worth; hence the relative bound step / τ
    bound = step_s / tau
    t_after = step_s * np.arange(1, 2 * count)
    print(f"f_c {corner_hz} Hz, T {hold_s} s: droop {1 - v[count] / v[0]:.6f} (formula {droop})")
    assert v[0] == pytest.approx(0.8, rel=bound)
    assert 1 - v[count] / v[0] == pytest.approx(droop, abs=1e-6)  # step to step it is exact
    wanted = -0.8 * droop * np.exp(-t_after / tau)
    assert np.all(v[count + 2 :] < 0)
    np.testing.assert_allclose(v[count + 2 :], wanted, rtol=0, atol=1.6 * bound)


def test_output_against_scipy(benches) -> None:
    """scipy.signal.lsim of s/(s + 1/τ) under straight pieces of drive: both are exact there."""
    axis = make_rig(benches["ac"], "metal-flexure", 1).axes[0]
    rate = 2 * np.pi * axis.coupling_corner_hz
    step_s = 1e-3
    t = step_s * np.arange(4001)
    drive = np.sin(2 * np.pi * 1.3 * t) * (t < 2.5) + 0.4 * np.clip(t - 1, 0, 0.5)
    v = output_of(axis, drive[1:], step_s)
    _, wanted, _ = signal.lsim(signal.lti([1.0, 0.0], [1.0, rate]), drive, t)
    # lsim carries u − v as its state: rounding of 4000 steps
    np.testing.assert_allclose(v, wanted[1:], rtol=0, atol=4000 * 8 * EPS)


def test_droop_scales_with_amplitude_and_repeats(benches) -> None:
    """Unlike memory: exactly linear in the drive."""
    axis = make_rig(benches["ac"], "metal-flexure", 2).axes[1]
    drive = np.repeat([0.0, 0.3, 0.0, -0.5, 0.0], 200)
    one = output_of(axis, drive, 1e-3)
    np.testing.assert_allclose(output_of(axis, 1.9 * drive, 1e-3), 1.9 * one, atol=1e4 * EPS)


def test_a_dc_coupled_output_does_not_droop(benches) -> None:
    axis = make_rig(benches["dc"], "metal-flexure", 1).axes[0]
    drive = np.repeat([0.0, 0.7, -0.2], 300)
    np.testing.assert_allclose(output_of(axis, drive, 2e-4), drive, rtol=0, atol=1000 * EPS)


def test_a_metal_flexure_follows_the_drooping_drive(benches) -> None:
    """Played with both couplings, the same unit. A metal flexure remembers next to nothing, so the
    angle under the AC output is the DC angle of the drooped drive; and it undershoots."""
    rigs = {name: make_rig(bench, "metal-flexure", 6) for name, bench in benches.items()}
    t = [0.0, 0.05, 0.65, 0.70, 1.5]
    u = [0.0, 0.6, 0.6, 0.0, 0.0]
    ac = play(rigs["ac"], t, u, np.zeros(5), history="rested")
    tau = 1 / (2 * np.pi * rigs["ac"].axes[0].coupling_corner_hz)
    clock_s = 1e-4
    clock = np.arange(0.0, 1.5 + clock_s / 2, clock_s)
    system = signal.lti([1.0, 0.0], [1.0, 1 / tau])
    drooped = signal.lsim(system, np.interp(clock, t, u), clock)[1]
    dc = play(rigs["dc"], clock, drooped, np.zeros(clock.size), history="rested")
    # the second drive is straight within clock_s where the first one droops: clock_s² v″/8 with
    # v″ = 12 per s / τ on the ramps, at most doubled by the resonance; and the drive is averaged
    # over sub-steps of 0.25 ms before the droop in one and after it in the other
    bound = 2 * (clock_s**2 + 2.5e-4**2) / 8 * 12 / tau * rigs["ac"].axes[0].gain
    assert bound < 1e-6
    np.testing.assert_allclose(ac.theta_x, dc.theta_x, rtol=0, atol=bound)
    # the last 0.1 s, ringing averaged out: undershoot, closed form for the ends of the two ramps
    end = (ac.theta_x[-100:].mean() - rigs["ac"].axes[0].offset) / rigs["ac"].axes[0].gain
    wait = clock[-1000:].mean() - 0.675
    closed = 0.6 * np.expm1(-0.65 / tau) * np.exp(-wait / tau)
    assert closed < -0.04
    # unequal sides and stiffening of 1 % each, friction and after-effect of 0.03 %
    assert end == pytest.approx(closed, rel=0.02)
