"""A way through a stretch with the beam off that leaves one axis the least memory at its end.

The way waits at places and then makes alternating excursions of falling size, whose middle moves
from a last place to the end. The excursions wipe the friction memory there. The middle moves
because excursions about a fixed end use up the time in which slow branches could be brought
round. Few small excursions leave more friction and more time; which is better depends on the
stretch, so a few numbers and sizes are tried. For each the places come from a small bounded
least-squares problem: stretches of Maxwell branches are linear in them, friction is made linear
about the last answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.axis import STATE_HEAD, AxisModel
from hysteresis.bench import Bench
from hysteresis.compensate.swings import MOVE_S, decay, half_cycles, rise, through
from hysteresis.model import RigModel
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.tables import Floats

WIPES = (16, 10, 6, 4, 0)  # half cycles, one of these
WIPES_FS = (0.6, 0.4, 0.25, 0.15)  # size of the first
WIPE_SHARE = 0.5  # of the time there is, at most, for them
WAITS = (0.55, 0.3, 0.15)  # shares of the time left, one place to wait at each
AHEAD_S = 3.0  # of the next trace, in which the memory should have little to do
EACH = 0.3  # how much the branches count one by one, beside their sum: their errors differ
FRICTION = 1.0  # how much friction counts by itself, beside the sum
SOLVES = 4  # friction is not linear in the places
PROBE = 1e-3  # full scale, for its slopes


@dataclass(frozen=True)
class Shapes:
    """A family of ways (n,) through one stretch: `fixed + by_place @ places`, all in full scale.

    `fixed` (n,), `by_place` (n, p); `room` (p,): what the excursions take of the reach there.
    """

    fixed: Floats
    by_place: Floats
    room: Floats

    def at(self, places: Floats) -> Floats:
        return np.asarray(self.fixed + self.by_place @ places)


@dataclass(frozen=True)
class Left:
    """What counts as memory left, by its rows: `matrix @ places + offset + friction · torque`.

    First the torque of all branches and friction together at moments of the trace ahead as if
    it stood still at its start (evenly in the logarithm of time, root mean square), then each
    branch's own, `EACH` as much, and friction's, `FRICTION` as much: a model that is wrong is
    not wrong by one factor.
    """

    matrix: Floats
    offset: Floats
    friction: Floats

    def at(self, places: Floats, torque: float) -> Floats:
        return np.asarray(self.matrix @ places + self.offset + self.friction * torque)


def least_memory_way(
    axis: AxisModel, state: Floats, end: float, reach: float, n: int, step_s: float,
    model: RigModel, bench: Bench,
) -> Floats | None:  # fmt: skip
    """The best way (n,) from `state` to `end` within ±`reach`; None where the time is too short."""
    best, least = None, np.inf
    for count in WIPES:
        for size in WIPES_FS if count else (0.0,):
            if size > reach:
                continue
            shapes = nulling(float(state[0]), end, count, size, n, step_s, model, bench)
            if shapes is None:
                continue
            places, left = least_memory(axis, state, shapes, end, reach, step_s)
            if left < least:
                best, least = shapes.at(places), left
    return best


def nulling(
    begin: float, end: float, count: int, size: float, n: int, step_s: float,
    model: RigModel, bench: Bench,
) -> Shapes | None:  # fmt: skip
    """Ways that wait at places, then make `count` excursions of `size` about a middle that moves
    from a last place to `end`; None where the time is too short."""
    lengths = half_cycles(size, count, step_s, model, bench) if count else []
    left = n - sum(lengths)
    if left < (1.0 - WIPE_SHARE) * n:
        return None
    move = max(2, round(MOVE_S / step_s))
    waits = min(len(WAITS), left // (3 * move))
    if waits == 0:
        return None
    shares = np.array(WAITS[:waits]) / sum(WAITS[:waits])
    # moves of the waiting part: to each place, and to the middle of the swings (or the end)
    starts, at = [], 0
    for share in shares:
        starts.append(at)
        at += move + int(share * (left - (waits + 1) * move))
    starts.append(left - move)
    last = waits + (count > 0)
    by_place, fixed, room = np.zeros((n, last)), np.zeros(n), np.zeros(last)
    fixed[:move] = begin * (1.0 - rise(move))
    for k in range(waits):
        a, b = starts[k], starts[k + 1]
        by_place[a : a + move, k] = rise(move)
        by_place[a + move : b, k] = 1.0
        by_place[b : b + move, k] = 1.0 - rise(move)
    if not count:
        fixed[left - move :] += end * rise(move)
        return Shapes(fixed, by_place, room)
    by_place[left - move : left, -1] = rise(move)
    middle = through(np.append(1.0, 1.0 - np.arange(count + 1) / count), lengths)
    by_place[left:, -1] = middle
    fixed[left:] = end * (1.0 - middle) + through(np.append(0.0, decay(size, count)), lengths)
    room[-1] = size
    return Shapes(fixed, by_place, room)


def least_memory(
    axis: AxisModel, state: Floats, shapes: Shapes, end: float, reach: float, step_s: float
) -> tuple[Floats, float]:
    """Places (p,) within ±`reach` that leave the least memory at the end, and its square."""
    from scipy.optimize import lsq_linear

    left = memory_left(axis, state, shapes, step_s)
    bound = np.maximum(reach - shapes.room, 1e-9)
    # a hair of preference for staying near the end keeps the problem well posed
    hair = 1e-4 * float(np.abs(left.matrix).max(initial=1e-12))
    near = np.clip(end, -bound, bound)
    places, best, least = near, near, np.inf
    for _ in range(SOLVES):
        torque = friction_left(axis, state, shapes.at(places), step_s)
        size = float(np.sum(left.at(places, torque) ** 2))
        if size < least:
            best, least = places, size
        slope = np.array([
            (friction_left(axis, state, shapes.at(places + probe), step_s) - torque) / PROBE
            for probe in PROBE * np.eye(len(places))
        ])  # fmt: skip
        matrix = left.matrix + np.outer(left.friction, slope)
        wanted = matrix @ places - left.at(places, torque)
        # the solver's tolerance is absolute, torques are small: both sides in units of the matrix
        unit = float(np.abs(matrix).max(initial=0.0))
        if unit == 0.0:  # no memory, nothing to choose by
            break
        found = lsq_linear(
            np.concatenate([matrix, hair * np.eye(len(near))]) / unit,
            np.concatenate([wanted, hair * near]) / unit,
            bounds=(-bound, bound), method="bvls", tol=1e-12,
        )  # fmt: skip
        places = np.asarray(found.x)
    return best, least


def memory_left(axis: AxisModel, state: Floats, shapes: Shapes, step_s: float) -> Left:
    """The rows of `Left` for a family of ways that begin at `state`."""
    tau, k = axis.after_effect.relaxation_time_s, axis.after_effect.stiffness
    first = len(STATE_HEAD) + axis.friction.rest().size - 1
    now = state[first : first + k.size]
    # the stretch that `state` holds belongs to the angle at which the way begins
    ways = np.column_stack([shapes.fixed - state[0], shapes.by_place])
    by_way = stretches(axis.after_effect, ways, step_s)
    rest = now * np.exp(-len(ways) * step_s / tau) + by_way[:, 0]
    ahead = np.geomspace(0.02, AHEAD_S, 12)
    root = 1.0 / np.sqrt(len(ahead))
    weigh = np.concatenate([
        np.exp(-ahead[:, None] / tau) * k * root, EACH * np.diag(k), np.zeros((1, k.size)),
    ])  # fmt: skip
    friction = np.concatenate([np.full(len(ahead), root), np.zeros(k.size), [FRICTION]])
    return Left(weigh @ by_way[:, 1:], weigh @ rest, friction)


def stretches(after_effect: AfterEffect, ways: Floats, step_s: float) -> Floats:
    """Stretch (branches, p) of every branch at the end of each way (n, p) from rest at 0.

    Stretches are linear in the way: those of a sum are the sum of these.
    """
    tau = after_effect.relaxation_time_s
    unit = AfterEffect(tau, np.ones(tau.size))
    return np.column_stack([
        unit.torque(way, np.full(len(way), step_s), unit.rest())[1][1:] for way in ways.T
    ])  # fmt: skip


def friction_left(axis: AxisModel, state: Floats, way: Floats, step_s: float) -> float:
    """Torque of the friction memory at the end of a way (n,)."""
    count, head = axis.friction.rest().size - 1, len(STATE_HEAD)
    own = np.concatenate([state[:1], state[head : head + count]])
    return float(axis.friction.torque(way, np.full(len(way), step_s), own)[0][-1])
