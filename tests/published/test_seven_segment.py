"""The seven-segment (double-S) profile against its textbook formulas.

Source: L. Biagiotti, C. Melchiorri, Trajectory Planning for Automatic Machines and Robots,
Springer 2008, ch. 3.4 "Trajectory with double S velocity profile", from memory: the three cases
(speed reached; not reached, full acceleration; neither), and the times of each. The worked
figures below follow from them by hand; the way is integrated anew by scipy.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from hysteresis.paths.jerk import seven_segments

# length, speed, acceleration, jerk; change of acceleration, speeding up, even motion; by hand
CASES = {
    # q = 10, v = 5, a = 10, j = 30: Tj = a/j = 1/3, Ta = Tj + v/a = 5/6, Tv = q/v - Ta = 7/6
    "speed and acceleration reached": ((10, 5, 10, 30), (1 / 3, 5 / 6, 7 / 6)),
    # v j < a²: Tj = sqrt(v/j), Ta = 2 Tj; v = 1.2, j = 30: Tj = 0.2, Tv = 10/1.2 - 0.4
    "speed reached, acceleration not": ((10, 1.2, 10, 30), (0.2, 0.4, 10 / 1.2 - 0.4)),
    # q ≥ 2 a³/j²: Ta = Tj/2 + sqrt(Tj²/4 + q/a); a = 10, j = 100, q = 2 ≥ 0.2, v never
    "acceleration reached, speed not": ((2, 50, 10, 100), (0.1, 0.05 + math.sqrt(0.2025), 0)),
    # q < 2 a³/j²: Tj = (q / 2j)^(1/3); q = 0.025, j = 100: Tj = 0.05
    "neither reached": ((0.025, 50, 10, 100), (0.05, 0.1, 0)),
}


@pytest.mark.parametrize("name", CASES)
def test_times_of_the_four_cases(name) -> None:
    limits, expected = CASES[name]
    move = seven_segments(*limits)
    found = (move.change_s, move.rise_s, move.keep_s)
    np.testing.assert_allclose(found, expected, rtol=4e-16, atol=1e-15)
    digits = -math.log10(max(np.max(np.abs(np.subtract(found, expected))), 1e-17))
    print(f"{name}: {digits:.0f} digits, {move.end_s:.6f} s")


@pytest.mark.parametrize("name", CASES)
def test_the_jerk_alone_integrated_gives_the_same_motion(name) -> None:
    """From the jerk and the times only, by an eighth-order Runge-Kutta method per phase: a cubic
    is integrated without error, so only rounding is left."""
    limits, (change, rise, keep) = CASES[name]
    move = seven_segments(*limits)
    j = limits[3]
    state, start = np.zeros(3), 0.0
    for lasts, jerk in (
        (change, j), (rise - 2 * change, 0), (change, -j), (keep, 0),
        (change, -j), (rise - 2 * change, 0), (change, j),
    ):  # fmt: skip
        if lasts <= 1e-12:
            continue
        found = solve_ivp(
            lambda t, s, jerk=jerk: [s[1], s[2], jerk], (0, lasts), state,
            method="DOP853", rtol=1e-12, atol=1e-12, dense_output=True,
        )  # fmt: skip
        t = np.linspace(0, lasts, 7)
        np.testing.assert_allclose(
            np.array(move.motion(start + t)), found.sol(t), atol=1e-11 * limits[0] + 1e-11 * j
        )
        state, start = found.y[:, -1], start + lasts
    np.testing.assert_allclose(state, [limits[0], 0, 0], atol=1e-11 * max(limits))
    assert move.end_s == pytest.approx(start, rel=1e-12)


@pytest.mark.parametrize("name", CASES)
def test_nothing_faster_keeps_the_limits(name) -> None:
    """A linear program over an own time grid (scipy.optimize.linprog, HiGHS): largest way from
    rest to rest in the same time under the three limits. On a grid the sums differ from the
    integrals by the order of the step, so it is bracketed: way(T) at two grids, halving."""
    from scipy.optimize import linprog

    limits, _ = CASES[name]
    length, v, a, j = limits
    move = seven_segments(*limits)
    reached = []
    for n in (100, 200):
        h = move.end_s / n
        # unknown: jerk per step; exact sums of the piecewise cubic
        lower = np.tril(np.ones((n, n)), -1)
        acc = h * (lower + np.eye(n))  # acceleration at the end of each step
        vel = h * (lower @ np.vstack([np.zeros(n), acc[:-1]]) + np.vstack([np.zeros(n), acc[:-1]]))
        vel = vel + 0.5 * h * h * (lower + np.eye(n))
        start_v, start_a = np.vstack([np.zeros(n), vel[:-1]]), np.vstack([np.zeros(n), acc[:-1]])
        way = (h * start_v + 0.5 * h * h * start_a + h**3 / 6 * np.eye(n)).sum(axis=0)
        best = linprog(
            -way,
            A_ub=np.vstack([acc, -acc, vel]),
            b_ub=np.concatenate([np.full(2 * n, a), np.full(n, v)]),
            A_eq=np.vstack([acc[-1], vel[-1]]), b_eq=[0, 0], bounds=(-j, j),
        )  # fmt: skip
        assert best.status == 0
        reached.append(-best.fun)
    # a jerk that is even on a grid cannot beat the optimum, and comes near it as it gets finer
    assert max(reached) <= length * (1 + 1e-7)
    assert reached[1] >= length * (1 - 0.02)
