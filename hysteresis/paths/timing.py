"""A toolpath put on a clock: speed planned along the way under a limit of acceleration.

Each move runs as a trapezoid: speed up, keep the feed, slow down (a triangle where the way is
too short for the feed); textbook kinematics. From one move to the next,

* the spot comes to rest where the beam changes, where there is a wait, and at turns of more than
  `corner_rad` (with `corner="bounded"` only where passing them would take longer);
* through all other turns it passes at a bounded speed. The turn by an angle p is a step of the
  velocity, 2 v sin(p/2), which the smoothing spreads over its kernel T: the acceleration is then
  at most 2/T times the step, and v/l more where turns follow at distances l, as on an arc (so
  that the limit tends to v²/r on a fine arc). The speed is chosen such that this, together
  with 0.7 of the limit along the path, stays within the limit of acceleration.

What the finished path really reaches is measured on it and stands in its notes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.paths.smoothing import PEAK_TIMES_T, Smoothed, kernel_for, smooth
from hysteresis.tables import Bools, Floats, Ints, Polyline

Corner = Literal["rest", "bounded"]

# Along the path where it also turns; leaves sqrt(1 - 0.7²) of the limit for a gentle turn.
SHARE_ALONG = 0.7
# Vertices nearer than this are one place.
SHORTEST_MM = 1e-9
# Travel crosses the field's half width in 10 times what the slew limit allows at least.
TRAVEL_SHARE_OF_SLEW = 0.1
# Speeding up to travel takes four kernels, so that smoothing changes it little.
KERNELS_TO_TRAVEL = 4.0


@dataclass(frozen=True)
class Timing:
    """Settings of the clock.

    travel_mm_s : speed of moves without a feed. acceleration_mm_s2 : limit of acceleration.
    kernel_s : length of the smoothing kernel. corner : what happens at sharp turns.
    corner_rad : turns beyond this are sharp.
    """

    travel_mm_s: float
    acceleration_mm_s2: float
    kernel_s: float
    corner: Corner = "rest"
    corner_rad: float = np.pi / 12

    def __post_init__(self) -> None:
        for name in ("travel_mm_s", "acceleration_mm_s2", "kernel_s"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0):
                raise InputError(
                    f"{name} must be above 0", value=value, mend="give a number above 0"
                )
        if self.corner not in ("rest", "bounded"):
            raise InputError(
                "what happens at corners is not known",
                value=self.corner, mend="choose rest or bounded",
            )  # fmt: skip


@dataclass(frozen=True)
class Motion:
    """A polyline with its speeds: four phases per row (speed up, keep, slow down, wait).

    Shapes: (rows,) or (rows, 4). Positions are those of the start of a row's move; `along` is
    its unit vector (0 where nothing moves). `start_s` is the start of each phase.
    """

    polyline: Polyline
    length_mm: Floats
    along_x: Floats
    along_y: Floats
    start_s: Floats
    way_mm: Floats
    speed_mm_s: Floats
    acceleration_mm_s2: Floats
    end_s: float

    def row_at(self, t_s: Floats) -> Ints:
        """Row whose move or wait is under way at each time; the first and last rows outside."""
        phase = np.searchsorted(self.start_s.ravel(), t_s, side="right") - 1
        return np.maximum(phase, 0) // 4

    def position(self, t_s: Floats) -> tuple[Floats, Floats]:
        """x and y in mm at each time in s; at rest before the start and after the end."""
        t = np.clip(t_s, 0.0, self.end_s)
        phase = np.maximum(np.searchsorted(self.start_s.ravel(), t, side="right") - 1, 0)
        row = phase // 4
        since = t - self.start_s.ravel()[phase]
        way = self.way_mm.ravel()[phase] + since * (
            self.speed_mm_s.ravel()[phase] + 0.5 * since * self.acceleration_mm_s2.ravel()[phase]
        )
        way = np.clip(way, 0.0, self.length_mm[row])
        before = np.maximum(row - 1, 0)
        return (
            self.polyline.x_mm[before] + way * self.along_x[row],
            self.polyline.y_mm[before] + way * self.along_y[row],
        )


def timing_for(
    bench: Bench,
    *,
    travel_mm_s: float | None = None,
    acceleration_mm_s2: float | None = None,
    corner: Corner = "rest",
) -> Timing:
    """Settings that suit a bench: kernel from its bandwidth, speeds from its slew limit.

    Without a value, travel runs at a tenth of the slew limit of the smaller axis, and the
    acceleration reaches that speed in four kernels.
    """
    kernel_s = kernel_for(bench.limits.bandwidth_hz)
    reach_mm = min(bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm)
    if travel_mm_s is None:
        travel_mm_s = TRAVEL_SHARE_OF_SLEW * bench.limits.slew_per_s * reach_mm
    if acceleration_mm_s2 is None:
        acceleration_mm_s2 = travel_mm_s / (KERNELS_TO_TRAVEL * kernel_s)
    return Timing(travel_mm_s, acceleration_mm_s2, kernel_s, corner)


def plan_motion(polyline: Polyline, timing: Timing) -> Motion:
    """Plan the speed along a polyline (the planning of look-ahead, forwards and backwards).

    Row 0 is the start; only its wait counts.
    """
    dx, dy = (
        np.diff(polyline.x_mm, prepend=polyline.x_mm[0]),
        np.diff(polyline.y_mm, prepend=polyline.y_mm[0]),
    )
    length = np.hypot(dx, dy)
    length[length < SHORTEST_MM] = 0.0
    moves = np.flatnonzero(length)
    along_x, along_y = np.zeros(len(length)), np.zeros(len(length))
    along_x[moves], along_y[moves] = dx[moves] / length[moves], dy[moves] / length[moves]
    feed = np.where(np.isnan(polyline.feed_mm_s), timing.travel_mm_s, polyline.feed_mm_s)[moves]
    feed = np.clip(feed, 1e-9, 1e6)  # against overflow; the acceleration or memory limits first

    cap, turns = _passing_speeds(polyline, timing, moves, length, along_x, along_y, feed)
    cap[1:-1] = np.minimum(cap[1:-1], np.minimum(feed[:-1], feed[1:]))
    push = np.where(turns, SHARE_ALONG, 1.0) * timing.acceleration_mm_s2
    gain = 2.0 * push * length[moves]  # what a move can add to the square of the speed
    squares = _within_reach(cap**2, gain)
    v0, v1 = np.sqrt(squares[:-1]), np.sqrt(squares[1:])
    peak = np.sqrt(np.minimum(feed**2, 0.5 * (squares[:-1] + squares[1:] + gain)))
    peak = np.maximum(peak, np.maximum(v0, v1))  # against rounding

    up, down = (peak**2 - v0**2) / (2.0 * push), (peak**2 - v1**2) / (2.0 * push)
    phases = np.zeros((len(length), 4))
    phases[moves, 0] = (peak - v0) / push
    phases[moves, 1] = np.maximum(length[moves] - up - down, 0.0) / peak
    phases[moves, 2] = (peak - v1) / push
    phases[:, 3] = polyline.dwell_s
    ends = np.cumsum(phases)
    starts = np.append(0.0, ends[:-1]).reshape(phases.shape)

    way, speed, acceleration = (np.zeros_like(phases) for _ in range(3))
    way[moves, 1], way[moves, 2], way[moves, 3] = up, length[moves] - down, length[moves]
    speed[moves, 0], speed[moves, 1], speed[moves, 2] = v0, peak, peak
    acceleration[moves, 0], acceleration[moves, 2] = push, -push
    return Motion(
        polyline, length, along_x, along_y, starts, way, speed, acceleration,
        float(ends[-1]),
    )  # fmt: skip


def put_on_clock(polyline: Polyline, timing: Timing) -> tuple[Smoothed, Ints]:
    """Time and smooth a polyline; also the row of the polyline under way at each row."""
    motion = plan_motion(polyline, timing)
    busy = np.flatnonzero(np.diff(motion.start_s[:, 0], append=motion.end_s) > 0.0)
    smoothed = smooth(
        motion.position, motion.end_s, motion.start_s[busy, 0], polyline.beam[busy],
        timing.kernel_s,
    )  # fmt: skip
    return smoothed, motion.row_at(smoothed.clock_s)


def _passing_speeds(
    polyline: Polyline,
    timing: Timing,
    moves: Ints,
    length: Floats,
    ax: Floats,
    ay: Floats,
    feed: Floats,
) -> tuple[Floats, Bools]:
    """Largest speed (mm/s) at the start, between moves, and at the end; which moves touch a turn.

    Shapes: (moves + 1,), (moves,).
    """
    cap = np.zeros(len(moves) + 1)
    turns = np.zeros(len(moves), dtype=bool)
    if len(moves) < 2:
        return cap, turns
    first, second = moves[:-1], moves[1:]
    sine = 0.5 * np.hypot(ax[second] - ax[first], ay[second] - ay[first])  # of half the turn
    limit, along = timing.acceleration_mm_s2, SHARE_ALONG * timing.acceleration_mm_s2
    # Of the acceleration along the path, the part `sine` can point the way of the turn.
    across = np.sqrt(limit**2 - along**2 * (1.0 - np.minimum(sine, 1.0) ** 2)) - along * sine
    shorter = np.minimum(length[first], length[second])
    with np.errstate(divide="ignore"):
        step = across / (2.0 * sine)
    # The positive root of v²/shorter + (2/T) v = step, in the form that keeps its digits.
    rate = 0.5 * PEAK_TIMES_T / timing.kernel_s
    with np.errstate(invalid="ignore"):
        speed = step / (rate + np.sqrt(rate**2 + step / shorter))
    speed[sine < 1e-9] = np.inf
    waited = np.cumsum(polyline.dwell_s)
    rest = (waited[second - 1] - waited[first - 1] > 0.0) | (
        polyline.beam[first] != polyline.beam[second]
    )
    sharp = sine > np.sin(0.5 * timing.corner_rad)
    if timing.corner == "bounded":
        # Stopping with the whole limit, 2 v / a, may take less time than passing with a share of
        # it, 2 (v - speed) / (share a); v is the speed that the moves on both sides can reach.
        reached = np.minimum(np.minimum(feed[:-1], feed[1:]), np.sqrt(limit * shorter))
        sharp &= speed < (1.0 - SHARE_ALONG) * reached
    rest |= sharp
    speed[rest] = 0.0
    cap[1:-1] = speed
    bent = ~rest & (sine >= 1e-9)
    turns[:-1] |= bent
    turns[1:] |= bent
    return cap, turns


def _within_reach(cap: Floats, gain: Floats) -> Floats:
    """Squares of speeds under `cap` that differ by no more than `gain` from one to the next.

    This is min over j of cap_j + |G_i - G_j|, with G the running sum of the gains.
    """
    total = np.concatenate([[0.0], np.cumsum(gain)])
    ahead = total + np.minimum.accumulate(cap - total)
    back = np.minimum.accumulate((cap + total)[::-1])[::-1] - total
    return np.maximum(np.minimum(np.minimum(ahead, back), cap), 0.0)
