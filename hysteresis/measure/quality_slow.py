"""What changes slowly in a recording (wander, drift, creep), and how fast its pattern moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.measure.measured import Measured
from hysteresis.measure.typed_sheet import reading_windows
from hysteresis.metrics import (
    AXES,
    BEFORE_S,
    FIRST_HALF_WIDTH_S,
    FIRST_WAIT_S,
    ReturnToZero,
    groups_of,
    mean_between,
    still_stretches,
)
from hysteresis.recording import Observations
from hysteresis.settled import Repeatability
from hysteresis.tables import Floats, Pattern

LATER_S = 60.0
"""A part played again sooner than this shows the memory of what lay between, not a drift."""
LEAST_REPEATS = 3
MAD_EFFICIENCY = 0.37  # of the median absolute deviation, against the standard deviation
_TO_SIGMA = 1.4826
_SETTLED_S = 1.0  # after a move, before slow wander is looked for
_MOVING_MM_S = 1.0


@dataclass(frozen=True)
class Drift:
    """Change of settled readings, later minus first: shift (mm) over `later_s`, per axis (2,)."""

    shift_mm: Floats
    u_mm: Floats
    later_s: float
    points: int


def wander(
    pattern: Pattern, seen: Observations, sigma: Floats, window_s: float
) -> tuple[Floats, float]:
    """Scatter of means over one window beyond that of their frames, and its degrees of freedom.

    Of four means in a row ``a - 3 b + 3 c - d`` has the variance 20 s² and no trace of creep up
    to its curvature. The median absolute deviation is taken; an excess that chance alone gives
    once in a hundred (chi-square of its degrees of freedom) counts as none.
    """
    from scipy.special import chdtri

    third: list[list[float]] = [[], []]
    counts = []
    for stretch in still_stretches(pattern, slice(0, len(pattern) - 1), _SETTLED_S + 4 * window_s):
        rows = slice(*np.searchsorted(seen.start_s, (stretch.start_s + _SETTLED_S, stretch.end_s)))
        t = seen.start_s[rows]
        if len(t) < 4:
            continue
        cell = np.floor((t - stretch.start_s) / window_s).astype(int)
        cell -= cell[0]
        count = np.bincount(cell).astype(float)
        full = count >= max(1.0, 0.7 * count.max())
        good = full[:-3] & full[1:-2] & full[2:-1] & full[3:]
        counts += count[full].tolist()
        for k, values in enumerate((seen.x_mm[rows], seen.y_mm[rows])):
            mean = np.bincount(cell, values) / np.maximum(count, 1.0)
            d = mean[:-3] - 3.0 * mean[1:-2] + 3.0 * mean[2:-1] - mean[3:]
            third[k] += d[good & np.isfinite(d)].tolist()
    found = np.zeros(2)
    dof = np.inf
    for k in range(2):
        if len(third[k]) < 20:
            continue
        # four means share each difference: about a fifth of them is independent of the others
        dof = max(1.0, MAD_EFFICIENCY * len(third[k]) / 2.0)
        values = np.array(third[k])
        spread = _TO_SIGMA * float(np.median(np.abs(values - np.median(values))))
        variance, white = spread**2 / 20.0, float(sigma[k]) ** 2 / float(np.mean(counts))
        if variance > white * chdtri(dof, 0.01) / dof:
            found[k] = np.sqrt(variance - white)
    return found, dof


def typed_repeats(measured: Measured, pattern: Pattern) -> tuple[tuple[Floats, float], ...]:
    """Differences (axes) of readings that repeat each other, later minus last, and s between.

    Readings repeat each other when the drive was the same at both and at the three before.
    """
    windows = reading_windows(pattern)
    recording = measured.recording
    drive, when = [], []
    for number in measured.number.tolist():
        end = windows[number][1] if number in windows else np.nan
        when.append(end)
        at = [float(np.interp(end, pattern.t_s, getattr(pattern, f"drive_{a}"))) for a in AXES]
        drive.append([round(u, 3) for u in at])
    last: dict[str, int] = {}
    found = []
    for row in range(3, len(drive)):
        past = repr(drive[row - 3 : row + 1])
        if not recording.used[row] or "nan" in past:
            continue
        if past in last:
            before = last[past]
            gap = [float(c[row] - c[before]) for c in (recording.x_mm, recording.y_mm)]
            found.append((np.array(gap), when[row] - when[before]))
        last[past] = row
    return tuple(found)


def typed_drift(pairs: tuple[tuple[Floats, float], ...], sigma: float) -> Drift | None:
    if len(pairs) < LEAST_REPEATS:
        return None
    gaps = np.array([gap for gap, _ in pairs])
    later_s = float(np.mean([seconds for _, seconds in pairs]))
    if np.isnan(gaps).all(axis=0).any() or later_s < LATER_S:
        return None
    return Drift(
        np.nanmean(gaps, axis=0),
        np.full(2, sigma * np.sqrt(2.0 / len(pairs))),
        later_s,
        len(pairs),
    )


def drift(repeats: tuple[Repeatability, ...]) -> Drift | None:
    """Of the part that was played again latest, at least `LATER_S` later."""
    last = [[r for r in repeats if r.axis == axis] for axis in AXES]
    if not all(last):
        return None
    pair = [max(rs, key=lambda r: r.later_s) for rs in last]
    if pair[0].later_s < LATER_S:
        return None
    return Drift(
        np.array([r.mean_mm for r in pair]),
        np.array([r.u_mm / np.sqrt(r.points) for r in pair]),
        pair[0].later_s,
        min(r.points for r in pair),
    )


def trend(pattern: Pattern, seen: Observations) -> Floats:
    """Slope of the settled readings at zero drive, mm per minute, and its uncertainty; (2, 2).

    Median of the slopes of all pairs (Theil and Sen, from memory), so that a reading that still
    carries the memory of a large excursion does not tilt it; its standard uncertainty is that
    of a least-squares line through the same scatter. NaN for fewer than five readings.
    """
    found = np.full((2, 2), np.nan)
    means = []
    for stretch in still_stretches(pattern, slice(0, len(pattern) - 1), least_s=1.0):
        if abs(stretch.drive[0]) + abs(stretch.drive[1]) < 1e-6:
            mean = mean_between(seen, stretch.end_s - BEFORE_S, stretch.end_s)
            if mean is not None:
                means.append(mean)
    t = np.array([m.t_s for m in means]) / 60.0
    if len(t) < 5 or np.ptp(t) == 0:
        return found
    for k in range(2):
        mm = np.array([m.mm[k] for m in means])
        good = np.isfinite(mm)
        i, j = np.triu_indices(int(good.sum()), 1)
        if not len(i):
            continue
        tg, mg = t[good], mm[good]
        apart = np.abs(tg[j] - tg[i]) > 1e-9
        slope = float(np.median((mg[j] - mg[i])[apart] / (tg[j] - tg[i])[apart]))
        left = mg - slope * tg
        spread = _TO_SIGMA * float(np.median(np.abs(left - np.median(left))))
        found[k] = slope, spread / (tg.std() * np.sqrt(len(tg)))
    return found


def creep_speed(r: ReturnToZero) -> float:
    """Speed (mm/s) of the spot at the first reading after a return, from the last one.

    Recovery goes with the logarithm of time (the usual course of an after-effect, common
    practice): a = change / ln(t2 / t1), speed a / t1.
    """
    if r.last is None or r.last.wait_s <= 1.05 * r.first.wait_s or r.first.wait_s <= 0:
        return float("nan")
    rate = r.recovered_mm / np.log(r.last.wait_s / r.first.wait_s)
    return float(abs(rate) / r.first.wait_s)


def speeds(pattern: Pattern, full: tuple[float, float]) -> Floats:
    """Speeds (mm/s) that the drive asks for where it moves, one for every 10 ms of moving."""
    if pattern.t_s[-1] <= 0:
        return np.zeros(0)
    count = int(min(2e6, np.ceil(pattern.t_s[-1] / 0.01))) + 1
    t = np.linspace(0.0, float(pattern.t_s[-1]), count)
    step = t[1] - t[0]
    x = np.diff(np.interp(t, pattern.t_s, pattern.drive_x)) * full[0]
    y = np.diff(np.interp(t, pattern.t_s, pattern.drive_y)) * full[1]
    speed = np.hypot(x, y) / step
    return np.asarray(speed[speed > _MOVING_MM_S])


def frames_read(
    pattern: Pattern, seen: Observations, returns: tuple[ReturnToZero, ...]
) -> tuple[float, float]:
    """Frames of the readings before and after an excursion, as `metrics` takes them; NaN: none.

    The harmonic mean over the returns, since the variance of a mean goes with 1/n.
    """
    groups = groups_of(pattern)
    found: tuple[list[float], list[float]] = ([], [])
    for group in sorted({r.group for r in returns}):
        rows = groups[group]
        start: dict[str, float] = {}
        for k in range(rows.start, rows.stop):
            start.setdefault(str(pattern.segment[k]).split("/")[-1], float(pattern.t_s[k]))
        if not {"move", "watch"} <= start.keys():
            continue
        moves_s, wait_s = start["move"], start["watch"] + FIRST_WAIT_S
        opens_s = max(start.get("rest", moves_s), moves_s - BEFORE_S)
        spans = ((opens_s, moves_s), (wait_s - FIRST_HALF_WIDTH_S, wait_s + FIRST_HALF_WIDTH_S))
        for inverse, span in zip(found, spans, strict=True):
            mean = mean_between(seen, *span)
            inverse += [] if mean is None else [1.0 / mean.frames]
    before, after = (float(1.0 / np.mean(i)) if i else float("nan") for i in found)
    return before, after
