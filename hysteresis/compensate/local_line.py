"""A line through scattered errors of a trace, robust and local, as a correction needs it."""

from __future__ import annotations

import numpy as np

from hysteresis.tables import Floats

WIDTH_S = 0.03  # over which errors are averaged along a trace: one frame of a slow camera
FADING = 0.3  # spots' worth of belief that a place is off like its whole layer
TURNED = 2.0  # robust standard deviations at which Huber's weights begin to fall


def middle(values: Floats) -> float:
    return float(np.median(values)) if len(values) else 0.0


def smoothed(at: Floats, value: Floats, knots: Floats, base: float) -> Floats:
    """Robust local straight line through scattered values, at the knots.

    Straight, not level: the ends of a trace have neighbours on one side only. Drawn to `base`, and
    to a level line, where there are few values.
    """
    if not len(at):
        return np.full(len(knots), base)
    since = (at[None, :] - knots[:, None]) / WIDTH_S
    weight = np.exp(-0.5 * since**2)
    trust = np.ones(len(at))
    for _ in range(3):  # Huber's weights, from the line of before
        w = weight * trust
        s0, s1, s2 = (np.sum(w * since**k, axis=1) for k in range(3))
        s0, s2 = s0 + FADING, s2 + FADING
        v0, v1 = w @ (value - base), np.sum(w * since * (value - base), axis=1)
        level = base + (v0 * s2 - v1 * s1) / (s0 * s2 - s1**2)
        miss = np.abs(value - np.interp(at, knots, level))
        size = max(1.4826 * float(np.median(miss)), 1e-6)
        trust = np.minimum(1.0, TURNED * size / np.maximum(miss, 1e-12))
    return np.asarray(level)
