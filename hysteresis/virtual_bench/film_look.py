"""How a simulated film looks: its picture, spot, light, noise, faults and lens."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from hysteresis.errors import InputError
from hysteresis.tables import Floats
from hysteresis.virtual_bench.film_scene import Lens, PlanePicture

SMALLEST, LARGEST = 32, 4096


@dataclass(frozen=True)
class FilmLook:
    """How a film looks. Grey levels are 0 to 255, before the picture is cut off at 255.

    width, height : of the picture, px. sigma_u_px, sigma_v_px : of the Gaussian spot.
    brightness : peak of a spot at rest in its strongest colour; above 255 it is saturated.
    colour : share of red, green and blue. room_grey, unevenness, drift : mean of the background,
    its standard deviation over the picture and its slow change, as shares of the mean.
    read_noise, shot_noise : standard deviation at no light; variance added per grey level.
    ghost : brightness of a mirrored reflection that moves with the spot, share of the spot's.
    glints : share of frames with a reflection that stands still for 1 to 20 frames.
    dropped, repeated : share of frames that are missing, or replaced by the picture before.
    jitter_s : half width of the jitter of an exposure's start, which its stamp carries.
    stamp_noise_s : standard deviation of the stamp about that start. slow : share of the film
    during which frames take 1.25 or 1.6 times as long. readout_s : from the start of exposure of
    the first row to that of one behind the last (0: all rows at once). picture : a print on the
    plane; beside it the wall gives back `wall` of the room's light.
    """

    width: int = 1280
    height: int = 720
    sigma_u_px: float = 2.2
    sigma_v_px: float = 2.6
    brightness: float = 150.0
    colour: tuple[float, float, float] = (1.0, 0.45, 0.4)
    room_grey: float = 28.0
    unevenness: float = 0.15
    drift: float = 0.03
    read_noise: float = 1.5
    shot_noise: float = 0.12
    ghost: float = 0.0
    glints: float = 0.0
    dropped: float = 0.01
    repeated: float = 0.002
    jitter_s: float = 3e-4
    stamp_noise_s: float = 0.0
    slow: float = 0.0
    readout_s: float = 0.0
    lens: Lens = field(default_factory=Lens)
    picture: PlanePicture | None = field(default=None, repr=False)
    wall: float = 0.7


QUIET = FilmLook(
    unevenness=0.0, drift=0.0, read_noise=0.0, shot_noise=0.0, dropped=0.0, repeated=0.0,
    jitter_s=0.0,
)  # fmt: skip
HARD = FilmLook(
    brightness=600.0, ghost=0.05, glints=0.01, dropped=0.015, repeated=0.004, stamp_noise_s=2e-4,
    slow=0.15, readout_s=0.012, lens=Lens(k1=-0.08, k2=0.02),
)  # fmt: skip
FILM_LOOKS = {"quiet": QUIET, "usual": FilmLook(), "hard": HARD}


def check_look(look: FilmLook) -> None:
    """Raise InputError for a size, a spot or a lens that cannot be rendered."""
    for name in ("width", "height"):
        size = getattr(look, name)
        if not SMALLEST <= size <= LARGEST or size % 2:
            raise InputError(
                f"a film cannot have this {name}",
                value=size,
                mend=f"choose an even number from {SMALLEST} to {LARGEST}",
            )
    for name in ("sigma_u_px", "sigma_v_px"):
        if not 0.2 <= getattr(look, name) <= 100.0:
            raise InputError("a spot cannot be so wide", value=getattr(look, name),
                             mend="choose 0.2 to 100 px")  # fmt: skip
    lens = look.lens
    corner = max(
        np.hypot(u - lens.centre_u_px, v - lens.centre_v_px)
        for u in (0, look.width)
        for v in (0, look.height)
    )
    r2 = (corner / lens.focal_px) ** 2
    if abs(3 * lens.k1 * r2 + 5 * lens.k2 * r2 * r2) > 0.7:
        raise InputError("the lens bends the picture's corners over", value=lens.k1,
                         mend="choose a weaker distortion")  # fmt: skip


def intervals(length_s: float, interval_s: float, slow: float, rng: np.random.Generator) -> Floats:
    """Times from frame to frame: nominal, with stretches of 5 to 15 s that are slower."""
    n = int(length_s / interval_s) + 1
    interval = np.full(n, interval_s)
    left = slow * n
    while left >= 1.0:
        stretch = int(min(left, rng.uniform(5.0, 15.0) / interval_s)) or 1
        first = int(rng.integers(0, max(n - stretch, 1)))
        interval[first : first + stretch] = interval_s * rng.choice([1.25, 1.6])
        left -= stretch
    return interval


def glints_of(look: FilmLook, n: int, rng: np.random.Generator) -> Floats:
    """Place, size and brightness of the standing reflection of each exposure; NaN: none."""
    out = np.full((n, 4), np.nan)
    for first in np.flatnonzero(rng.random(n) < look.glints / 10.5).tolist():
        place = rng.uniform(0.05, 0.95, 2) * (look.width, look.height)
        out[first : first + int(rng.integers(1, 21))] = (
            *place, rng.uniform(0.8, 1.5), rng.uniform(0.3, 1.2)
        )  # fmt: skip
    return out
