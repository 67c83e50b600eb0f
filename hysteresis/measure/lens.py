"""Lens distortion by Brown and Conrady: where a point is seen, and where a pinhole would see it.

D. C. Brown, "Decentering distortion of lenses", Photogrammetric Engineering 32 (1966) 444, after
A. E. Conrady (1919): radial terms k1, k2 and decentring terms p1, p2 about a centre (from memory;
checked against OpenCV's projectPoints in tests/published).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.tables import Floats

_EXACT_PX = 1e-11
_MOST_STEPS = 60


@dataclass(frozen=True)
class Lens:
    """Distortion about (`centre_u_px`, `centre_v_px`), in radii of `size_px`.

    `size_px` only sets the unit of k and p: with the focal length in px they are those of
    photogrammetry. Pixels are square.
    """

    centre_u_px: float
    centre_v_px: float
    size_px: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0

    @property
    def straight(self) -> bool:
        """Whether nothing is distorted."""
        return self.k1 == self.k2 == self.p1 == self.p2 == 0.0

    def seen(self, u_px: Floats, v_px: Floats) -> tuple[Floats, Floats]:
        """Where the lens shows points that a pinhole would show at (u, v); any shape."""
        x, y = self._scaled(u_px, v_px)
        a, b = _bent(x, y, self.k1, self.k2, self.p1, self.p2)
        return self.centre_u_px + self.size_px * a, self.centre_v_px + self.size_px * b

    def pinhole(self, u_px: Floats, v_px: Floats) -> tuple[Floats, Floats]:
        """Where a pinhole would show points that are seen at (u, v); the inverse of `seen`.

        Newton's method with halved steps, all points at once, to 1e-11 px or to rounding. NaN
        where no point is seen so: beyond the radius at which the polynomial turns back.
        """
        a, b = self._scaled(u_px, v_px)
        if self.straight:
            return np.array(u_px, dtype=float), np.array(v_px, dtype=float)
        shape = np.shape(a)
        a, b = np.ravel(a), np.ravel(b)
        coefficients = (self.k1, self.k2, self.p1, self.p2)
        x, y = _bounded_start(a, b, self.k1, self.k2)
        miss = np.full(a.shape, np.inf)
        for _ in range(_MOST_STEPS):
            fx, fy = _bent(x, y, *coefficients)
            ex, ey = fx - a, fy - b
            miss = np.hypot(ex, ey)
            if not np.any(miss * self.size_px > _EXACT_PX):
                break
            xx, xy, yy = _slopes(x, y, *coefficients)
            with np.errstate(divide="ignore", invalid="ignore"):
                det = xx * yy - xy**2
                dx, dy = (yy * ex - xy * ey) / det, (xx * ey - xy * ex) / det
            share = np.ones_like(x)
            for _ in range(8):  # never a step that makes it worse
                tx, ty = _bent(x - share * dx, y - share * dy, *coefficients)
                worse = ~(np.hypot(tx - a, ty - b) <= miss)
                if not worse.any():
                    break
                share[worse] /= 2.0
            with np.errstate(invalid="ignore"):
                moved = np.isfinite(dx) & np.isfinite(dy) & ~worse
            x, y = np.where(moved, x - share * dx, x), np.where(moved, y - share * dy, y)
            if not moved.any():
                break
        xx, xy, yy = _slopes(x, y, *coefficients)
        far = 4.0 * np.finfo(float).eps * (1.0 + np.hypot(a, b)) * self.size_px + 1e-9
        lost = ~(miss * self.size_px <= far) | ~(xx > 0.0) | ~(xx * yy - xy**2 > 0.0)
        x, y = np.where(lost, np.nan, x), np.where(lost, np.nan, y)
        return (
            (self.centre_u_px + self.size_px * x).reshape(shape),
            (self.centre_v_px + self.size_px * y).reshape(shape),
        )

    def slopes(self, u_px: Floats, v_px: Floats) -> Floats:
        """Derivatives of `seen` by the pinhole's (u, v), shape (..., 2, 2)."""
        xx, xy, yy = _slopes(*self._scaled(u_px, v_px), self.k1, self.k2, self.p1, self.p2)
        return np.stack([np.stack([xx, xy], -1), np.stack([xy, yy], -1)], -2)

    def by_coefficients(self, u_px: Floats, v_px: Floats) -> Floats:
        """Derivatives of `seen` by (k1, k2, p1, p2, centre u, centre v), shape (..., 2, 6).

        The pinhole's (u, v) are held.
        """
        x, y = self._scaled(u_px, v_px)
        r2 = x**2 + y**2
        along = np.stack([x * r2, x * r2**2, 2 * x * y, r2 + 2 * x**2], -1)
        across = np.stack([y * r2, y * r2**2, r2 + 2 * y**2, 2 * x * y], -1)
        by_k = self.size_px * np.stack([along, across], -2)
        # seen = c + f((p − c) / s): moving the centre moves the pattern of the distortion
        by_centre = np.eye(2) - self.slopes(u_px, v_px)
        return np.concatenate([by_k, by_centre], axis=-1)

    def largest_px(self, width_px: float, height_px: float) -> float:
        """Largest displacement at the corners of a picture (NaN where a corner is not reached)."""
        u = np.array([0.0, width_px - 1.0, 0.0, width_px - 1.0])
        v = np.array([0.0, 0.0, height_px - 1.0, height_px - 1.0])
        a, b = self.pinhole(u, v)
        return float(np.max(np.hypot(a - u, b - v)))

    def enlarged(self, factor: float) -> Lens:
        """The same lens for a picture with `factor` times as many pixels along each side.

        A pixel's middle is a whole number: pixel edges, at −½, stay together.
        """
        return Lens(
            (self.centre_u_px + 0.5) * factor - 0.5, (self.centre_v_px + 0.5) * factor - 0.5,
            self.size_px * factor, self.k1, self.k2, self.p1, self.p2,
        )  # fmt: skip

    def _scaled(self, u_px: Floats, v_px: Floats) -> tuple[Floats, Floats]:
        u, v = np.asarray(u_px, dtype=float), np.asarray(v_px, dtype=float)
        return (u - self.centre_u_px) / self.size_px, (v - self.centre_v_px) / self.size_px


def _bent(
    x: Floats, y: Floats, k1: float, k2: float, p1: float, p2: float
) -> tuple[Floats, Floats]:
    r2 = x**2 + y**2
    radial = 1.0 + r2 * (k1 + r2 * k2)
    return (
        x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x**2),
        y * radial + p1 * (r2 + 2.0 * y**2) + 2.0 * p2 * x * y,
    )


def _slopes(
    x: Floats, y: Floats, k1: float, k2: float, p1: float, p2: float
) -> tuple[Floats, Floats, Floats]:
    """Derivatives xx, xy (= yx: the map is the gradient of a potential) and yy of `_bent`."""
    r2 = x**2 + y**2
    radial, rising = 1.0 + r2 * (k1 + r2 * k2), 2.0 * (k1 + 2.0 * k2 * r2)
    xx = radial + rising * x**2 + 2.0 * p1 * y + 6.0 * p2 * x
    xy = rising * x * y + 2.0 * p1 * x + 2.0 * p2 * y
    yy = radial + rising * y**2 + 6.0 * p1 * y + 2.0 * p2 * x
    return xx, xy, yy


def _bounded_start(a: Floats, b: Floats, k1: float, k2: float) -> tuple[Floats, Floats]:
    """First guess (a, b), drawn in to where the radial polynomial still rises."""
    # r (1 + k1 r² + k2 r⁴)' = 1 + 3 k1 r² + 5 k2 r⁴ is zero at its turning radius
    roots = np.roots([5.0 * k2, 3.0 * k1, 1.0]) if k2 else np.array([-1.0 / (3.0 * k1 or -1e-300)])
    real = roots[np.isreal(roots) & (roots.real > 0.0)].real
    if not real.size:
        return a.copy(), b.copy()
    most = 0.95 * float(np.sqrt(real.min()))
    shrink = np.minimum(1.0, most / np.maximum(np.hypot(a, b), 1e-300))
    return a * shrink, b * shrink
