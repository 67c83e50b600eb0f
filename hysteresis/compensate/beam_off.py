"""What the mirror does while the beam is off: follow the path, wipe friction, or null the memory.

Nothing is traced then, so the spot may go anywhere in the time there is, as long as it arrives.
Compensation makes the memory harmless where the model is right; a memory that is small when the
next trace begins is harmless where the model is wrong as well. Three options:

follow : the path as it is.
condition : alternating excursions of falling size about the middle of the field, then the way to
    the trace. Wipes friction memory; says nothing to creep.
null : places to wait at and excursions about a middle that moves to the start of the trace,
    chosen so that friction and creep have as little to do there as time and field allow
    (`null_memory`).

Linear decay from A in n half cycles leaves every stop whose limit is above the last excursion
with at most half the decrement, A / 2n per unit of stiffness (textbook play operator; the tests
ask the operator).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.compensate.null_memory import WIPE_SHARE, WIPES, WIPES_FS, least_memory_way
from hysteresis.compensate.swings import MOVE_S, decay, half_cycles, rise, swings_s, through
from hysteresis.model import RigModel, RigState
from hysteresis.optics import deflection_from_spot, spot_from_deflection
from hysteresis.tables import Floats

Option = Literal["follow", "condition", "null"]
OPTIONS: tuple[Option, ...] = ("follow", "condition", "null")
REACH = 0.8  # of the largest drive: how far out the mirror waits or swings
CONDITIONS, FEWEST = 40, 4  # half cycles of a conditioning
LEAST_S = 0.15  # a shorter stretch is followed
AT_REST_PER_S = 1.0  # full scale: a path that is faster at an end of the stretch is followed
EDGE_S = 0.0133  # in which the speed at either end of the stretch is led to zero


@dataclass(frozen=True)
class Window:
    """One stretch with the beam off: spots (n,) in mm on the even clock, and what was done."""

    x_mm: Floats
    y_mm: Floats
    done: Option


def least_s(option: Option, model: RigModel, bench: Bench) -> float:
    """Time (s) a stretch needs for `option` to do all it can; 0 for following."""
    if option == "follow":
        return 0.0
    if option == "null":  # for the longest of the excursions that are tried
        return float(np.sum(swings_s(WIPES_FS[0], WIPES[0], model, bench))) / WIPE_SHARE
    size = REACH * bench.limits.max_drive
    return float(np.sum(swings_s(size, CONDITIONS, model, bench))) + 2 * MOVE_S


def beam_off_window(
    option: Option,
    model: RigModel,
    state: RigState,
    bench: Bench,
    x_mm: Floats,
    y_mm: Floats,
    step_s: float,
) -> Window:
    """What to do in place of the path `x_mm`, `y_mm` (n,), traced with the beam off.

    `state` is the rig's state at the sample before, `step_s` the time from one sample to the
    next. The window ends where the path ends, with its speed there. The path itself comes back
    where the time does not suffice, where it is in full motion at an end, where the drive would
    exceed a limit, and for axes of another form than `AxisModel`; with `null` also where the
    output is AC-coupled, since what a wait aside adds to the drive stays in it.
    """
    plain = Window(x_mm, y_mm, "follow")
    axes = (model.axis_x, model.axis_y)
    n = len(x_mm)
    if option == "follow" or bench.beam.mode == "always-on" or n * step_s < LEAST_S:
        return plain
    if not (isinstance(axes[0], AxisModel) and isinstance(axes[1], AxisModel)):
        return plain
    if option == "null" and max(axes[0].chain.droop_per_s, axes[1].chain.droop_per_s) > 0.0:
        return plain
    ends = deflection_from_spot(x_mm[-2:], y_mm[-2:], model.optics)
    home = deflection_from_spot(np.zeros(1), np.zeros(1), model.optics)
    owns = (state.x, state.y)
    speeds = [((s[0] - s[1]) / step_s, (e[1] - e[0]) / step_s)
              for s, e in zip(owns, ends, strict=True)]  # fmt: skip
    if np.abs(speeds).max() > AT_REST_PER_S:
        return plain
    full = REACH * bench.limits.max_drive
    for share in (1.0, 0.85, 0.7):
        theta = []
        for axis, own, end, middle, speed in zip(axes, owns, ends, home, speeds, strict=True):
            assert isinstance(axis, AxisModel)
            begin, goal = float(own[0]), float(end[1])
            reach = max(share * full, abs(goal))
            if option == "condition":
                way = conditioned(begin, float(middle[0]), goal, reach, n, step_s, model, bench)
            else:
                way = least_memory_way(axis, own, goal, reach, n, step_s, model, bench)
            if way is None:
                return plain
            theta.append(way + edges(n, step_s, *speed))
        if _within_limits(model, state, bench, theta, step_s):
            x, y = spot_from_deflection(theta[0], theta[1], model.optics)
            x[-1], y[-1] = x_mm[-1], y_mm[-1]
            return Window(x, y, option)
    return plain


def _within_limits(
    model: RigModel, state: RigState, bench: Bench, theta: list[Floats], step_s: float
) -> bool:
    """Whether drive and slew on this way keep to the bench's limits.

    The coils' warmth looks back over minutes and is judged on the whole output.
    """
    for axis, own, way in zip((model.axis_x, model.axis_y), (state.x, state.y), theta, strict=True):
        drive, _ = axis.drive(way, step_s, own)
        slew = np.abs(np.diff(drive)).max() / step_s
        if np.abs(drive).max() > bench.limits.max_drive or slew > bench.limits.slew_per_s:
            return False
    return True


def edges(n: int, step_s: float, speed_in: float, speed_out: float) -> Floats:
    """A small way (n,) that begins with one speed and ends with another, at 0 both times."""
    out = np.zeros(n)
    count = min(n // 2, max(2, round(EDGE_S / step_s)))
    s = np.arange(1, count + 1) / count
    # cubic with b(0) = b'(0) = b(1) = 0, b'(1) = 1
    bump = count * step_s * (s**3 - s**2)
    out[n - count :] += speed_out * bump
    out[:count] -= speed_in * np.append(bump[::-1][1:], 0.0)
    return out


def conditioned(
    begin: float, middle: float, end: float, reach: float, n: int, step_s: float,
    model: RigModel, bench: Bench,
) -> Floats | None:  # fmt: skip
    """To the middle of the field, alternating about it, and on to the start of the trace."""
    move = max(2, round(MOVE_S / step_s))
    count, lengths = CONDITIONS, []
    for count in range(CONDITIONS, FEWEST - 1, -1):
        lengths = half_cycles(reach, count, step_s, model, bench)
        if sum(lengths) + 2 * move <= n:
            break
    else:
        return None
    turns = middle + np.append(0.0, decay(reach - abs(middle), count))
    spare = n - sum(lengths) - 2 * move
    return np.concatenate([
        begin + (middle - begin) * rise(move), through(turns, lengths),
        middle + (end - middle) * rise(move), np.full(spare, end),
    ])  # fmt: skip
