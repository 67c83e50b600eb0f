"""Loops of a recording, drive against deflection, and the hysteresis they show.

Beside `metrics`: what is read while the drive moves, or step by step along one loop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.metrics import AXES, STRAY_SIGMA
from hysteresis.optics import RigOptics, deflection_from_spot
from hysteresis.recording import Observations
from hysteresis.settled import Settled
from hysteresis.tables import Bools, Floats, Ints, Pattern, group_of

KINDS = ("sweep", "decaying", "growing", "staircase")
MOST_POINTS = 11
_FRAMES_PER_POINT = 4  # fewer do not carry a local straight line
STILL, QUICK, STRAY = -1, -2, -3
_QUICK = 1.6  # times the usual speed
_ALONE = 0.01  # range of the other drive below which an axis moves alone


@dataclass(frozen=True)
class Loop:
    """One group of a pattern as a loop of one axis.

    `drive`, `deflection_fs` (n,): per frame, in order of time; `run` (n,) numbers the stretches
    between reversals of the drive (`STILL`: the drive stands still, `QUICK`: it moves far
    faster than usual, so that frames of a loop hardly follow it, `STRAY`: the frame lies far
    off its neighbours). `part` is the third word of
    the group's name. `alone`: the other axis stood still. `rate_per_s`: usual speed of the
    drive while it moves. `sigma_fs`: standard deviation of one frame.
    """

    group: str
    part: str
    axis: str
    alone: bool
    rate_per_s: float
    drive: Floats
    deflection_fs: Floats
    run: Ints
    sigma_fs: float

    @property
    def kind(self) -> str:
        """First word of the group's name."""
        return self.group.split("/")[0]


@dataclass(frozen=True)
class Line:
    """The straight line of an axis' loops: deflection = `offset` + `slope` × drive."""

    slope: float
    offset: float

    def departure(self, drive: Floats, deflection_fs: Floats) -> Floats:
        """Deflection minus the line, as a fraction of full scale."""
        return deflection_fs - self.offset - self.slope * drive


@dataclass(frozen=True)
class Hysteresis:
    """Largest difference of up- and down-scale readings of one cycle, in per cent of the span.

    IEC 61298-2:2008, 4.1.7 (formula from memory): consecutive readings of one cycle at one test
    point; the maximum over the points, dead band included. `how` tells by which motion: a loop
    is wider the slower it is traversed, so the figure means nothing without it.
    """

    axis: str
    group: str
    how: str
    percent_span: float
    u_percent: float
    at_drive: float
    span_fs: float
    alone: bool


def loops(
    pattern: Pattern, seen: Observations, optics: RigOptics, full_scale_mm: tuple[float, float]
) -> tuple[Loop, ...]:
    """Every sweep, reversal family and staircase of a pattern as a loop of each axis it moves."""
    middle = seen.start_s + seen.exposure_s / 2.0
    theta = deflection_from_spot(_filled(seen.x_mm), _filled(seen.y_mm), optics)
    row = np.clip(np.searchsorted(pattern.t_s, middle) - 1, 0, len(pattern) - 2)
    names = {name: group_of(str(name)) for name in dict.fromkeys(pattern.segment.tolist())}
    vertex_groups = np.array([names[name] for name in pattern.segment], dtype=object)
    of_frame = vertex_groups[row]
    out = []
    for group in dict.fromkeys(vertex_groups.tolist()):
        if group.split("/")[0] not in KINDS:
            continue
        rows = np.flatnonzero(vertex_groups[:-1] == group)
        span = slice(rows[0], rows[-1] + 2)
        frames = np.flatnonzero(of_frame == group)
        for k, (axis, values, sigmas) in enumerate(
            (("x", seen.x_mm, seen.sigma_x_mm), ("y", seen.y_mm, seen.sigma_y_mm))
        ):
            drives = (pattern.drive_x[span], pattern.drive_y[span])
            mine = frames[np.isfinite(values[frames])]
            if np.ptp(drives[k]) < 2 * _ALONE or len(mine) < _FRAMES_PER_POINT:
                continue
            step, time = np.diff(drives[k]), np.diff(pattern.t_s[span])
            moving = np.abs(step) > 1e-12
            rate = _usual_speed(np.abs(step[moving]), time[moving])
            number = _run_numbers(step)
            number[np.abs(step) / time > _QUICK * rate] = QUICK
            drive = np.interp(middle[mine], pattern.t_s[span], drives[k])
            sigma_fs = float(np.median(sigmas[mine])) / full_scale_mm[k]
            run = number[row[mine] - rows[0]]
            run[_strays(drive, theta[k][mine], sigma_fs)] = STRAY
            out.append(
                Loop(
                    group=group,
                    part="/".join(str(pattern.segment[rows[0]]).split("/")[2:]),
                    axis=axis,
                    alone=bool(np.ptp(drives[1 - k]) < _ALONE),
                    rate_per_s=rate,
                    drive=drive,
                    deflection_fs=theta[k][mine],
                    run=run,
                    sigma_fs=sigma_fs,
                )
            )
    return tuple(out)


def _strays(drive: Floats, deflection_fs: Floats, sigma_fs: float) -> Bools:
    """Single frames far off the seven around them, once the straight line is taken off.

    Hampel's identifier (median and median deviation of a moving window; from memory).
    """
    away = drive - drive.mean()
    off = deflection_fs - (away @ deflection_fs) / (away @ away) * away
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(off, 3, mode="edge"), 7)
    middle = np.median(windows, axis=1)
    spread = 1.4826 * np.median(np.abs(windows - middle[:, None]), axis=1)
    return np.asarray(np.abs(off - middle) > STRAY_SIGMA * np.maximum(spread, sigma_fs))


def _usual_speed(way: Floats, time_s: Floats) -> float:
    """The speed that half of the moving time keeps below (a median weighted by time)."""
    speed = way / time_s
    order = np.argsort(speed)
    passed = np.cumsum(time_s[order])
    return float(speed[order][np.searchsorted(passed, passed[-1] / 2.0)])


def _filled(values: Floats) -> Floats:
    """Values with the middle one where an axis was not measured, for the other axis' optics."""
    known = np.isfinite(values)
    return np.where(known, values, np.median(values[known]) if known.any() else 0.0)


def _run_numbers(step: Floats) -> Ints:
    """Number of the monotone run of each interval; `STILL` while the drive stands still."""
    moving = np.flatnonzero(np.abs(step) > 1e-12)
    out = np.full(len(step), STILL, dtype=np.int64)
    signs = np.sign(step[moving])
    out[moving] = np.cumsum(np.diff(signs, prepend=signs[:1]) != 0)
    return out


def straight_line(found: tuple[Loop, ...], axis: str) -> Line | None:
    """Least-squares line through the slowest sweep of an axis (through every loop without one)."""
    mine = [loop for loop in found if loop.axis == axis]
    if not mine:
        return None
    sweeps = [loop for loop in mine if loop.kind == "sweep"]
    alone = [loop for loop in sweeps if loop.alone] or sweeps or mine
    slow = min(alone, key=lambda loop: loop.rate_per_s)
    slope, offset = np.polyfit(slow.drive, slow.deflection_fs, 1)
    return Line(float(slope), float(offset))


@dataclass(frozen=True)
class Gap:
    """Down-scale less up-scale reading at one test point of one cycle, in full scale.

    Positive where the deflection lags. `up_fs`, `down_fs`: the two readings; `span_fs`: of the
    loop or of the group of steps.
    """

    at_drive: float
    up_fs: float
    down_fs: float
    u_fs: float
    span_fs: float

    @property
    def fs(self) -> float:
        """The difference with its sign."""
        return self.down_fs - self.up_fs


def sweep_gaps(loop: Loop) -> tuple[Gap, ...]:
    """The two readings at every test point of a loop whose drive keeps moving.

    Test points divide the common part of two consecutive runs evenly; the reading at a point is
    a local straight line through the frames nearest to it, so that noise hardly widens the
    loop. Empty where no two consecutive runs carry three such points.
    """
    found = []
    span = float(np.ptp(loop.deflection_fs))
    for number in range(int(loop.run.max(initial=-1))):
        first, second = loop.run == number, loop.run == number + 1
        if not (first.any() and second.any()) or span <= 0:
            continue
        low = max(loop.drive[first].min(), loop.drive[second].min())
        high = min(loop.drive[first].max(), loop.drive[second].max())
        fewest = min(
            int(np.sum((loop.drive[run] >= low) & (loop.drive[run] <= high)))
            for run in (first, second)
        )
        count = min(MOST_POINTS, fewest // _FRAMES_PER_POINT)
        if count < 3 or high <= low:
            continue
        rising = loop.drive[np.flatnonzero(first)[-1]] > loop.drive[np.flatnonzero(first)[0]]
        half = (high - low) / count / 2.0
        for point in low + half * (2.0 * np.arange(count) + 1.0):
            one, two = (_local(loop, run, point, half) for run in (first, second))
            if one is None or two is None:
                continue
            up, down = (one, two) if rising else (two, one)
            u = float(np.hypot(one[1], two[1]))
            found.append(Gap(float(point), up[0], down[0], u, span))
    return tuple(found)


def sweep_hysteresis(loop: Loop) -> Hysteresis | None:
    """Hysteresis of one loop whose drive keeps moving: the largest of its `sweep_gaps`.

    None where no two consecutive runs carry three test points.
    """
    gaps = sweep_gaps(loop)
    if not gaps:
        return None
    worst = max(gaps, key=lambda gap: abs(gap.fs))
    return Hysteresis(
        axis=loop.axis,
        group=loop.group,
        how=f"moving, {loop.rate_per_s:.2f} full scales per second",
        percent_span=100.0 * abs(worst.fs) / worst.span_fs,
        u_percent=100.0 * worst.u_fs / worst.span_fs,
        at_drive=worst.at_drive,
        span_fs=worst.span_fs,
        alone=loop.alone,
    )


def _local(loop: Loop, run: Bools, point: float, half: float) -> tuple[float, float] | None:
    """Deflection at a drive by a straight line through the frames within `half` of it."""
    rows = np.flatnonzero(run & (np.abs(loop.drive - point) <= half))
    if len(rows) < 3:
        return None
    x, y = loop.drive[rows] - point, loop.deflection_fs[rows]
    n, middle, level = len(x), float(x.mean()), float(y.mean())
    away = x - middle
    square = float(away @ away)
    if square <= 1e-18 * n:
        return None
    slope = float(away @ y) / square
    left = y - level - slope * away
    scatter = float(np.sqrt(left @ left / (n - 2)))
    # a straight line at x = 0 (textbook): variance 1/n + x̄²/S_xx of one frame's
    cover = 1.0 / n + middle**2 / square
    return level - slope * middle, max(scatter, loop.sigma_fs) * float(np.sqrt(cover))


def step_gaps(
    readings: tuple[Settled, ...], axis: str, full_scale_mm: float
) -> dict[str, tuple[Gap, ...]]:
    """Consecutive settled readings at one drive, approached from both sides, group by group."""
    k = AXES.index(axis)
    out = {}
    for group in dict.fromkeys(reading.group for reading in readings):
        mine = [reading for reading in readings if reading.group == group]
        span = float(np.ptp([reading.deflection_fs[k] for reading in mine]))
        latest: dict[tuple[float, int], Settled] = {}
        gaps = []
        for reading in mine:
            drive, sign = round(reading.still.drive[k], 6), reading.still.approach[k]
            other = latest.get((drive, -sign))
            latest[drive, sign] = reading
            if other is None or sign == 0 or span <= 0:
                continue
            up, down = (reading, other) if sign > 0 else (other, reading)
            u = float(np.hypot(reading.mean.u_mm[k], other.mean.u_mm[k])) / full_scale_mm
            gaps.append(Gap(drive, up.deflection_fs[k], down.deflection_fs[k], u, span))
        if gaps:
            out[group] = tuple(gaps)
    return out


def step_hysteresis(
    readings: tuple[Settled, ...], axis: str, full_scale_mm: float
) -> Hysteresis | None:
    """Hysteresis of settled steps: the largest of the `step_gaps` of all groups of steps.

    The span is that of its group.
    """
    k = AXES.index(axis)
    found = [
        (100.0 * abs(gap.fs) / gap.span_fs, group, gap)
        for group, gaps in step_gaps(readings, axis, full_scale_mm).items()
        for gap in gaps
    ]
    if not found:
        return None
    percent, group, worst = max(found, key=lambda one: one[0])
    mine = [reading for reading in readings if reading.group == group]
    tread_s = mine[0].still.end_s - mine[0].still.start_s
    return Hysteresis(
        axis=axis,
        group=group,
        how=f"settled steps of {tread_s:.2f} s",
        percent_span=percent,
        u_percent=100.0 * worst.u_fs / worst.span_fs,
        at_drive=worst.at_drive,
        span_fs=worst.span_fs,
        alone=all(abs(r.still.drive[1 - k]) < _ALONE for r in mine),
    )
