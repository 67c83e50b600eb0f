"""The Preisach torque against relays switched one by one, and its state, slopes and refusals."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from hysteresis.axis import AxisModel
from hysteresis.kernels import everett, everett_slopes
from hysteresis.kernels.pieces import BLOCK, C0, C1, C2, END, PIECE_SIZE, REF, WAY
from hysteresis.operators.elastic import Dynamics, Elastic
from hysteresis.operators.preisach import (
    CAPACITY,
    LAGS,
    RESISTS,
    Preisach,
    cell_indices,
    kernel_shape,
    path_columns,
    path_values,
)

EPS = np.finfo(float).eps


def graded(levels: int, top: float = 1.0, even: float = 0.3) -> np.ndarray:
    u = np.linspace(-1, 1, levels + 1)
    return top * u * (even + (1 - even) * np.abs(u))


def masses(levels: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0, 1, levels * (levels + 1) // 2) / levels**2


def relays(
    node: np.ndarray, mass: np.ndarray, sense: float, theta: np.ndarray, part: int
) -> np.ndarray:
    """Output of part × part relays in every cell (on the diagonal: of those with a ≥ b).

    A relay is up (+½) once the angle has passed its a upwards and down (−½) once it has passed
    its b downwards (Preisach's element; Mayergoyz, from memory). At rest those with a + b < 0 are
    up and those with a + b > 0 down. Where the angle stops between relays, at a `part` of a cell,
    their sum is the integral over the cell, without error: relays on the diagonal count half.
    """
    i, j = cell_indices(node.size - 1)
    share = (np.arange(part) + 0.5) / part
    wide = np.diff(node)
    a = np.broadcast_to((node[i, None] + wide[i, None] * share)[:, :, None], (i.size, part, part))
    b = np.broadcast_to((node[j, None] + wide[j, None] * share)[:, None, :], (i.size, part, part))
    below = np.tril(np.full((part, part), 2.0), -1) + np.eye(part)
    weight = mass[:, None, None] / part**2 * np.where((i == j)[:, None, None], below, 1.0)
    state = -0.5 * np.sign(np.where(np.abs(a + b) < 1e-12, 0.0, a + b))
    out = []
    for x in np.concatenate([[0.0], theta]):
        state = np.where(x > a, 0.5, np.where(x < b, -0.5, state))
        lag = np.sum(weight * state)
        road = np.sum(weight * 0.5 * (np.sign(x - a) + np.sign(x - b)))
        out.append(lag if sense == LAGS else road - lag)
    return np.array(out[1:]) - out[0]


def stops_between_relays(node: np.ndarray, part: int, count: int, seed: int) -> np.ndarray:
    """Random angles at parts of cells, some beyond the grid."""
    rng = np.random.default_rng(seed)
    fine = np.interp(np.arange(part * (node.size - 1) + 1) / part, np.arange(node.size), node)
    fine = np.concatenate([[1.3 * node[0], 1.1 * node[0]], fine, [1.1 * node[-1], 1.3 * node[-1]]])
    steps = np.cumsum(rng.normal(0, 0.2 * fine.size, count))
    return fine[np.round((0.5 + 0.5 * np.sin(steps / 9)) * (fine.size - 1)).astype(int)]


@pytest.mark.parametrize("sense", [LAGS, RESISTS], ids=["response", "torque"])
@pytest.mark.parametrize("node", [np.linspace(-1, 1, 7), graded(8), graded(2)])
def test_a_random_plane_is_its_relays(node: np.ndarray, sense: float) -> None:
    """Every relay is counted, so only the rounding of the sums is left."""
    mass = masses(node.size - 1)
    theta = stops_between_relays(node, 6, 300, 3)
    got = path_values(kernel_shape(node, mass, sense), theta, np.zeros(2 + CAPACITY))
    want = relays(node, mass, sense, theta, 6)
    bound = 4 * EPS * (mass.size * 36 + 100) * mass.sum()
    np.testing.assert_allclose(got, want, rtol=0, atol=bound)
    assert np.ptp(got) > 0.3 * mass.sum()
    columns = path_columns(node, theta, sense)
    np.testing.assert_allclose(columns @ mass, want, rtol=0, atol=bound)


def test_everett_is_the_fall_of_the_torque_on_a_first_branch() -> None:
    node = graded(10, 1.2)
    plane = Preisach(node, masses(10))
    alpha, beta = np.array([1.1, 0.5, 0.5, 0.02, -0.3]), np.array([-1.0, 0.4, 0.5, -0.7, -0.31])
    fall = [
        np.subtract(*plane.torque(np.array([2.0, -2.0, a, b]), np.ones(4), plane.rest())[0][2:])
        for a, b in zip(alpha, beta, strict=True)
    ]
    got = plane.everett(alpha, beta)
    np.testing.assert_allclose(got, fall, rtol=0, atol=200 * EPS * plane.mass.sum())
    assert got[2] == 0.0
    with pytest.raises(ValueError, match="beta"):
        plane.everett(np.array(0.1), np.array(0.2))


def test_mass_on_a_line_is_one_friction_element() -> None:
    """All mass at (a, b): on the way up the torque rises at b, on the way down it falls at a."""
    node = np.linspace(-1, 1, 11)  # cells 0.2 wide
    i, j = cell_indices(10)
    mass = np.where((i == 7) & (j == 3), 1.0, 0.0)  # a in 0.4…0.6, b in −0.4…−0.2
    plane = Preisach(node, mass)
    path = np.array([1.0, -1.0, -0.4, -0.2, 0.9, 0.6, 0.4, 0.0, 0.5, -0.9])
    torque, _ = plane.torque(path, np.ones(path.size), plane.rest())
    np.testing.assert_allclose(
        torque - torque[1], [1, 0, 0, 1, 1, 1, 0, 0, 0.5, 0], rtol=0, atol=100 * EPS
    )


def test_density_plane_covers_the_half_plane() -> None:
    plane = Preisach(graded(6, 0.9), masses(6))
    cells = plane.density_plane()
    area = (cells.a_high - cells.a_low) * (cells.b_high - cells.b_low)
    area[cells.a_low == cells.b_low] /= 2
    np.testing.assert_allclose(cells.density * area, plane.mass, rtol=4 * EPS)
    assert area.sum() == pytest.approx(1.8**2 / 2, rel=50 * EPS)


def test_beyond_the_grid_the_torque_is_constant_and_memory_is_saturated() -> None:
    plane = Preisach(graded(6, 0.9), masses(6))
    path = np.array([0.3, -0.2, 0.9, 1.4, 0.95, 1.0, 0.5])
    torque, state = plane.torque(path, np.ones(7), plane.rest())
    assert np.all(torque[2:6] == torque[2])
    assert torque[6] < torque[5]
    assert list(state[:3]) == [0.5, 1.0, 0.9]  # angle, one reversal, at the edge
    for side in (1.2, -1.2):
        assert plane.tangent(side, 1.0, plane.rest()) == 0.0


def test_a_run_in_blocks_is_the_whole_run_bit_for_bit() -> None:
    """At the kernel's block length, and here at any length: a piece does not depend on where it
    was begun."""
    plane = Preisach(graded(12, 1.1), masses(12))
    rng = np.random.default_rng(4)
    theta = np.sin(np.cumsum(rng.normal(0, 0.2, 3 * BLOCK)))
    whole, end = plane.torque(theta, np.ones(theta.size), plane.rest())
    for length in (BLOCK, 1000, 7):
        state, parts = plane.rest(), []
        for first in range(0, theta.size, length):
            part, state = plane.torque(theta[first : first + length], np.ones(1), state)
            parts.append(part)
        np.testing.assert_array_equal(np.concatenate(parts), whole)
        np.testing.assert_array_equal(state, end)


def by_pieces(shape, theta, d_theta, first):
    """The pieces one after the other, without leaps, with derivatives by all parameters."""
    work, piece = np.full(everett.work_size(shape), np.nan), np.zeros(PIECE_SIZE)
    carry = np.full((everett_slopes.carry_rows(shape), d_theta.shape[1]), np.nan)
    z, before, d_before = np.zeros(1 + int(shape[1])), 0.0, np.zeros(d_theta.shape[1])
    everett.begin(shape, z, before, work, piece)
    everett_slopes.slope_begin(shape, z, before, work, carry)
    value, slope = [], []
    for a, d_a in zip(theta, d_theta, strict=True):
        way = float(np.sign(a - before))
        if way != piece[WAY]:
            everett_slopes.slope_turn(shape, work, piece, before, way, d_before, carry, first)
            everett.turn(shape, work, piece, before, way)
        while way * (a - piece[END]) > 0:
            everett_slopes.slope_onward(shape, work, piece, carry, first)
            everett.onward(shape, work, piece)
        d = a - piece[REF]
        value.append(piece[C0] + d * (piece[C1] + d * piece[C2]))
        g = np.zeros(d_theta.shape[1])
        everett_slopes.slope_at(shape, work, piece, a, carry, g, first)
        slope.append(g + (piece[C1] + 2 * d * piece[C2]) * d_a)
        before, d_before = a, d_a
    return np.array(value), np.array(slope)


@pytest.mark.parametrize("sense", [LAGS, RESISTS], ids=["response", "torque"])
@pytest.mark.parametrize(("levels", "capacity"), [(2, 200), (6, 200), (12, 200), (6, 5)])
def test_slopes_are_those_of_differences_also_through_the_angles(
    levels: int, capacity: int, sense: float
) -> None:
    """Masses and angles move together; with room for five reversals the stack is often full.

    Between events the torque is quadratic in the angle and linear in the mass, so cubic along a
    line: the central difference errs by h² c, and rounding. c is bounded by what two steps differ
    by (three quarters of it, Richardson), taken double; samples of which an event is nearer than
    the step are seen by their second difference."""
    rng = np.random.default_rng(levels)
    node, mass = graded(levels), masses(levels) + 0.1 / levels**2
    count, first = mass.size, 2
    theta = 1.1 * np.sin(np.cumsum(rng.normal(0, 0.3, 400)))
    d_theta = np.cumsum(rng.normal(0, 0.01, (theta.size, count + 3)), axis=0)
    shape = kernel_shape(node, mass, sense, capacity)
    value, slope = by_pieces(shape, theta, d_theta, first)
    line = rng.normal(0, 1, count + 3)

    def moved(step: float) -> np.ndarray:
        shape = kernel_shape(node, mass + step * line[first : first + count], sense, capacity)
        return path_values(shape, theta + step * (d_theta @ line), np.zeros(2 + capacity))

    at = moved(0.0)
    np.testing.assert_allclose(value, at, rtol=0, atol=50 * levels * EPS * mass.sum())
    if capacity < CAPACITY:  # room ran out indeed
        roomy = path_values(kernel_shape(node, mass, sense), theta, np.zeros(2 + CAPACITY))
        assert np.abs(roomy - at).max() > 1e-3 * mass.sum()
    h = 1e-6
    one, two = ((moved(k * h) - moved(-k * h)) / (2 * k * h) for k in (1, 2))
    bend = np.abs(moved(h) - 2 * at + moved(-h)) / h
    rounding = 40 * levels * EPS * (np.abs(at).max() + mass.sum()) / h
    smooth = bend < 1e-3 * (1 + np.abs(one)) + 2 * rounding
    bound = 2 * 0.75 * np.abs(two - one) + rounding
    assert smooth.mean() > 0.95
    off = np.abs(slope @ line - one)
    assert np.all(off[smooth] <= bound[smooth])
    assert np.median(bound[smooth] / np.abs(one[smooth])) < 1e-5


def test_slopes_at_the_start_know_the_reversals_that_are_there() -> None:
    """From a state with a past: columns times masses give the torque, which is linear in them."""
    plane = Preisach(graded(8), masses(8))
    rng = np.random.default_rng(6)
    _, state = plane.torque(0.9 * 0.8 ** np.arange(9.0) * (-1) ** np.arange(9), np.ones(1),
                            plane.rest())  # fmt: skip
    assert state[1] > 5
    theta = rng.uniform(-0.5, 0.5, 40)
    torque, _ = plane.torque(theta, np.ones(1), state)
    np.testing.assert_allclose(
        plane.columns(theta, state) @ plane.mass, torque, rtol=0, atol=500 * EPS * plane.mass.sum()
    )


def test_a_full_stack_forgets_little_torque() -> None:
    """A sweep that decays by equal steps until the stack is full and beyond.

    What is given up is never larger than the smallest rectangle between neighbouring reversals:
    with `step` between those of one side, the first ones cost density × step². Each pair that
    goes may double a rectangle beside it, so at most twice the step on both sides."""
    node = np.linspace(-1, 1, 3)
    density, more = 1.0, 60
    plane = Preisach(node, density * np.array([0.5, 1.0, 0.5]))
    step = 2.0 / 300
    sweep = (0.99 - step / 2 * np.arange(CAPACITY + more)) * (-1) ** np.arange(CAPACITY + more)
    torque, state = plane.torque(sweep, np.ones(1), plane.rest())
    assert state[1] <= CAPACITY
    shape = kernel_shape(node, plane.mass, RESISTS, capacity=2 * CAPACITY)
    roomy = np.zeros(2 + 2 * CAPACITY)
    exact = path_values(shape, sweep, roomy)
    assert roomy[1] == sweep.size - 1
    lost = more / 2 * density * (2 * step) ** 2
    assert 0 < np.abs(torque - exact).max() <= lost
    # outwards again: everything inner is wiped and nothing is missing
    back, _ = plane.torque(np.array([0.5, 1.0]), np.ones(1), state)
    exact_back = path_values(shape, np.array([0.5, 1.0]), roomy)
    assert back[1] == pytest.approx(exact_back[1], abs=1000 * EPS)
    # the derivatives forget the same
    columns = plane.columns(sweep) @ plane.mass
    np.testing.assert_allclose(columns, torque, rtol=0, atol=CAPACITY * 100 * EPS)


def test_states_that_contradict_the_angle_are_mended() -> None:
    """Reversals that an angle so far out must have wiped are left out, not believed."""
    plane = Preisach(graded(6), masses(6))
    state = plane.rest()
    state[:5] = [0.7, 3, 0.6, -0.5, 0.4]  # at 0.7, though it last turned at 0.6, −0.5 and 0.4
    torque, _ = plane.torque(np.array([0.75, 0.1]), np.ones(2), state)
    fresh, _ = plane.torque(np.array([0.7, 0.75, 0.1]), np.ones(3), plane.rest())
    np.testing.assert_allclose(torque, fresh[1:], rtol=0, atol=100 * EPS)


@pytest.mark.parametrize(
    ("node", "mass"),
    [
        ([-1.0, 0.0, 1.0], [1.0, 1.0]),  # three cells
        ([-1.0, 1.0], [1.0]),  # 0 is no node
        ([-1.0, 0.0, 0.9], [1.0, 1.0, 1.0]),  # not mirrored
        ([-1.0, -0.2, 0.1, 0.2, 1.0], np.ones(10)),
        ([1.0, 0.0, -1.0], [1.0, 1.0, 1.0]),
        ([-1.0, 0.0, 1.0], [1.0, -1e-9, 1.0]),  # would create energy
        ([-1.0, 0.0, np.inf], [1.0, 1.0, 1.0]),
        ([-1.0, 0.0, 1.0], [1.0, np.nan, 1.0]),
        ([[-1.0, 0.0, 1.0]], [1.0, 1.0, 1.0]),
    ],
)
def test_what_makes_no_plane_is_refused(node: list, mass: list) -> None:
    with pytest.raises(ValueError, match=r"[a-z]"):
        Preisach(np.array(node), np.array(mass))


def test_json_round_trip_keeps_every_bit() -> None:
    plane = Preisach(graded(6, 0.77), masses(6))
    again = Preisach(**json.loads(json.dumps(plane.to_json())))
    np.testing.assert_array_equal(again.node, plane.node)
    np.testing.assert_array_equal(again.mass, plane.mass)


def test_the_axis_needs_no_inverse_of_its_own() -> None:
    """Drive for a wanted angle, then the angle of that drive: one equation, so rounding only."""
    axis = AxisModel(Elastic(0.6), friction=Preisach(graded(20, 1.2), 8 * masses(20)))
    t = np.linspace(0, 6, 3000)
    theta = 0.7 * np.sin(2 * t) * np.cos(0.7 * t)
    drive, _ = axis.drive(theta, 1e-3)
    again, _ = axis.deflection(drive, 1e-3)
    np.testing.assert_allclose(again, theta, rtol=0, atol=2e3 * EPS)
    plain, _ = AxisModel(Elastic(axis.small_signal_stiffness())).drive(theta, 1e-3)
    assert np.abs(drive - plain).max() > 0.02  # the memory is no trifle here


def test_axis_slopes_are_those_of_differences() -> None:
    """Angle under a drive by every mass, through inertia, damping and the implicit step: the
    balance's own recursion. Central differences of two steps bound their own error (Richardson,
    doubled) beside rounding, which inertia / step² = 25 and 1500 steps magnify to 1e5 at most."""
    plane = Preisach(graded(6, 1.2), 3 * masses(6) + 0.02)
    t = 2e-3 * np.arange(1500)
    drive = 0.8 * np.sin(3 * t) * np.cos(1.1 * t) + 0.1 * np.sign(np.sin(9 * t))
    axis = AxisModel(Elastic(0.6), dynamics=Dynamics(2e-3, 1e-4), friction=plane)
    step = np.full(drive.size, 2e-3)
    theta, slope = axis.deflection_with_slopes(drive, step, axis.rest())
    first = 7  # after k1 k2 k3, two softenings, damping, inertia
    line = np.random.default_rng(5).normal(0, 1, plane.mass.size)

    def moved(h: float) -> np.ndarray:
        other = Preisach(plane.node, plane.mass + h * line)
        return replace(axis, friction=other).deflection(drive, step)[0]

    h = 1e-5
    one, two = ((moved(k * h) - moved(-k * h)) / (2 * k * h) for k in (1, 2))
    at = moved(0.0)
    np.testing.assert_allclose(theta, at, rtol=0, atol=1e5 * EPS)
    got = slope[:, first : first + plane.mass.size] @ line
    # an event (node, reversal) within the step makes a kink that both differences see
    bound = 1.5 * np.abs(two - one) + 1e5 * EPS / h
    off = np.abs(got - one)
    print(f"slopes up to {np.abs(one).max():.2f}, worst error {off.max():.1e}")
    assert np.all(off <= bound)
    assert np.median(bound) < 1e-4 * np.abs(one).max()
