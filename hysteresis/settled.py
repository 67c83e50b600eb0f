"""Settled readings, step by step: reversal value and repeatability.

Beside `metrics`, under the same rules. Where both axes move, spots are turned into deflections by
an optics (nominal, or fitted), so that one axis is not blamed for what the other does.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from hysteresis.metrics import (
    AXES,
    BEFORE_S,
    SAME_DRIVE,
    Mean,
    Still,
    groups_of,
    mean_between,
    still_stretches,
)
from hysteresis.optics import RigOptics, deflection_from_spot
from hysteresis.recording import Observations
from hysteresis.tables import Floats, Pattern


@dataclass(frozen=True)
class Settled:
    """One settled reading: the mean of the last half (0.5 s at most) of a still stretch."""

    group: str
    still: Still
    mean: Mean
    deflection_fs: tuple[float, float]


def settled_readings(
    pattern: Pattern, seen: Observations, optics: RigOptics, kinds: tuple[str, ...]
) -> tuple[Settled, ...]:
    """Settled readings in every group of these kinds, and in their repeats."""
    found = []
    for group, rows in groups_of(pattern).items():
        part = str(pattern.segment[rows.start]).split("/")[-1]
        if not (group.split("/")[0] in kinds or (group.startswith("repeat/") and part in kinds)):
            continue
        for still in still_stretches(pattern, rows):
            from_s = max((still.start_s + still.end_s) / 2.0, still.end_s - BEFORE_S)
            mean = mean_between(seen, from_s, still.end_s)
            if mean is not None and np.isfinite(mean.mm).all():
                theta = deflection_from_spot(np.array(mean.mm[0]), np.array(mean.mm[1]), optics)
                found.append(Settled(group, still, mean, (float(theta[0]), float(theta[1]))))
    return tuple(found)


@dataclass(frozen=True)
class ReversalValue:
    """Reversal value of one axis, mm: B = max |x̄↑ − x̄↓| over the targets (ISO 230-2, 2.12–2.14).

    `mean_mm` is B̄, the mean over the targets with its sign; `runs` the fewest approaches per
    direction at any target (the standard asks for five: from memory).
    """

    axis: str
    largest_mm: float
    u_mm: float
    mean_mm: float
    at_drive: float
    targets: int
    runs: int


def reversal_value(
    readings: tuple[Settled, ...], axis: str, full_scale_mm: float
) -> ReversalValue | None:
    """Reversal value over all targets that were approached from both sides; None without any."""
    k = AXES.index(axis)
    places: dict[tuple[float, int], list[Settled]] = {}
    for reading in readings:
        key = (round(reading.still.drive[k], 6), reading.still.approach[k])
        places.setdefault(key, []).append(reading)
    gaps = []
    for (drive, sign), ups in places.items():
        downs = places.get((drive, -1), [])
        if sign != 1 or not downs:
            continue
        gap = [np.mean([r.deflection_fs[k] for r in side]) for side in (ups, downs)]
        u = [np.sqrt(np.mean([r.mean.u_mm[k] ** 2 for r in s]) / len(s)) for s in (ups, downs)]
        runs = min(len(ups), len(downs))
        gaps.append((float(gap[0] - gap[1]) * full_scale_mm, float(np.hypot(*u)), drive, runs))
    if not gaps:
        return None
    largest = max(gaps, key=lambda gap: abs(gap[0]))
    return ReversalValue(
        axis=axis,
        largest_mm=abs(largest[0]),
        u_mm=largest[1],
        mean_mm=float(np.mean([gap[0] for gap in gaps])),
        at_drive=largest[2],
        targets=len(gaps),
        runs=min(gap[3] for gap in gaps),
    )


@dataclass(frozen=True)
class Repeatability:
    """A stretch played again: settled readings, later minus first, mm.

    In the form of non-repeatability of IEC 61298-2 (extreme difference at the same input in the
    same direction; from memory) with two cycles. `mean_mm` is the shift as a whole (drift),
    `largest_mm` the extreme with its sign and `u_mm` its standard uncertainty, `u_mean_mm` that of
    the mean; `gaps_mm` are all of them, with their `u_gaps_mm`.
    """

    group: str
    first_group: str
    axis: str
    points: int
    later_s: float
    mean_mm: float
    largest_mm: float
    u_mm: float
    u_mean_mm: float = np.nan
    gaps_mm: Floats = field(default_factory=lambda: np.empty(0), compare=False)
    u_gaps_mm: Floats = field(default_factory=lambda: np.empty(0), compare=False)


def repeatability(pattern: Pattern, seen: Observations) -> tuple[Repeatability, ...]:
    """Every `repeat` group against the first earlier group with the same drive."""
    groups = groups_of(pattern)
    found = []
    for group, rows in groups.items():
        if not group.startswith("repeat/"):
            continue
        twin = next(
            (g for g, r in groups.items() if r.stop <= rows.start and _same(pattern, r, rows)),
            None,
        )
        if twin is None:
            continue
        shift_s = float(pattern.t_s[rows.start] - pattern.t_s[groups[twin].start])
        pairs = []
        for still in still_stretches(pattern, rows):
            from_s = max((still.start_s + still.end_s) / 2.0, still.end_s - BEFORE_S)
            later = mean_between(seen, from_s, still.end_s)
            first = mean_between(seen, from_s - shift_s, still.end_s - shift_s)
            if later is not None and first is not None:
                pairs.append((later, first))
        for k, axis in enumerate(AXES):
            gap = np.array([later.mm[k] - first.mm[k] for later, first in pairs])
            u = np.array([np.hypot(later.u_mm[k], first.u_mm[k]) for later, first in pairs])
            gap, u = gap[np.isfinite(gap)], u[np.isfinite(gap)]
            if len(gap):
                worst = int(np.argmax(np.abs(gap)))
                found.append(
                    Repeatability(group, twin, axis, len(gap), shift_s, float(np.mean(gap)),
                                  float(gap[worst]), float(u[worst]),
                                  float(np.sqrt(np.sum(u**2))) / len(u), gap, u)
                )  # fmt: skip
    return tuple(found)


def _same(pattern: Pattern, first: slice, later: slice) -> bool:
    """Whether two stretches of a pattern have the same drive against time."""
    if first.stop - first.start != later.stop - later.start:
        return False
    a, b = slice(first.start, first.stop + 1), slice(later.start, later.stop + 1)
    return all(
        np.allclose(one - one0, two - two0, rtol=0.0, atol=SAME_DRIVE)
        for one, two, one0, two0 in (
            (pattern.t_s[a], pattern.t_s[b], pattern.t_s[a.start], pattern.t_s[b.start]),
            (pattern.drive_x[a], pattern.drive_x[b], 0.0, 0.0),
            (pattern.drive_y[a], pattern.drive_y[b], 0.0, 0.0),
        )
    )
