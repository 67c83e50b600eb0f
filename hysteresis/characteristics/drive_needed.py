"""How much drive a deflection of full scale takes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from hysteresis.characteristics.view import AXES, Found, View
from hysteresis.loops import STRAY, Loop
from hysteresis.metrics import ReturnToZero

AT_END = 0.1  # of the span of drive at each end, in which frames are read
FEWEST = 3  # held excursions


def figures(view: View) -> Iterator[Found]:
    """Drive for full scale of every axis that was swept."""
    for axis in AXES:
        mine = [loop for loop in view.loops() if loop.axis == axis and loop.kind == "sweep"]
        mine = [loop for loop in mine if loop.alone] or mine
        if mine:
            slow = min(mine, key=lambda loop: loop.rate_per_s)
            yield _of_loop(view, axis, slow)
            continue
        cells = [c for c in view.returns() if c.axis == axis and c.held is not None]
        if len(cells) >= FEWEST and len({np.sign(c.excursion_fs) for c in cells}) == 2:
            yield _of_holds(view, axis, cells)


def _of_holds(view: View, axis: str, cells: list[ReturnToZero]) -> Found:
    """Least squares through zero: held deflections against their drives."""
    full_mm = view.full_scale_mm[AXES.index(axis)]
    drive = np.array([cell.excursion_fs for cell in cells])
    held = [cell.held for cell in cells if cell.held is not None]
    theta = np.array([one.error_mm for one in held]) / full_mm
    own = np.array([one.u_mm for one in held]) / full_mm
    square = float(drive @ drive)
    slope = float(drive @ theta) / square
    noise = 0.0 if view.exact else float(np.linalg.norm(drive * own)) / square
    u_slope = float(np.hypot(noise, view.place_mm / full_mm))
    per_mm = 1.0 / (slope**2 * full_mm)
    return Found("drive_for_full_scale", axis, "", 1.0 / slope, u_slope / slope**2,
                 per_mm=float(per_mm))  # fmt: skip


def _of_loop(view: View, axis: str, loop: Loop) -> Found:
    """End to end: means over the frames within a tenth of the span of each end.

    Drive and deflection are averaged over the same frames, so that the ends need not be reached.
    """
    low, high = float(loop.drive.min()), float(loop.drive.max())
    good = loop.run != STRAY
    down = good & (loop.drive < low + AT_END * (high - low))
    up = good & (loop.drive > high - AT_END * (high - low))
    way = float(loop.drive[up].mean() - loop.drive[down].mean())
    theta = float(loop.deflection_fs[up].mean() - loop.deflection_fs[down].mean())
    place_fs = view.place_mm * np.sqrt(2.0) / view.full_scale_mm[AXES.index(axis)]
    own_fs = 0.0 if view.exact else loop.sigma_fs * np.sqrt(1.0 / up.sum() + 1.0 / down.sum())
    u = way / theta**2 * float(np.hypot(own_fs, place_fs))
    per_mm = way / theta**2 * np.sqrt(2.0) / view.full_scale_mm[AXES.index(axis)]
    return Found("drive_for_full_scale", axis, "", way / theta, u, per_mm=float(per_mm))
