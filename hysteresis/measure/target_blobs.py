"""Dark blobs whose outline is an ellipse: what may be a mark of the printed target.

Threshold against the neighbourhood, outlines by OpenCV; a ring has a hole.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.errors import InputError
from hysteresis.interrupts import ctrl_c_afterwards
from hysteresis.tables import Bools, Floats

Picture = npt.NDArray[Any]

_CONTRAST = 0.06  # of the picture's range, by which a mark is darker than its neighbourhood
_LEAST_AREA_PX = 24.0
_ROUND = 0.965  # area over that of the ellipse of the same moments: 1 for an ellipse, 0.955 square


@dataclass(frozen=True)
class Blobs:
    """Elliptic dark blobs: centres (n, 2) px, covariance of their outline (n, 2, 2) px², rings."""

    px: Floats
    spread: Floats
    ring: Bools

    def __len__(self) -> int:
        return len(self.px)


def opencv() -> Any:
    """The module cv2; `InputError` says how to get it."""
    try:
        with ctrl_c_afterwards():  # the start of OpenCV catches whatever is raised in it
            import cv2
    except ImportError as error:
        raise InputError(
            "finding the target in a picture needs OpenCV",
            mend="install it with: pip install 'hysteresis[camera]'",
        ) from error
    return cv2


def grey_of(picture: Picture) -> Floats:
    """Grey levels from 0 to 1; colours are averaged, since any of them sees black on white."""
    values = np.asarray(picture)
    if values.ndim == 3:
        values = values[..., :3].mean(axis=2)
    if values.ndim != 2 or min(values.shape) < 60:
        raise InputError("this picture is too small to show a target", mend="take a larger one")
    values = values.astype(np.float64)
    low, high = np.quantile(values, [0.005, 0.995])
    return np.asarray((values - low) / max(float(high - low), 1e-9))


def find_blobs(grey: Floats, part: float) -> Blobs:
    """Elliptic blobs darker than their neighbourhood of `part` of the shorter side."""
    cv2 = opencv()
    smooth = cv2.GaussianBlur(np.clip(grey, 0.0, 1.0).astype(np.float32), (0, 0), 0.8)
    size = 2 * int(part * min(grey.shape) / 2) + 1
    around = cv2.boxFilter(smooth, -1, (size, size), borderType=cv2.BORDER_REFLECT)
    dark = (smooth < around - _CONTRAST).astype(np.uint8)
    outlines, tree = cv2.findContours(dark, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    found: list[tuple[Floats, Floats, bool]] = []
    for k, outline in enumerate(outlines):
        if tree[0][k][3] >= 0 or len(outline) < 12:  # a hole, or a speck
            continue
        told = _ellipse(cv2, outline)
        if told is None:
            continue
        centre, spread, area = told
        low, high = centre - 2.0 * np.sqrt(np.diag(spread)), centre + 2.0 * np.sqrt(np.diag(spread))
        if (low < -0.5).any() or high[0] > grey.shape[1] - 0.5 or high[1] > grey.shape[0] - 0.5:
            continue
        holes = _holes(cv2, outlines, tree[0], k)
        largest = max(holes, key=lambda hole: hole[1], default=None)
        if largest is None or largest[1] < 0.02 * area:  # a tiny one is a glint or noise
            found.append((centre, spread, False))
        elif 0.06 * area < largest[1] < 0.5 * area and np.linalg.norm(
            largest[0] - centre
        ) < 0.25 * np.sqrt(area):
            found.append((centre, spread, True))
    if not found:
        return Blobs(np.empty((0, 2)), np.empty((0, 2, 2)), np.empty(0, bool))
    return Blobs(
        np.array([one[0] for one in found]), np.array([one[1] for one in found]),
        np.array([one[2] for one in found]),
    )  # fmt: skip


def _ellipse(cv2: Any, outline: Any) -> tuple[Floats, Floats, float] | None:
    """Centre, covariance (pixel edges included) and area of an outline; None if no ellipse."""
    m = cv2.moments(outline)
    area = m["m00"]
    if area < _LEAST_AREA_PX:
        return None
    spread = np.array([[m["mu20"], m["mu11"]], [m["mu11"], m["mu02"]]]) / area
    det = float(np.linalg.det(spread))
    if det <= 0.0 or area / (4.0 * np.pi * np.sqrt(det)) < _ROUND:
        return None
    long, short = np.sqrt(np.linalg.eigvalsh(spread)[::-1])
    if long > 4.0 * short:
        return None
    # the outline runs through the middles of the edge pixels: half a pixel inside the edge
    grown = spread * ((2.0 * short + 0.5) / (2.0 * short)) * ((2.0 * long + 0.5) / (2.0 * long))
    return np.array([m["m10"], m["m01"]]) / area, grown, float(area)


def _holes(cv2: Any, outlines: Any, tree: Any, parent: int) -> list[tuple[Floats, float]]:
    """Centre and area of each hole of an outline."""
    out, child = [], tree[parent][2]
    while child >= 0:
        m = cv2.moments(outlines[child])
        if m["m00"] > 0.0:
            out.append((np.array([m["m10"], m["m01"]]) / m["m00"], float(m["m00"])))
        child = tree[child][0]
    return out
