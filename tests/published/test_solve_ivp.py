"""The whole torque balance against an independent solver of the same equations.

Source: scipy.integrate.solve_ivp with DOP853 (Dormand & Prince, order 8; Hairer, Norsett & Wanner,
Solving Ordinary Differential Equations I), rtol 1e-11. Friction makes the equations smooth in
pieces only: each piece, a fixed set of sticking elements, is solved on its own and ended by an
event, when a stuck element reaches its limit or the motion turns. Nothing of the package's step is
used. Its own error: of second order in the step, hence 4/3 of what halving the step changes for
the coarse run and 1/3 for the fine one (Richardson); half as much again is allowed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from hysteresis.axis import AxisModel
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.elastic import Dynamics, Elastic, Heating
from hysteresis.operators.maxwell_slip import MaxwellSlip

END_S = 0.8
RIG = AxisModel(
    Elastic(0.9, 0.05, 0.08),
    dynamics=Dynamics(2 * 0.1 / (2 * np.pi * 25), (2 * np.pi * 25) ** -2),
    friction=MaxwellSlip(np.array([0.02, 0.08, 0.2, 0.5]), np.array([0.10, 0.08, 0.06, 0.05])),
    after_effect=AfterEffect(np.array([0.01, 0.2, 5.0]), np.array([0.05, 0.04, 0.06])),
)


def smooth_drive(t):
    """Reversals of several sizes, from rest with no jump in slope."""
    return 0.9 * (t / END_S) ** 2 * np.sin(2 * np.pi * 2.7 * t) + 0.25 * np.sin(
        2 * np.pi * 7.1 * t
    ) * np.sin(np.pi * t / END_S)


def reference(
    axis: AxisModel, drive: Callable, at_s: np.ndarray, stretch: np.ndarray
) -> tuple[np.ndarray, int]:
    """Angle at the times asked for, and the number of smooth pieces it took."""
    e, d = axis.elastic, axis.dynamics
    limit, k = axis.friction.limit, axis.friction.stiffness
    tau, branch = axis.after_effect.relaxation_time_s, axis.after_effect.stiffness
    anchor, slip = np.zeros(limit.size), np.zeros(limit.size)  # slip: 0 stuck, ±1 slipping

    def slope(t, s):
        theta, omega, y = s[0], s[1], s[2:]
        z = np.where(slip == 0, theta - anchor, slip * limit)
        torque = theta * (e.linear + theta * (e.quadratic + theta * e.cubic)) + k @ z + branch @ y
        push = (drive(t) - d.damping_s * omega - torque) / d.inertia_s2
        return np.concatenate(([omega, push], omega - y / tau))

    def reaches_limit(i):
        def over(t, s):
            return -1.0 if slip[i] else float(abs(s[0] - anchor[i]) - limit[i])

        over.terminal, over.direction = True, 1.0
        return over

    def turns(t, s):
        way = slip[slip != 0]
        return float(s[1] * way[0]) if way.size else 1.0

    turns.terminal, turns.direction = True, -1.0
    events = (turns, *(reaches_limit(i) for i in range(limit.size)))
    t, state, pieces = 0.0, np.concatenate(([0.0, 0.0], stretch)), 0
    theta = np.full(at_s.size, np.nan)
    while t < at_s[-1]:
        solved = solve_ivp(
            slope, (t, at_s[-1]), state, "DOP853", rtol=1e-11, atol=1e-13, dense_output=True,
            events=events, max_step=2e-3,
        )  # fmt: skip
        assert solved.success
        inside = (at_s >= t) & (at_s <= solved.t[-1])
        if inside.any():
            theta[inside] = solved.sol(at_s[inside])[0]
        t, state = solved.t[-1], solved.y[:, -1]
        pieces += 1
        assert pieces < 500
        for i in range(limit.size):
            if solved.t_events[i + 1].size:
                slip[i] = np.sign(state[0] - anchor[i])
        if solved.t_events[0].size:
            slipping = slip != 0
            anchor[slipping] = state[0] - slip[slipping] * limit[slipping]
            slip[:] = 0.0
    return theta, pieces


def simulated(axis: AxisModel, t_s: np.ndarray, stretch: np.ndarray) -> np.ndarray:
    step_s = np.diff(t_s, prepend=0.0)
    return axis.deflection(smooth_drive(t_s), step_s, axis.branch_state(stretch))[0]


def even(count: int) -> np.ndarray:
    return END_S / count * np.arange(1, count + 1)


def uneven(count: int) -> np.ndarray:
    """Steps that swell and shrink smoothly, by a factor 4 in all; halved when count doubles."""
    part = np.arange(1, count + 1) / count
    return END_S * (part + 0.6 / (6 * np.pi) * np.sin(6 * np.pi * part))


REST = np.zeros(3)
CASES = {
    "rested": (RIG, REST),
    "with a history": (RIG, np.array([0.0, 0.15, -0.2])),
    "friction alone": (replace(RIG, after_effect=AfterEffect(np.empty(0), np.empty(0))), REST[:0]),
    "after-effect alone": (replace(RIG, friction=MaxwellSlip(np.empty(0), np.empty(0))), REST),
}


@pytest.mark.parametrize("grid", [even, uneven])
@pytest.mark.parametrize("name", CASES)
def test_second_order_and_within_its_own_bound(name: str, grid: Callable) -> None:
    axis, stretch = CASES[name]
    counts = (800, 1600, 3200, 6400)
    runs = {n: simulated(axis, grid(n), stretch) for n in counts}
    exact, pieces = reference(axis, smooth_drive, np.concatenate(([0.0], grid(800))), stretch)
    assert not np.isnan(exact).any()
    assert (pieces > 20) == (axis.friction.limit.size > 0)
    at_800 = {n: run[n // 800 - 1 :: n // 800] for n, run in runs.items()}
    errors = {n: np.abs(v - exact[1:]).max() for n, v in at_800.items()}
    for coarse, fine in pairwise(counts):
        change = np.abs(at_800[coarse] - at_800[fine]).max()
        assert errors[coarse] <= 1.5 * 4 / 3 * change
        assert errors[fine] <= 1.5 / 3 * change
    order = np.log2(errors[800] / errors[6400]) / 3
    print(f"{name}, {grid.__name__}: {pieces} pieces, error at 1 ms {errors[800]:.1e}, "
          f"at 0.125 ms {errors[6400]:.1e}, order {order:.2f}")  # fmt: skip
    assert errors[800] < 2e-3
    assert errors[6400] < 3e-5
    assert 1.8 < order < 2.2


def test_the_reference_knows_its_own_error() -> None:
    """It would be no use if it were not far better than what it judges: a solver of another
    family (Radau IIA, implicit) and other tolerances agree with it."""
    at = even(200)
    exact, _ = reference(CASES["after-effect alone"][0], smooth_drive, at, REST)
    axis = CASES["after-effect alone"][0]
    e, d = axis.elastic, axis.dynamics
    tau, branch = axis.after_effect.relaxation_time_s, axis.after_effect.stiffness

    def slope(t, s):
        spring = s[0] * (e.linear + s[0] * (e.quadratic + s[0] * e.cubic))
        push = smooth_drive(t) - d.damping_s * s[1] - spring - branch @ s[2:]
        return np.concatenate(([s[1], push / d.inertia_s2], s[1] - s[2:] / tau))

    other = solve_ivp(slope, (0, END_S), np.zeros(5), "Radau", t_eval=at, rtol=1e-8, atol=1e-10)
    np.testing.assert_allclose(exact, other.y[0], rtol=0, atol=1e-6)


def test_heat_lags_behind_the_square_of_the_drive() -> None:
    """T' = (u² − T)/lag for two nodes, stiffness × (1 − Σ g T), against solve_ivp. The step uses
    the drive at its start, so that it stays explicit: its error is of first order, step / lag."""
    heating = Heating((0.05, 0.03), (2.0, 9.0))
    axis = AxisModel(Elastic(0.9, 0.05, 0.08), heating)
    drive = lambda t: 0.8 * np.sin(0.9 * t) + 0.15  # noqa: E731
    errors = []
    for step_s in (0.02, 0.01):
        t = np.arange(0, round(20 / step_s) + 1) * step_s
        theta, _ = axis.deflection(drive(t), step_s)
        warm = solve_ivp(
            lambda s, w: (drive(s) ** 2 - w) / np.array(heating.lag_s),
            (0, 20), np.zeros(2), "DOP853", t_eval=t, rtol=1e-10, atol=1e-12,
        ).y  # fmt: skip
        soft = 1 - np.array(heating.softening) @ warm
        e = axis.elastic
        balance = soft * theta * (e.linear + theta * (e.quadratic + theta * e.cubic))
        errors.append(np.abs(balance - drive(t)).max())
    # T errs by step/2 × its rate at most, (u²)/lag; the first sample adds u(0)² step / lag
    most = 0.95**2 * 0.01 * (0.05 / 2.0 + 0.03 / 9.0)
    assert errors[1] <= most
    assert errors[0] / errors[1] == pytest.approx(2.0, rel=0.1)
