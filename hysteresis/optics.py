"""Mirror angle to spot and back, in closed form both ways.

The beam turns by twice the mirror angle. With plane distance `d` and mirror gap `e`
(design of two-mirror steering; elementary ray geometry, checked against traced rays in
tests/published): `y = d tan 2a_y`, `x = (e + sqrt(d² + y²)) tan 2a_x`.
Around it: cross-coupling of the two deflections (2×2 near identity) before, and the offset and
tilt of the target plane (a plane homography without its linear part, which the coupling and the
springs' stiffness already hold) after, and last a turn of the axes in which places are told: a
camera or a ruler that lies askew.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from hysteresis.bench import Optics
from hysteresis.tables import Floats

FREE = (
    "coupling_xy", "coupling_yx", "offset_x_mm", "offset_y_mm",
    "tilt_x_per_mm", "tilt_y_per_mm", "log_distance",
)  # fmt: skip
"""Names of the seven optical unknowns of a fit, in the order used by `spot_with_slopes`."""


@dataclass(frozen=True)
class RigOptics:
    """Optics of one rig: nominal geometry and what a fit found on top.

    Deflections are fractions of full scale; `full_scale_*_rad` is the mirror angle at 1.
    `coupling_xy` is the part of the y deflection that turns the beam along x. `turn_rad`: angle
    by which the places told are turned from the rig's own axes, anticlockwise; offsets and tilts
    are in the rig's axes.
    """

    distance_mm: float
    gap_mm: float
    full_scale_x_rad: float
    full_scale_y_rad: float
    coupling_xy: float = 0.0
    coupling_yx: float = 0.0
    offset_x_mm: float = 0.0
    offset_y_mm: float = 0.0
    tilt_x_per_mm: float = 0.0
    tilt_y_per_mm: float = 0.0
    log_distance: float = 0.0
    turn_rad: float = 0.0

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def nominal_optics(optics: Optics) -> RigOptics:
    """Optics as bench.toml states them: no coupling, no offset, no tilt."""
    d, e = optics.plane_distance_mm, optics.mirror_gap_mm
    return RigOptics(
        distance_mm=d,
        gap_mm=e,
        full_scale_x_rad=float(np.arctan(optics.full_scale_x_mm / (e + d)) / 2),
        full_scale_y_rad=float(np.arctan(optics.full_scale_y_mm / d) / 2),
    )


def spot_from_deflection(
    theta_x: Floats, theta_y: Floats, optics: RigOptics
) -> tuple[Floats, Floats]:
    """Spot (mm) for deflections (full scale); arrays of any equal shape."""
    a = theta_x + optics.coupling_xy * theta_y
    b = theta_y + optics.coupling_yx * theta_x
    d = optics.distance_mm * np.exp(optics.log_distance)
    y = d * np.tan(2 * optics.full_scale_y_rad * b)
    x = (optics.gap_mm + np.hypot(d, y)) * np.tan(2 * optics.full_scale_x_rad * a)
    w = 1.0 + optics.tilt_x_per_mm * x + optics.tilt_y_per_mm * y
    sx, sy = (x + optics.offset_x_mm) / w, (y + optics.offset_y_mm) / w
    return turned(sx, sy, optics.turn_rad)


def turned(x: Floats, y: Floats, turn_rad: float) -> tuple[Floats, Floats]:
    """Points (n,), (n,) turned about the origin, anticlockwise."""
    if turn_rad == 0.0:
        return x, y
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return c * x - s * y, s * x + c * y


def deflection_from_spot(x_mm: Floats, y_mm: Floats, optics: RigOptics) -> tuple[Floats, Floats]:
    """Deflections (full scale) that put the spot at (x, y) mm: the inverse, in closed form."""
    x_mm, y_mm = turned(x_mm, y_mm, -optics.turn_rad)
    g, h = optics.tilt_x_per_mm, optics.tilt_y_per_mm
    # x w = X + x0 with w = 1 + g X + h Y: two linear equations in X and Y
    a11, a12 = 1.0 - g * x_mm, -h * x_mm
    a21, a22 = -g * y_mm, 1.0 - h * y_mm
    r1, r2 = x_mm - optics.offset_x_mm, y_mm - optics.offset_y_mm
    det = a11 * a22 - a12 * a21
    x = (r1 * a22 - a12 * r2) / det
    y = (a11 * r2 - a21 * r1) / det
    d = optics.distance_mm * np.exp(optics.log_distance)
    b = np.arctan(y / d) / (2 * optics.full_scale_y_rad)
    a = np.arctan(x / (optics.gap_mm + np.hypot(d, y))) / (2 * optics.full_scale_x_rad)
    own = 1.0 - optics.coupling_xy * optics.coupling_yx
    return (a - optics.coupling_xy * b) / own, (b - optics.coupling_yx * a) / own


def spot_with_slopes(
    theta_x: Floats, theta_y: Floats, optics: RigOptics
) -> tuple[Floats, Floats, Floats, Floats]:
    """Spot and its derivatives.

    Returns `x`, `y` (n,), `by_angle` (n, 2, 2) with rows x, y and columns θ_x, θ_y, and
    `by_optics` (n, 2, 7) in the order of `FREE`.
    """
    p, q = 2 * optics.full_scale_x_rad, 2 * optics.full_scale_y_rad
    a = theta_x + optics.coupling_xy * theta_y
    b = theta_y + optics.coupling_yx * theta_x
    d = optics.distance_mm * np.exp(optics.log_distance)
    tan_a, tan_b = np.tan(p * a), np.tan(q * b)
    y = d * tan_b
    reach = np.hypot(d, y)
    x = (optics.gap_mm + reach) * tan_a
    x_a = (optics.gap_mm + reach) * p * (1 + tan_a**2)
    y_b = d * q * (1 + tan_b**2)
    x_y = tan_a * y / reach
    x_b = x_y * y_b
    x_d = tan_a * d / reach * d + x_y * y  # by log distance
    y_d = y
    g, h = optics.tilt_x_per_mm, optics.tilt_y_per_mm
    w = 1.0 + g * x + h * y
    sx, sy = (x + optics.offset_x_mm) / w, (y + optics.offset_y_mm) / w
    # plane: d(spot) = (d(X, Y) - spot dw) / w
    plane = np.empty((x.size, 2, 2))
    plane[:, 0, 0], plane[:, 0, 1] = (1 - sx * g) / w, -sx * h / w
    plane[:, 1, 0], plane[:, 1, 1] = -sy * g / w, (1 - sy * h) / w
    ray = np.zeros((x.size, 2, 2))  # rows X, Y; columns a, b
    ray[:, 0, 0], ray[:, 0, 1], ray[:, 1, 1] = x_a, x_b, y_b
    mixing = np.array([[1.0, optics.coupling_xy], [optics.coupling_yx, 1.0]])
    by_ray = plane @ ray
    by_angle = by_ray @ mixing
    by_optics = np.empty((x.size, 2, len(FREE)))
    by_optics[:, :, 0] = by_ray[:, :, 0] * theta_y[:, None]
    by_optics[:, :, 1] = by_ray[:, :, 1] * theta_x[:, None]
    by_optics[:, 0, 2], by_optics[:, 1, 2] = 1 / w, 0.0
    by_optics[:, 0, 3], by_optics[:, 1, 3] = 0.0, 1 / w
    by_optics[:, 0, 4], by_optics[:, 1, 4] = -sx * x / w, -sy * x / w
    by_optics[:, 0, 5], by_optics[:, 1, 5] = -sx * y / w, -sy * y / w
    by_optics[:, :, 6] = plane[:, :, 0] * x_d[:, None] + plane[:, :, 1] * y_d[:, None]
    if optics.turn_rad != 0.0:
        c, s = np.cos(optics.turn_rad), np.sin(optics.turn_rad)
        turn = np.array([[c, -s], [s, c]])
        sx, sy = turned(sx, sy, optics.turn_rad)
        by_angle, by_optics = turn @ by_angle, turn @ by_optics
    return sx, sy, by_angle, by_optics
