"""What the rig can do: where a drive would exceed it, by how much, and what that costs in mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.bench import Bench
from hysteresis.plan.demands import rolling_rms
from hysteresis.tables import Floats

MOST_PLACES = 10


@dataclass(frozen=True)
class Excess:
    """One limit exceeded over one stretch of time; place and amount are those of its peak.

    `limit`: 'max_drive', 'slew_per_s' or 'coil_rms'. `amount` and `allowed` are in the limit's
    own unit; `short_mm` is how far the spot would miss if the drive were held at the limit
    (NaN where that has no meaning).
    """

    limit: str
    axis: str
    t_s: float
    until_s: float
    x_mm: float
    y_mm: float
    amount: float
    allowed: float
    short_mm: float

    def __str__(self) -> str:
        words = {"max_drive": "drive", "slew_per_s": "slew", "coil_rms": "coil rms"}[self.limit]
        unit = {"max_drive": "", "slew_per_s": " /s", "coil_rms": ""}[self.limit]
        text = (
            f"{words} of axis {self.axis} reaches {self.amount:.3f}{unit} "
            f"(allowed {self.allowed:.3f}{unit}) at {self.t_s:.2f} s, "
            f"x = {self.x_mm:.1f} mm, y = {self.y_mm:.1f} mm"
        )
        return text + (f", {self.short_mm:.2f} mm short" if np.isfinite(self.short_mm) else "")


def excesses(
    bench: Bench, t_s: Floats, drive_x: Floats, drive_y: Floats, x_mm: Floats, y_mm: Floats,
    mm_per_drive: float,
) -> tuple[Excess, ...]:  # fmt: skip
    """Every stretch on which a limit of the bench is exceeded, worst first within each limit.

    `mm_per_drive` turns missing drive into mm at the spot.
    """
    limits = bench.limits
    out: list[Excess] = []
    for axis, drive in (("x", drive_x), ("y", drive_y)):
        size = np.abs(drive)
        out += _stretches("max_drive", axis, t_s, size, limits.max_drive, x_mm, y_mm, mm_per_drive)
        slew = np.abs(np.diff(drive, prepend=drive[:1])) / np.maximum(
            np.diff(t_s, prepend=t_s[0] - 1.0), 1e-12
        )
        out += _stretches("slew_per_s", axis, t_s, slew, limits.slew_per_s, x_mm, y_mm, np.nan)
        at, rms = rolling_rms(t_s, drive, limits.coil_window_s)
        out += _stretches(
            "coil_rms", axis, at, rms, limits.coil_rms,
            np.interp(at, t_s, x_mm), np.interp(at, t_s, y_mm), np.nan,
        )  # fmt: skip
    return tuple(out)


def _stretches(
    limit: str, axis: str, t_s: Floats, size: Floats, allowed: float, x_mm: Floats, y_mm: Floats,
    mm_per_unit: float,
) -> list[Excess]:  # fmt: skip
    over = size > allowed * (1.0 + 1e-9)
    if not over.any():
        return []
    edge = np.flatnonzero(np.diff(np.concatenate([[False], over, [False]]).astype(int)))
    found = []
    for first, last in zip(edge[::2], edge[1::2], strict=True):
        k = first + int(np.argmax(size[first:last]))
        found.append(
            Excess(
                limit,
                axis,
                float(t_s[k]),
                float(t_s[last - 1]),
                float(x_mm[k]),
                float(y_mm[k]),
                float(size[k]),
                allowed,
                float((size[k] - allowed) * mm_per_unit),
            )
        )
    return sorted(found, key=lambda e: -e.amount)
