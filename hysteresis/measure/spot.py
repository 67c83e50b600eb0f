"""Every spot that one frame shows: its place between pixels, how sure, how bright, how wide."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from hysteresis.kernels.spot_frame import SPOT_FIELDS, one_spot, room_sums
from hysteresis.kernels.spot_light import BLOB_FIELDS, bright_blobs
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
_GAIN_STEP, _GAIN_NEAR = 8, 12.0  # px; grey levels within which a pixel looks as before


@dataclass(frozen=True)
class Desk:
    """Work space of `find_spots` for pictures of one size, used again for every frame."""

    mark: Picture
    stack: npt.NDArray[np.int32]
    blobs: Floats = field(default_factory=lambda: np.zeros((2 * MOST_SPOTS, BLOB_FIELDS)))
    out: Floats = field(default_factory=lambda: np.zeros(SPOT_FIELDS))


def desk_for(height: int, width: int) -> Desk:
    return Desk(np.zeros((height, width), np.uint8), np.empty(height * width, np.int32))


def find_spots(
    light: Picture, ground: Ground, limit: Picture, gain: float, desk: Desk
) -> tuple[npt.NDArray[np.void], float]:
    """Spots of one frame, brightest first, and the share of pixels brighter than the ground.

    limit : what `ground.limit` gives for this room light, `gain` times that of the ground.
    """
    found, above = bright_blobs(light, limit, REACH, desk.mark, desk.stack, desk.blobs)
    noise = ground.noise
    spots = np.zeros(MOST_SPOTS, SPOT)
    count = 0
    for blob in desk.blobs[:found]:
        if blob[0] < _LEAST_PIXELS or count == MOST_SPOTS:
            continue
        if one_spot(light, ground.light, gain, noise.even, noise.per_level, ground.white, blob,
                    desk.out):  # fmt: skip
            spots[count] = tuple(desk.out)
            count += 1
    return spots[:count], above / light.size


def room_gain(light: Picture, ground: Ground, before: float) -> float:
    """How many times as bright as in the ground the room is now; every eighth pixel each way.

    Least squares over the pixels that look as before; where most look otherwise, the median ratio.
    1 where the ground is too dark to say.
    """
    sums = np.zeros(5)
    room_sums(light, ground.light, before, _GAIN_STEP, _GAIN_NEAR, sums)
    count, total, close, product, square = sums.tolist()
    if total < 8.0 * count:
        return 1.0
    if close < 0.5 * count:
        now = light[::_GAIN_STEP, ::_GAIN_STEP].astype(float)
        then = ground.light[::_GAIN_STEP, ::_GAIN_STEP]
        lit = then > 0.5 * then.mean()
        gain = float(np.median(now[lit] / then[lit]))
        room_sums(light, ground.light, gain, _GAIN_STEP, _GAIN_NEAR, sums)
        count, total, close, product, square = sums.tolist()
        if close < 0.5 * count:
            return gain
    return float(product / square)
