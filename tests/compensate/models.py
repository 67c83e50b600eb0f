"""Small random rigs, wanted paths and benches for the tests of compensation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from fitted_rigs import bench
from hypothesis import strategies as st

from hysteresis.axis import AxisModel
from hysteresis.compensate.lead_in import even_step_s
from hysteresis.model import Discrepancy, FittedModel, RigModel, RigState
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.elastic import Dynamics, Elastic, Heating
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.optics import nominal_optics
from hysteresis.tables import DriveSignal, Floats, SpotPath

STEP_S = even_step_s(bench())


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_subnormal=False)


@st.composite
def axes(draw: st.DrawFn) -> AxisModel:
    """Up to four slips and four branches on a spring, stiffness about 0.8 in all; some ring."""
    limits = np.cumsum(draw(st.lists(numbers(0.02, 0.3), max_size=4)))
    times = 10.0 ** (np.cumsum(draw(st.lists(numbers(0.3, 1.5), max_size=4))) - 1.5)
    ringing = draw(st.booleans())
    omega = 2 * np.pi * draw(numbers(15.0, 80.0))
    return AxisModel(
        Elastic(draw(numbers(0.5, 0.8)), draw(numbers(-0.05, 0.05)), draw(numbers(0.0, 0.05))),
        Heating((draw(numbers(-0.01, 0.01)), 0.0), (15.0, 100.0)),
        Dynamics(2 * draw(numbers(0.05, 0.5)) / omega, omega**-2) if ringing else Dynamics(),
        MaxwellSlip(limits, np.array([draw(numbers(0.0, 0.06)) for _ in limits])),
        AfterEffect(times, np.array([draw(numbers(0.0, 0.05)) for _ in times])),
    )


@st.composite
def rigs(draw: st.DrawFn) -> RigModel:
    optics = replace(
        nominal_optics(bench().optics),
        coupling_xy=draw(numbers(-0.03, 0.03)),
        coupling_yx=draw(numbers(-0.03, 0.03)),
        offset_x_mm=draw(numbers(-2.0, 2.0)),
        offset_y_mm=draw(numbers(-2.0, 2.0)),
        tilt_x_per_mm=draw(numbers(-2e-4, 2e-4)),
        log_distance=draw(numbers(-0.03, 0.03)),
    )
    return RigModel(draw(axes()), draw(axes()), optics)


@st.composite
def paths(draw: st.DrawFn) -> SpotPath:
    """A smooth path at rest at both ends, its beam changing between the rows of an even clock."""
    duration_s = draw(numbers(0.5, 3.0))
    start_s = draw(st.sampled_from([0.0, 7.25]))
    count = int(np.ceil(duration_s / STEP_S))
    t = STEP_S * np.arange(count + 1)
    swing = np.sin(np.pi * t / t[-1]) ** 2
    x, y = (
        draw(numbers(-15.0, 15.0))
        + draw(numbers(-20.0, 20.0)) * swing * np.sin(2 * np.pi * draw(numbers(0.2, 6.0)) * t)
        for _ in "xy"
    )
    places = draw(st.lists(st.integers(1, count - 2), max_size=4, unique=True))
    # a third of a step off the clock, so that a row of the beam is known by its time
    changes = np.sort(STEP_S * (np.array(places, float) + 1 / 3))
    rows = np.sort(np.concatenate([t, changes]))
    beam = (np.searchsorted(changes, rows, side="right") + draw(st.integers(0, 1))) % 2 == 1
    return SpotPath(start_s + rows, np.interp(rows, t, x), np.interp(rows, t, y), beam)


@st.composite
def pasts(draw: st.DrawFn, model: RigModel) -> RigState | None:
    """A rig at rest, or what random holds and a pause at zero drive left."""
    if draw(st.booleans()):
        return None
    levels = [[draw(numbers(-0.9, 0.9)) for _ in "xy"] for _ in range(3)] + [[0.0, 0.0]] * 2
    u = np.array(levels)
    t = np.arange(0.0, 5.0, 5e-3)
    turns = 0.3 + np.arange(5) * 0.9
    x, y = (np.interp(t, turns, u[:, a]) * np.minimum(t / 0.3, 1) for a in (0, 1))
    return model.spots(x, y, 5e-3)[2]


def fitted(model: RigModel, without_memory: RigModel | None = None) -> FittedModel:
    """A model as a fit would leave it; without a memory-free one its own spring is taken."""
    still = without_memory or RigModel(
        AxisModel(Elastic(model.axis_x.small_signal_stiffness())),
        AxisModel(Elastic(model.axis_y.small_signal_stiffness())),
        model.optics,
    )
    return FittedModel(
        model, still, model.rest(), model.rest(), (), Discrepancy(0.05, 0.4, 10, 0.02),
        {}, {}, (), {},
    )  # fmt: skip


def one_rig() -> RigModel:
    """A thread-like rig, the same on both axes."""
    axis = AxisModel(
        Elastic(0.75, 0.01, 0.02),
        Heating((0.005, 0.002), (15.0, 100.0)),
        Dynamics(2 * 0.08 / (2 * np.pi * 35), (2 * np.pi * 35) ** -2),
        MaxwellSlip(np.array([0.03, 0.1, 0.3]), np.array([0.03, 0.04, 0.04])),
        AfterEffect(np.geomspace(0.05, 500.0, 9), np.full(9, 0.012)),
    )
    return RigModel(axis, axis, nominal_optics(bench().optics))


def tile(size_mm: float = 20.0, duration_s: float = 3.0) -> SpotPath:
    """A smooth closed figure about the centre, beam on throughout."""
    t = STEP_S * np.arange(int(duration_s / STEP_S))
    swing = np.sin(np.pi * t / t[-1]) ** 2
    return SpotPath(
        t, size_mm * swing * np.cos(4 * np.pi * t / t[-1]),
        size_mm * swing * np.sin(4 * np.pi * t / t[-1]), np.ones(len(t), bool),
    )  # fmt: skip


def on_the_clock(t_s: Floats) -> np.ndarray:
    """Which rows lie on the even clock, not between its steps for a change of the beam."""
    place = t_s / STEP_S
    return np.abs(place - np.round(place)) < 1e-3


def played_by(model: RigModel, drive: DriveSignal, start: RigState | None) -> tuple[Floats, Floats]:
    """Spots (mm) at the rows on the even clock when the model itself plays a drive."""
    rows = on_the_clock(drive.t_s)
    t = drive.t_s[rows]
    x, y, _ = model.spots(
        drive.drive_x[rows], drive.drive_y[rows], np.diff(t, prepend=t[0] - STEP_S), start
    )
    return x, y
