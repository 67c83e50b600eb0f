"""What moves although the drive is the same: an early part played again, and zero over time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from hysteresis.characteristics.view import AXES, Found, View, by_axis
from hysteresis.metrics import BEFORE_S, SAME_DRIVE, Mean, mean_between, still_stretches
from hysteresis.settled import repeatability

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


def _zero_drift(view: View, axis: str, zeros: list[Mean]) -> Found:
    """Slope of zero against time by least squares (JCGM 100, H.3), scatter about the line."""
    k = AXES.index(axis)
    per = 100.0 * 3600.0 / view.full_scale_mm[k]
    t = np.array([zero.t_s for zero in zeros])
    mm = np.array([zero.mm[k] for zero in zeros])
    away = t - t.mean()
    square = float(away @ away)
    slope = float(away @ mm) / square
    left = mm - mm.mean() - slope * away
    dof = len(t) - 2.0
    scatter = float(np.sqrt(left @ left / dof))
    own = float(np.sqrt(np.mean([zero.u_mm[k] ** 2 for zero in zeros])))
    u, nu = (scatter, dof) if scatter > own else (own, np.inf)
    lever = per / float(np.sqrt(square))
    return Found("zero_drift", axis, "", per * slope, 0.0 if view.exact else lever * u, nu,
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
