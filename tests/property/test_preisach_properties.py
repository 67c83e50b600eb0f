"""Wiping-out, congruency, passivity and order: for every Preisach plane and every past.

Wiping-out and congruency are necessary and sufficient for a Preisach model (Mayergoyz's theorem,
Mathematical Models of Hysteresis, from memory). Outputs are sums of up to `cells` masses along a
chain of at most `N` reversals, so each is allowed `rounding` of the mass.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from hysteresis.operators.preisach import CAPACITY, LAGS, RESISTS, Preisach, kernel_shape
from hysteresis.operators.preisach import path_values as values

EPS = np.finfo(float).eps
N = 30
many = settings(max_examples=150, deadline=None)
angles = st.floats(-1.3, 1.3, allow_nan=False)
senses = st.sampled_from([LAGS, RESISTS])


@st.composite
def planes(draw) -> Preisach:
    """Two to ten cells of the angle of any width, masses of any size or none, edge 1."""
    half = draw(st.integers(1, 5))
    width = np.array(draw(st.lists(st.floats(0.05, 1.0), min_size=half, max_size=half)))
    up = np.cumsum(width) / np.sum(width)
    up[-1] = 1.0
    cells = half * (2 * half + 1)
    masses = st.one_of(st.just(0.0), st.floats(1e-6, 1.0))
    return Preisach(
        np.concatenate([-up[::-1], [0.0], up]),
        np.array(draw(st.lists(masses, min_size=cells, max_size=cells))),
    )


def pasts(least: int = 0):
    return st.lists(angles, min_size=least, max_size=N).map(np.array)


def follow(plane: Preisach, sense: float, path, state=None):
    """Output along a path, and the state after it."""
    after = np.zeros(2 + CAPACITY) if state is None else state.copy()
    shape = kernel_shape(plane.node, plane.mass, sense)
    return values(shape, np.array(path, dtype=float), after), after


def rounding(plane: Preisach) -> float:
    return 20 * EPS * (N + plane.node.size) * (1.0 + plane.mass.sum())


@many
@given(planes(), senses, pasts(), st.lists(angles, min_size=3, max_size=3), pasts(1))
def test_a_wider_extreme_wipes_out_what_lies_inside(plane, sense, past, three, later) -> None:
    """After the past, u then inner excursions then beyond: as if the inner ones had never been."""
    low, inner, high = sorted(three)
    assume(high - low > 1e-6)
    with_inner, end_with = follow(plane, sense, [*past, low, inner, (low + inner) / 2, high])
    without, end_without = follow(plane, sense, [*past, low, high])
    np.testing.assert_array_equal(end_with, end_without)
    assert abs(with_inner[-1] - without[-1]) <= rounding(plane)
    one, _ = follow(plane, sense, later, end_with)
    other, _ = follow(plane, sense, later, end_without)
    np.testing.assert_array_equal(one, other)


@many
@given(planes(), senses, pasts(), pasts(), angles, angles)
def test_loops_between_the_same_angles_are_congruent(plane, sense, past, other, a, b) -> None:
    """Second time round, whatever was before, the loop differs by a constant only."""
    assume(abs(a - b) > 1e-6)
    part = np.linspace(0, 1, 12)
    loop = np.concatenate([[a, b], a + (b - a) * (1 - part), a + (b - a) * part])
    shapes = []
    for before in (past, other):
        value, _ = follow(plane, sense, np.concatenate([before, loop]))
        shapes.append(value[-24:] - value[-24])
    np.testing.assert_allclose(shapes[0], shapes[1], rtol=0, atol=4 * rounding(plane))


@many
@given(planes(), angles, angles)
def test_everett_of_a_symmetric_density_is_symmetric(plane, a, b) -> None:
    """density(a, b) = density(−b, −a) gives E(α, β) = E(−β, −α), and loops that mirror."""
    n = plane.node.size - 1
    mass = np.zeros((n, n))
    mass[np.tril_indices(n)] = plane.mass
    even_node = (plane.node - plane.node[::-1]) / 2
    even = Preisach(even_node, (mass + mass[::-1, ::-1].T)[np.tril_indices(n)])
    high, low = max(a, b), min(a, b)
    one, other = even.everett(np.array([high, -low]), np.array([low, -high]))
    assert abs(one - other) <= 2 * rounding(even)
    path = np.array([a, b, 0.3 * a, 0.0])
    up, _ = even.torque(path, np.ones(4), even.rest())
    down, _ = even.torque(-path, np.ones(4), even.rest())
    np.testing.assert_allclose(up, -down, rtol=0, atol=2 * rounding(even))


@many
@given(planes(), pasts(), angles, angles)
def test_the_torque_rises_with_the_angle_and_everett_is_not_negative(plane, past, a, b) -> None:
    """So the balance has one solution; between its bounds the torque stays, too."""
    _, state = plane.torque(past, np.ones(1), plane.rest())
    high, low = max(a, b), min(a, b)
    upper = plane.torque(np.array([high]), np.ones(1), state)[0][0]
    lower = plane.torque(np.array([low]), np.ones(1), state)[0][0]
    assert upper >= lower - rounding(plane)
    assert plane.tangent(high, 1.0, state) >= -rounding(plane)
    assert plane.tangent(high, 1.0, state) <= plane.small_signal_stiffness() + rounding(plane) * 40
    assert plane.everett(np.array(high), np.array(low)) >= -rounding(plane)


@many
@given(planes(), pasts(), st.lists(angles, min_size=2, max_size=6))
def test_a_closed_cycle_dissipates(plane, past, corners) -> None:
    """∮ torque d(angle) ≥ 0 once the cycle repeats. Legs are split at the nodes and at the angles
    of all corners, where pieces may end; between them the torque is a parabola, for which
    Simpson's rule is exact."""
    corners = np.clip(corners, -1.0, 1.0)
    cycle = np.concatenate([corners, corners[:1]])
    edges = np.unique(np.concatenate([plane.node, corners, -corners, past]))
    path = [cycle[0]]
    for start, stop in pairwise(cycle):
        between = edges[(edges > min(start, stop)) & (edges < max(start, stop))]
        knots = np.concatenate([[start], between if stop > start else between[::-1], [stop]])
        middles = (knots[:-1] + knots[1:]) / 2
        path.extend(np.column_stack([middles, knots[1:]]).ravel())
    _, state = plane.torque(np.concatenate([past, cycle]), np.ones(1), plane.rest())
    torque, _ = plane.torque(np.array(path), np.ones(1), state)
    step = np.diff(np.array(path)[::2])
    work = np.sum(step * (torque[:-2:2] + 4 * torque[1:-1:2] + torque[2::2])) / 6
    assert work >= -8 * len(path) * rounding(plane)


@many
@given(planes(), pasts(1), st.integers(0, N))
def test_blocks_equal_the_whole_and_states_stay_as_they_are(plane, path, cut) -> None:
    whole, end = plane.torque(path, np.ones(1), plane.rest())
    first, state = plane.torque(path[:cut], np.ones(1), plane.rest())
    kept = state.copy()
    second, last = plane.torque(path[cut:], np.ones(1), state)
    np.testing.assert_allclose(
        np.concatenate([first, second]), whole, rtol=0, atol=rounding(plane)
    )
    np.testing.assert_array_equal(state, kept)
    later = np.linspace(-0.9, 0.7, 9)
    one, _ = plane.torque(later, np.ones(1), end)
    other, _ = plane.torque(later, np.ones(1), last)
    np.testing.assert_allclose(one, other, rtol=0, atol=rounding(plane))
