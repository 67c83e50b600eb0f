"""Speed as ratios, side by side in one process: machines differ, ratios less so.

The measure R is a scalar one-pole recursion compiled by numba over the same samples, the least that
any filter with memory can cost; beside it stands scipy.signal.sosfilt with one biquad. Each figure
is the best of several runs (noise of a shared machine only ever adds). Limits asserted are twice
what was measured when this was written; `pytest -s tests/benchmarks` prints the table.
"""

from __future__ import annotations

from collections.abc import Callable
from time import perf_counter

import numpy as np
import pytest
from numba import njit
from scipy.integrate import solve_ivp
from scipy.signal import butter, sosfilt

from hysteresis.axis import AxisModel
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.elastic import Dynamics, Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip

SAMPLES, STEP_S = 40_000, 1e-3


@njit(cache=False, error_model="numpy")
def one_pole(x: np.ndarray, keep: float) -> np.ndarray:
    out = np.empty(x.size)
    y = 0.0
    for n in range(x.size):
        y = keep * y + (1.0 - keep) * x[n]
        out[n] = y
    return out


def best_s(work: Callable[[], object], runs: int = 9) -> float:
    """Shortest of several runs, in s, after one that compiles and warms up."""
    work()
    times = []
    for _ in range(runs):
        begin = perf_counter()
        work()
        times.append(perf_counter() - begin)
    return min(times)


def slips(count: int) -> MaxwellSlip:
    return MaxwellSlip(np.geomspace(0.005, 1.0, count), np.full(count, 0.2 / count))


def branches(count: int) -> AfterEffect:
    return AfterEffect(np.geomspace(0.005, 2000.0, count), np.full(count, 0.1 / count))


@pytest.fixture(scope="module")
def table() -> dict[str, float]:
    """Time per sample of everything, in multiples of R; printed once."""
    t = STEP_S * np.arange(SAMPLES)
    drive = 0.6 * np.sin(2 * np.pi * 0.31 * t) + 0.3 * np.sin(2 * np.pi * 1.7 * t)
    steps = np.full(SAMPLES, STEP_S)
    dynamics = Dynamics(2 * 0.1 / (60 * np.pi), (60 * np.pi) ** -2)
    quasi_static = AxisModel(Elastic(0.9, 0.02, 0.05), friction=slips(32))
    whole = AxisModel(Elastic(0.9, 0.02, 0.05), dynamics=dynamics, friction=slips(32),
                      after_effect=branches(9))  # fmt: skip
    bank, few, nine = slips(32), branches(4), branches(9)
    sos = butter(2, 0.1, output="sos")
    short = slice(0, 4000)
    work: dict[str, tuple[Callable[[], object], int]] = {
        "one-pole recursion (R)": (lambda: one_pole(drive, 0.9), SAMPLES),
        "scipy sosfilt, one biquad": (lambda: sosfilt(sos, drive), SAMPLES),
        "Maxwell-slip torque, 32 elements": (
            lambda: bank.torque(drive, steps, bank.rest()), SAMPLES),
        "after-effect torque, 4 branches": (
            lambda: few.torque(drive, steps, few.rest()), SAMPLES),
        "after-effect torque, 9 branches": (
            lambda: nine.torque(drive, steps, nine.rest()), SAMPLES),
        "drive from angle, 32 slips": (lambda: quasi_static.drive(drive, STEP_S), SAMPLES),
        "angle from drive, 32 slips": (lambda: quasi_static.deflection(drive, STEP_S), SAMPLES),
        "drive from angle, 32 slips, 9 branches, dynamics": (
            lambda: whole.drive(drive, STEP_S), SAMPLES),
        "angle from drive, 32 slips, 9 branches, dynamics": (
            lambda: whole.deflection(drive, STEP_S), SAMPLES),
        "the same with all 57 sensitivities": (
            lambda: whole.deflection_with_slopes(drive[short], steps[short], whole.rest()), 4000),
    }  # fmt: skip
    measure_s = {name: best_s(run) / count for name, (run, count) in work.items()}
    measure_s["solve_ivp, the same rig to 1e-4"] = by_solve_ivp(whole, drive[:500])
    unit = measure_s["one-pole recursion (R)"]
    print(f"\n{'':52}{'ns/sample':>10}{'× R':>10}")
    for name, seconds in measure_s.items():
        print(f"{name:52}{seconds * 1e9:10.1f}{seconds / unit:10.1f}")
    return {name: seconds / unit for name, seconds in measure_s.items()}


def by_solve_ivp(axis: AxisModel, drive: np.ndarray) -> float:
    """Seconds per sample of SciPy's RK45 on the same equations, friction by its rate form."""
    e, d = axis.elastic, axis.dynamics
    limit, k = axis.friction.limit, axis.friction.stiffness
    tau, branch = axis.after_effect.relaxation_time_s, axis.after_effect.stiffness
    t = STEP_S * np.arange(drive.size)

    def slope(time, s):
        theta, omega, z, y = s[0], s[1], s[2 : 2 + limit.size], s[2 + limit.size :]
        spring = theta * (e.linear + theta * (e.quadratic + theta * e.cubic))
        push = np.interp(time, t, drive) - d.damping_s * omega - spring - k @ z - branch @ y
        rate = np.where((np.abs(z) >= limit) & (z * omega > 0), 0.0, omega)
        return np.concatenate(([omega, push / d.inertia_s2], rate, omega - y / tau))

    start = np.zeros(2 + limit.size + tau.size)
    run = lambda: solve_ivp(slope, (0, t[-1]), start, t_eval=t, rtol=1e-4, atol=1e-6)  # noqa: E731
    return best_s(run, runs=1) / drive.size


LIMITS = {
    "Maxwell-slip torque, 32 elements": 2 * 9.8,
    "after-effect torque, 4 branches": 2 * 2.0,
    "after-effect torque, 9 branches": 2 * 3.7,
    "drive from angle, 32 slips": 2 * 19.8,
    "angle from drive, 32 slips": 2 * 109.0,
    "drive from angle, 32 slips, 9 branches, dynamics": 2 * 23.4,
    "angle from drive, 32 slips, 9 branches, dynamics": 2 * 126.0,
    "the same with all 57 sensitivities": 2 * 561.0,
}
"""Twice the slowest of three runs on a shared two-core machine, in multiples of R."""


@pytest.mark.parametrize("name", LIMITS)
def test_no_slower_than_twice_what_was_measured(table: dict[str, float], name: str) -> None:
    assert table[name] <= LIMITS[name]


def test_a_simulation_beats_a_general_solver_by_orders(table: dict[str, float]) -> None:
    ours = table["angle from drive, 32 slips, 9 branches, dynamics"]
    assert table["solve_ivp, the same rig to 1e-4"] > 50 * ours


def test_pre_distortion_runs_far_faster_than_real_time() -> None:
    """An audio output at 48 kHz, both axes, on one core: ten times real time or better."""
    axis = AxisModel(dynamics=Dynamics(1e-3, 3e-5), friction=slips(32), after_effect=branches(9))
    wanted = 0.5 * np.sin(2 * np.pi * 3.0 * np.arange(48_000) / 48_000)
    assert 2 * best_s(lambda: axis.drive(wanted, 1 / 48_000), runs=5) < 0.1
