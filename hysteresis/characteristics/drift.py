"""What moves although the drive is the same: an early part played again."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from hysteresis.characteristics.view import Found, View, by_axis
from hysteresis.settled import repeatability


def figures(view: View) -> Iterator[Found]:
    """Shift of every repeat, and of all together."""
    for axis, found in by_axis(repeatability(view.pattern, view.seen)).items():
        full_mm = view.full_scale_mm["xy".index(axis)]
        per_mm = 100.0 * np.sqrt(2.0) / full_mm
        for one in found:
            yield Found(
                "repeat_shift", axis, one.group, 100.0 * one.mean_mm / full_mm,
                100.0 * one.u_mean_mm / full_mm, per_mm=per_mm,
                conditions=(("later_s", one.later_s, "s"),),
            )  # fmt: skip
        counts = np.array([one.points for one in found], dtype=float)
        share = counts / counts.sum()
        value = float(share @ [one.mean_mm for one in found])
        u = float(np.sqrt(share**2 @ np.array([one.u_mean_mm for one in found]) ** 2))
        yield Found("repeat_shift", axis, "", 100.0 * value / full_mm, 100.0 * u / full_mm,
                    per_mm=per_mm)  # fmt: skip
