"""The mean over an exposure against SciPy's quadrature."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from hysteresis.kernels.exposure import average_columns
from hysteresis.recording import average, simulation_grid

EPS = np.finfo(float).eps


@st.composite
def films(draw):
    """A piecewise-linear path of three columns, and exposures inside, across and outside it."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    nodes = draw(st.integers(2, 12))
    node_s = np.cumsum(10.0 ** rng.uniform(-2, 0, nodes)) - draw(st.sampled_from([0.0, 1.0, 50.0]))
    columns = rng.uniform(-1, 1, (nodes, 3))
    length = node_s[-1] - node_s[0]
    frames = 12
    start = node_s[0] + length * rng.uniform(-0.5, 1.5, frames)
    start[:2] = rng.choice(node_s, 2)  # a frame may open just at a node
    exposure = length * rng.choice([0.0, 0.01, 0.3, 1.2, 3.0], frames)
    return node_s, columns, start, exposure


def clock_rounding(film) -> float:
    """Times are rounded to ε t, weights by that over the shortest exposure or leg."""
    node_s, _, start, exposure = film
    latest = np.abs(node_s).max() + np.abs(start).max() + exposure.max()
    shortest = min(np.diff(node_s).min(), exposure[exposure > 0].min(initial=1.0))
    return 16 * EPS * (1 + latest / shortest)


@settings(max_examples=60, deadline=None)
@given(films())
def test_average_is_the_integral_over_the_exposure(film) -> None:
    """scipy.integrate.quad between nodes, where its Gauss-Kronrod rule is exact for a straight
    line; np.interp holds the end values outside. Rounding only."""
    node_s, columns, start, exposure = film
    got = average_columns(node_s, columns, start, exposure)
    assert got.shape == (start.size, 3)
    for f in range(start.size):
        end = start[f] + exposure[f]
        inside = node_s[(node_s > start[f]) & (node_s < end)]
        edges = np.concatenate(([start[f]], inside, [end]))
        for p in range(3):
            value = lambda t, p=p: np.interp(t, node_s, columns[:, p])  # noqa: E731
            if exposure[f] == 0.0:
                wanted = value(start[f])
            else:
                parts = (quad(value, a, b)[0] for a, b in pairwise(edges))
                wanted = sum(parts) / exposure[f]
            assert abs(got[f, p] - wanted) <= clock_rounding(film)


@settings(max_examples=60, deadline=None)
@given(films(), st.floats(-3, 3), st.integers(0, 2**32))
def test_average_is_linear_and_keeps_constants(film, factor, seed) -> None:
    node_s, columns, start, exposure = film
    bound = clock_rounding(film)
    frames = average_columns(node_s, columns, start, exposure)
    other = np.random.default_rng(seed).uniform(-1, 1, columns.shape)
    both = average_columns(node_s, columns + factor * other, start, exposure)
    parts = frames + factor * average_columns(node_s, other, start, exposure)
    np.testing.assert_allclose(both, parts, rtol=0, atol=4 * bound)
    ones = average_columns(node_s, np.ones_like(columns), start, exposure)
    np.testing.assert_allclose(ones, 1.0, rtol=0, atol=bound)
    # a mean lies between the lowest and the highest value
    assert np.all(frames <= columns.max(axis=0) + bound)
    assert np.all(frames >= columns.min(axis=0) - bound)


@st.composite
def drives(draw):
    """Vertices of a drive: holds, ramps and steps with a finite rise."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    count = draw(st.integers(2, 15))
    t_s = np.concatenate(([0.0], np.cumsum(10.0 ** rng.uniform(-2.5, 0.7, count - 1))))
    hold = rng.random(count) < 0.4
    levels = []
    for axis in (rng.uniform(-1, 1, count), rng.uniform(-1, 1, count)):
        level = axis.copy()
        for k in range(1, count):
            if hold[k]:
                level[k] = level[k - 1]
        levels.append(level)
    return t_s, *levels


@settings(max_examples=80, deadline=None)
@given(drives())
def test_a_simulation_grid_holds_the_drive_exactly(drive) -> None:
    t_s, drive_x, drive_y = drive
    grid = simulation_grid(t_s, drive_x, drive_y)
    assert np.isin(t_s, grid.t_s).all()  # every vertex, to the last bit
    assert grid.t_s[0] == t_s[0]
    assert grid.t_s[-1] == t_s[-1]
    assert np.all(np.diff(grid.t_s) > 0)
    np.testing.assert_array_equal(grid.step_s[1:], np.diff(grid.t_s))
    assert grid.step_s[0] > 0
    for own, vertex in ((grid.drive_x, drive_x), (grid.drive_y, drive_y)):
        np.testing.assert_array_equal(own, np.interp(grid.t_s, t_s, vertex))


@settings(max_examples=80, deadline=None)
@given(drives())
def test_a_simulation_grid_is_fine_after_a_corner_and_never_too_coarse(drive) -> None:
    """What its docstring promises: no step above the longest, no move above the largest, and 1 ms
    (here with room for the last step before a vertex) for 0.15 s after a corner."""
    t_s, drive_x, drive_y = drive
    grid = simulation_grid(t_s, drive_x, drive_y)
    step = np.diff(grid.t_s)
    assert step.max() <= 0.1 * (1 + 1e-9)
    for own in (grid.drive_x, grid.drive_y):
        fast = np.abs(np.diff(own)) > 0.01 * (1 + 1e-6)
        assert np.all(step[fast] <= 0.001 * (1 + 1e-9))
    slope = np.vstack([np.diff(d) / np.diff(t_s) for d in (drive_x, drive_y)])
    turn = np.abs(np.diff(slope, prepend=0.0)).max(axis=0)
    for corner in t_s[:-1][turn > 0.02]:
        near = (grid.t_s[:-1] >= corner) & (grid.t_s[1:] <= corner + 0.1)
        assert np.all(step[near] <= 0.001 * (1 + 1e-9))


@settings(max_examples=80, deadline=None)
@given(drives())
def test_a_simulation_grid_grows_slowly_enough_for_bdf2(drive) -> None:
    """Within each leg of the drive neighbours differ by less than 1 + √2, where variable-step
    BDF2 stops being stable (Hairer, Norsett & Wanner, Solving ODEs I, III.5; from memory)."""
    t_s, drive_x, drive_y = drive
    grid = simulation_grid(t_s, drive_x, drive_y)
    step = np.diff(grid.t_s)
    leg = np.searchsorted(t_s, grid.t_s[:-1] + 1e-12, side="right")
    same = leg[1:] == leg[:-1]
    ratio = (step[1:] / step[:-1])[same]
    assert np.all(ratio < 1 + np.sqrt(2))


def test_average_keeps_the_shape_of_its_columns() -> None:
    grid = simulation_grid(np.array([0.0, 1.0]), np.zeros(2), np.array([0.0, 0.5]))
    start, exposure = np.array([0.1, 0.5]), np.array([0.01, 0.2])
    assert average(grid, grid.drive_y, start, exposure).shape == (2,)
    stacked = np.column_stack([grid.drive_y, 2 * grid.drive_y])
    both = average(grid, stacked, start, exposure)
    # the mean of a ramp is its value at mid exposure
    np.testing.assert_allclose(both[:, 0], 0.5 * (start + exposure / 2), atol=1e-15)
    np.testing.assert_allclose(both[:, 1], start + exposure / 2, atol=1e-15)
