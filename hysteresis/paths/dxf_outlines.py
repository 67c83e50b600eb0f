"""Outlines of DXF entities, each in the plane of the block that it stands in.

Every function takes an entity of the library ezdxf and a tolerance in the drawing's unit, and gives
points (n, 2); None for an entity that is a mesh or has no points.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from hysteresis.paths.curves import bulge_chords, ellipse_chords, spline_chords
from hysteresis.tables import Floats


def _flat(entity: Any, points: Floats) -> Floats:
    """Points (n, 2) of the entity's own plane, seen from above (its extrusion)."""
    extrusion = entity.dxf.get("extrusion", (0, 0, 1))
    if tuple(extrusion) == (0, 0, 1):
        return points
    height = entity.dxf.get("elevation", 0)
    height = float(height) if isinstance(height, int | float) else 0.0
    ocs = entity.ocs()
    return np.array([tuple(ocs.to_wcs((x, y, height)))[:2] for x, y in points.tolist()])


def _line(entity: Any, _: float) -> Floats:
    return np.array([tuple(entity.dxf.start)[:2], tuple(entity.dxf.end)[:2]], dtype=np.float64)


def _circle(entity: Any, tolerance: float) -> Floats:
    centre = np.array(tuple(entity.dxf.center)[:2], dtype=np.float64)
    radius = abs(float(entity.dxf.radius))
    start, sweep = 0.0, 2.0 * math.pi
    if entity.dxftype() == "ARC":
        start = math.radians(float(entity.dxf.start_angle))
        sweep = (math.radians(float(entity.dxf.end_angle)) - start) % (2.0 * math.pi)
        sweep = sweep or 2.0 * math.pi
    u, v = np.array([radius, 0.0]), np.array([0.0, radius])
    first = centre + math.cos(start) * u + math.sin(start) * v
    chords = ellipse_chords(centre, u, v, start, sweep, tolerance)
    return _flat(entity, np.concatenate([first[None, :], chords]))


def _ellipse(entity: Any, tolerance: float) -> Floats:
    """Centre and axes of an ellipse are given in the drawing's axes, not in a plane of its own."""
    centre = np.array(tuple(entity.dxf.center)[:2], dtype=np.float64)
    u = np.array(tuple(entity.dxf.major_axis)[:2], dtype=np.float64)
    v = np.array(tuple(entity.minor_axis)[:2], dtype=np.float64)
    start = float(entity.dxf.start_param)
    sweep = (float(entity.dxf.end_param) - start) % (2.0 * math.pi) or 2.0 * math.pi
    first = centre + math.cos(start) * u + math.sin(start) * v
    return np.concatenate([first[None, :], ellipse_chords(centre, u, v, start, sweep, tolerance)])


def _bulged(entity: Any, corners: Floats, closed: bool, tolerance: float) -> Floats | None:
    """A polyline whose corners (n, 3) are x, y and the bulge of the way behind them."""
    if len(corners) == 0:
        return None
    ways = list(range(len(corners) if closed else len(corners) - 1))
    parts = [corners[:1, :2]]
    for i in ways:
        start, end = corners[i, :2], corners[(i + 1) % len(corners), :2]
        parts.append(bulge_chords(start, end, float(corners[i, 2]), tolerance))
    return _flat(entity, np.concatenate(parts))


def _light_polyline(entity: Any, tolerance: float) -> Floats | None:
    corners = np.array(list(entity.get_points("xyb")), dtype=np.float64).reshape(-1, 3)
    return _bulged(entity, corners, bool(entity.closed), tolerance)


def _polyline(entity: Any, tolerance: float) -> Floats | None:
    if entity.is_poly_face_mesh or entity.is_polygon_mesh:
        return None
    corners = np.array(
        [
            (*tuple(v.dxf.location)[:2], v.dxf.get("bulge", 0.0))
            for v in entity.vertices
            if not v.dxf.flags & 16  # a point of the frame of a smoothed curve, not on it
        ],
        dtype=np.float64,
    ).reshape(-1, 3)
    if entity.is_3d_polyline:
        corners[:, 2] = 0.0
    return _bulged(entity, corners, bool(entity.is_closed), tolerance)


def _spline(entity: Any, tolerance: float) -> Floats | None:
    if entity.control_point_count() == 0 and entity.fit_point_count() < 2:
        return None
    curve = entity.construction_tool()
    control = np.array([tuple(p)[:2] for p in curve.control_points], dtype=np.float64)
    weights = np.array(list(curve.weights()), dtype=np.float64)
    knots = np.array(list(curve.knots()), dtype=np.float64)
    degree = int(curve.order) - 1
    good = (
        1 <= degree < len(control)
        and len(knots) == len(control) + degree + 1
        and (np.diff(knots) >= 0).all()
        and knots[degree] < knots[len(control)]
        and np.isfinite(control).all()
        and np.isfinite(knots).all()
        and (np.isfinite(weights) & (weights > 0)).all()
    )
    if not good:
        raise ValueError("a spline whose knots, weights and points do not fit together")
    return spline_chords(control, knots, degree, weights if len(weights) else None, tolerance)


OUTLINES: dict[str, Any] = {
    "LINE": _line, "CIRCLE": _circle, "ARC": _circle, "ELLIPSE": _ellipse,
    "LWPOLYLINE": _light_polyline, "POLYLINE": _polyline, "SPLINE": _spline,
}  # fmt: skip
"""By the name of the kind."""
