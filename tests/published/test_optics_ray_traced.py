"""Two mirrors and a plane, traced ray by ray.

Source: the law of reflection in vector form, d' = d − 2 (d·n) n (elementary geometrical optics).
The trace below knows mirrors as planes in space that turn about their axes, and nothing of the
closed form it checks. Tilt: the plane homography of a pinhole (R. Hartley, A. Zisserman, Multiple
View Geometry, from memory), exact where the two mirrors lie in one point.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from hysteresis.bench import Optics
from hysteresis.optics import (
    RigOptics,
    deflection_from_spot,
    nominal_optics,
    spot_from_deflection,
)

EPS = np.finfo(float).eps
BENCHES = [
    Optics(plane_distance_mm=250, mirror_gap_mm=12, full_scale_x_mm=50, full_scale_y_mm=50),
    Optics(plane_distance_mm=120, mirror_gap_mm=30, full_scale_x_mm=80, full_scale_y_mm=60),
    Optics(plane_distance_mm=2000, mirror_gap_mm=0, full_scale_x_mm=300, full_scale_y_mm=900),
]


def hit(origin, direction, point, normal):
    """Where a ray meets a plane."""
    return origin + direction * (np.dot(point - origin, normal) / np.dot(direction, normal))


def reflected(direction, normal):
    return direction - 2 * np.dot(direction, normal) * normal


def traced_spot(angle_x: float, angle_y: float, bench: Optics, plane_normal=(0.0, 0.0, 1.0)):
    """Spot in space for two mechanical mirror angles (rad).

    The beam comes along +x, meets the first mirror (turning about z) at (0, −gap, 0), runs along
    +y, meets the second (turning about x) at the origin, and falls along −z on the plane through
    (0, 0, −distance).
    """
    first_at = np.array([0.0, -bench.mirror_gap_mm, 0.0])
    second_at = np.zeros(3)
    first_normal = Rotation.from_rotvec([0, 0, -angle_x]).apply(np.array([-1, 1, 0]) / np.sqrt(2))
    second_normal = Rotation.from_rotvec([angle_y, 0, 0]).apply(np.array([0, -1, -1]) / np.sqrt(2))
    beam, at = np.array([1.0, 0.0, 0.0]), np.array([-100.0, -bench.mirror_gap_mm, 0.0])
    at = hit(at, beam, first_at, first_normal)
    beam = reflected(beam, first_normal)
    at = hit(at, beam, second_at, second_normal)
    beam = reflected(beam, second_normal)
    centre = np.array([0.0, 0.0, -bench.plane_distance_mm])
    return hit(at, beam, centre, np.asarray(plane_normal)) - centre


def angles(optics: RigOptics, theta_x, theta_y):
    return theta_x * optics.full_scale_x_rad, theta_y * optics.full_scale_y_rad


def grid(seed: int):
    rng = np.random.default_rng(seed)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [0, 0], [1, 0], [0, 1]], float)
    return np.vstack([corners, rng.uniform(-1.1, 1.1, (60, 2))]).T


def test_the_trace_itself_at_rest_and_on_each_axis() -> None:
    """By hand: the beam turns by twice the mirror angle."""
    bench = BENCHES[0]
    np.testing.assert_allclose(traced_spot(0, 0, bench), 0, atol=1e-12)
    np.testing.assert_allclose(traced_spot(0.05, 0, bench), [262 * np.tan(0.1), 0, 0], atol=1e-12)
    np.testing.assert_allclose(traced_spot(0, 0.05, bench), [0, 250 * np.tan(0.1), 0], atol=1e-12)


@pytest.mark.parametrize("bench", BENCHES)
def test_spot_is_where_the_traced_ray_falls(bench: Optics) -> None:
    """Rounding of some twenty operations on lengths of the size of the bench."""
    optics = nominal_optics(bench)
    theta_x, theta_y = grid(1)
    x, y = spot_from_deflection(theta_x, theta_y, optics)
    traced = np.array(
        [traced_spot(a, b, bench) for a, b in zip(*angles(optics, theta_x, theta_y), strict=True)]
    )
    bound = 64 * EPS * (bench.plane_distance_mm + bench.mirror_gap_mm)
    np.testing.assert_allclose(x, traced[:, 0], rtol=0, atol=bound)
    np.testing.assert_allclose(y, traced[:, 1], rtol=0, atol=bound)
    np.testing.assert_allclose(traced[:, 2], 0, atol=bound)
    back = deflection_from_spot(traced[:, 0], traced[:, 1], optics)
    smallest = min(optics.full_scale_x_rad, optics.full_scale_y_rad)
    np.testing.assert_allclose(back, (theta_x, theta_y), rtol=0, atol=128 * EPS / smallest)


def test_full_scale_and_a_longer_way() -> None:
    """Full scale is the spot's distance at deflection 1; `log_distance` moves the plane away."""
    bench = BENCHES[1]
    optics = nominal_optics(bench)
    a, b = angles(optics, 1.0, 1.0)
    assert traced_spot(a, 0.0, bench)[0] == pytest.approx(bench.full_scale_x_mm, rel=1e-14)
    assert traced_spot(0.0, b, bench)[1] == pytest.approx(bench.full_scale_y_mm, rel=1e-14)
    away = bench.model_copy(update={"plane_distance_mm": bench.plane_distance_mm * np.exp(0.02)})
    wanted = traced_spot(0.7 * a, -0.4 * b, away)
    x, y = spot_from_deflection(np.array(0.7), np.array(-0.4), replace(optics, log_distance=0.02))
    np.testing.assert_allclose([x, y], wanted[:2], atol=1e-12)


def test_coupled_suspensions_turn_both_mirrors() -> None:
    """`coupling_xy` is the part of the y deflection that turns the first mirror, and so on."""
    bench = BENCHES[0]
    optics = replace(nominal_optics(bench), coupling_xy=0.03, coupling_yx=-0.02)
    theta_x, theta_y = grid(2)
    a, b = angles(optics, theta_x + 0.03 * theta_y, theta_y - 0.02 * theta_x)
    traced = np.array([traced_spot(p, q, bench) for p, q in zip(a, b, strict=True)])
    x, y = spot_from_deflection(theta_x, theta_y, optics)
    np.testing.assert_allclose(np.column_stack([x, y]), traced[:, :2], rtol=0, atol=1e-12)


@pytest.mark.parametrize("tilt_rad", [-0.05, 0.02, 0.06])
def test_a_tilted_plane_of_a_rig_without_gap(tilt_rad: float) -> None:
    """Plane tilted about its y axis, read in its own marks. With the mirrors in one point the trace
    is a pinhole: tilt enters by 1/(1 + g x) with g = tan(tilt)/d. The linear part, 1/cos(tilt)
    along x, belongs to the springs' stiffness by this package's convention."""
    bench = BENCHES[2]
    s, c = np.sin(tilt_rad), np.cos(tilt_rad)
    normal, along_x = np.array([s, 0.0, c]), np.array([c, 0.0, -s])
    optics = nominal_optics(bench)
    theta_x, theta_y = grid(3)
    traced = np.array([
        traced_spot(a, b, bench, normal)
        for a, b in zip(*angles(optics, theta_x, theta_y), strict=True)
    ])  # fmt: skip
    slope = -np.tan(tilt_rad) / bench.plane_distance_mm
    tilted = replace(optics, tilt_x_per_mm=slope)
    x, y = spot_from_deflection(theta_x, theta_y, tilted)
    bound = 64 * EPS * bench.plane_distance_mm * 4
    np.testing.assert_allclose(traced @ along_x * c, x, rtol=0, atol=bound)
    np.testing.assert_allclose(traced[:, 1], y, rtol=0, atol=bound)


def test_a_tilted_plane_of_a_rig_with_a_gap_is_nearly_a_pinhole() -> None:
    """With a gap the rays leave from two places, `gap` apart, and the homography is a model: its
    error is a share gap/d of what the tilt does, here below tilt × gap/d × 3/2 of the field (the
    largest term is x² g e/d)."""
    bench, tilt_rad = BENCHES[0], np.deg2rad(3.0)
    s, c = np.sin(tilt_rad), np.cos(tilt_rad)
    optics = nominal_optics(bench)
    theta_x, theta_y = grid(4)
    pairs = list(zip(*angles(optics, theta_x, theta_y), strict=True))
    traced = np.array([traced_spot(a, b, bench, np.array([s, 0.0, c])) for a, b in pairs])
    tilted = replace(optics, tilt_x_per_mm=-np.tan(tilt_rad) / bench.plane_distance_mm)
    x, y = spot_from_deflection(theta_x, theta_y, tilted)
    plain_x, plain_y = spot_from_deflection(theta_x, theta_y, optics)
    own_x = traced @ np.array([c, 0.0, -s]) * c
    error = np.hypot(own_x - x, traced[:, 1] - y).max()
    without = np.hypot(own_x - plain_x, traced[:, 1] - plain_y).max()
    share = bench.mirror_gap_mm / bench.plane_distance_mm
    assert error < 1.5 * share * without
