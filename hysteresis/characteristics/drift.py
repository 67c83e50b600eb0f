"""What moves although the drive is the same: an early part played again, and zero over time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from hysteresis.characteristics.view import AXES, Found, View, by_axis
from hysteresis.metrics import BEFORE_S, SAME_DRIVE, Mean, mean_between, still_stretches
from hysteresis.settled import repeatability
from hysteresis.tables import Floats

FEWEST_ZEROS = 3


def figures(view: View) -> Iterator[Found]:
    """Shift of every repeat and of all together, and drift of zero after conditioning."""
    yield from _repeats(view)
    zeros = zeros_after_conditioning(view)
    for k, axis in enumerate(AXES):
        mine = [zero for zero in zeros if np.isfinite(zero.mm[k])]
        if len(mine) >= FEWEST_ZEROS:
            yield _zero_drift(view, axis, mine)


def zeros_after_conditioning(view: View) -> list[Mean]:
    """The reading at zero drive that follows each conditioning: friction is wiped there."""
    pattern = view.pattern
    wiped = np.array([str(name).startswith("conditioning/") for name in pattern.segment[:-1]])
    ends = pattern.t_s[np.flatnonzero(wiped & ~np.append(wiped[1:], False)) + 1]
    out = []
    for still in still_stretches(pattern, slice(0, len(pattern) - 1)):
        close = np.abs(ends - still.start_s) < 0.5
        if not close.any() or abs(still.drive[0]) + abs(still.drive[1]) > SAME_DRIVE:
            continue
        zero = mean_between(view.seen, max(still.start_s, still.end_s - BEFORE_S), still.end_s)
        if zero is not None:
            out.append(zero)
    return out


@dataclass(frozen=True)
class Line:
    """Least-squares line y = level + slope (t − t̄); standard uncertainties by the scatter.

    `scatter` is the standard deviation about the line with `dof` degrees of freedom. Level and
    slope are uncorrelated, since times count from their mean (JCGM 100:2008, H.3.2).
    """

    middle: float
    level: float
    slope: float
    u_level: float
    u_slope: float
    scatter: float
    dof: float

    def at(self, t: float) -> tuple[float, float]:
        """Value at a time, and its standard uncertainty (JCGM 100:2008, H.3.5)."""
        away = t - self.middle
        return self.level + self.slope * away, float(np.hypot(self.u_level, self.u_slope * away))


def line_through(t: Floats, y: Floats, least: float = 0.0) -> Line:
    """Line through three points or more; `least` is the standard deviation that a reading has.

    Where the scatter is smaller than that, `least` takes its place, with infinite dof.
    """
    away = t - t.mean()
    square = float(away @ away)
    slope = float(away @ y) / square
    left = y - y.mean() - slope * away
    dof = len(t) - 2.0
    scatter = float(np.sqrt(left @ left / dof))
    if scatter <= least:
        scatter, dof = least, np.inf
    return Line(
        float(t.mean()), float(y.mean()), slope, scatter / float(np.sqrt(len(t))),
        scatter / float(np.sqrt(square)), scatter, dof,
    )  # fmt: skip


def _zero_drift(view: View, axis: str, zeros: list[Mean]) -> Found:
    """Slope of zero against time by least squares, scatter about the line."""
    k = AXES.index(axis)
    per = 100.0 * 3600.0 / view.full_scale_mm[k]
    t = np.array([zero.t_s for zero in zeros])
    own = float(np.sqrt(np.mean([zero.u_mm[k] ** 2 for zero in zeros])))
    line = line_through(t, np.array([zero.mm[k] for zero in zeros]), own)
    lever = per / float(np.linalg.norm(t - t.mean()))
    u = 0.0 if view.exact else per * line.u_slope
    return Found("zero_drift", axis, "", per * line.slope, u, line.dof,
                 per_mm=lever * float(np.sqrt(2.0)))  # fmt: skip


def _repeats(view: View) -> Iterator[Found]:
    for axis, found in by_axis(repeatability(view.pattern, view.seen)).items():
        full_mm = view.full_scale_mm["xy".index(axis)]
        per_mm = 100.0 * np.sqrt(2.0) / full_mm
        for one in found:
            yield Found(
                "repeat_shift", axis, one.group, 100.0 * one.mean_mm / full_mm,
                100.0 * one.u_mean_mm / full_mm, per_mm=per_mm,
                conditions=(("later_s", one.later_s, "s"),),
            )  # fmt: skip
        counts = np.array([one.points for one in found], dtype=float)
        share = counts / counts.sum()
        value = float(share @ [one.mean_mm for one in found])
        u = float(np.sqrt(share**2 @ np.array([one.u_mean_mm for one in found]) ** 2))
        yield Found("repeat_shift", axis, "", 100.0 * value / full_mm, 100.0 * u / full_mm,
                    per_mm=per_mm)  # fmt: skip
