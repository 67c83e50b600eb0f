"""Speed as ratios, side by side in one process: machines differ, ratios less so.

The measure R is a scalar one-pole recursion compiled by numba over the same samples, the least that
any filter with memory can cost. Every run of an operation has a run of R at its side; the table
shows the shortest time, the median of the paired ratios, and the shortest time over the shortest R
of all. Other work on a shared machine only ever adds time, so limits are held by the last.
`pytest -s tests/benchmarks/test_speed.py` prints the table with the goals.

All paths are at 48 kHz but for the solver's: `smooth` some tones up to 17 Hz, `noise` white.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from time import perf_counter

import numpy as np
import plain_passes
import pytest
from compensate.models import one_rig
from numba import njit
from scipy.integrate import solve_ivp
from scipy.signal import butter, sosfilt

from hysteresis.axis import AxisModel
from hysteresis.kernels import pre_distortion
from hysteresis.model import RigModel, RigState
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.bouc_wen import BoucWen
from hysteresis.operators.elastic import Dynamics, Elastic, Heating
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.operators.preisach import Preisach
from hysteresis.optics import deflection_from_spot
from hysteresis.pre_distortion import drives_on_even_clock, packed_optics

STEP_S = 1.0 / 48_000
SAMPLES = 48_000


def tones(t: np.ndarray) -> np.ndarray:
    """A smooth path within ±0.85 that begins at rest."""
    rise = np.sin(np.pi * np.clip(t / 0.6, 0.0, 0.5)) ** 4
    return rise * (0.6 * np.sin(2 * np.pi * 3.1 * t) + 0.25 * np.sin(2 * np.pi * 17.0 * t))


SMOOTH = tones(STEP_S * np.arange(SAMPLES))
NOISE = np.random.default_rng(0).uniform(-0.9, 0.9, SAMPLES)
ROUNDS = 15


@njit(cache=False, error_model="numpy")
def one_pole(x: np.ndarray, keep: float) -> np.ndarray:
    out = np.empty(x.size)
    y = 0.0
    for n in range(x.size):
        y = keep * y + (1.0 - keep) * x[n]
        out[n] = y
    return out


@dataclass(frozen=True)
class Taken:
    """Time of one operation: shortest (s per sample), median of the ratios to the R beside each
    run, and the shortest R (s per sample)."""

    seconds: float
    median: float
    measure: float


def seconds_of(work: Callable[[], object]) -> float:
    begin = perf_counter()
    work()
    return perf_counter() - begin


def side_by_side(work: Callable[[], object], samples: int, rounds: int = ROUNDS) -> Taken:
    """Time of `work` per sample of `samples`, each run beside one of R."""
    work()
    pairs = np.array([
        (seconds_of(work) / samples, seconds_of(lambda: one_pole(SMOOTH, 0.9)) / SAMPLES)
        for _ in range(rounds)
    ])  # fmt: skip
    shortest = pairs.min(axis=0)
    ratios = pairs[:, 0] / pairs[:, 1]
    return Taken(float(shortest[0]), float(np.median(ratios)), float(shortest[1]))


def slips(count: int = 32) -> MaxwellSlip:
    return MaxwellSlip(np.geomspace(0.005, 1.0, count), np.full(count, 0.2 / count))


def branches(count: int) -> AfterEffect:
    return AfterEffect(np.geomspace(0.005, 2000.0, count), np.full(count, 0.1 / count))


def axis(branch_count: int, *, dynamics: bool, heating: Heating | None = None) -> AxisModel:
    own = Dynamics(2 * 0.1 / (60 * np.pi), (60 * np.pi) ** -2) if dynamics else Dynamics()
    after = branches(branch_count) if branch_count else AfterEffect(np.empty(0), np.empty(0))
    return AxisModel(
        Elastic(0.9, 0.02, 0.05), heating or Heating(), own, friction=slips(), after_effect=after
    )


def preisach(nodes: int = 101) -> Preisach:
    cells = (nodes - 1) * nodes // 2
    return Preisach(np.linspace(-1.0, 1.0, nodes), np.full(cells, 0.2 / cells))


def rig(
    branch_count: int, heating: Heating | None = None
) -> tuple[RigModel, np.ndarray, np.ndarray, RigState]:
    """32 slips, dynamics and tilted, coupled optics; a path (mm) and the rig at its begin."""
    one = axis(branch_count, dynamics=True, heating=heating)
    model = RigModel(one, one, one_rig().optics)
    t = STEP_S * np.arange(2 * SAMPLES)
    x, y = 24.0 * tones(t), 19.0 * tones(t) * np.cos(2 * np.pi * 2.3 * t)
    state = model.rest()
    theta_x, theta_y = deflection_from_spot(x[:1], y[:1], model.optics)
    state.x[:2], state.y[:2] = theta_x, theta_y
    return model, x, y, state


PLAIN = "the same by numpy and scipy, 9 branches"
ONE = "pre-distortion per pair, 9 branches"
# operation: goal in R (None: shown for comparison), limit asserted in R
ROWS: dict[str, tuple[float | None, float | None]] = {
    "one-pole recursion (R)": (None, None),
    "scipy sosfilt, one biquad": (None, None),
    "32 slips, torque, smooth": (2.0, 3.4),
    "32 slips, torque, noise": (8.0, 13.0),
    "Preisach of 101 nodes, torque, smooth": (4.0, 4.8),
    "Preisach of 101 nodes, torque, noise": (20.0, 24.0),
    "Bouc-Wen n = 1, torque, smooth": (6.0, 4.5),
    "Bouc-Wen n = 1.6, torque, smooth": (6.0, 4.5),
    "4 branches, torque": (2.4, 3.2),
    "9 branches, torque": (5.0, 5.0),
    "angle from drive, 32 slips": (15.0, 21.0),
    "angle from drive, 32 slips, 9 branches, dynamics": (22.0, 30.0),
    "the same on a clock of subtracted times": (None, 53.0),
    "the same with a Preisach memory of 101 nodes": (None, 26.0),
    "the same with a Bouc-Wen memory": (None, 40.0),
    "the same with 32 slips and all 57 sensitivities": (None, 430.0),
    "angle from drive, 32 slips, noise": (None, 450.0),
    "drive from angle, 32 slips, 9 branches, dynamics": (None, 24.0),
    "the same on a clock of subtracted times, inverse": (None, 43.0),
    "pre-distortion per pair, 4 branches": (13.0, 17.0),
    "one axis of it alone, as on its own thread": (8.0, 10.0),
    "on two threads, both cores free or not": (8.0, None),
    ONE: (13.0, 17.0),
    "one axis of that alone, as on its own thread": (8.0, 10.0),
    "that on two threads, both cores free or not": (8.0, None),
    "per pair, 9 branches, spring softened by heat": (13.0, 22.0),
    PLAIN: (None, None),
}


def operations() -> dict[str, tuple[Callable[[], object], int]]:
    """Work and its samples, by the names of `ROWS`."""
    steps = np.full(SAMPLES, STEP_S)
    bank, plane, few, nine = slips(), preisach(), branches(4), branches(9)
    smooth1, smooth2 = (BoucWen(0.4, 0.2, 0.7, n, 0.1, 0.3) for n in (1.0, 1.6))
    still, whole = axis(0, dynamics=False), axis(9, dynamics=True)
    of_plane, of_curve = replace(whole, friction=plane), replace(whole, friction=smooth2)
    subtracted = np.diff(STEP_S * np.arange(SAMPLES), prepend=-STEP_S)  # apart in the last bits
    sos = butter(2, 0.1, output="sos")
    rig4, rig9, warm = rig(4), rig(9), rig(9, Heating((0.005, 0.002), (15.0, 100.0)))
    short = slice(0, 4000)

    def torque(operator, path):  # type: ignore[no-untyped-def]
        return (lambda: operator.torque(path, steps, operator.rest())), SAMPLES

    def pairs(made, threads):  # type: ignore[no-untyped-def]
        model, x, y, state = made
        run = lambda: drives_on_even_clock(model, x, y, STEP_S, state, threads=threads)  # noqa: E731
        return run, x.size

    def alone(made):  # type: ignore[no-untyped-def]
        model, x, y, state = made
        optics, out = packed_optics(model.optics), np.empty(x.size)
        of_axis, given = pre_distortion.drive_of_axis, model.axis_x.packed()
        run = lambda: of_axis(0, x, y, STEP_S, optics, *given, state.x.copy(), out)  # noqa: E731
        return run, x.size

    work = [
        (lambda: one_pole(SMOOTH, 0.9), SAMPLES),
        (lambda: sosfilt(sos, SMOOTH), SAMPLES),
        torque(bank, SMOOTH), torque(bank, NOISE),
        torque(plane, SMOOTH), torque(plane, NOISE),
        torque(smooth1, SMOOTH), torque(smooth2, SMOOTH),
        torque(few, SMOOTH), torque(nine, SMOOTH),
        (lambda: still.deflection(SMOOTH, STEP_S), SAMPLES),
        (lambda: whole.deflection(SMOOTH, STEP_S), SAMPLES),
        (lambda: whole.deflection(SMOOTH, subtracted), SAMPLES),
        (lambda: of_plane.deflection(SMOOTH, STEP_S), SAMPLES),
        (lambda: of_curve.deflection(SMOOTH, STEP_S), SAMPLES),
        (lambda: whole.deflection_with_slopes(SMOOTH[short], steps[short], whole.rest()), 4000),
        (lambda: still.deflection(NOISE[short], STEP_S), 4000),
        (lambda: whole.drive(SMOOTH, STEP_S), SAMPLES),
        (lambda: whole.drive(SMOOTH, subtracted), SAMPLES),
        pairs(rig4, 1), alone(rig4), pairs(rig4, 2),
        pairs(rig9, 1), alone(rig9), pairs(rig9, 2), pairs(warm, 1),
        (lambda: plain_passes.drives(*rig9[:3], STEP_S), rig9[1].size),
    ]  # fmt: skip
    return dict(zip(ROWS, work, strict=True))


def least(taken: dict[str, Taken]) -> float:
    """The shortest R of all runs, s per sample."""
    return min(t.measure for t in taken.values())


@pytest.fixture(scope="module")
def table() -> dict[str, Taken]:
    """Times of everything, printed once."""
    taken = {name: side_by_side(*work) for name, work in operations().items()}
    print(f"\n{'':50}{'ns/sample':>10}{'× R median':>12}{'× R best':>10}{'goal':>7}")
    unit = least(taken)
    for name, t in taken.items():
        goal = ROWS[name][0]
        shown = f"{goal:7g}" if goal else ""
        if goal:
            missed = t.median / goal - 1.0
            shown += "  reached" if missed <= 0.0 else f"  missed by {100 * missed:.0f} %"
        print(f"{name:50}{t.seconds * 1e9:10.1f}{t.median:12.1f}{t.seconds / unit:10.1f}{shown}")
    faster = taken[PLAIN].seconds / taken[ONE].seconds
    print(f"one thread: {faster:.1f} times faster than numpy and scipy (goal 4.5)")
    return taken


@pytest.mark.parametrize("name", [name for name, (_, limit) in ROWS.items() if limit])
def test_no_slower_than_the_limit(table: dict[str, Taken], name: str) -> None:
    """The limit is 1.6 to 2 times what was reached on a quiet machine; the table names the goals.

    Processors differ in what a reversal costs beside the recursion: noise through 32 slips took
    4.7 R on one and 8.1 R on another, where the goal of 8 is missed; the table says which.
    """
    assert table[name].seconds <= ROWS[name][1] * least(table)  # type: ignore[operator]


def test_pre_distortion_beats_passes_through_general_libraries(table: dict[str, Taken]) -> None:
    assert table[PLAIN].seconds >= 4.5 * table[ONE].seconds


def test_pre_distortion_gives_what_those_passes_give() -> None:
    """Within 1e-10, and what inertia makes of eight last bits of an angle at this rate."""
    model, x, y, state = rig(9)
    ours = drives_on_even_clock(model, x, y, STEP_S, state)
    rate = 1.5 / STEP_S
    bits = 8 * np.finfo(float).eps * 4 * rate**2 * model.axis_x.dynamics.inertia_s2
    for a, b in zip(ours[:2], plain_passes.drives(model, x, y, STEP_S), strict=True):
        assert np.abs(a - b).max() <= 1e-10 + bits


# ---- a general solver --------------------------------------------------------------------------

SOLVER_STEP_S, SOLVER_SAMPLES, RTOL = 1e-3, 2000, 1e-8


def by_solver(model: AxisModel, t: np.ndarray, drive, change) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Angle by SciPy's DOP853 at rtol 1e-8: the balance without inertia, solved for its rate.

    The rates of spring, sticking elements and branches add up to that of the drive.
    """
    e, limit, k = model.elastic, model.friction.limit, model.friction.stiffness
    tau, branch = model.after_effect.relaxation_time_s, model.after_effect.stiffness

    def slope(time: float, s: np.ndarray) -> np.ndarray:
        theta, z, y = s[0], s[1 : 1 + limit.size], s[1 + limit.size :]
        push = change(time) + branch @ (y / tau)
        free = (np.abs(z) < limit) | (z * push < 0.0)
        spring = e.linear + theta * (2.0 * e.quadratic + 3.0 * theta * e.cubic)
        omega = push / (spring + branch.sum() + k @ free)
        return np.concatenate(([omega], np.where(free, omega, 0.0), omega - y / tau))

    start = np.zeros(1 + limit.size + tau.size)
    done = solve_ivp(slope, (0.0, t[-1]), start, method="DOP853", t_eval=t, rtol=RTOL, atol=1e-10)
    return np.asarray(done.y[0])


def test_a_simulation_beats_a_general_solver_by_orders() -> None:
    """32 slips and 9 branches under half a sine of 0.25 Hz in steps of 1 ms; goal 10 000 times.

    Ours is timed over twenty such stretches, so that the call from Python does not count.
    """
    model = axis(9, dynamics=False)
    omega = 2 * np.pi * 0.25
    t = SOLVER_STEP_S * np.arange(1, SOLVER_SAMPLES + 1)
    solver = np.inf
    for _ in range(2):
        begin = perf_counter()
        theirs = by_solver(
            model, t, lambda s: 0.6 * np.sin(omega * s), lambda s: 0.6 * omega * np.cos(omega * s)
        )
        solver = min(solver, (perf_counter() - begin) / SOLVER_SAMPLES)
    long = 0.6 * np.sin(omega * SOLVER_STEP_S * np.arange(1, 20 * SOLVER_SAMPLES + 1))
    ours = side_by_side(lambda: model.deflection(long, SOLVER_STEP_S), long.size)
    apart = np.abs(model.deflection(long[:SOLVER_SAMPLES], SOLVER_STEP_S)[0] - theirs).max()
    print(
        f"\nsolve_ivp, rtol 1e-8: {solver * 1e6:.0f} µs/sample; ours {ours.seconds * 1e9:.1f} ns, "
        f"{ours.seconds / ours.measure:.1f} R; {solver / ours.seconds:.0f} times faster "
        f"(goal 10000), largest difference {apart:.1e}"
    )
    assert apart <= RTOL
    assert solver >= 3500 * ours.seconds  # 6700 on a free core, twice that on a busy one
