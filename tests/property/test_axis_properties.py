"""What holds for every axis and every input, not only for those anybody thought of."""

from __future__ import annotations

import numpy as np
from axis_strategies import (
    EPS,
    axes,
    branches,
    drive_rounding,
    least_slope,
    magnification,
    numbers,
    slips,
    springs,
    steps,
    walks,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.axis import AxisModel
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.maxwell_slip import MaxwellSlip

N = 80
few = settings(max_examples=60, deadline=None)
many = settings(max_examples=150, deadline=None)


@many
@given(axes(), walks(N), steps(N))
def test_drive_of_deflection_is_the_drive(axis, drive, step_s) -> None:
    theta, end = axis.deflection(drive, step_s)
    again, end_again = axis.drive(theta, step_s)
    np.testing.assert_allclose(again, drive, rtol=0, atol=drive_rounding(axis, step_s, theta))
    assert end_again[0] == end[0]


@many
@given(axes(heated=False), walks(N), steps(N), numbers(0.0, 2e3))
def test_deflection_of_drive_is_the_deflection(axis, shape, step_s, bandwidth) -> None:
    """The rounding of the drive, through the rig."""
    # the wanted path is smooth, as `compensate` makes it: first-order low-pass in the steps given
    keep = np.exp(-step_s * bandwidth)
    theta = np.empty(N)
    last = 0.0
    for n in range(N):
        last = theta[n] = keep[n] * last + (1 - keep[n]) * shape[n]
    drive, _ = axis.drive(theta, step_s)
    again, _ = axis.deflection(drive, step_s)
    bound = magnification(axis, step_s) * drive_rounding(axis, step_s, theta)
    if axis.dynamics.inertia_s2 == 0.0:
        assert bound < 1e-10
    np.testing.assert_allclose(again, theta, rtol=0, atol=bound)


@few
@given(axes(), walks(N), steps(N), st.integers(0, N))
def test_split_run_equals_whole_run(axis, drive, step_s, cut) -> None:
    """To rounding: sums of the memory are made anew at every start of a run. A cut in two
    changes the angle by no more than solving the same step twice does."""
    whole, end = axis.deflection(drive, step_s)
    first, state = axis.deflection(drive[:cut], step_s[:cut])
    second, state = axis.deflection(drive[cut:], step_s[cut:], state)
    bound = magnification(axis, step_s) * drive_rounding(axis, step_s, whole)
    np.testing.assert_allclose(np.concatenate([first, second]), whole, rtol=0, atol=bound)
    np.testing.assert_allclose(state[8:], end[8:], rtol=0, atol=2 * bound)


@few
@given(springs(), slips(), walks(N), steps(N), steps(N))
def test_friction_alone_does_not_know_time(elastic, friction, drive, step_s, other_s) -> None:
    """Time enters only the first guess of the step, hence the last bit of its solution."""
    axis = AxisModel(elastic, friction=friction)
    theta, _ = axis.deflection(drive, step_s)
    other, _ = axis.deflection(drive, other_s)
    bound = 2 * drive_rounding(axis, np.ones(1), theta) / least_slope(axis, np.abs(theta).max())
    assert bound < 1e-11
    np.testing.assert_allclose(other, theta, rtol=0, atol=bound)
    np.testing.assert_array_equal(axis.drive(drive, step_s)[0], axis.drive(drive, other_s)[0])


@many
@given(axes(moving=False, heated=False), walks(N), walks(N), steps(N))
def test_more_drive_never_means_less_deflection(axis, low, extra, step_s) -> None:
    """Without inertia and damping, order is kept: every weight is ≥ 0, so the angle rises with
    drive, anchors and dashpots, and these rise with the angle (induction over the steps)."""
    less, _ = axis.deflection(low, step_s)
    more, _ = axis.deflection(low + np.abs(extra), step_s)
    rounding = 2 * drive_rounding(axis, step_s, more) / least_slope(axis, np.abs(more).max() + 1)
    assert rounding < 1e-10
    assert np.all(more - less >= -rounding)


@few
@given(axes(), walks(N), steps(N), numbers(1e-6, 1.0))
def test_drive_rises_strictly_with_the_newest_angle(axis, theta, step_s, more) -> None:
    """What makes the implicit step well posed, after any past."""
    _, state = axis.drive(theta[:-1], step_s[:-1])
    low = axis.drive([theta[-1]], step_s[-1:], state)[0][0]
    high = axis.drive([theta[-1] + more], step_s[-1:], state)[0][0]
    softening = 1 - 0.05 * (state[6] + state[7] + 2 * state[5] ** 2)  # heat may soften the spring
    if softening > 0.0:
        least = softening * least_slope(axis, 2.0) * more
        assert high - low >= least - 2 * drive_rounding(axis, step_s, np.array([1.0 + more]))


@st.composite
def excursions(draw):
    """Extremes u0 > |b|, a ≤ u0 between them, and a later one that goes beyond a."""
    first = draw(numbers(0.05, 1.0))
    back = first * draw(numbers(-1.0, 1.0))
    beyond = first * draw(numbers(1.0, 3.0))
    sign = draw(st.sampled_from([-1.0, 1.0]))
    return sign * np.array([first, back, beyond])


@many
@given(slips(), excursions())
def test_a_larger_extreme_wipes_out_smaller_ones(friction, extremes) -> None:
    """Mayergoyz, Mathematical Models of Hysteresis, wiping-out (from memory): after 0, a, b, a'
    with a' beyond a the memory is that of 0, a'. Bound: three roundings of the angle."""
    _, long = friction.torque(extremes, np.ones(3), friction.rest())
    _, short = friction.torque(extremes[-1:], np.ones(1), friction.rest())
    np.testing.assert_allclose(long, short, rtol=0, atol=6 * EPS * np.abs(extremes).max())


@many
@given(springs(), slips(), excursions())
def test_a_larger_drive_wipes_out_smaller_ones(elastic, friction, extremes) -> None:
    """The same for the axis under drive: its inverse is a play operator, which wipes out too."""
    axis = AxisModel(elastic, friction=friction)
    (_, _, long), state = axis.deflection(extremes, 1.0)
    (short,), clean = axis.deflection(extremes[-1:], 1.0)
    bound = 4 * drive_rounding(axis, np.ones(1), extremes) / least_slope(axis, 15.0)
    assert bound < 1e-11
    assert abs(long - short) <= bound
    np.testing.assert_allclose(state[8:], clean[8:], rtol=0, atol=bound)


@many
@given(slips(), st.lists(numbers(-1, 1), min_size=1, max_size=8), st.booleans())
def test_friction_never_gives_work_back_over_a_cycle(friction, corners, thrice) -> None:
    """Energy of the springs is z²/2 each; the trapezoidal rule keeps ½(z+z')(θ'−θ) ≥ Δz²/2 sample
    by sample, so the sum over a closed cycle may fall below zero by rounding only."""
    theta = np.array([0.0, *(corners * (3 if thrice else 1)), 0.0])
    torque, state = friction.torque(theta, np.ones(theta.size), friction.rest())
    work = np.sum(0.5 * (torque[1:] + torque[:-1]) * np.diff(theta))
    stored = 0.5 * friction.stiffness @ state[1:] ** 2
    rounding = 8 * theta.size * EPS * (1 + friction.stiffness.sum())
    assert work - stored >= -rounding


@many
@given(branches(), st.lists(st.tuples(numbers(-1, 1), numbers(1e-4, 1e3)), min_size=1, max_size=8))
def test_after_effect_never_gives_work_back(after_effect, legs) -> None:
    """Work exactly as for a linear angle, so that no quadrature blurs the balance
    work = stored + dissipated, dissipated ≥ 0: with x = h/τ and g = (1 − e^−x)/x, the mean of
    y over a step is g y + Δθ (1 − g)/x (integral of the textbook solution)."""
    theta = np.array([v for v, _ in legs] + [0.0])
    step_s = np.array([h for _, h in legs] + [0.5])
    stiffness = after_effect.stiffness
    state, work = after_effect.rest(), 0.0
    for n in range(theta.size):
        before = state
        _, state = after_effect.torque(theta[n : n + 1], step_s[n : n + 1], state)
        move = state[0] - before[0]
        x = step_s[n] / after_effect.relaxation_time_s
        g = -np.expm1(-x) / x
        own = np.where(x < 1e-4, 0.5 - x / 6 + x**2 / 24, (1 - g) / x)
        work += float(stiffness @ (g * before[1:] + own * move)) * move
    stored = 0.5 * stiffness @ state[1:] ** 2
    # (1 − g)/x cancels to ε / x at x = 1e-4; the series' next term is x³/120 = 1e-14
    blur = theta.size * stiffness.sum() * (1e4 * EPS + 1e-14)
    assert work - stored >= -blur


@few
@given(axes(moving=False, heated=False), st.lists(numbers(-1, 1), min_size=1, max_size=5))
def test_a_settled_cycle_of_a_whole_axis_dissipates(axis, corners) -> None:
    """Drive over deflection, a cycle played thirty times, in small steps; the work of the last
    round. Bound: the rule's own error, by Richardson from every second sample, taken double."""
    vertices = np.array([*corners, corners[0]])
    leg = np.linspace(0, 1, 101)[1:]
    cycle = (vertices[:-1, None] + np.diff(vertices)[:, None] * leg).ravel()
    path = np.concatenate([np.linspace(0, corners[0], 101)[1:], np.tile(cycle, 30)])
    theta, _ = axis.deflection(path, 0.01)
    last = slice(-cycle.size - 1, None)
    u, angle = path[last], theta[last]
    fine = np.trapezoid(u, angle)
    coarse = np.trapezoid(u[::2], angle[::2])
    # slow branches still creep: the cycle is closed in drive, not quite in angle
    open_work = abs(angle[-1] - angle[0]) * np.abs(u).max()
    assert fine >= -2 / 3 * abs(fine - coarse) - open_work - 1e4 * EPS


@few
@given(branches(), walks(N), steps(N), numbers(0.1, 3.0))
def test_after_effect_superposes(after_effect: AfterEffect, theta, step_s, factor) -> None:
    """Boltzmann: linear in the whole path. Bound: rounding of N steps."""
    once, _ = after_effect.torque(theta, step_s, after_effect.rest())
    other, _ = after_effect.torque(theta[::-1], step_s, after_effect.rest())
    both, _ = after_effect.torque(theta + factor * theta[::-1], step_s, after_effect.rest())
    bound = 8 * N * EPS * (1 + factor) * (1 + after_effect.stiffness.sum())
    np.testing.assert_allclose(both, once + factor * other, rtol=0, atol=bound)


@few
@given(slips(), walks(N))
def test_friction_torque_is_never_beyond_all_slipping(friction: MaxwellSlip, theta) -> None:
    """Up to rounding: each slip adds that of stiffness × angle to the running sum."""
    torque, state = friction.torque(theta, np.ones(N), friction.rest())
    most = friction.stiffness @ friction.limit
    rounding = 4 * EPS * (1 + friction.limit.size) * friction.stiffness.sum()
    assert np.all(np.abs(torque) <= most * (1 + 4 * EPS) + rounding)
    assert np.all(np.abs(state[1:]) <= friction.limit)
