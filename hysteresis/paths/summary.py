"""What a path in blocks comes to: length, ways, layers, and the peaks of the finished path."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from hysteresis.errors import InputError
from hysteresis.paths.stream import TimedBlock


@dataclass(frozen=True)
class PathSummary:
    """Figures of a whole path, as `PathNotes` has them for a short one.

    Ways and peaks are measured between samples of the finished path; a sample's beam counts up to
    the next one.
    """

    samples: int
    duration_s: float
    layers: int
    switches: int
    trace_mm: float
    travel_mm: float
    peak_speed_mm_s: float
    peak_acceleration_mm_s2: float
    smoothing_mm: float


def summarise(blocks: Iterable[TimedBlock]) -> PathSummary:
    """Go through a path once. Raises InputError where there is nothing."""
    samples = layers = switches = 0
    trace = travel = speed = acceleration = moved = step = 0.0
    x, y = np.empty(0), np.empty(0)
    on = np.empty(0, dtype=np.bool_)
    for block in blocks:
        step = block.step_s
        new = 1 if samples else 0
        # two samples are kept: for the speed to the next one, and for the acceleration
        x, y = np.append(x[-2:], block.x_mm), np.append(y[-2:], block.y_mm)
        on = np.append(on[-1:], block.beam)
        way = np.hypot(np.diff(x), np.diff(y))
        fresh = way[len(way) - len(block) + 1 - new :]
        trace += float(fresh[on[:-1]].sum())
        travel += float(fresh[~on[:-1]].sum())
        speed = max(speed, float(way.max(initial=0.0)))
        bend = np.hypot(np.diff(x, 2), np.diff(y, 2))
        acceleration = max(acceleration, float(bend.max(initial=0.0)))
        samples += len(block)
        layers = int(block.layer[-1]) + 1
        switches += len(block.switch_at)
        moved = max(moved, block.smoothing_mm)
    if samples == 0:
        raise InputError("the path is empty", mend="give a file that moves the spot")
    return PathSummary(
        samples, (samples - 1) * step, layers, switches, trace, travel, speed / step,
        acceleration / step**2, moved,
    )  # fmt: skip
