"""One move from rest to rest in seven segments of constant jerk, in closed form.

The double-S profile (L. Biagiotti, C. Melchiorri, Trajectory Planning for Automatic Machines and
Robots, Springer 2008, ch. 3.4, from memory): the acceleration rises for `change_s`, keeps, and
falls again within `rise_s`; then the speed keeps for `keep_s`; slowing down mirrors it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.errors import InputError
from hysteresis.kernels import path_jerk
from hysteresis.tables import Floats


@dataclass(frozen=True)
class SevenSegments:
    """A move of `length_mm`; the seven phases begin at `start_s` with way, speed, acceleration.

    Shapes (7,); `jerk_mm_s3` holds through each phase.
    """

    length_mm: float
    change_s: float
    rise_s: float
    keep_s: float
    start_s: Floats
    way_mm: Floats
    speed_mm_s: Floats
    acceleration_mm_s2: Floats
    jerk_mm_s3: Floats

    @property
    def end_s(self) -> float:
        """How long the move takes."""
        return 2.0 * self.rise_s + self.keep_s

    @property
    def peak_speed_mm_s(self) -> float:
        """Speed in the middle of the move."""
        return float(self.speed_mm_s[3])

    @property
    def peak_acceleration_mm_s2(self) -> float:
        """Largest acceleration, which is also the largest deceleration."""
        return float(self.acceleration_mm_s2[1])

    def motion(self, t_s: Floats) -> tuple[Floats, Floats, Floats]:
        """Way (mm), speed and acceleration at each time; at rest outside the move."""
        t = np.clip(t_s, 0.0, self.end_s)
        k = np.maximum(np.searchsorted(self.start_s, t, side="right") - 1, 0)
        d, j = t - self.start_s[k], self.jerk_mm_s3[k]
        a = self.acceleration_mm_s2[k] + d * j
        v = self.speed_mm_s[k] + d * (self.acceleration_mm_s2[k] + 0.5 * d * j)
        s = self.way_mm[k] + d * (
            self.speed_mm_s[k] + d * (0.5 * self.acceleration_mm_s2[k] + d * j / 6.0)
        )
        return s, v, a


def seven_segments(
    length_mm: float, speed_mm_s: float, acceleration_mm_s2: float, jerk_mm_s3: float
) -> SevenSegments:
    """The fastest move of `length_mm` from rest to rest within the three limits.

    Raises InputError where one of them is not above 0.
    """
    limits = (length_mm, speed_mm_s, acceleration_mm_s2, jerk_mm_s3)
    if not all(np.isfinite(value) and value > 0.0 for value in limits):
        raise InputError(
            "length and limits of a move must be above 0", value=limits,
            mend="give mm, mm/s, mm/s² and mm/s³",
        )  # fmt: skip
    lasts, way, speed, acceleration, jerk = np.empty((5, 7))
    path_jerk.seven_phases(
        float(length_mm), float(speed_mm_s), float(acceleration_mm_s2), float(jerk_mm_s3),
        lasts, way, speed, acceleration, jerk,
    )  # fmt: skip
    start = np.concatenate([[0.0], np.cumsum(lasts[:-1])])
    change, rise, keep = lasts[0], lasts[:3].sum(), lasts[3]
    return SevenSegments(
        length_mm, float(change), float(rise), float(keep), start, way, speed, acceleration, jerk
    )
