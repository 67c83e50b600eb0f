"""Every spot that one frame shows: its place between pixels, how sure, how bright, how wide."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from hysteresis.kernels.spot_light import (
    BLOB_FIELDS,
    bright_blobs,
    shape_of_light,
    weighted_centre,
)
from hysteresis.measure.film_frames import Picture
from hysteresis.measure.film_light import REACH, Ground
from hysteresis.tables import Floats

MOST_SPOTS = 4  # kept of one frame, the brightest
SPOT = np.dtype(
    [(name, float) for name in (
        "u", "v", "sigma_u", "sigma_v", "flux", "uu", "uv", "vv", "narrow", "long", "top",
    )] + [("white", int), ("clipped", bool), ("cut", bool)]
)  # fmt: skip
"""u, v px; sigma px; flux grey levels; second moments px²; narrow, long: standard deviations along
the two axes of the spot, px; top: brightest level above the ground; white: pixels at white."""

_LEAST_PIXELS = 3
_STREAK = 1.5  # length over width from which a spot is taken to have moved
_WINDOW_FLATNESS = (
    60.0  # weight of a streak or clipped spot: flat to 2.9 of its standard deviations
)
_WIDER = 1.25
_STREAK_FLATNESS = 2000.0  # of a streak: weight above 9/10 up to 3.3 standard deviations,
_STREAK_REACH = 3.3
_STREAK_ALONG, _STREAK_RIM = 1.6, 2.5  # which are put so far beyond its ends
_ROUNDS = 40


@dataclass(frozen=True)
class Desk:
    """Work space of `find_spots` for pictures of one size, used again for every frame."""

    mark: Picture
    stack: npt.NDArray[np.int32]
    blobs: Floats = field(default_factory=lambda: np.zeros((2 * MOST_SPOTS, BLOB_FIELDS)))


def desk_for(height: int, width: int) -> Desk:
    return Desk(np.zeros((height, width), np.uint8), np.empty(height * width, np.int32))


def find_spots(
    light: Picture, ground: Ground, limit: Picture, gain: float, desk: Desk
) -> tuple[npt.NDArray[np.void], float]:
    """Spots of one frame, brightest first, and the share of pixels brighter than the ground.

    limit : what `ground.limit` gives for this room light, `gain` times that of the ground.
    """
    found, above = bright_blobs(light, limit, REACH, desk.mark, desk.stack, desk.blobs)
    spots = np.zeros(MOST_SPOTS, SPOT)
    count = 0
    for blob in desk.blobs[:found]:
        if blob[0] < _LEAST_PIXELS or count == MOST_SPOTS:
            continue
        if _measure(light, ground, gain, blob, spots[count : count + 1]):
            count += 1
    return spots[:count], above / light.size


def room_gain(light: Picture, ground: Ground, before: float) -> float:
    """How many times as bright as in the ground the room is now; every eighth pixel each way.

    Least squares over the pixels that look as before; where most look otherwise, the median ratio.
    1 where the ground is too dark to say.
    """
    now, then = light[::8, ::8].astype(float), ground.light[::8, ::8]
    if then.mean() < 8.0:
        return 1.0
    near = np.abs(now - before * then) < 12.0
    if near.mean() < 0.5:
        lit = then > 0.5 * then.mean()
        gain = float(np.median(now[lit] / then[lit]))
        near = np.abs(now - gain * then) < 12.0
        if near.mean() < 0.5:
            return gain
    return float((now * then)[near].sum() / (then * then)[near].sum())


def _measure(
    light: Picture, ground: Ground, gain: float, blob: Floats, spot: npt.NDArray[np.void]
) -> bool:
    """Fill in one spot from the surroundings of its blob; False where there is no centre."""
    height, width = light.shape
    low_u, high_u, low_v, high_v = (int(x) for x in blob[2:6])
    # the rim must see the ground: about 4 standard deviations from the middle
    rim = 4 + int(0.4 * min(high_u - low_u + 1, high_v - low_v + 1))
    u0, u1 = max(low_u - rim, 0), min(high_u + rim + 1, width)
    v0, v1 = max(low_v - rim, 0), min(high_v + rim + 1, height)
    raw = light[v0:v1, u0:u1]
    still = gain * ground.light[v0:v1, u0:u1]
    lit = raw - still
    lit -= np.median(np.concatenate((lit[:2].ravel(), lit[-2:].ravel(),
                                     lit[:, :2].ravel(), lit[:, -2:].ravel())))  # fmt: skip
    top = float(lit.max())
    if top <= 0:
        return False
    at_white = int((raw >= ground.white - 2).sum())
    variance = ground.noise.variance(raw.astype(float))
    start = _crude(lit, 0.3 * top)
    shape = np.zeros(5)
    if not shape_of_light(lit, start[0], start[1], max(0.5 * (start[2] + start[4]), 0.5), _ROUNDS,
                          shape):  # fmt: skip
        shape[:] = start
    narrow, long = _axes(shape)
    streak = long > _STREAK * narrow
    flat = (
        not streak
        and float((lit > 0.95 * top).sum()) > 0.35 * float((lit > 0.5 * top).sum())
        and float((lit > 0.5 * top).sum()) >= 20
    )
    clipped = at_white >= 3 or flat
    even = float(ground.noise.variance(np.array([float(np.median(still))]))[0])
    flatness = ground.noise.per_level * top / even
    if streak:
        flatness = max(flatness, _STREAK_FLATNESS)
        _hold_streak(shape, narrow, long)
    elif clipped:
        flatness = max(flatness, _WINDOW_FLATNESS)
        shape[2:] *= _WIDER
    out = np.zeros(9)
    if not weighted_centre(lit, variance, shape, flatness, _ROUNDS, out):
        shape[:] = start
        if not weighted_centre(lit, variance, shape, _WINDOW_FLATNESS, _ROUNDS, out):
            return False
    wide = np.zeros(9)
    window = np.array([out[0], out[1], *(_WIDER * shape[2:])])
    if not weighted_centre(lit, variance, window, 20 * _WINDOW_FLATNESS, 1, wide):
        wide = out
    one = spot[0]
    one["u"], one["v"] = u0 + out[0], v0 + out[1]
    one["sigma_u"], one["sigma_v"] = np.sqrt(max(out[2], 1e-8)), np.sqrt(max(out[4], 1e-8))
    one["flux"] = wide[5]
    one["uu"], one["uv"], one["vv"] = wide[6:9]
    one["narrow"], one["long"], one["top"] = narrow, long, top
    one["white"], one["clipped"] = at_white, clipped
    one["cut"] = low_u == 0 or low_v == 0 or high_u == width - 1 or high_v == height - 1
    return True


def _hold_streak(shape: Floats, narrow: float, long: float) -> None:
    """Make the window of a streak as long as it and no longer: noise far out counts most.

    Under a weight of twice its own moment, an evenly lit line of half length h has the standard
    deviation 0.72 h (the fixed point of a Gaussian cut off at ±h). The window reaches to 1.15 h,
    since a streak that speeds up has a longer and a shorter half, and 2.5 widths further.
    """
    line = _STREAK_ALONG * np.sqrt(max(long**2 - narrow**2, 0.0))
    rim = _STREAK_RIM * narrow
    wanted = ((line + rim) / _STREAK_REACH, 1.2 * rim / _STREAK_REACH)
    angle = 0.5 * np.arctan2(2.0 * shape[3], shape[2] - shape[4])
    c, s = np.cos(angle), np.sin(angle)
    a, b = wanted[0] ** 2, wanted[1] ** 2
    shape[2:] = c * c * a + s * s * b, c * s * (a - b), s * s * a + c * c * b


def _crude(lit: Floats, above: float) -> Floats:
    """u, v, uu, uv, vv of the light of pixels above a level."""
    part = np.where(lit > above, lit, 0.0)
    total = float(part.sum())
    v, u = np.arange(lit.shape[0], dtype=float), np.arange(lit.shape[1], dtype=float)
    by_u, by_v = part.sum(axis=0), part.sum(axis=1)
    mean_u, mean_v = float(by_u @ u) / total, float(by_v @ v) / total
    uu = float(by_u @ (u - mean_u) ** 2) / total
    vv = float(by_v @ (v - mean_v) ** 2) / total
    uv = float((v - mean_v) @ part @ (u - mean_u)) / total
    return np.array([mean_u, mean_v, max(uu, 0.2), uv, max(vv, 0.2)])


def _axes(shape: Floats) -> tuple[float, float]:
    """Standard deviations along the short and the long axis."""
    mean, half = 0.5 * (shape[2] + shape[4]), np.hypot(0.5 * (shape[2] - shape[4]), shape[3])
    return float(np.sqrt(max(mean - half, 0.05))), float(np.sqrt(max(mean + half, 0.05)))
