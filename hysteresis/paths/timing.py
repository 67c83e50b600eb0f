"""A toolpath put on a clock: speed planned along the way under a limit of acceleration.

Each move runs as a trapezoid: speed up, keep the feed, slow down (a triangle where the way is
too short for the feed); textbook kinematics. From one move to the next,

* the spot comes to rest where the beam changes, where there is a wait, and at turns of more than
  `corner_rad` (with `corner="bounded"` only where passing them would take longer; with
  `corner="round"` such corners are first replaced by a blend, see `corners.py`);
* through all other turns it passes at a bounded speed. The turn by an angle p is a step of the
  velocity, 2 v sin(p/2), which the smoothing spreads over its kernel T: the acceleration is then
  at most 2/T times the step, and v/l more where turns follow at distances l, as on an arc (so
  that the limit tends to v²/r on a fine arc). The speed is chosen such that this, together
  with 0.7 of the limit along the path, stays within the limit of acceleration.

A tolerance is kept by the acceleration: smoothing moves a path under the acceleration a by at
most 0.0163 a T², and one whose velocity steps by d at a vertex by 0.0743 d T (half the kernel's
mean distance from its middle), so both together stay within it where a + 4.55 d / T does not
exceed `sag_limit_mm_s2`. Moves with the beam on obey it; travel too, unless the beam is off for
half a kernel between them (`settle_s`, `settle_off_s`).

With a limit of jerk, each stretch from rest to rest runs in seven-segment profiles
(`kernels/path_jerk.py`): one along each straight chain of moves that is long enough for twice the
lowest passing speed of the stretch, one along all that lies between two such chains, at the
lowest of its feeds and passing speeds. From one profile to the next the acceleration is 0. This
is slower than need be, but its jerk along the path is exact. Steps of the velocity at gentle
turns are left to the smoothing.

What the finished path really reaches is measured on it and stands in its notes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.kernels import path_jerk, path_plan
from hysteresis.paths.corners import Approach, round_corners
from hysteresis.paths.smoothing import (
    PEAK_TIMES_T,
    SAG_PER_T2,
    STEP_SAG_PER_T,
    Smoothed,
    kernel_for,
    smooth,
)
from hysteresis.paths.waits import settle
from hysteresis.tables import Floats, Ints, Polyline

Corner = Literal["rest", "bounded", "round"]
CORNERS: tuple[Corner, ...] = ("rest", "bounded", "round")

# Along the path where it also turns; leaves sqrt(1 - 0.7²) of the limit for a gentle turn.
SHARE_ALONG = 0.7
# Vertices nearer than this are one place.
SHORTEST_MM = 1e-9
# Travel crosses the field's half width in 10 times what the slew limit allows at least.
TRAVEL_SHARE_OF_SLEW = 0.1
# Speeding up to travel takes four kernels, so that smoothing changes it little.
KERNELS_TO_TRAVEL = 4.0
# A tolerance may lower the acceleration so many times at most.
MOST_SLOWED = 1000.0


@dataclass(frozen=True)
class Timing:
    """Settings of the clock.

    travel_mm_s : speed of moves without a feed. acceleration_mm_s2 : limit of acceleration.
    kernel_s : length of the smoothing kernel. corner : what happens at sharp turns.
    corner_rad : turns beyond this are sharp.
    corner_tolerance_mm : with corner='round', how far the finished path may pass from the corner:
        at least half of it for the blend, the rest for the smoothing.
    tolerance_mm : how far smoothing may move a traced place (None: as the acceleration has it).
    jerk_mm_s3 : limit of jerk along the path (None: the acceleration may step).
    settle_s, settle_off_s : waits with the beam off before it goes on, and after it went off.
    """

    travel_mm_s: float
    acceleration_mm_s2: float
    kernel_s: float
    corner: Corner = "rest"
    corner_rad: float = np.pi / 12
    corner_tolerance_mm: float | None = None
    tolerance_mm: float | None = None
    jerk_mm_s3: float | None = None
    settle_s: float = 0.0
    settle_off_s: float = 0.0

    def __post_init__(self) -> None:
        for name in (
            "travel_mm_s", "acceleration_mm_s2", "kernel_s", "corner_tolerance_mm",
            "tolerance_mm", "jerk_mm_s3",
        ):  # fmt: skip
            value = getattr(self, name)
            if value is not None and not (np.isfinite(value) and value > 0):
                raise InputError(
                    f"{name} must be above 0", value=value, mend="give a number above 0"
                )
        for name in ("settle_s", "settle_off_s"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value >= 0):
                raise InputError(
                    f"{name} must be 0 or more", value=value, mend="give a time in seconds"
                )
        if self.corner not in CORNERS:
            raise InputError(
                "what happens at corners is not known",
                value=self.corner, mend="choose rest, bounded or round",
            )  # fmt: skip
        if (self.corner == "round") != (self.corner_tolerance_mm is not None):
            raise InputError(
                "round corners and their tolerance belong together",
                mend="give both corner = round and corner_tolerance_mm, or neither",
            )

        least = self.acceleration_mm_s2 / MOST_SLOWED
        if self.sag_limit_mm_s2 < least:
            needed = least * SAG_PER_T2 * self.kernel_s**2
            raise InputError(
                "the tolerance is so small that the path would take for ever",
                value=min(t for t in (self.tolerance_mm, self.corner_tolerance_mm) if t),
                mend=f"allow {1.01 * needed:.2g} mm or more ({2.02 * needed:.2g} mm at corners), "
                "or give a higher bandwidth_hz",
            )

    @property
    def sag_limit_mm_s2(self) -> float:
        """Acceleration that keeps smoothing within the tolerances; inf where there is none."""
        allowed = np.inf if self.tolerance_mm is None else self.tolerance_mm
        if self.corner_tolerance_mm is not None:
            full = SAG_PER_T2 * self.kernel_s**2 * self.acceleration_mm_s2
            allowed = min(allowed, full, 0.5 * self.corner_tolerance_mm)
        return float(allowed / (SAG_PER_T2 * self.kernel_s**2))

    @property
    def blend_mm(self) -> float | None:
        """What the corner's tolerance leaves for the blend beside the smoothing."""
        if self.corner_tolerance_mm is None:
            return None
        return self.corner_tolerance_mm - SAG_PER_T2 * self.kernel_s**2 * self.sag_limit_mm_s2

    @property
    def approach(self) -> Approach:
        """How far from a round corner a move is divided."""
        return Approach(0.5 * self.kernel_s, self.travel_mm_s)


@dataclass(frozen=True)
class Motion:
    """A polyline with its speeds: phases of each row, the last of them its wait.

    Four phases (speed up, keep, slow down, wait), or eight with a limit of jerk. Shapes: (rows,)
    or (rows, phases). Positions are those of the start of a row's move; `along` is its unit
    vector (0 where nothing moves). `start_s` is the start of each phase.
    """

    polyline: Polyline
    length_mm: Floats
    along_x: Floats
    along_y: Floats
    start_s: Floats
    way_mm: Floats
    speed_mm_s: Floats
    acceleration_mm_s2: Floats
    jerk_mm_s3: Floats
    end_s: float

    def row_at(self, t_s: Floats) -> Ints:
        """Row whose move or wait is under way at each time; the first and last rows outside."""
        phase = np.searchsorted(self.start_s.ravel(), t_s, side="right") - 1
        return np.maximum(phase, 0) // self.start_s.shape[1]

    def position(self, t_s: Floats) -> tuple[Floats, Floats]:
        """x and y in mm at each time in s; at rest before the start and after the end."""
        t = np.clip(t_s, 0.0, self.end_s)
        phase = np.maximum(np.searchsorted(self.start_s.ravel(), t, side="right") - 1, 0)
        row = phase // self.start_s.shape[1]
        since = t - self.start_s.ravel()[phase]
        third = self.jerk_mm_s3.ravel()[phase] / 6.0
        way = self.way_mm.ravel()[phase] + since * (
            self.speed_mm_s.ravel()[phase]
            + since * (0.5 * self.acceleration_mm_s2.ravel()[phase] + since * third)
        )
        way = np.clip(way, 0.0, self.length_mm[row])
        before = np.maximum(row - 1, 0)
        return (
            self.polyline.x_mm[before] + way * self.along_x[row],
            self.polyline.y_mm[before] + way * self.along_y[row],
        )


@dataclass(frozen=True)
class Stretch:
    """Planned rows of a polyline: the first `rows` of it, whose speeds nothing can change.

    Shapes (rows,) and (rows, phases) as in `Motion`; `lasts_s` are durations. `start_square` and
    `start_bent` belong to the vertex behind them: the square of the speed there (mm²/s²), and
    whether the path turns.
    """

    rows: int
    moves_left: int
    length_mm: Floats
    along_x: Floats
    along_y: Floats
    lasts_s: Floats
    way_mm: Floats
    speed_mm_s: Floats
    acceleration_mm_s2: Floats
    jerk_mm_s3: Floats
    start_square: float
    start_bent: bool


def timing_for(
    bench: Bench,
    *,
    travel_mm_s: float | None = None,
    acceleration_mm_s2: float | None = None,
    corner: Corner = "rest",
    corner_tolerance_mm: float | None = None,
    tolerance_mm: float | None = None,
    jerk_mm_s3: float | None = None,
    settle_s: float = 0.0,
    settle_off_s: float = 0.0,
) -> Timing:
    """Settings that suit a bench: kernel from its bandwidth, speeds from its slew limit.

    Without a value, travel runs at a tenth of the slew limit of the smaller axis, and the
    acceleration reaches that speed in four kernels. The others are those of `Timing`.
    """
    kernel_s = kernel_for(bench.limits.bandwidth_hz)
    reach_mm = min(bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm)
    if travel_mm_s is None:
        travel_mm_s = TRAVEL_SHARE_OF_SLEW * bench.limits.slew_per_s * reach_mm
    if acceleration_mm_s2 is None:
        acceleration_mm_s2 = travel_mm_s / (KERNELS_TO_TRAVEL * kernel_s)
    return Timing(
        travel_mm_s, acceleration_mm_s2, kernel_s, corner,
        corner_tolerance_mm=corner_tolerance_mm, tolerance_mm=tolerance_mm, jerk_mm_s3=jerk_mm_s3,
        settle_s=settle_s, settle_off_s=settle_off_s,
    )  # fmt: skip


def plan_motion(polyline: Polyline, timing: Timing) -> Motion:
    """Plan the speed along a polyline (the planning of look-ahead, forwards and backwards).

    Row 0 is the start; only its wait counts. Corners are not rounded and no waits added here:
    `prepared` does.
    """
    plan = plan_stretch(polyline, timing)
    # Summed with more digits where the machine has them: rounding would add up over long jobs.
    ends = np.cumsum(plan.lasts_s, dtype=np.longdouble).astype(np.float64)
    starts = np.append(0.0, ends[:-1]).reshape(plan.lasts_s.shape)
    return Motion(
        polyline, plan.length_mm, plan.along_x, plan.along_y, starts, plan.way_mm,
        plan.speed_mm_s, plan.acceleration_mm_s2, plan.jerk_mm_s3, float(ends[-1]),
    )  # fmt: skip


def plan_stretch(
    line: Polyline,
    timing: Timing,
    *,
    start_square: float = 0.0,
    start_bent: bool = False,
    closed: bool = True,
    forced: bool = False,
) -> Stretch:
    """Plan as much of a polyline as is certain.

    Parameters
    ----------
    line : row 0 is where the spot is, passing with the speed whose square is `start_square`.
    start_bent : whether the path turns there (of the `Stretch` before).
    closed : nothing follows, and the spot comes to rest at the end. Otherwise rows that a later
        one could still slow down are left out.
    forced : come to rest before the last move if nothing else ends the stretch.
    """
    rows = len(line)
    length, along_x, along_y = np.zeros(rows), np.zeros(rows), np.zeros(rows)
    row_of = np.zeros(rows, dtype=np.int64)
    top, push, gain = np.zeros(rows), np.zeros(rows), np.zeros(rows)
    cap, squares = np.zeros(rows + 1), np.zeros(rows + 1)
    bent = np.zeros(rows + 1, dtype=np.bool_)
    limit, sag_limit = timing.acceleration_mm_s2, timing.sag_limit_mm_s2
    apart = min(timing.settle_s, timing.settle_off_s) >= 0.5 * timing.kernel_s
    moves = path_plan.lay_out(
        line.x_mm, line.y_mm, line.beam, line.feed_mm_s, line.dwell_s, timing.travel_mm_s,
        min(limit, sag_limit), limit if apart else min(limit, sag_limit), sag_limit,
        0.5 * PEAK_TIMES_T / timing.kernel_s,
        0.5 * STEP_SAG_PER_T / SAG_PER_T2 / timing.kernel_s,
        SHARE_ALONG, np.sin(0.5 * timing.corner_rad), timing.corner != "rest", SHORTEST_MM,
        length, along_x, along_y, row_of, top, push, cap, bent,
    )  # fmt: skip
    bent[0], bent[moves], cap[moves] = start_bent, False, 0.0
    if forced and not closed and moves > 1:
        cap[moves - 1], bent[moves - 1] = 0.0, False
    if timing.jerk_mm_s3 is None:
        final = path_plan.look_ahead(
            moves, closed, start_square, cap, bent, SHARE_ALONG, push, row_of, length, gain,
            squares,
        )  # fmt: skip
    else:
        rests = np.flatnonzero(cap[: moves if not closed else moves + 1] == 0.0)
        final = int(rests[-1]) if len(rests) else 0
    done = rows if final == moves else int(row_of[final])
    phases = np.zeros((5, done, 4 if timing.jerk_mm_s3 is None else 8))
    lasts, way, speed, acceleration, jerk = phases
    dwell = line.dwell_s[:done]
    if timing.jerk_mm_s3 is None:
        path_plan.trapezoids(
            final, top, row_of, length, gain, squares, dwell, lasts, way, speed, acceleration
        )
    else:
        path_jerk.share_out(
            final, cap, bent, SHARE_ALONG, top, push, timing.jerk_mm_s3, row_of, length, dwell,
            lasts, way, speed, acceleration, jerk,
        )  # fmt: skip
    behind = final if final < moves else 0
    return Stretch(
        done, moves - final, length[:done], along_x[:done], along_y[:done],
        lasts, way, speed, acceleration, jerk,
        float(squares[final]) if behind else start_square if final < moves else 0.0,
        bool(bent[final]) if final < moves else False,
    )  # fmt: skip


def prepared(polyline: Polyline, timing: Timing) -> tuple[Polyline, Ints]:
    """The polyline with its waits for the beam and its round corners; the row each comes from."""
    line, row = settle(polyline, timing.settle_s, timing.settle_off_s)
    if timing.blend_mm is None:
        return line, row
    line, rounded = round_corners(
        line, timing.blend_mm, sharper_than_rad=timing.corner_rad, approach=timing.approach
    )
    return line, row[rounded]


def put_on_clock(polyline: Polyline, timing: Timing) -> tuple[Smoothed, Ints]:
    """Time and smooth a polyline; also the row of the polyline under way at each row."""
    line, row = prepared(polyline, timing)
    motion = plan_motion(line, timing)
    busy = np.flatnonzero(np.diff(motion.start_s[:, 0], append=motion.end_s) > 0.0)
    smoothed = smooth(
        motion.position, motion.end_s, motion.start_s[busy, 0], line.beam[busy], timing.kernel_s
    )
    return smoothed, row[motion.row_at(smoothed.clock_s)]
