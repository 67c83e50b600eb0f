"""The Bouc-Wen operator: its table, its pieces, its derivatives, and what it refuses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from hysteresis.axis import AxisModel
from hysteresis.errors import InputError
from hysteresis.kernels import bouc_wen
from hysteresis.kernels.bouc_wen_table import TOLERANCE, table
from hysteresis.kernels.pieces import BLOCK, C1, C2, C3, END, PIECE_SIZE, REF, WAY
from hysteresis.operators.bouc_wen import BoucWen
from hysteresis.operators.elastic import Dynamics, Elastic

EPS = np.finfo(float).eps
CASES = {
    "smooth": BoucWen(0.8, 0.3, 0.75, 1.0),
    "between": BoucWen(0.8, 0.4, 0.6, 1.7),
    "sharp": BoucWen(1.1, 0.25, 1.0, 4.0),
    "unequal sides": BoucWen(0.8, 0.3, 0.8, 1.3, asymmetry=-0.4),
    "pinched": BoucWen(0.7, 0.35, 0.9, 2.0, asymmetry=0.2, pinching=0.6, pinching_width=0.25),
    "hardening": BoucWen(0.8, 0.5, 2.5, 1.0, swing=1.2, loading=-1.0),
}
every_case = pytest.mark.parametrize("operator", CASES.values(), ids=CASES.keys())


def wander(seed: int, samples: int) -> np.ndarray:
    """A random walk of the angle within ±1."""
    return np.sin(np.cumsum(np.random.default_rng(seed).normal(0.0, 0.4, samples)))


def rate(v, load, unload, n, depth, width):
    """dv/ds of the equation itself."""
    p = np.abs(v)
    left = np.where(
        (v > 0.5) & (load == 1.0), -np.expm1(n * np.log(np.maximum(p, 1e-300))),
        1.0 - np.where(v > 0, load, unload) * p**n,
    )  # fmt: skip
    return (1.0 - depth * np.exp(-((p / width) ** 2))) * left


# The table --------------------------------------------------------------------------------------


@pytest.mark.parametrize("sigma", [0.5, 0.8, 1.0])
@pytest.mark.parametrize(("depth", "width"), [(0.0, 0.3), (0.7, 0.3), (0.99, 0.05)])
@pytest.mark.parametrize("n", [1.0, 1.01, 1.7, 2.0, 3.0, 4.0, 10.0, 300.0])
def test_pieces_keep_the_stated_error(n, depth, width, sigma) -> None:
    """v of a cubic, put back into s = ∫ dv / F by 20-point quadrature (numpy), at three places of
    every piece. The slopes at the nodes make the error h⁴/384 |v⁗|, largest in the middle; the
    nodes are placed for TOLERANCE from values at both ends, so half as much again is allowed."""
    rows, _, zero = table(1.0, 1.0 - 2.0 * sigma, n, depth, width, np.inf)
    assert len(rows) < 2000
    assert rows[zero, 0] == rows[zero, 1] == 0.0
    assert np.all(np.diff(rows[:, 0]) > 0) and np.all(np.diff(rows[:, 1]) > 0)
    assert rows[0, 1] == -1.0 and 1.0 - rows[-1, 1] <= 1.01 * TOLERANCE
    x, w = np.polynomial.legendre.leggauss(20)
    start, length = rows[:-1], np.diff(rows[:, 0])
    at = [start[:, k] for k in range(5)]
    for part in (0.25, 0.5, 0.75, 1.0):
        d = part * length
        rise = d * (at[2] + d * (at[3] + d * at[4]))
        v = at[1][:, None] + 0.5 * rise[:, None] * (1.0 + x)
        s = 0.5 * rise * (w / rate(v, 1.0, 1.0 - 2.0 * sigma, n, depth, width)).sum(axis=1)
        error = (s - d) * rate(at[1] + rise, 1.0, 1.0 - 2.0 * sigma, n, depth, width)
        assert np.abs(error).max() < 1.5 * TOLERANCE


# Pieces -----------------------------------------------------------------------------------------


@every_case
def test_blocks(operator) -> None:
    """To the last bit at the kernels' block length, 1e-12 elsewhere."""
    theta = wander(2, 2 * BLOCK + 300)
    ones = np.ones(theta.size)
    whole, end = operator.torque(theta, ones, operator.rest())
    for cut in (0, 1, 60, 1500, BLOCK, 2 * BLOCK, theta.size):
        first, state = operator.torque(theta[:cut], ones[:cut], operator.rest())
        second, state = operator.torque(theta[cut:], ones[cut:], state)
        allowed = 0.0 if cut % BLOCK == 0 or cut == theta.size else 1e-12
        np.testing.assert_allclose(np.concatenate([first, second]), whole, rtol=0, atol=allowed)
        np.testing.assert_allclose(state, end, rtol=0, atol=allowed)


@every_case
def test_one_jump_is_many_steps_onward(operator) -> None:
    """Bit for bit the same piece."""
    shape = operator.shape()
    one, many = np.zeros(PIECE_SIZE), np.zeros(PIECE_SIZE)
    work_one, work_many = np.empty(6), np.empty(6)
    bouc_wen.begin(shape, np.zeros(1), 0.0, work_one, one)
    bouc_wen.begin(shape, np.zeros(1), 0.0, work_many, many)
    before = 0.0
    for theta in wander(4, 60):
        way = np.sign(theta - before)
        if one[WAY] != way:
            bouc_wen.turn(shape, work_one, one, before, way)
            bouc_wen.turn(shape, work_many, many, before, way)
        if way * (theta - one[END]) > 0.0:
            bouc_wen.jump(shape, work_one, one, theta)
        steps = 0
        while way * (theta - many[END]) > 0.0:
            bouc_wen.onward(shape, work_many, many)
            steps += 1
        np.testing.assert_array_equal(one, many)
        before = theta


def test_limits_of_unequal_sides() -> None:
    operator = CASES["unequal sides"]
    torque, state = operator.torque(np.array([90.0, -90.0]), np.ones(2), operator.rest())
    up, down = operator.limits()
    assert (up, down) == pytest.approx((0.18, 0.42), rel=4 * EPS)
    np.testing.assert_allclose(torque, [0.8 * up, -0.8 * down], rtol=1.01 * TOLERANCE)
    assert state[1] == pytest.approx(-down, rel=1.01 * TOLERANCE)


def test_small_moves_show_the_stiffness() -> None:
    for operator in CASES.values():
        tangent = operator.tangent(1e-9, 1.0, operator.rest())
        assert tangent == pytest.approx(operator.small_signal_stiffness(), rel=1e-7)


@every_case
def test_any_path_follows_the_equation(operator) -> None:
    """Against scipy's DOP853 leg by leg, stopped at the kink at zero; its global error is some
    times rtol = 1e-12. Ours: TOLERANCE per evaluation, twice at each turn; a pinched middle can
    magnify what was wrong before by 1 / (1 − pinching)."""
    theta = wander(11, 40)
    torque, _ = operator.torque(theta, np.ones(theta.size), operator.rest())
    up, down = operator.limits()
    n, depth, width = operator.exponent, operator.pinching, operator.pinching_width
    unload = operator.loading - 2.0 * operator.sigma
    z = before = 0.0
    for k, x in enumerate(theta):
        way = np.sign(x - before)
        start, end = 0.0, abs(x - before)
        while start < end:
            out = z * way >= 0.0  # away from zero
            c = operator.loading if out else unload
            limit = up if (z > 0.0) or (z == 0.0 and way > 0.0) else down

            def slope(_, z, c=c, limit=limit, way=way):
                p = np.abs(z) / limit
                return way * (1.0 - depth * np.exp(-((p / width) ** 2))) * (1.0 - c * p**n)

            def zero(_, z):
                return z[0]

            zero.terminal = True
            run = solve_ivp(slope, (start, end), [z], "DOP853", rtol=1e-12, atol=1e-14,
                            max_step=0.05 * limit, events=None if out else zero)  # fmt: skip
            start, z = run.t[-1], 0.0 if run.status == 1 else run.y[0, -1]
        bound = (1 + 2 * k) * TOLERANCE / (1.0 - depth) + 2e-11
        bound *= operator.stiffness * max(up, down)
        assert torque[k] == pytest.approx(operator.stiffness * z, abs=bound)
        before = x


# Derivatives ------------------------------------------------------------------------------------


def slopes_along(operator: BoucWen, theta: np.ndarray, d_theta: np.ndarray) -> np.ndarray:
    """Derivatives of the torque by the six unknowns along a path that depends on them, too:
    `d_theta` (samples, 6). Through the kernel's own functions, as the simulation calls them."""
    shape = operator.shape()
    work, piece = np.empty(bouc_wen.work_size(shape)), np.zeros(PIECE_SIZE)
    carry = np.empty((bouc_wen.carry_rows(shape), 6))
    bouc_wen.begin(shape, np.zeros(1), 0.0, work, piece)
    bouc_wen.slope_begin(shape, np.zeros(1), 0.0, work, carry)
    before, d_before = 0.0, np.zeros(6)
    out = np.empty((theta.size, 6))
    for n, a in enumerate(theta):
        way = np.sign(a - before)
        if piece[WAY] != way:
            bouc_wen.slope_turn(shape, work, piece, before, way, d_before, carry, 0)
            bouc_wen.turn(shape, work, piece, before, way)
        while way * (a - piece[END]) > 0.0:
            bouc_wen.slope_onward(shape, work, piece, carry, 0)
            bouc_wen.onward(shape, work, piece)
        g = np.zeros(6)
        bouc_wen.slope_at(shape, work, piece, a, carry, g, 0)
        d = a - piece[REF]
        out[n] = g + (piece[C1] + d * (2 * piece[C2] + 3 * d * piece[C3])) * d_theta[n]
        before, d_before = a, d_theta[n]
    return out


@every_case
@pytest.mark.parametrize("moving", [False, True])
def test_derivatives_against_central_differences(operator, moving) -> None:
    """Their own error: a third of what doubling ε changes (Richardson), taken three times over,
    and the noise of two tables, 2 TOLERANCE of the limit per reversal each, over ε."""
    if operator.pinching == 0.0:  # away from the edge of what is allowed
        operator = replace(operator, pinching=0.05)
    operator = replace(operator, exponent=operator.exponent + 0.01)
    if operator.swing is None:
        operator = replace(operator, sigma=max(operator.sigma, 0.51))
    theta = wander(7, 120)
    rng = np.random.default_rng(8)
    d_theta = rng.uniform(-0.05, 0.05, (theta.size, 6)) * moving
    exact = slopes_along(operator, theta, d_theta)
    ones = np.ones(theta.size)
    turns = 1 + int(np.sum(np.diff(np.sign(np.diff(theta))) != 0))
    noise = 2 * TOLERANCE * operator.stiffness * max(operator.limits()) * (1 + turns)
    for j, name in enumerate(BoucWen.unknown_names):
        value = getattr(operator, name)
        differences = []
        eps = 1e-4 * max(abs(value), 0.1)
        for step in (eps, 2 * eps):
            low, high = (
                replace(operator, **{name: value + sign * step}).torque(
                    theta + sign * step * d_theta[:, j], ones, operator.rest()
                )[0]
                for sign in (-1, 1)
            )
            differences.append((high - low) / (2 * step))
        bound = np.abs(differences[1] - differences[0]).max() + noise / eps
        assert bound < 3e-5
        np.testing.assert_allclose(exact[:, j], differences[0], rtol=0, atol=bound, err_msg=name)
        assert np.abs(exact[:, j]).max() > 100 * bound  # there is something to compare


@every_case
def test_derivatives_of_the_simulated_angle(operator) -> None:
    """The whole balance, drive to angle, against central differences with the same bound; the
    angle is as stiffly tied as the spring is (0.7), and rests on 300 samples."""
    operator = replace(
        operator, pinching=operator.pinching + 0.05, exponent=operator.exponent + 0.01
    )
    if operator.swing is None:
        operator = replace(operator, sigma=max(operator.sigma, 0.51))
    axis = AxisModel(Elastic(0.7), dynamics=Dynamics(2e-3, 2.5e-5), friction=operator)
    t = np.arange(1, 301) * 1e-3
    drive = 0.8 * np.sin(2 * np.pi * 11 * t) + 0.3 * np.sin(2 * np.pi * 29 * t)
    step_s = np.full(t.size, 1e-3)
    theta, slopes = axis.deflection_with_slopes(drive, step_s, axis.rest())
    np.testing.assert_allclose(theta, axis.deflection(drive, step_s)[0], rtol=0, atol=1e-12)
    noise = 2 * TOLERANCE * operator.stiffness * max(operator.limits()) * 20 / 0.7
    for j, name in enumerate(BoucWen.unknown_names):
        value = getattr(operator, name)
        differences = []
        eps = 1e-4 * max(abs(value), 0.1)
        for step in (eps, 2 * eps):
            low, high = (
                replace(axis, friction=replace(operator, **{name: value + sign * step}))
                .deflection(drive, step_s)[0]
                for sign in (-1, 1)
            )  # fmt: skip
            differences.append((high - low) / (2 * step))
        bound = np.abs(differences[1] - differences[0]).max() + noise / eps
        exact = slopes[:, 7 + j]
        np.testing.assert_allclose(exact, differences[0], rtol=0, atol=bound, err_msg=name)
        assert np.abs(exact).max() > 100 * bound


# What is refused --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "change",
    [
        {"stiffness": -1e-9}, {"stiffness": np.nan}, {"reach": 0.0}, {"reach": np.inf},
        {"sigma": 0.49}, {"sigma": np.inf}, {"exponent": 0.99}, {"asymmetry": 1.0},
        {"asymmetry": -1.0}, {"pinching": 1.0}, {"pinching": -0.1}, {"pinching_width": 0.0},
        {"loading": -1.0}, {"swing": 0.0}, {"swing": 1.0, "loading": 0.5},
    ],
)  # fmt: skip
def test_numbers_that_make_no_passive_element_are_refused(change) -> None:
    with pytest.raises(ValueError, match=r"[a-z]"):
        replace(CASES["smooth"], **change)


def test_textbook_constants_that_fall_with_the_angle_are_refused() -> None:
    with pytest.raises(InputError, match="positive"):
        BoucWen.from_textbook(0.0, 0.5, 0.5)
    with pytest.raises(InputError, match="swing"):
        BoucWen.from_textbook(1.0, 0.2, 0.5, admissible=False)
    # unloading dz/dx = 1 + (β − γ)|z| falls below zero for z > 1 / (γ − β) = 1/2
    with pytest.raises(InputError, match="rise"):
        BoucWen.from_textbook(1.0, -1.5, 0.5, admissible=False, swing=1.0)
    BoucWen.from_textbook(1.0, -1.5, 0.5, admissible=False, swing=0.1)


def test_a_path_beyond_the_stated_swing_is_refused() -> None:
    operator = CASES["hardening"]
    operator.torque(np.array([1.2, -1.2]), np.ones(2), operator.rest())
    with pytest.raises(InputError, match="swing"):
        operator.torque(np.array([1.2, -1.3]), np.ones(2), operator.rest())


def test_a_stretch_beyond_the_limits_is_refused() -> None:
    with pytest.raises(ValueError, match="limits"):
        CASES["smooth"].torque(np.zeros(1), np.ones(1), np.array([0.0, 0.31]))
