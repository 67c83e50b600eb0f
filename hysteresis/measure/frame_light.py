"""What a log says of single frames beside their place, brought to mm and to the exposure."""

from __future__ import annotations

import numpy as np

from hysteresis.measure.camera_log import Frames
from hysteresis.measure.clock import Clock, robust_mixture
from hysteresis.measure.drive_columns import DriveColumns
from hysteresis.measure.exposure_estimate import Exposure, estimate_exposure, steady_frames
from hysteresis.measure.registration import Registration
from hysteresis.tables import Bools, CameraLog, Floats


def per_frame_sigma(registration: Registration, frames: Frames, sigma_px: Floats) -> Floats:
    """Standard deviations (n, 2) in mm of places whose own are `sigma_px` (n, 2)."""
    alike = bool(np.all(sigma_px == sigma_px[0]))
    return registration.sigma_mm(frames.u_px, frames.v_px, sigma_px[0] if alike else sigma_px)


def measured_exposure(
    log: CameraLog,
    frames: Frames,
    usable: Bools,
    spot_mm: Floats,
    clock: Clock,
    drive: DriveColumns,
    exposure_s: float,
    registration: Registration,
) -> Exposure | None:
    """The exposure by the light's second moments; None where the log has none or too few."""
    spread = [getattr(log, f"spread_{name}_px2")[frames.row] for name in ("uu", "uv", "vv")]
    seen = np.flatnonzero(usable & np.isfinite(spread[0]))
    if len(seen) == 0:
        return None
    t = clock.to_pattern(frames.t_s[seen], frames.v_px[seen]) - clock.lag_s
    design = drive.averaged(t, exposure_s)
    mixture = robust_mixture(design, drive.slopes(t, exposure_s), spot_mm[seen], 1e-3)[0]
    slopes = registration.slopes_mm(frames.u_px[seen], frames.v_px[seen])
    velocity: list[Floats] = []
    for part in (0.0, 0.5, 1.0):
        mm_s = drive.slopes(t + (part - 0.05) * exposure_s, 0.1 * exposure_s) @ mixture[1:]
        velocity.append(np.asarray(np.linalg.solve(slopes, mm_s[:, :, None])[:, :, 0], float))
    steady = steady_frames(velocity[0], velocity[1]) & steady_frames(velocity[1], velocity[2])
    mean = (velocity[0] + 4.0 * velocity[1] + velocity[2]) / 6.0
    return estimate_exposure(spread[0][seen], spread[1][seen], spread[2][seen], mean, steady)
