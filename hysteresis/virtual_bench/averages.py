"""Exact means of piecewise-linear signals over intervals: what a camera or a sub-step sees."""

from __future__ import annotations

import numpy as np

from hysteresis.tables import Floats


def mean_between(t_s: Floats, value: Floats, start_s: Floats, end_s: Floats) -> Floats:
    """Mean of the piecewise-linear `value` over each interval start_s..end_s, same unit.

    `t_s` (n,) rises strictly; before the first and after the last vertex the signal keeps its
    end values. An interval of zero length gives the value there. The integral of a
    piecewise-linear signal is piecewise quadratic, so this is exact up to rounding.
    """
    start_s, end_s = np.asarray(start_s, float), np.asarray(end_s, float)
    length = end_s - start_s
    area = _integral(t_s, value, end_s) - _integral(t_s, value, start_s)
    at_point = np.interp(start_s, t_s, value)
    return np.where(length > 0.0, area / np.where(length > 0.0, length, 1.0), at_point)


def _integral(t_s: Floats, value: Floats, at_s: Floats) -> Floats:
    """Integral of the signal from its first vertex to each time (negative before it)."""
    span = np.diff(t_s)
    area = np.concatenate(([0.0], np.cumsum(0.5 * span * (value[1:] + value[:-1]))))
    slope = np.diff(value) / span
    i = np.clip(np.searchsorted(t_s, at_s, side="right") - 1, 0, len(t_s) - 2)
    dt = np.clip(at_s, t_s[0], t_s[-1]) - t_s[i]
    inside = area[i] + dt * (value[i] + 0.5 * slope[i] * dt)
    before = np.minimum(at_s - t_s[0], 0.0) * value[0]
    after = np.maximum(at_s - t_s[-1], 0.0) * value[-1]
    return inside + before + after
