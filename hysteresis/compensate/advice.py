"""Where to park and for how long, and how long the mirror takes to come back after a hold.

What is foretold is the *memory* at the start of a trace: the torque of friction and after-effect
there, told as the mm that it would move the spot if nothing compensated it. A wrong model leaves
a share of that, so a park that makes it small is good whatever the model is worth. Moves are
sampled coarsely: friction knows only where they turn, and the branches' steps are exact for
straight ones.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from hysteresis.axis import STATE_HEAD, AxisModel
from hysteresis.bench import Bench
from hysteresis.compensate.beam_off import REACH
from hysteresis.compensate.lead_in import lead_in
from hysteresis.compensate.scan import known_of
from hysteresis.compensate.swings import rise
from hysteresis.errors import DataError, InputError
from hysteresis.model import FittedModel, RigModel, RigState
from hysteresis.operators.elastic import Dynamics
from hysteresis.optics import deflection_from_spot, spot_from_deflection
from hysteresis.paths.stream import TimedBlock
from hysteresis.pre_distortion import drives_on_even_clock
from hysteresis.tables import Floats

PLACES = 41  # along each axis
TRAVEL_S = 0.2  # to the park, and on to the trace
MOVE_SAMPLES = 24
LONG_S = 0.5  # a stretch with the beam off that is a park
MOST_STOPS = 24  # of them are looked at, the longest
WATCH_S = 3e4  # a recovery is followed for so long
REFITS = 24  # of a model's, for the interval of a recovery


@dataclass(frozen=True)
class Stop:
    """One stretch with the beam off: the rig's state before it, where the path waits in it and
    where the next trace starts (x, y in mm), and how long it lasts (s)."""

    state: RigState
    park_mm: tuple[float, float]
    next_mm: tuple[float, float]
    length_s: float


@dataclass(frozen=True)
class Park:
    """The best place to wait at for `wait_s`, and the memory (mm, rms over the stops) that it
    leaves to the next trace; `as_it_is_mm` is what the path's own places leave after that wait."""

    wait_s: float
    x_mm: float
    y_mm: float
    memory_mm: float
    as_it_is_mm: float


@dataclass(frozen=True)
class Recovery:
    """How long, at zero drive, a mirror that was held takes to be back.

    `time_s` until it stays within `tolerance_mm` of where it was; infinite where friction keeps
    more than that, or creep for longer than is followed (`WATCH_S`). `low_s` to `high_s`: 95 % of
    the model's refits (both `time_s` without any). `left_mm`: what is left in the end;
    `settled_s` until it stays within `tolerance_mm` of that.
    """

    axis: str
    excursion_mm: float
    dwell_s: float
    tolerance_mm: float
    time_s: float
    low_s: float
    high_s: float
    left_mm: float
    settled_s: float


def torque_axes(model: RigModel) -> tuple[AxisModel, AxisModel]:
    """Both axes of a model in torque form; DataError for one of another form."""
    if not (isinstance(model.axis_x, AxisModel) and isinstance(model.axis_y, AxisModel)):
        raise DataError("advice needs a model in torque form: fit without --form compliance")
    return model.axis_x, model.axis_y


def long_stops(
    model: RigModel, bench: Bench, blocks: Iterable[TimedBlock], start: RigState | None = None
) -> tuple[Stop, ...]:
    """The longest stretches with the beam off between two traces, in the order of the path.

    The path is followed behind the usual lead-in, from the state `start` (None: at rest).
    """
    state = model.rest() if start is None else start
    found: list[Stop] = []
    before: RigState | None = None  # of the stretch under way, behind a trace
    way_x: list[Floats] = []
    way_y: list[Floats] = []
    begun = traced = False
    for block in blocks:
        if not begun:
            to_mm = (float(block.x_mm[0]), float(block.y_mm[0]))
            size = REACH * bench.limits.max_drive
            x, y = lead_in(model, state, bench, to_mm, amplitude_fs=size)
            state = drives_on_even_clock(model, x, y, block.step_s, state)[2]
            begun = True
        edges = np.flatnonzero(np.diff(block.beam)) + 1
        for a, b in pairwise([0, *edges.tolist(), len(block)]):
            x, y = block.x_mm[a:b], block.y_mm[a:b]
            if not block.beam[a]:
                if traced:
                    before = before or state
                    way_x.append(x)
                    way_y.append(y)
            else:
                count = sum(map(len, way_x))
                if before is not None and count * block.step_s >= LONG_S:
                    park_x, park_y = (float(np.concatenate(v)[count // 2]) for v in (way_x, way_y))
                    found.append(Stop(
                        before, (park_x, park_y), (float(x[0]), float(y[0])),
                        count * block.step_s,
                    ))  # fmt: skip
                    if len(found) > MOST_STOPS:
                        found.remove(min(found, key=lambda s: s.length_s))
                before, way_x, way_y, traced = None, [], [], True
            state = drives_on_even_clock(model, x, y, block.step_s, state)[2]
    return tuple(found)


def memory_mm(model: RigModel, state: RigState, bench: Bench) -> tuple[float, float]:
    """Torque of all memory in a state, as the mm (x, y) that it would move the spot."""
    out = []
    for axis, own, full in axes_of(model, state, bench):
        friction, branches = parts_of(axis, own)
        here, still = np.full(1, float(own[0])), np.full(1, 1e-9)
        torque = float(axis.friction.torque(here, still, friction)[0][-1])
        torque += float(axis.after_effect.torque(here, still, branches)[0][-1])
        out.append(full * torque / axis.small_signal_stiffness())
    return out[0], out[1]


def best_parks(
    model: RigModel, bench: Bench, stops: tuple[Stop, ...], waits_s: tuple[float, ...]
) -> tuple[Park, ...]:
    """For each wait the place that leaves the least memory, over all stops alike.

    The axes remember apart, so each has its own best place. Every stop is looked at by itself,
    from the state in which the path as it is reaches it: what another park does to the stops
    behind it is not followed. DataError where there are no stops.
    """
    if not stops:
        raise DataError(
            f"the path never has the beam off for {LONG_S:g} s between two traces, so it has no "
            "park to advise on; give one with a wait (G4) while the beam is off"
        )
    torque_axes(model)
    reach = REACH * bench.limits.max_drive
    places = np.linspace(-reach, reach, PLACES)
    nexts, parks = (
        deflection_from_spot(np.array([x for x, _ in at]), np.array([y for _, y in at]),
                             model.optics)
        for at in ([s.next_mm for s in stops], [s.park_mm for s in stops])
    )  # fmt: skip
    out = []
    for wait_s in waits_s:
        if not (np.isfinite(wait_s) and wait_s >= 0):
            raise InputError("a wait is 0 s or more", value=wait_s, mend="give it in seconds")
        square, own = np.zeros((2, PLACES)), 0.0
        for k, stop in enumerate(stops):
            for a, (axis, state, full) in enumerate(axes_of(model, stop.state, bench)):
                left = [
                    full * _left(axis, state, place, wait_s, float(nexts[a][k]))
                    for place in [*places, float(parks[a][k])]
                ]
                square[a] += np.square(left[:-1])
                own += left[-1] ** 2
        best = square.argmin(axis=1)
        x, y = spot_from_deflection(places[best[:1]], places[best[1:]], model.optics)
        least = float(square.min(axis=1).sum())
        out.append(Park(
            wait_s, float(x[0]), float(y[0]), float(np.sqrt(least / len(stops))),
            float(np.sqrt(own / len(stops))),
        ))  # fmt: skip
    return tuple(out)


def axes_of(
    model: RigModel, state: RigState, bench: Bench
) -> list[tuple[AxisModel, Floats, float]]:
    """Axis, its state and its full scale in mm, for x and y."""
    axis_x, axis_y = torque_axes(model)
    return [
        (axis_x, state.x, bench.optics.full_scale_x_mm),
        (axis_y, state.y, bench.optics.full_scale_y_mm),
    ]


def parts_of(axis: AxisModel, state: Floats) -> tuple[Floats, Floats]:
    """States of the friction memory and of the after-effect within an axis' own."""
    head, count = len(STATE_HEAD), axis.friction.rest().size - 1
    end = head + count + axis.after_effect.stiffness.size
    return (
        np.concatenate([state[:1], state[head : head + count]]),
        np.concatenate([state[:1], state[head + count : end]]),
    )


def _left(axis: AxisModel, state: Floats, place: float, wait_s: float, end: float) -> float:
    """Memory (full scale) at `end` behind a wait at `place`."""
    begin, move = float(state[0]), rise(MOVE_SAMPLES)
    way = np.concatenate([
        begin + (place - begin) * move, [place], place + (end - place) * move
    ])  # fmt: skip
    steps = np.full(len(way), TRAVEL_S / MOVE_SAMPLES)
    steps[MOVE_SAMPLES] = max(wait_s, 1e-9)
    friction, branches = parts_of(axis, state)
    torque = axis.friction.torque(way, steps, friction)[0][-1]
    torque += axis.after_effect.torque(way, steps, branches)[0][-1]
    return float(torque) / axis.small_signal_stiffness()


def recoveries(
    fitted: FittedModel, bench: Bench, *, excursion_mm: float, dwell_s: float, tolerance_mm: float
) -> tuple[Recovery, ...]:
    """Time at zero drive until the mirror is back after a hold at `excursion_mm`, for both axes.

    From a rig at rest without a past. The interval is that of the model's refits, where it has
    any. InputError for figures out of range.
    """
    for name, value in (("dwell", dwell_s), ("tolerance", tolerance_mm)):
        if not (np.isfinite(value) and value > 0):
            raise InputError(f"the {name} is above 0", value=value, mend="give another figure")
    reach = min(bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm)
    if not 0 < abs(excursion_mm) <= reach:
        raise InputError(
            "the excursion lies within the field, and is not 0", value=excursion_mm,
            mend=f"give at most {reach:g} mm",
        )  # fmt: skip
    models = [fitted.model, *_refits(fitted)]
    out = []
    for k, name in enumerate("xy"):
        found = [_recovery(m, k, excursion_mm, dwell_s, tolerance_mm) for m in models]
        times = np.array([time for time, _, _ in found])
        low, high = times[0], times[0]
        if len(times) > 1:
            low, high = np.quantile(times[1:], [0.025, 0.975], method="nearest")
        out.append(Recovery(
            name, excursion_mm, dwell_s, tolerance_mm, float(times[0]), float(low), float(high),
            *found[0][1:],
        ))  # fmt: skip
    return tuple(out)


def _refits(fitted: FittedModel) -> list[RigModel]:
    """The axes of the model's refits, behind its own optics; none where it keeps none."""
    known = known_of(fitted)
    if known is None:
        return []
    from hysteresis.fit.structure import axis_from_full, layout

    plan = layout(known.recipe)
    per, out = plan.per_axis, []
    for short in known.refits[:REFITS]:
        full = plan.full(short)
        axes = [axis_from_full(known.recipe, full[a * per : (a + 1) * per])[0] for a in (0, 1)]
        out.append(RigModel(axes[0], axes[1], fitted.model.optics))
    return out


def _recovery(
    model: RigModel, which: int, excursion_mm: float, dwell_s: float, tolerance_mm: float
) -> tuple[float, float, float]:
    """Time to be back (s), what is left in the end (mm), and the time to be there, of one axis."""
    zero = np.zeros(1)
    home = spot_from_deflection(zero, zero, model.optics)
    aim = [home[0], home[1]]
    aim[which] = home[which] + excursion_mm
    hold = float(deflection_from_spot(aim[0], aim[1], model.optics)[which][0])
    # memory alone: inertia has rung out long before, and steps this long would not show it
    axis = replace(torque_axes(model)[which], dynamics=Dynamics())
    way = np.append(hold * rise(MOVE_SAMPLES), hold)
    steps = np.append(np.full(MOVE_SAMPLES, TRAVEL_S / MOVE_SAMPLES), dwell_s)
    _, state = axis.drive(way, steps, axis.rest())
    after = np.geomspace(1e-2, WATCH_S, 240)
    theta, _ = axis.deflection(np.zeros(len(after)), np.diff(after, prepend=0.0), state)
    both = [np.zeros(len(theta)), np.zeros(len(theta))]
    both[which] = theta
    away = spot_from_deflection(both[0], both[1], model.optics)[which] - home[which]
    return (
        _within_s(after, np.abs(away), tolerance_mm), float(np.abs(away[-1])),
        _within_s(after, np.abs(away - away[-1]), tolerance_mm),
    )  # fmt: skip


def _within_s(t_s: Floats, away_mm: Floats, tolerance_mm: float) -> float:
    """When a distance falls below the tolerance for good; infinite where it does not."""
    beyond = np.flatnonzero(away_mm > tolerance_mm)
    if not len(beyond):
        return 0.0
    k = int(beyond[-1])
    if k == len(t_s) - 1:
        return float("inf")
    # between two looks the distance falls about evenly in the logarithm of time
    part = (away_mm[k] - tolerance_mm) / (away_mm[k] - away_mm[k + 1])
    return float(t_s[k] * (t_s[k + 1] / t_s[k]) ** part)
