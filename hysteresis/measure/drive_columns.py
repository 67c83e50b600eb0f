"""What the drive alone says about the spot: columns of a linear prediction, averaged per frame.

The first two columns are the drive of x and of y (behind an AC-coupled output: what passes it);
then, if asked for, stretches of stop elements and of Maxwell branches driven by it. A rig's
memory is close to a linear mixture of these (the compliance form of Prandtl-Ishlinskii and of
linear viscoelasticity), close enough to tell a late clock from a lagging spot. No mixture is
fixed here: whoever uses the columns finds it by least squares, which also takes care of a
camera that is turned, mirrored or off centre.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from hysteresis.kernels import maxwell_branches, stops
from hysteresis.tables import Floats, Pattern

KNOT_S = 0.02
"""Longest distance of the knots between which a column is taken as straight."""
SLIP_LIMITS = (0.05, 0.15, 0.4)
RELAXATION_S = (0.1, 1.0, 10.0, 100.0)
EACH_ALONE: tuple[tuple[float, ...], ...] = ((0.1,), (1.0,), (10.0,), (100.0,))
# Shorter relaxation times do harm: with free signs they take over part of the clock's offset.


@dataclass(frozen=True)
class DriveColumns:
    """Piecewise-linear columns over the pattern's clock.

    `t_s` (k,) knots, `value` (k, m); before the first and after the last knot a column keeps its
    end value. `integral` (k, m) runs from the first knot.
    """

    t_s: Floats
    value: Floats
    integral: Floats = field(repr=False)

    @property
    def count(self) -> int:
        """Number of columns, m."""
        return int(self.value.shape[1])

    def only(self, which: slice) -> DriveColumns:
        """The same knots with some of the columns."""
        return DriveColumns(self.t_s, self.value[:, which], self.integral[:, which])

    def with_slopes(self, start_s: Floats, exposure_s: float) -> tuple[Floats, Floats]:
        """`averaged` and `slopes` at once, (n, m) each; an exposure of no length is 1 µs."""
        exposure_s = max(exposure_s, 1e-6)
        (y0, area0), (y1, area1) = self._at(start_s), self._at(start_s + exposure_s)
        return (area1 - area0) / exposure_s, (y1 - y0) / exposure_s

    def averaged(self, start_s: Floats, exposure_s: float) -> Floats:
        """Mean of each column from `start_s` (n,) over the exposure; shape (n, m).

        The integral of a piecewise-linear signal is piecewise quadratic: this is exact.
        """
        if exposure_s <= 0.0:
            return self._at(start_s)[0]
        return (self._at(start_s + exposure_s)[1] - self._at(start_s)[1]) / exposure_s

    def slopes(self, start_s: Floats, exposure_s: float) -> Floats:
        """Derivative of `averaged` by the start, per second; shape (n, m)."""
        if exposure_s <= 0.0:
            exposure_s = 1e-6
        return (self._at(start_s + exposure_s)[0] - self._at(start_s)[0]) / exposure_s

    def _at(self, t_s: Floats) -> tuple[Floats, Floats]:
        """Values and integrals at any times."""
        knots = self.t_s
        i = np.clip(np.searchsorted(knots, t_s, side="right") - 1, 0, len(knots) - 2)
        inside = np.clip(t_s, knots[0], knots[-1])
        part = (inside - knots[i])[:, None]
        slope = (self.value[i + 1] - self.value[i]) / (knots[i + 1] - knots[i])[:, None]
        value = self.value[i] + slope * part
        integral = self.integral[i] + part * (self.value[i] + 0.5 * slope * part)
        return value, integral + (t_s - inside)[:, None] * value


def drive_columns(
    pattern: Pattern,
    *,
    corner_hz: float | None = None,
    memory: bool = False,
    relaxation_s: tuple[tuple[float, ...], ...] = EACH_ALONE,
) -> DriveColumns:
    """The columns of a pattern: 2 of them, or 2 · (1 + slip limits + branches) with `memory`.

    `corner_hz` is the corner frequency of an AC-coupled output, None for a DC-coupled one. Every
    group of `relaxation_s` makes one column, the sum of its branches' stretches.
    """
    t = _knots(pattern.t_s)
    step = np.diff(t, prepend=t[0])
    columns, memories = [], []
    for drive in (pattern.drive_x, pattern.drive_y):
        u = np.interp(t, pattern.t_s, drive)
        if corner_hz is not None:
            # A first-order high pass, v' = u' - v / tau, moves as a Maxwell branch does.
            tau = np.array([1.0 / (2.0 * np.pi * corner_hz)])
            u = maxwell_branches.stretch_columns(u, step, 0.0, tau, np.zeros(1))[:, 0]
        columns.append(u)
        if memory:
            limits = np.array(SLIP_LIMITS)
            memories.append(stops.stretch_columns(u, 0.0, limits, np.zeros(limits.size)))
            for group in relaxation_s:
                times = np.array(group)
                stretch = maxwell_branches.stretch_columns(
                    u, step, 0.0, times, np.zeros(times.size)
                )
                memories.append(stretch.sum(axis=1, keepdims=True))
    value = np.column_stack(columns + memories)
    area = 0.5 * (value[1:] + value[:-1]) * np.diff(t)[:, None]
    return DriveColumns(t, value, np.vstack([np.zeros((1, value.shape[1])), np.cumsum(area, 0)]))


def _knots(vertices_s: Floats) -> Floats:
    """The vertices, with as many knots between two of them as `KNOT_S` asks for."""
    parts = np.maximum(np.ceil(np.diff(vertices_s) / KNOT_S).astype(int), 1)
    first = np.repeat(vertices_s[:-1], parts)
    step = np.repeat(np.diff(vertices_s) / parts, parts)
    number = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
    return np.append(first + number * step, vertices_s[-1])


def memory_of(columns: Floats, axis: int) -> Floats:
    """Of columns (n, m) made with `memory`, those of one axis (0: x, 1: y); (n, k)."""
    each = len(SLIP_LIMITS) + len(RELAXATION_S)
    return columns[:, 2 + axis * each : 2 + (axis + 1) * each]
