"""Hysteresis and its kin, from loops and settled steps: IEC 61298-2 and ANSI/ISA-51.1."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from hysteresis.characteristics.spread import corrected
from hysteresis.characteristics.view import AXES, Found, View
from hysteresis.loops import Gap, Loop, step_gaps, sweep_gaps
from hysteresis.tables import Floats


def figures(view: View) -> Iterator[Found]:
    """Hysteresis of every sweep and of every group of steps, and summed up."""
    for axis in AXES:
        yield from _hysteresis(view, axis)


def _hysteresis(view: View, axis: str) -> Iterator[Found]:
    k = AXES.index(axis)
    full_mm = view.full_scale_mm[k]
    sweeps = [loop for loop in view.loops() if loop.axis == axis and loop.kind == "sweep"]
    moving = [(loop, sweep_gaps(loop)) for loop in sweeps]
    moving = [(loop, gaps) for loop, gaps in moving if gaps]
    alone = [both for both in moving if both[0].alone] or moving
    for loop, gaps in moving:
        value, u = largest_gap(view, gaps, shared_by_clock(view, loop))
        yield Found(
            "hysteresis", axis, f"{loop.group}/moving", value, u,
            conditions=(("rate_per_s", loop.rate_per_s, "FS/s"),), per_mm=_per_mm(gaps, full_mm),
        )  # fmt: skip
    steps = step_gaps(view.steps(), axis, full_mm)
    for group, gaps in steps.items():
        value, u = largest_gap(view, gaps, 0.0)
        tread_s = next(r.still for r in view.steps() if r.group == group)
        yield Found(
            "hysteresis", axis, f"{group}/steps", value, u, per_mm=_per_mm(gaps, full_mm),
            conditions=(("tread_s", tread_s.end_s - tread_s.start_s, "s"),),
        )  # fmt: skip
    if alone:
        found = [largest_gap(view, gaps, shared_by_clock(view, loop)) for loop, gaps in alone]
        worst = int(np.argmax([value for value, _ in found]))
        gaps = alone[worst][1]
    elif steps:
        found = [largest_gap(view, gaps, 0.0) for gaps in steps.values()]
        worst = int(np.argmax([value for value, _ in found]))
        gaps = list(steps.values())[worst]
    else:
        return
    yield Found("hysteresis", axis, "", *found[worst], per_mm=_per_mm(gaps, full_mm))


def largest_gap(view: View, gaps: tuple[Gap, ...], common_fs: float) -> tuple[float, float]:
    """Largest difference in % of the span, freed of what noise adds, and its uncertainty."""
    per = 100.0 / gaps[0].span_fs
    values: Floats = per * np.array([gap.fs for gap in gaps])
    if view.exact:
        return float(np.max(np.abs(values))), 0.0
    u: Floats = per * np.array([gap.u_fs for gap in gaps])
    shared = np.full(len(gaps), per * common_fs)
    value, doubt = corrected(lambda m: np.max(np.abs(m), axis=-1), values, u, shared)
    return max(value, 0.0), doubt


def shared_by_clock(view: View, loop: Loop) -> float:
    """By how much an error of the clock widens a loop, in full scale: twice rate × time × slope."""
    slope = float(np.ptp(loop.deflection_fs) / np.ptp(loop.drive))
    return 2.0 * loop.rate_per_s * view.clock_s * slope


def _per_mm(gaps: tuple[Gap, ...], full_mm: float) -> float:
    """A difference of two readings: √2 of one."""
    return float(np.sqrt(2.0) * 100.0 / (gaps[0].span_fs * full_mm))
