"""What a simulated film shows besides the spot: lens, room light, a print on the plane."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from hysteresis.errors import InputError
from hysteresis.tables import Floats

_UNBEND_STEPS = 30  # a contraction by 3·k1·r² a step: 0.3 at the strongest lens that is allowed
_SUB = 3  # samples per pixel and direction of a print


@dataclass(frozen=True)
class Lens:
    """Radial distortion: a point at distance r from the centre moves to r(1 + k1 r² + k2 r⁴).

    Brown's model (D. C. Brown, Decentering distortion of lenses, 1966, from memory; its radial
    part), lengths in focal lengths. `centre_u_px`, `centre_v_px`, `focal_px` in pixels.
    """

    k1: float = 0.0
    k2: float = 0.0
    centre_u_px: float = 639.5
    centre_v_px: float = 359.5
    focal_px: float = 1100.0

    def bend(self, u_px: Floats, v_px: Floats) -> tuple[Floats, Floats]:
        """Pixels as the lens shows them, from those of a perfect lens."""
        a, b = u_px - self.centre_u_px, v_px - self.centre_v_px
        r2 = (a * a + b * b) / self.focal_px**2
        factor = 1.0 + r2 * (self.k1 + r2 * self.k2)
        return self.centre_u_px + a * factor, self.centre_v_px + b * factor

    def unbend(self, u_px: Floats, v_px: Floats) -> tuple[Floats, Floats]:
        """Pixels of a perfect lens, from those shown: the fixed point of `bend`."""
        a, b = u_px - self.centre_u_px, v_px - self.centre_v_px
        x, y = a, b
        for _ in range(_UNBEND_STEPS if self.k1 or self.k2 else 0):
            r2 = (x * x + y * y) / self.focal_px**2
            factor = 1.0 + r2 * (self.k1 + r2 * self.k2)
            x, y = a / factor, b / factor
        return self.centre_u_px + x, self.centre_v_px + y

    def scaled(self, factor: float) -> Lens:
        """The same lens on a picture of another size; pixel centres are whole numbers."""
        return Lens(
            self.k1, self.k2, (self.centre_u_px + 0.5) * factor - 0.5,
            (self.centre_v_px + 0.5) * factor - 0.5, self.focal_px * factor,
        )  # fmt: skip


@dataclass(frozen=True)
class PlanePicture:
    """A print that lies in the target plane.

    `shade` (rows, columns) or (rows, columns, 3): share of the room's light that it gives back, 0
    to 1; its first row is at the top. The edges are in mm of the plane.
    """

    shade: Floats = field(repr=False)
    left_mm: float
    right_mm: float
    bottom_mm: float
    top_mm: float

    def __post_init__(self) -> None:
        if self.shade.ndim not in (2, 3) or min(self.shade.shape[:2]) < 2:
            raise InputError("a picture on the plane needs at least two rows and two columns")
        if not (self.right_mm > self.left_mm and self.top_mm > self.bottom_mm):
            raise InputError("the edges of the picture on the plane are in the wrong order")


def project(mm_to_px: Floats, lens: Lens, x_mm: Floats, y_mm: Floats) -> tuple[Floats, Floats]:
    """Pixels of points of the plane, as the lens shows them."""
    return lens.bend(*_applied(mm_to_px, x_mm, y_mm))


def room_light(
    width: int, height: int, grey: float, unevenness: float, rng: np.random.Generator
) -> npt.NDArray[np.float32]:
    """Uneven light of a room on a plain wall, (height, width), mean `grey` levels.

    A slope, darker corners and two broad patches; `unevenness` is the standard deviation over the
    picture as a share of its mean.
    """
    x, y = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
    turn = rng.uniform(0, 2 * np.pi)
    shape = 0.6 * (np.cos(turn) * x + np.sin(turn) * y) - 0.5 * (x * x + y * y)
    for _ in range(2):
        cx, cy = rng.uniform(-0.8, 0.8, 2)
        shape += rng.uniform(-0.6, 0.6) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 0.3)
    shape -= shape.mean()
    shape *= unevenness / max(float(shape.std()), 1e-12)
    return (grey * np.maximum(1.0 + shape, 0.0)).astype(np.float32)


def on_the_plane(
    picture: PlanePicture, mm_to_px: Floats, lens: Lens, width: int, height: int, wall: float
) -> npt.NDArray[np.float32]:
    """The print as the camera sees it, (height, width, 3), a share of the room's light.

    Each pixel is the mean of 3 × 3 samples of the print, linear between its own pixels; beside it
    the wall gives back the share `wall`.
    """
    shade = np.atleast_3d(picture.shade)
    rows, columns = shade.shape[:2]
    seen = np.empty((height, width, 3), np.float32)
    back = np.linalg.inv(mm_to_px).astype(np.float64)
    fine = (np.arange(_SUB) + 0.5) / _SUB - 0.5
    u_line = (np.arange(width)[:, None] + fine).ravel()
    for top in range(0, height, 32):  # a band at a time: a whole picture would be 100 MB
        band = min(32, height - top)
        v_line = (np.arange(top, top + band)[:, None] + fine).ravel()
        u, v = np.meshgrid(u_line, v_line)
        x, y = _applied(back, *lens.unbend(u, v))
        column = (x - picture.left_mm) / (picture.right_mm - picture.left_mm) * columns - 0.5
        row = (picture.top_mm - y) / (picture.top_mm - picture.bottom_mm) * rows - 0.5
        inside = (np.abs(column - (columns - 1) / 2) <= columns / 2) & (
            np.abs(row - (rows - 1) / 2) <= rows / 2
        )
        for c in range(3):
            layer = shade[..., min(c, shade.shape[2] - 1)]
            value = ndimage.map_coordinates(layer, [row, column], order=1, mode="nearest")
            value = np.where(inside, value, wall)
            seen[top : top + band, :, c] = value.reshape(band, _SUB, width, _SUB).mean(axis=(1, 3))
    return seen


def _applied(matrix: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    w = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
    return (
        (matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]) / w,
        (matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]) / w,
    )
