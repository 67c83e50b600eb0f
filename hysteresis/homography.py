"""Plane homography: straight lines stay straight, whatever the view.

Fitted by the normalised direct linear transform (Hartley, "In defense of the eight-point
algorithm", IEEE PAMI 19 (1997) 580, for the normalisation; Hartley & Zisserman, *Multiple View
Geometry*, algorithms 4.2 and 4.3, from memory), then refined by Gauss-Newton on the distance
that counts: the one in the target plane.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.errors import InputError
from hysteresis.tables import Bools, Floats

FLATNESS = 1e-3
"""Smallest height of a triangle of fiducials, as a fraction of their spread, that still counts."""
_RANK = 1e-6  # a direct linear transform of lower relative rank than 8 fixes no homography


@dataclass(frozen=True)
class Homography:
    """A map of one plane onto another: ``(x, y, 1) ~ matrix @ (u, v, 1)``.

    `matrix` (3, 3) is scaled so that its last entry is 1 where that is possible, and so that the
    third component is positive on the side of the horizon on which the fitted points lie.
    """

    matrix: Floats

    def apply(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Map points (arrays of any equal shape, in the unit of the source)."""
        x, y, w = self._homogeneous(u, v)
        return x / w, y / w

    def inverse(self) -> Homography:
        """The map back."""
        return Homography(_scaled(np.linalg.inv(self.matrix)))

    def jacobian(self, u: Floats, v: Floats) -> Floats:
        """Derivatives of (x, y) by (u, v) at each point, shape (..., 2, 2)."""
        x, y, w = self._homogeneous(u, v)
        h = self.matrix
        slopes = np.empty((*np.shape(w), 2, 2))
        for row, value in enumerate((x, y)):
            for column in range(2):
                slopes[..., row, column] = (h[row, column] - value / w * h[2, column]) / w
        return slopes

    def in_front(self, u: Floats, v: Floats) -> Bools:
        """Whether each point lies on the visible side of the horizon; NaN does not."""
        return np.asarray(self._homogeneous(u, v)[2] > 0.0)

    def _homogeneous(self, u: Floats, v: Floats) -> tuple[Floats, Floats, Floats]:
        u, v, h = np.asarray(u, float), np.asarray(v, float), self.matrix
        x, y, w = (h[row, 0] * u + h[row, 1] * v + h[row, 2] for row in range(3))
        return x, y, w


def fit_homography(src: Floats, dst: Floats) -> Homography:
    """Least-squares homography from `src` to `dst`, each (n, 2) with n >= 4.

    Minimises the sum of squared distances in the plane of `dst`; with four points it is exact.

    Raises
    ------
    InputError : fewer than four points, points that are not finite, three of four on one line
        (or all but one of more), or the two lists in different order.
    """
    src, dst = np.asarray(src, float), np.asarray(dst, float)
    if src.shape != dst.shape or src.ndim != 2 or src.shape[1:] != (2,):
        raise ValueError(f"two lists of points (n, 2) are needed, not {src.shape}, {dst.shape}")
    if len(src) < 4:
        raise InputError(
            f"{len(src)} points do not fix a plane", mend="give four or more, no three on a line"
        )
    if not (np.isfinite(src).all() and np.isfinite(dst).all()):
        raise InputError("a point of the plane is not a finite number", mend="give numbers")
    for points, side in ((src, "in the picture"), (dst, "on the target")):
        _refuse_lines(points, side)

    from_src, to_dst = _normalisation(src), _normalisation(dst)
    a, b = _moved(from_src, src), _moved(to_dst, dst)
    start = _direct_linear(a, b)
    refined = _refined(start, a, b)
    h = np.linalg.solve(to_dst, refined @ from_src)
    w = src @ h[2, :2] + h[2, 2]
    if not (np.all(w > 0) or np.all(w < 0)):
        raise InputError(
            "no camera sees these points in this arrangement: the horizon would run between them",
            mend="check that each point's two positions belong together, also x with y",
        )
    return Homography(_scaled(h if w[0] > 0 else -h))


def points_on_lines(points: Floats) -> list[tuple[int, int, int]]:
    """Every three of the points (n, 2), counted from 0, that lie on one line within `FLATNESS`."""
    points = np.asarray(points, float)
    if len(points) < 3:
        return []
    triples = np.array(list(combinations(range(len(points)), 3)))
    p, q, r = (points[triples[:, i]] for i in range(3))
    one, other = q - p, r - p
    area = np.abs(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])
    longest = np.max([np.linalg.norm(side, axis=1) for side in (one, other, r - q)], axis=0)
    flat = area <= FLATNESS * np.linalg.norm(np.ptp(points, axis=0)) * longest
    return [(int(i), int(j), int(k)) for i, j, k in triples[flat]]


def _refuse_lines(points: Floats, side: str) -> None:
    """Four points, no three on a line, must be among them."""
    flat = set(points_on_lines(points))
    for four in combinations(range(len(points)), 4):
        if not flat.intersection(combinations(four, 3)):
            return
    i, j, k = (number + 1 for number in min(flat))
    raise InputError(
        f"points {i}, {j} and {k} lie on one line {side}, and no four points fix the plane",
        mend="mark points near the four corners of the field",
    )


def _normalisation(points: Floats) -> Floats:
    """Similarity (3, 3) that moves the points to mean 0 and mean distance sqrt(2)."""
    centre = points.mean(axis=0)
    scale = np.sqrt(2.0) / np.mean(np.linalg.norm(points - centre, axis=1))
    return np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1.0]])


def _moved(similarity: Floats, points: Floats) -> Floats:
    return points * similarity[0, 0] + similarity[:2, 2]


def _direct_linear(src: Floats, dst: Floats) -> Floats:
    """Null vector of the 2n x 9 system ``dst x (H src) = 0``."""
    one, none = np.ones(len(src)), np.zeros((len(src), 3))
    point = np.column_stack([src, one])
    x, y = dst[:, :1], dst[:, 1:]
    system = np.vstack([np.hstack([point, none, -x * point]), np.hstack([none, point, -y * point])])
    _, size, rows = np.linalg.svd(system)
    if size[7] < _RANK * size[0]:
        raise InputError(
            "these points do not fix a plane", mend="mark points near the four corners of the field"
        )
    return np.asarray(rows[8].reshape(3, 3))


def _refined(h: Floats, src: Floats, dst: Floats) -> Floats:
    """Damped Gauss-Newton on the distances in the plane of `dst`.

    All nine entries are free and the step is the shortest one, which leaves the meaningless
    scale of the matrix alone: no entry has to be assumed different from zero.
    """
    point = np.column_stack([src, np.ones(len(src))])

    def residual(matrix: Floats) -> Floats:
        moved = point @ matrix.T
        return np.asarray((moved[:, :2] / moved[:, 2:] - dst).ravel())

    h = h / np.linalg.norm(h)
    error = residual(h)
    for _ in range(50):
        moved = point @ h.T
        w = moved[:, 2:]
        slopes = np.zeros((len(src), 2, 9))
        slopes[:, 0, 0:3] = slopes[:, 1, 3:6] = point / w
        slopes[:, 0, 6:9] = -(moved[:, :1] / w) * point / w
        slopes[:, 1, 6:9] = -(moved[:, 1:2] / w) * point / w
        step = np.linalg.lstsq(slopes.reshape(-1, 9), -error, rcond=1e-12)[0].reshape(3, 3)
        share = 1.0
        while share > 1e-4:
            trial = h + share * step
            trial_error = residual(trial)
            if np.isfinite(trial_error).all() and trial_error @ trial_error <= error @ error:
                break
            share /= 2
        else:
            break
        h, error = trial / np.linalg.norm(trial), trial_error
        if np.linalg.norm(share * step) < 1e-14:
            break
    return h


def _scaled(matrix: npt.NDArray[Any]) -> Floats:
    """Last entry 1 where it is positive and not tiny (the scale is free, the sign is not)."""
    last = matrix[2, 2]
    size = np.linalg.norm(matrix)
    return np.asarray(matrix / (last if last > 1e-9 * size else size), dtype=np.float64)
