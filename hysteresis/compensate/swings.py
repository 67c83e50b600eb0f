"""Smooth moves of one axis: rises, and alternating excursions of falling size."""

from __future__ import annotations

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.model import RigModel
from hysteresis.tables import Floats

SLEW_SHARE = 0.6  # of the largest slew, at the steepest place of a swing
SWING_PERIODS = 1.3  # of the slower resonance: one half cycle of a swing, at least
LEAST_SWING_S = 0.012
MOVE_S = 0.08  # between two places, at least


def swings_s(size: float, count: int, model: RigModel, bench: Bench) -> Floats:
    """Length (s) of each of `count` half cycles of falling `size` (full scale), and of the last.

    (count + 1,). Slow enough for the mirrors, and for the slew limit: a raised cosine over 2 A is
    steepest in its middle, π A / T.
    """
    least = LEAST_SWING_S
    for axis in (model.axis_x, model.axis_y):
        if isinstance(axis, AxisModel):
            hz = axis.dynamics.resonance_hz(axis.small_signal_stiffness())
            least = max(least, SWING_PERIODS / hz)
    sizes = size * (1.0 - np.arange(count + 1) / max(count, 1))
    return np.maximum(least, np.pi * sizes / (SLEW_SHARE * bench.limits.slew_per_s))


def half_cycles(size: float, count: int, step_s: float, model: RigModel, bench: Bench) -> list[int]:
    """`swings_s` in whole samples."""
    samples = np.ceil(swings_s(size, count, model, bench) / step_s)
    return [max(2, int(v)) for v in samples]


def rise(count: int) -> Floats:
    """A smooth step from 0 to 1 in `count` samples, its first sample left out."""
    return np.asarray((1.0 - np.cos(np.pi * np.arange(1, count + 1) / count)) / 2.0)


def through(levels: Floats, lengths: list[int]) -> Floats:
    """Smooth moves from `levels[0]` to each level after it, `lengths` samples each."""
    return np.concatenate([
        a + (b - a) * rise(length)
        for a, b, length in zip(levels[:-1], levels[1:], lengths, strict=True)
    ])  # fmt: skip


def decay(size: float, count: int) -> Floats:
    """Turning points of `count` half cycles about 0 whose size falls evenly, then 0: (count+1,)."""
    k = np.arange(count)
    return np.append(size * (1.0 - k / max(count, 1)) * (-1.0) ** k, 0.0)
