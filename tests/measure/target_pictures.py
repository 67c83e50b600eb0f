"""Pictures of the printed target with a known truth: the page itself, warped by OpenCV.

The page is rendered fine, looked up by `cv2.remap` for every point of a picture four times as
fine as wanted along each side, and averaged down, as pixels average light. Camera, lens and
places are OpenCV's `projectPoints`; nothing of the package's lens or homography is used.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from hysteresis.target import marks_of, place_on_page_mm, target_for, target_page

DPI = 254.0  # 10 pixels per mm, a whole number of pixels on A4
FINE = 3


@lru_cache(maxsize=4)
def page(field_mm: float, pitch_dpi: float = DPI) -> np.ndarray:
    """The page in grey, 0 to 1."""
    data = io.BytesIO()
    target_page(target_for(field_mm)).savefig(data, format="png", dpi=pitch_dpi)
    picture = cv2.imdecode(np.frombuffer(data.getvalue(), np.uint8), cv2.IMREAD_GRAYSCALE)
    return picture.astype(np.float32) / 255.0


@dataclass(frozen=True)
class Camera:
    """A camera before the target: OpenCV's rotation, translation, focal length, distortion."""

    turn: np.ndarray  # (3,) Rodrigues vector, target to camera
    shift: np.ndarray  # (3,) mm
    focal_px: float
    distortion: np.ndarray  # k1, k2, p1, p2
    size: tuple[int, int] = (1280, 960)
    centre: tuple[float, float] = (0.0, 0.0)  # beside the picture's middle, px

    @property
    def matrix(self) -> np.ndarray:
        width, height = self.size
        cu, cv_ = (width - 1) / 2 + self.centre[0], (height - 1) / 2 + self.centre[1]
        return np.array([[self.focal_px, 0, cu], [0, self.focal_px, cv_], [0, 0, 1.0]])

    def sees(self, mm: np.ndarray) -> np.ndarray:
        """Pixels (n, 2) of places (n, 2) on the target (y up: the target's z points away)."""
        points = np.column_stack([mm, np.zeros(len(mm))]).astype(np.float64)
        px, _ = cv2.projectPoints(points, self.turn, self.shift, self.matrix, self.distortion)
        return px.reshape(-1, 2)

    def places(self, px: np.ndarray) -> np.ndarray:
        """Places (n, 2) in mm that are seen at pixels (n, 2)."""
        criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 14, 1e-9)
        ray = cv2.undistortPointsIter(
            px.reshape(-1, 1, 2).astype(np.float64), self.matrix, self.distortion, None, None,
            criteria,
        ).reshape(-1, 2) if hasattr(cv2, "undistortPointsIter") else cv2.undistortPoints(
            px.reshape(-1, 1, 2).astype(np.float64), self.matrix, self.distortion, None, None,
            None, criteria,
        ).reshape(-1, 2)  # fmt: skip
        r = cv2.Rodrigues(self.turn)[0]
        h = np.column_stack([r[:, 0], r[:, 1], self.shift])
        back = np.column_stack([ray, np.ones(len(ray))]) @ np.linalg.inv(h).T
        return back[:, :2] / back[:, 2:]


def camera(
    rng: np.random.Generator, *, tilt_deg: float = 20.0, turn_deg: float | None = None,
    distance_mm: float = 190.0, focal_px: float = 1250.0, distortion: tuple = (0, 0, 0, 0),
    size: tuple[int, int] = (1280, 960), centre: tuple[float, float] = (0.0, 0.0),
) -> Camera:  # fmt: skip
    """A camera tilted by `tilt_deg` in a random direction and rolled by `turn_deg`."""
    flip = np.diag([1.0, -1.0, -1.0])  # x right, y up on the target; v down in the picture
    roll = np.deg2rad(rng.uniform(-180, 180) if turn_deg is None else turn_deg)
    way = rng.uniform(0, 2 * np.pi)
    tilt = cv2.Rodrigues(np.deg2rad(tilt_deg) * np.array([np.cos(way), np.sin(way), 0.0]))[0]
    about = cv2.Rodrigues(np.array([0.0, 0.0, roll]))[0]
    turn = cv2.Rodrigues(tilt @ about @ flip)[0].ravel()
    shift = np.array([rng.uniform(-4, 4), rng.uniform(-4, 4), distance_mm])
    return Camera(turn, shift, focal_px, np.array(distortion, float), size, centre)


def photograph(
    view: Camera, *, field_mm: float = 100.0, blur_px: float = 0.7, noise: float = 2.0,
    light: float = 0.3, rng: np.random.Generator | None = None, mirrored: bool = False,
    fine: int = FINE,
) -> np.ndarray:  # fmt: skip
    """Grey picture (uint8): paper 200, ink 30, uneven light by the fraction `light`, noise."""
    rng = rng or np.random.default_rng(0)
    width, height = view.size
    # a coarse net of exact places, splined by resize, would err: every fine point is looked up
    u = (np.arange(width * fine) + 0.5) / fine - 0.5
    v = (np.arange(height * fine) + 0.5) / fine - 0.5
    source = page(field_mm)
    x0, y0 = place_on_page_mm(target_for(field_mm), "a4")
    rows = []
    scale = DPI / 25.4
    for block in np.array_split(v, 8):
        uu, vv = np.meshgrid(u, block)
        mm = view.places(np.column_stack([uu.ravel(), vv.ravel()]))
        px = ((x0 + mm[:, 0]) * scale - 0.5).reshape(uu.shape).astype(np.float32)
        py = ((y0 - mm[:, 1]) * scale - 0.5).reshape(uu.shape).astype(np.float32)
        rows.append(cv2.remap(source, px, py, cv2.INTER_LINEAR, borderValue=0.35))
    seen = np.vstack(rows).reshape(height, fine, width, fine).mean(axis=(1, 3))
    if blur_px:
        seen = cv2.GaussianBlur(seen, (0, 0), blur_px)
    slope = (
        np.linspace(-0.5, 0.5, width)[None, :] * light
        + np.linspace(-0.3, 0.3, height)[:, None] * light
    )
    lit = (30.0 + 170.0 * seen) * (1.0 + slope)
    lit = lit + rng.normal(0.0, noise, lit.shape)
    out = np.clip(np.round(lit), 0, 255).astype(np.uint8)
    return out[:, ::-1].copy() if mirrored else out


def truth(view: Camera, found) -> np.ndarray:
    """Pixels where the marks' centres really are."""
    return view.sees(np.column_stack([found.i, found.j]) * found.pitch_mm)


def all_marks(field_mm: float) -> np.ndarray:
    marks = marks_of(target_for(field_mm))
    return np.column_stack([marks.x_mm, marks.y_mm])
