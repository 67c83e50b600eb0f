"""The exact sensitivities of the recursion against differences of the recursion itself."""

from __future__ import annotations

import numpy as np
from axis_strategies import axes, drive_rounding, magnification, steps, walks
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.axis import AxisModel
from hysteresis.kernels.torque_balance import HEAD, LINEAR, deflection_from_drive
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.elastic import Dynamics, Elastic, Heating
from hysteresis.operators.maxwell_slip import MaxwellSlip

N = 60
SCALAR_PLACES = (0, 1, 2, 3, 4, 7, 8)  # k1 k2 k3 g1 g2 b m among the kernel's scalars


def shifted(axis, state, parameter: int, change: float):
    """The kernel's arguments with one parameter moved, in the order the kernel documents."""
    scalars, kind, shape, time_s, branch = axis.packed()
    scalars, shape, branch, state = (a.copy() for a in (scalars, shape, branch, state))
    slips, count = axis.friction.limit.size, time_s.size
    if parameter < LINEAR:
        scalars[SCALAR_PLACES[parameter]] += change
    elif parameter < LINEAR + slips:
        shape[1 + slips + parameter - LINEAR] += change
    elif parameter < LINEAR + slips + count:
        branch[parameter - LINEAR - slips] += change
    else:
        state[HEAD + slips + parameter - LINEAR - slips - count] += change
    return scalars, kind, shape, time_s, branch, state


def compare(axis, drive, step_s, history) -> tuple[float, float]:
    """Assert that every sensitivity lies within the bound of its differences.

    Central differences with step ε, and with ε/2: their difference is 3/4 of the rule's own error
    (ε² f‴/6), and rounding is that of the angle / ε. Where an element starts or stops to slip
    within ±ε the derivative jumps by J, at most the spread of the four one-sided slopes; the exact
    one is one of both sides, so J joins the bound where the spread does not halve with ε.

    Returns the rounding of the angle and the share of samples that were compared to five digits
    of a natural unit of the parameter.
    """
    start = axis.branch_state(history)
    theta, slope = axis.deflection_with_slopes(drive, step_s, start)
    plain, _ = axis.deflection(drive, step_s, start)
    angle_rounding = magnification(axis, step_s) * drive_rounding(axis, step_s, theta)
    np.testing.assert_allclose(theta, plain, rtol=0, atol=angle_rounding)
    sharp = []
    for p in range(slope.shape[1]):
        # inertia and damping act through step⁻² and step⁻¹: their natural unit is that small
        unit = {5: 0.5 * step_s.min(), 6: 0.25 * step_s.min() ** 2}.get(p, 1.0)
        small = 1e-5 * unit
        low, low_half, high_half, high = (
            deflection_from_drive(drive, step_s, *shifted(axis, start, p, part * small))
            for part in (-1.0, -0.5, 0.5, 1.0)
        )
        central, finer = (high - low) / (2 * small), (high_half - low_half) / small
        rule = 4 / 3 * np.abs(central - finer)
        spread = np.abs(high - 2 * theta + low) / small
        spread_half = 2 * np.abs(high_half - 2 * theta + low_half) / small
        rounding = 4 * angle_rounding / small
        jump = np.where(spread_half > 0.55 * spread + rounding, spread + spread_half, 0.0)
        bound = rule + jump + rounding
        assert np.all(np.abs(slope[:, p] - finer) <= bound)
        sharp.append(bound * unit < 1e-5)
    return angle_rounding, float(np.mean(sharp))


@st.composite
def restless(draw):
    """A drive that never holds still: held, an element stays on the verge of slipping, where the
    derivative has two sides."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    size = draw(st.sampled_from([0.02, 0.2, 1.0]))
    return np.sin(np.cumsum(size * rng.uniform(0.2, 1.0, N) * rng.choice([-1.0, 1.0], N)))


@settings(max_examples=40, deadline=None)
@given(axes(), restless(), steps(N), walks(5))
def test_sensitivities_are_the_derivatives(axis, drive, step_s, history) -> None:
    rounding, sharp = compare(
        axis, drive, step_s, 0.2 * history[: axis.after_effect.stiffness.size]
    )
    if rounding < 1e-11:
        assert sharp > 0.6


def test_sensitivities_of_a_rig_with_every_part() -> None:
    """The size of a fit: a resonance of 30 Hz, 8 slip limits, 6 branches, heat and a history."""
    axis = AxisModel(
        Elastic(0.9, 0.04, 0.05),
        Heating((0.02, 0.01), (15.0, 100.0)),
        Dynamics(2 * 0.1 / (60 * np.pi), (60 * np.pi) ** -2),
        MaxwellSlip(np.geomspace(0.01, 0.8, 8), np.full(8, 0.03)),
        AfterEffect(np.geomspace(0.01, 1000.0, 6), np.full(6, 0.02)),
    )
    t = np.arange(1, 1501) * 2e-3
    drive = 0.5 * np.sin(2 * np.pi * 1.1 * t) + 0.3 * np.sin(2 * np.pi * 3.7 * t + 1)
    rounding, sharp = compare(axis, drive, np.full(t.size, 2e-3), np.full(6, 0.05))
    assert rounding < 1e-11
    assert sharp > 0.95
