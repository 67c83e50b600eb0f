"""Play a drive on a simulated unit: what it did before, then the drive, then a short rest."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from hysteresis.errors import InputError
from hysteresis.tables import Bools, Floats, SpotPath
from hysteresis.virtual_bench import integrator
from hysteresis.virtual_bench.averages import mean_between
from hysteresis.virtual_bench.rig import Axis, Rig, branch_steps, constants_of, spot_of

RUN_IN_S, RUN_OUT_S = 2.0, 1.0
"""Rest at zero drive played before and after, for a camera that runs longer than the drive."""
LONGEST_STEP_S = 2.5e-4
HISTORY_S = 3600.0
BLOCK_S = 20.0

AxisState = tuple[Floats, Floats, Floats]
Drive = tuple[Floats, Floats]  # vertex times and values

MOST_SAMPLES = 4e7  # rows of a result: eleven hours at 1 kHz, about 4 GB


@dataclass(frozen=True)
class Played:
    """The true motion under a drive, on a regular clock from the drive's first vertex to its last.

    `t_s`, `x_mm`, `y_mm` (n,): the true spot in the screen's marks. `theta_x`, `theta_y`: the
    deflection of each suspension in FS, before cross-coupling. `beam` (n,): of the drive.
    `around`: the same spots with the rest before and after, as a longer exposure sees them.
    """

    t_s: Floats
    x_mm: Floats
    y_mm: Floats
    theta_x: Floats
    theta_y: Floats
    beam: Bools
    around: SpotPath


def spots_of(played: Played) -> SpotPath:
    """The played spots as a timed path."""
    return SpotPath(played.t_s, played.x_mm, played.y_mm, played.beam)


def play(
    rig: Rig,
    t_s: npt.ArrayLike,
    drive_x: npt.ArrayLike,
    drive_y: npt.ArrayLike,
    *,
    beam: npt.ArrayLike | None = None,
    history: Literal["unknown", "rested"] = "unknown",
    sequence: int = 0,
    rate_hz: float = 1000.0,
    longest_step_s: float = LONGEST_STEP_S,
    progress: Callable[[float], None] | None = None,
) -> Played:
    """Play a piecewise-linear drive and return the true spots.

    Parameters
    ----------
    t_s, drive_x, drive_y : vertices (n >= 2), s and fractions of full scale; the drive is zero
        before the first and after the last. Any density: pattern vertices or audio samples.
    beam : on (True) or off from each vertex to the next; on throughout when left out.
    history : "unknown": an hour of random holds first, ending at rest; "rested": never moved.
    sequence : selects another history and other surroundings of the same unit.
    rate_hz : samples of the result per second.
    longest_step_s : bound on the integrator's sub-step (its error falls with the square).
    progress : called with the fraction played, now and then.

    Raises InputError when the vertices do not make a drive.
    """
    time, ux, uy = (np.asarray(a, np.float64) for a in (t_s, drive_x, drive_y))
    lit = np.ones(len(time), bool) if beam is None else np.asarray(beam, bool)
    _check(time, ux, uy, lit, rate_hz, history)

    n_sub = int(np.ceil(1.0 / (rate_hz * longest_step_s) - 1e-9))
    n_in, n_out = round(RUN_IN_S * rate_hz), round(RUN_OUT_S * rate_hz)
    if (time[-1] - time[0]) * rate_hz > MOST_SAMPLES:
        raise InputError(
            f"the drive lasts {time[-1] - time[0]:.3g} s, more than can be played at "
            f"{rate_hz:g} rows per second",
            mend="check its times, or play a shorter part",
        )
    n_inside = int(np.floor((time[-1] - time[0]) * rate_hz + 1e-6)) + 1
    clock = time[0] + np.arange(-n_in, n_inside + n_out) / rate_hz
    drives = tuple(_with_silence(time, u) for u in (ux, uy))

    rng = np.random.default_rng([rig.seed, 2, sequence])
    ambient = _ambient(rng, from_zero=history == "rested")
    past = _random_holds(rng, clock[0], rig.bench.limits.max_drive)
    theta = np.empty((2, len(clock)))
    with ThreadPoolExecutor(max_workers=2) as pool:
        if history == "unknown":
            states = list(pool.map(lambda a, u: _lived(a, u, clock[0], ambient), rig.axes, past))
        else:
            states = [_fresh(axis) for axis in rig.axes]
        theta[:, 0] = [state[0][integrator.THETA] for state in states]
        for first, last in _blocks(len(clock), max(round(BLOCK_S * rate_hz), 1)):
            span = (clock[first - 1], clock[last - 1])
            warm = ambient(clock[first:last])

            def stretch(
                axis: Axis,
                drive: Drive,
                state: AxisState,
                span: tuple[float, float] = span,
                warm: Floats = warm,
            ) -> Floats:
                return _stretch(axis, drive, state, span, warm, n_sub)

            theta[:, first:last] = list(pool.map(stretch, rig.axes, drives, states))
            if progress is not None:
                progress(last / len(clock))

    x_mm, y_mm = spot_of(rig, theta[0], theta[1])
    vertex = np.searchsorted(time, clock + 1e-9, side="right") - 1
    lit_now = lit[np.clip(vertex, 0, len(lit) - 1)]
    inside = slice(n_in, n_in + n_inside)
    return Played(
        clock[inside],
        x_mm[inside],
        y_mm[inside],
        theta[0, inside],
        theta[1, inside],
        lit_now[inside],
        SpotPath(clock, x_mm, y_mm, lit_now),
    )


def _check(time: Floats, ux: Floats, uy: Floats, lit: Bools, rate_hz: float, history: str) -> None:
    if not len(time) == len(ux) == len(uy) == len(lit):
        raise InputError("the columns of the drive differ in length")
    if len(time) < 2:
        raise InputError("the drive has fewer than two vertices", mend="give a start and an end")
    if not (np.isfinite(time).all() and np.isfinite(ux).all() and np.isfinite(uy).all()):
        raise InputError("the drive holds numbers that are not finite")
    if np.any(np.diff(time) <= 0.0):
        raise InputError("the times of the drive do not rise strictly")
    if max(np.abs(ux).max(), np.abs(uy).max()) > 1.0:
        raise InputError(
            "the drive leaves the range -1 to +1",
            value=float(max(np.abs(ux).max(), np.abs(uy).max())),
            mend="no output can play it",
        )
    if not rate_hz > 0.0:
        raise InputError("the rate of the result must be above zero", value=rate_hz)
    if history not in ("unknown", "rested"):
        raise InputError("no such history", value=history, mend="choose unknown or rested")


def _with_silence(time: Floats, u: Floats) -> Drive:
    """Zero drive before the first and after the last vertex, reached within a microsecond."""
    edge = 1e-6
    return (
        np.concatenate(([time[0] - edge], time, [time[-1] + edge])),
        np.concatenate(([0.0], u, [0.0])),
    )


def _blocks(n: int, size: int) -> Iterator[tuple[int, int]]:
    return ((first, min(first + size, n)) for first in range(1, n, size))


def _fresh(axis: Axis) -> AxisState:
    return integrator.fresh_state(len(axis.slip_low), len(axis.relaxation_s))


def _stretch(
    axis: Axis, drive: Drive, state: AxisState, span: tuple[float, float], warm: Floats, n_sub: int
) -> Floats:
    """Advance `state` over span (start, end) in s; the deflection at the end of each interval."""
    n = len(warm)
    h = (span[1] - span[0]) / (n * n_sub)
    middle = np.asarray(span[0] + h * np.arange(1, n * n_sub + 1), np.float64)
    low, high = np.searchsorted(drive[0], (span[0] - h, span[1] + h))
    near = slice(max(low - 1, 0), high + 1)
    if low == high == 0 or low == len(drive[0]):
        force = np.zeros(n * n_sub)  # silence before or after
    else:
        # the mean around each instant: no alias from drives denser than the sub-steps
        force = mean_between(drive[0][near], drive[1][near], middle - h / 2, middle + h / 2)
    keep, rise = branch_steps(axis, h)
    out = np.empty(n)
    integrator.advance(
        constants_of(axis, h),
        np.minimum(axis.slip_low, axis.slip_high),
        np.stack((1.0 / axis.slip_low, 1.0 / axis.slip_high)),
        axis.slip_stiffness,
        keep,
        rise,
        warm,
        force,
        n_sub,
        *state,
        out,
    )
    return out


def _random_holds(rng: np.random.Generator, end_s: float, max_drive: float) -> tuple[Drive, Drive]:
    """30 to 60 random levels over up to an hour, then rest at zero until `end_s`.

    The rest lasts 5 to 60 s in all, of which the last RUN_IN_S are played with the drive.
    """
    n = int(rng.integers(30, 61))
    rest_s = rng.uniform(5.0, 60.0) - RUN_IN_S
    lengths = rng.exponential(1.0, n) + 0.05
    lengths *= rng.uniform(0.5, 1.0) * HISTORY_S / lengths.sum()
    edges = end_s - rest_s - lengths.sum() + np.concatenate(([0.0], np.cumsum(lengths)))
    time = np.column_stack((edges, edges + 0.2)).ravel()
    drives = []
    for _ in range(2):
        level = np.concatenate(([0.0], rng.uniform(-max_drive, max_drive, n), [0.0]))
        drives.append((time, np.column_stack((level[:-1], level[1:])).ravel()))
    return drives[0], drives[1]


def _lived(
    axis: Axis, drive: Drive, end_s: float, ambient: Callable[[Floats], Floats]
) -> AxisState:
    """State after an hour of holds: the same memories, carried by a slow, dead-beat mass.

    The memories do not know the mass, so a heavy one with critical damping and a step of 10 ms
    leaves what the holds leave, at a fiftieth of the work.
    """
    step_s, n_sub, slow = 0.01, 10, 2.0 * np.pi * 1.5
    stiffness = 1.0 + axis.slip_stiffness.sum() + axis.branch_stiffness.sum()
    heavy = replace(axis, inertia=stiffness / slow**2, damping=2.0 * stiffness / slow)
    state = _fresh(axis)
    start_s = drive[0][0]
    times = np.linspace(start_s, end_s, int(np.ceil((end_s - start_s) / (step_s * n_sub))) + 1)
    _stretch(heavy, drive, state, (start_s, end_s), ambient(times[1:]), n_sub)
    state[0][integrator.OMEGA] = state[0][integrator.ACCELERATION] = 0.0
    return state


def _ambient(rng: np.random.Generator, *, from_zero: bool) -> Callable[[Floats], Floats]:
    """Slow drift of the surroundings within ±0.5 K of nominal, as a function of time in s."""
    period_s = np.array([rng.uniform(400, 900), rng.uniform(900, 2000), rng.uniform(2000, 5000)])
    phase = rng.uniform(0.0, 2.0 * np.pi, 3)
    size = rng.dirichlet(np.ones(3)) * rng.uniform(0.25, 0.5)
    if from_zero:
        size = size / 2.0  # the start is taken off below

    def ambient(t_s: Floats) -> Floats:
        waves = np.sin(2.0 * np.pi * np.asarray(t_s)[:, None] / period_s + phase)
        start = np.sin(phase) if from_zero else 0.0
        return (waves - start) @ size

    return ambient
