"""Columns of the drive behind a mirror that rings: what a late clock must not be taken for.

A damped mirror follows a slow move by ``2 z / w`` late (z damping ratio, w angular frequency of
the resonance), exactly as a late clock would show it. But it also rings, at a frequency and with
a decay that the frames show, and these two numbers say how late it is. Creep that is over within
a few frames is late in the same way; it is taken to go on, per decade of time, as the creep that
the frames do show (`CREEP_S`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hysteresis.kernels import ringing
from hysteresis.measure.drive_columns import SLIP_LIMITS, DriveColumns
from hysteresis.tables import Floats

CREEP_S: tuple[tuple[float, ...], ...] = (
    (0.003, 0.0065, 0.014, 0.03, 0.065, 0.14, 0.3),
    (1.0,),
    (10.0,),
    (100.0,),
)
"""Relaxation times, s, tied together in groups: the first one has the same share in every third
of a decade, since frames tell its slow end alone (creep that is even in the logarithm of time:
common finding, from memory)."""


POWERS = ((2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
"""Powers of the two drives behind their mirrors: springs and optics are not quite straight. Of the
means over an exposure, which is the mean of the powers but for the square of a frame's own move."""


@dataclass(frozen=True)
class Mirror:
    """Resonance (rad/s) and damping ratio of one axis, 0 < damping < 1."""

    w: float
    z: float

    @property
    def lag_s(self) -> float:
        """How late the mirror is in a slow move."""
        return 2.0 * self.z / self.w


@dataclass(frozen=True)
class MirrorColumns:
    """`DriveColumns` whose drives ring, whose memories are as late as their axis, and `POWERS`."""

    base: DriveColumns
    mirrors: tuple[Mirror, Mirror]

    @property
    def t_s(self) -> Floats:
        return self.base.t_s

    def averaged(self, start_s: Floats, exposure_s: float) -> Floats:
        """Mean of each column over the exposures; (n, m)."""
        return self.with_slopes(start_s, exposure_s)[0]

    def slopes(self, start_s: Floats, exposure_s: float) -> Floats:
        """Derivative of `averaged` by the start, per second; (n, m)."""
        return self.with_slopes(start_s, exposure_s)[1]

    def with_slopes(self, start_s: Floats, exposure_s: float) -> tuple[Floats, Floats]:
        """Both at once."""
        mean = np.empty((len(start_s), self.base.count + len(POWERS)))
        slope = np.empty_like(mean)
        each = (self.base.count - 2) // 2
        for axis, mirror in enumerate(self.mirrors):
            mean[:, axis], slope[:, axis] = rung(self.base, axis, mirror, start_s, exposure_s)
            own = slice(2 + axis * each, 2 + (axis + 1) * each)
            part = self.base.only(own)
            mean[:, own], slope[:, own] = part.with_slopes(start_s - mirror.lag_s, exposure_s)
        (x, y), (sx, sy) = mean[:, :2].T, slope[:, :2].T
        for k, (m, n) in enumerate(POWERS, self.base.count):
            mean[:, k] = x**m * y**n
            slope[:, k] = (m * x ** max(m - 1, 0) * y**n) * sx + (
                n * x**m * y ** max(n - 1, 0)
            ) * sy
        return mean, slope


def rung(
    columns: DriveColumns, axis: int, mirror: Mirror, start_s: Floats, exposure_s: float
) -> tuple[Floats, Floats]:
    """Mean (n,) over the exposures of one drive behind its mirror, and its derivative by the start.

    From the balance itself: the integral of y is that of u less ``2 z/w`` times the change of y
    less ``1/w²`` times the change of its rate.
    """
    t, u = columns.t_s, columns.value[:, axis]
    rise = np.append(np.diff(u) / np.diff(t), 0.0)  # at rest behind the last knot
    w, z, lag = mirror.w, mirror.z, mirror.lag_s
    turn = w * np.sqrt(1.0 - z**2)
    pole = complex(-z * w, turn)
    # Re c = lag and Re(l c) = -1 keep the answer and its rate at a corner
    answer = complex(lag, (1.0 - z * w * lag) / turn)
    length = np.append(np.diff(t), 0.0)
    amplitude = ringing.oscillation(length, np.diff(rise, prepend=0.0), pole, answer)

    def at(time: Floats) -> tuple[Floats, Floats]:
        k = np.searchsorted(t, time, side="right") - 1
        inside = np.maximum(k, 0)
        since = time - t[inside]
        swing: npt.NDArray[np.complex128] = amplitude[inside] * np.exp(
            pole * np.maximum(since, 0.0)
        )
        started = k >= 0
        line = u[inside] + np.where(started, rise[inside] * since, 0.0)
        area = columns.integral[inside, axis] + 0.5 * since * (u[inside] + line)
        place = line - np.where(started, lag * rise[inside] - swing.real, 0.0)
        rate = np.where(started, rise[inside] + (pole * swing).real, 0.0)
        return place, area - lag * place - rate / w**2

    exposure_s = max(exposure_s, 1e-6)
    (y0, area0), (y1, area1) = at(start_s), at(start_s + exposure_s)
    return (area1 - area0) / exposure_s, (y1 - y0) / exposure_s


def fast_creep(mixture: Floats) -> float:
    """Lag, s, that the unseen part of the creep puts on the spot, by a mixture of the columns.

    A branch of relaxation time tau is late by tau times its share of the deflection.
    """
    stops = len(SLIP_LIMITS)
    each = stops + len(CREEP_S)
    share = []
    for axis in range(2):
        gain = float(np.linalg.norm(mixture[1 + axis]))
        column = mixture[3 + axis * each + stops]
        share.append(abs(float(column @ mixture[1 + axis])) / max(gain, 1e-12) ** 2)
    return float(np.mean(share)) * sum(CREEP_S[0][:4])
