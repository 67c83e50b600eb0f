"""The exposure from the light itself: a moving spot is drawn out along its way.

During an exposure of length T a spot that moves at the constant speed v is spread evenly over
v T. An even spread of length L has the variance L²/12 (the mean of x² from -L/2 to L/2), and the
variances of independent spreads add: along the motion the second moment of the light is that of
the spot at rest plus (v T)²/12, across it nothing is added. A straight line through variance
against squared speed has the slope T²/12.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.tables import Bools, Floats

_FEWEST = 30
_LEAST_SPREAD = 0.2  # the fastest frames must add this part of the variance at rest
_STEADY = 0.2  # a speed may change by this part within the exposure
_TAIL = 4.0
SPEED = 0.005
"""Standard uncertainty of a spot's speed as the drive foretells it, as a part: memory and the
optics' curvature are left out of it (virtual bench: below a hundredth)."""
SIGMAS, PART = 3.0, 0.1
"""The measured exposure counts against bench.toml's when it is off by more than so many of its
standard uncertainties and more than so large a part."""


@dataclass(frozen=True)
class Exposure:
    """Exposure and its standard uncertainty, s, from so many moving frames."""

    exposure_s: float
    u_exposure_s: float
    frames: int


def estimate_exposure(
    spread_uu_px2: Floats,
    spread_uv_px2: Floats,
    spread_vv_px2: Floats,
    velocity_px_s: Floats,
    steady: Bools,
) -> Exposure | None:
    """The exposure from second moments (n,) and velocities (n, 2) of frames; None: too little.

    `steady` (n,) are the frames whose velocity hardly changes within the exposure. Of each frame
    the moment along its way less that across it is taken, so that a spot that is larger in one
    part of the picture, but round, does not count; a spot that is not round at rest has its
    difference told apart by the direction of the way. Errors follow Student's t (iterated
    weights), the uncertainty is the sandwich of the weighted regression, with half the difference
    between what slow and fast frames say.
    """
    speed = np.linalg.norm(velocity_px_s, axis=1)
    known = np.isfinite(spread_uu_px2) & np.isfinite(spread_uv_px2) & np.isfinite(spread_vv_px2)
    known &= np.isfinite(speed) & (speed > 0.0) & steady
    if int(known.sum()) < _FEWEST:
        return None
    uu, uv, vv = (c[known] for c in (spread_uu_px2, spread_uv_px2, spread_vv_px2))
    a, b = (velocity_px_s[known] / speed[known, None]).T
    along = a * a * uu + 2.0 * a * b * uv + b * b * vv
    across = b * b * uu - 2.0 * a * b * uv + a * a * vv
    squared = speed[known] ** 2
    # a spot that is not round: its two moments' difference turns with twice the way's angle
    top = float(squared.max())
    design = np.column_stack([squared / top, a * a - b * b, 2.0 * a * b])
    rest = float(np.median(across))
    seen = along - across
    slope, variance = _slope(design, seen, rest)
    if slope < _LEAST_SPREAD * rest:
        return None
    exposure = float(np.sqrt(12.0 * slope / top))
    scatter = 0.5 * float(np.sqrt(variance)) / slope
    # Light that is cut, clipped or too faint to be followed far shows at one speed more than at
    # another: slow and fast frames, of equal leverage, must tell the same exposure.
    lever = np.cumsum(np.sort(squared) ** 2)
    middle = float(np.sort(squared)[np.searchsorted(lever, 0.5 * lever[-1])])
    parts = [
        np.sqrt(12.0 * max(_slope(design[part], seen[part], rest)[0], 0.0) / top)
        for part in (squared < middle, squared >= middle)
        if int(part.sum()) >= _FEWEST // 3
    ]
    apart = 0.5 * abs(parts[0] - parts[1]) if len(parts) == 2 else exposure
    u = float(np.sqrt((exposure * scatter) ** 2 + (exposure * SPEED) ** 2 + apart**2))
    return Exposure(exposure, u, len(seen))


def _slope(design: Floats, seen: Floats, rest: float) -> tuple[float, float]:
    """Robust slope on the first column, and its variance by the sandwich formula."""
    weight: Floats = np.ones(len(seen))
    beta: Floats = np.zeros(3)
    for _ in range(20):
        normal = design.T @ (weight[:, None] * design) + 1e-9 * np.eye(3)
        beta = np.asarray(np.linalg.solve(normal, design.T @ (weight * seen)), dtype=np.float64)
        error = seen - design @ beta
        size = max(1.4826 * float(np.median(np.abs(error))), 1e-9 * max(rest, 1e-9))
        # the spread of a moving spot is uncertain in proportion to itself
        scale = size * (1.0 + design[:, 0] * max(float(beta[0]), 0.0) / max(rest, 1e-9))
        weight = (_TAIL + 1.0) / (_TAIL + (error / scale) ** 2) / scale**2
    normal = design.T @ (weight[:, None] * design)
    inverse = np.linalg.inv(normal + 1e-9 * np.trace(normal) * np.eye(3))
    pulls = design * (weight * error)[:, None]
    return float(beta[0]), float((inverse @ (pulls.T @ pulls) @ inverse)[0, 0])


def steady_frames(before: Floats, after: Floats) -> Bools:
    """Frames whose velocity (n, 2) at the start and at the end of the exposure is nearly one."""
    change = np.linalg.norm(after - before, axis=1)
    return np.asarray(change <= _STEADY * np.linalg.norm(before + after, axis=1) / 2.0)


def disagrees(found: Exposure, stated_s: float) -> bool:
    """Whether the light speaks clearly against the exposure that bench.toml states."""
    off = abs(found.exposure_s - stated_s)
    return off > SIGMAS * found.u_exposure_s and off > PART * stated_s
