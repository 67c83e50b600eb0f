"""A filmed job: the camera log of a played drive becomes spots on the drive's clock."""

from __future__ import annotations

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import DataError
from hysteresis.measure.from_camera import measure_camera
from hysteresis.measure.measured import Measured
from hysteresis.measure.registration import Registration
from hysteresis.tables import CameraLog, DriveSignal, Floats, Pattern, SpotPath

VERTICES_PER_S = 500.0  # of the drive to which the log is aligned: far finer than a frame

CENTROID_PX = 0.1  # of a plain centroid; a job hardly ever rests with the beam on to show its own


def measure_job(
    log: CameraLog,
    drive: DriveSignal,
    bench: Bench,
    planned: SpotPath | None = None,
    registration: Registration | None = None,
) -> tuple[SpotPath, Measured]:
    """Align the log of a filmed job to the drive that was played.

    The job's own moves are the signature by which the clock is found. The mirror's lag cannot be
    told from the clock; at a feed of 100 mm/s a millisecond is 0.1 mm. With the `planned` spots
    the clock is therefore shifted until the spots lie beside them in the least-squares sense:
    what is left is error of place, and a pure delay, which leaves no trace, is not.

    Returns the used spots at the middle of their exposures, beam on throughout (a dark frame
    shows no spot), and all that measuring found. Raises as `measure_camera` does, and DataError
    when no frame is left.
    """
    measured = measure_camera(
        log, _as_pattern(drive), bench, noise_px=CENTROID_PX, registration=registration
    )
    rows = measured.recording
    keep = rows.used & np.isfinite(rows.x_mm) & np.isfinite(rows.y_mm)
    middle = rows.t_s[keep] + rows.exposure_s[keep] / 2.0
    middle, first = np.unique(middle, return_index=True)
    if len(middle) < 2:
        raise DataError("no frame of the job can be used; film it again with the spot in view")
    x, y = rows.x_mm[keep][first], rows.y_mm[keep][first]
    if planned is not None:
        middle = middle + _delay_s(planned, middle, x, y)
    return SpotPath(middle, x, y, np.ones(len(middle), dtype=bool)), measured


def _as_pattern(drive: DriveSignal) -> Pattern:
    """The drive with few enough vertices, in one segment."""
    length = drive.t_s[-1] - drive.t_s[0]
    count = min(len(drive), int(np.ceil(length * VERTICES_PER_S)) + 1)
    t = np.linspace(0.0, length, max(count, 2))
    at = drive.t_s - drive.t_s[0]
    row = np.clip(np.searchsorted(at, t + 1e-9, side="right") - 1, 0, len(drive) - 1)
    return Pattern(
        t, np.interp(t, at, drive.drive_x), np.interp(t, at, drive.drive_y), drive.beam[row],
        np.full(len(t), "job/001", dtype=object),
    )  # fmt: skip


def _delay_s(planned: SpotPath, t_s: Floats, x_mm: Floats, y_mm: Floats) -> float:
    """Shift of the times that puts the spots nearest to the planned path, mean error free."""
    half = 2e-3
    delay = 0.0
    for _ in range(8):
        speed, error = [], []
        for path, spot in ((planned.x_mm, x_mm), (planned.y_mm, y_mm)):
            ahead = np.interp(t_s + delay + half, planned.t_s, path)
            behind = np.interp(t_s + delay - half, planned.t_s, path)
            slope = (ahead - behind) / (2.0 * half)
            miss = spot - np.interp(t_s + delay, planned.t_s, path)
            speed.append(slope - slope.mean())
            error.append(miss - np.median(miss))
        v, e = np.concatenate(speed), np.concatenate(error)
        size = 1.4826 * float(np.median(np.abs(e))) + 1e-9
        weight = np.minimum(1.0, 2.0 * size / np.maximum(np.abs(e), 1e-12))
        step = float((weight * v) @ e / max(float((weight * v) @ v), 1e-12))
        delay += float(np.clip(step, -0.02, 0.02))
        if abs(step) < 1e-7:
            break
    return delay
