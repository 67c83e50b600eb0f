"""What holds for every axis in compliance form and every input."""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
from axis_strategies import EPS, numbers, steps, walks
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.compliance_axis import ComplianceAxis

N = 80
few = settings(max_examples=60, deadline=None)
many = settings(max_examples=150, deadline=None)


@st.composite
def compliances(
    draw: st.DrawFn, *, plays: int = 6, modes: int = 5, bent: bool = True
) -> ComplianceAxis:
    """Any mixture; weights may be exactly zero. The curve's slope stays above a tenth of `linear`:
    2 × 1.2 × quadratic and 3 × 1.44 × cubic take at most 0.45 of it each."""
    linear = draw(numbers(0.2, 2.0))
    bend = (draw(numbers(-0.18, 0.18)), draw(numbers(-0.1, 0.1))) if bent else (0.0, 0.0)
    gaps = draw(st.lists(numbers(0.005, 0.4), max_size=plays))
    decades = draw(st.lists(numbers(0.1, 2.0), max_size=modes))
    weight = draw(st.lists(numbers(0.0, 1.0), min_size=len(gaps), max_size=len(gaps)))
    creep = draw(st.lists(numbers(0.0, 0.5), min_size=len(decades), max_size=len(decades)))
    return ComplianceAxis(
        linear,
        *(linear * b for b in bend),
        np.cumsum(np.array(gaps, float)),
        np.array(weight, float),
        10.0 ** (np.cumsum(np.array(decades, float)) - 3.5),
        np.array(creep, float),
    )


def rounding(axis: ComplianceAxis, drive: np.ndarray) -> float:
    """Of the deflection: a few operations per element on terms as large as weight × reach, and the
    creep modes, which add one rounding each step. The curve's terms go with reach³ at most."""
    reach = float(np.abs(drive).max(initial=0.0))
    bend = 1.2 * abs(axis.quadratic) + 3 * 1.44 * abs(axis.cubic)
    weights = axis.linear + 2 * bend + axis.weight.sum() + axis.compliance.sum()
    return (8 + 2 * axis.rest().size + drive.size) * EPS * weights * reach


@many
@given(compliances(), walks(N), steps(N))
def test_drive_of_deflection_is_the_drive(axis, drive, step_s) -> None:
    """Bound: see `ComplianceAxis`; twice the rounding over the least slope."""
    theta, end = axis.deflection(drive, step_s)
    again, after = axis.drive(theta, step_s)
    bound = 2 * rounding(axis, drive) / axis.least_slope()
    assert bound < 1e-11
    np.testing.assert_allclose(again, drive, rtol=0, atol=bound)
    np.testing.assert_allclose(after, end, rtol=0, atol=bound)


@many
@given(compliances(), walks(N), steps(N))
def test_deflection_of_drive_is_the_deflection(axis, theta, step_s) -> None:
    """For any path of the angle, smooth or not."""
    drive, _ = axis.drive(theta, step_s)
    again, _ = axis.deflection(drive, step_s)
    np.testing.assert_allclose(again, theta, rtol=0, atol=2 * rounding(axis, drive) + 4 * EPS)


@few
@given(compliances(), walks(N), steps(N), st.integers(0, N), st.integers(0, N))
def test_split_run_equals_whole_run_bit_for_bit(axis, path, step_s, one, other) -> None:
    cuts = [slice(0, min(one, other)), slice(min(one, other), max(one, other)),
            slice(max(one, other), N)]  # fmt: skip
    for run in (axis.deflection, axis.drive):
        whole, end = run(path, step_s)
        state, parts = axis.rest(), []
        for cut in cuts:
            part, state = run(path[cut], step_s[cut], state)
            parts.append(part)
        np.testing.assert_array_equal(np.concatenate(parts), whole)
        np.testing.assert_array_equal(state, end)


@few
@given(compliances(), walks(N), steps(N), st.integers(1, N))
def test_a_state_kept_in_a_file_goes_on_the_same(axis, path, step_s, cut) -> None:
    theta, _ = axis.deflection(path, step_s)
    _, state = axis.deflection(path[:cut], step_s[:cut])
    loaded = ComplianceAxis.from_json(json.loads(json.dumps(axis.to_json())))
    kept = np.array(json.loads(json.dumps(state.tolist())))
    rest, _ = loaded.deflection(path[cut:], step_s[cut:], kept)
    np.testing.assert_array_equal(rest, theta[cut:])


@few
@given(compliances(), walks(N), steps(N))
def test_columns_are_the_derivatives(axis, drive, step_s) -> None:
    theta, _ = axis.deflection(drive, step_s)
    columns = axis.columns(drive, step_s)
    np.testing.assert_allclose(
        columns @ axis.weights(), theta, rtol=0, atol=2 * rounding(axis, drive)
    )


@few
@given(compliances(modes=0), walks(N), steps(N))
def test_plays_do_not_know_time(axis, path, step_s) -> None:
    for run in (axis.deflection, axis.drive):
        np.testing.assert_array_equal(run(path, step_s)[0], run(path, 1.0)[0])


@many
@given(compliances(), walks(N), walks(N), steps(N))
def test_more_drive_never_means_less_deflection(axis, low, extra, step_s) -> None:
    """Plays and Kelvin modes rise with the drive, the curve with its slope at least."""
    high = low + np.abs(extra)
    less, _ = axis.deflection(low, step_s)
    more, _ = axis.deflection(high, step_s)
    least = axis.least_slope() * np.abs(extra)
    assert np.all(more - less >= least - rounding(axis, low) - rounding(axis, high))


@st.composite
def excursions(draw):
    """Extremes first > |back|, and a later one beyond the first."""
    first = draw(numbers(0.05, 1.0))
    sign = draw(st.sampled_from([-1.0, 1.0]))
    return sign * np.array([first, first * draw(numbers(-1.0, 1.0)), first * draw(numbers(1, 3))])


@many
@given(compliances(modes=0), excursions())
def test_a_larger_extreme_wipes_out_smaller_ones(axis, extremes) -> None:
    """Mayergoyz, Mathematical Models of Hysteresis, wiping-out (from memory): after 0, a, b, a'
    with a' beyond a the memory is that of 0, a'. Bound: one rounding of a position."""
    _, long = axis.deflection(extremes, 1.0)
    _, short = axis.deflection(extremes[-1:], 1.0)
    np.testing.assert_allclose(long, short, rtol=0, atol=2 * EPS * np.abs(extremes).max())


@many
@given(compliances(modes=0), walks(20), walks(20), numbers(-1, 1), numbers(-1, 1))
def test_minor_loops_between_the_same_drives_are_congruent(axis, past, other, one, two) -> None:
    """Mayergoyz, congruency (from memory): the same shape after any past, here with the same curve
    as drives are the same."""
    cycle = np.array([one, two, one])
    leg = np.linspace(0, 1, 11)
    path = np.concatenate([a + (b - a) * leg for a, b in pairwise(cycle)])
    shapes = []
    for before in (past, other):
        _, state = axis.deflection(np.concatenate([before, cycle]), 1.0)
        loop, end = axis.deflection(path, 1.0, state)
        np.testing.assert_allclose(end, state, rtol=0, atol=8 * EPS)  # the loop closes
        shapes.append(loop - loop[0])
    bound = 4 * rounding(axis, np.concatenate([path, past, other]))
    np.testing.assert_allclose(shapes[0], shapes[1], rtol=0, atol=bound)


@few
@given(compliances(bent=False, plays=0), walks(N), steps(N), numbers(0.1, 3.0))
def test_creep_superposes(axis, drive, step_s, factor) -> None:
    """Boltzmann: linear in the whole path, without plays and bend."""
    once, _ = axis.deflection(drive, step_s)
    other, _ = axis.deflection(drive[::-1], step_s)
    both, _ = axis.deflection(drive + factor * drive[::-1], step_s)
    bound = 2 * (1 + factor) * rounding(axis, drive)
    np.testing.assert_allclose(both, once + factor * other, rtol=0, atol=bound)


def stored(axis: ComplianceAxis, state: np.ndarray) -> float:
    """∫ u dθ of the curve, and x²/2 per unit weight in every play and mode (drives within 1.2)."""
    u, n = state[0], 1 + axis.weight.size
    curve = u**2 * (axis.linear / 2 + u * (axis.quadratic * 2 / 3 + u * axis.cubic * 3 / 4))
    return float(
        curve + axis.weight @ state[1:n] ** 2 / 2 + axis.compliance @ state[n:] ** 2 / 2
    )


@few
@given(
    compliances(),
    walks(N),
    steps(N),
    st.lists(st.tuples(numbers(-1, 1), numbers(1e-3, 1e3)), min_size=1, max_size=6),
)
def test_no_motion_gives_more_work_than_was_stored(axis, past, step_s, legs) -> None:
    """Passivity: ∫ u dθ ≥ stored after − stored before, after any past. The trapezoidal rule errs
    by at most |Δu|/2 × the way of each part within its step: a play and the curve go one way, a
    mode goes at most (1 − e^−s) |u − x| + (1 − (1 − e^−s)/s) |Δu|, s = h/τ (its own equation)."""
    _, state = axis.deflection(past, step_s)
    before, work, blur, path = state, 0.0, 0.0, [state[0]]
    n = 1 + axis.weight.size
    (angle,), _ = axis.deflection(state[:1], 1e-30, state)  # held for no time: where it starts
    for corner, seconds in legs:
        h = seconds / 100
        s = h / axis.retardation_time_s
        relax = -np.expm1(-s)
        for u in np.linspace(before[0], corner, 101)[1:]:
            (new,), after = axis.deflection([u], h, before)
            move = abs(u - before[0])
            modes = relax * np.abs(before[0] - before[n:]) + (1 - relax / s) * move
            plays = axis.weight @ np.abs(after[1:n] - before[1:n])
            curve = axis.linear + 2.4 * abs(axis.quadratic) + 4.32 * abs(axis.cubic)
            work += 0.5 * (u + before[0]) * (new - angle)
            blur += 0.5 * move * (curve * move + plays + axis.compliance @ modes)
            before, angle = after, new
            path.append(u)
    slack = 2 * len(path) * rounding(axis, np.array(path))
    assert work >= stored(axis, before) - stored(axis, state) - blur - slack
