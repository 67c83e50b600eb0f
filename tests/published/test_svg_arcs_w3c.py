"""Elliptical arcs of SVG path data.

Source: W3C, "Scalable Vector Graphics (SVG) 1.1 (Second Edition)", appendix F.6 "Elliptical arc
implementation notes", equations F.6.5.1 to F.6.6.3 (formulas from memory; they are recomputed here
and share nothing with the reader).
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hysteresis.paths.notes import Tally
from hysteresis.paths.svg import rows_of_svg

TOLERANCE_MM = 0.002


def centre_form(x1, y1, rx, ry, degrees, large, sweep, x2, y2):
    """F.6.5: centre, radii, start angle and sweep from the two ends; radii mended by F.6.6."""
    rx, ry, phi = abs(rx), abs(ry), math.radians(degrees % 360)
    cos, sin = math.cos(phi), math.sin(phi)
    dx, dy = (x1 - x2) / 2, (y1 - y2) / 2
    xp, yp = cos * dx + sin * dy, -sin * dx + cos * dy  # F.6.5.1
    out = (xp / rx) ** 2 + (yp / ry) ** 2  # F.6.6.2
    if out > 1:
        rx, ry = math.sqrt(out) * rx, math.sqrt(out) * ry
    num = rx**2 * ry**2 - rx**2 * yp**2 - ry**2 * xp**2
    root = math.sqrt(max(num, 0) / (rx**2 * yp**2 + ry**2 * xp**2))
    root = -root if large == sweep else root
    cxp, cyp = root * rx * yp / ry, -root * ry * xp / rx  # F.6.5.2
    cx = cos * cxp - sin * cyp + (x1 + x2) / 2  # F.6.5.3
    cy = sin * cxp + cos * cyp + (y1 + y2) / 2
    a = math.atan2((yp - cyp) / ry, (xp - cxp) / rx)  # F.6.5.5
    b = math.atan2((-yp - cyp) / ry, (-xp - cxp) / rx)
    turn = (b - a) % (2 * math.pi)  # F.6.5.6
    if not sweep:
        turn -= 2 * math.pi
    return cx, cy, rx, ry, phi, a, turn


def read(folder: Path, data: str) -> np.ndarray:
    """Points of one path in the units of its drawing, 1 unit = 1 mm, y down as written."""
    file = folder / "arc.svg"
    file.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="200mm" '
        f'viewBox="-100 -100 200 200"><path stroke="black" d="{data}"/></svg>'
    )
    rows = list(rows_of_svg(file, Tally(), feed_mm_s=1.0, tolerance_mm=TOLERANCE_MM))[1:]
    return np.column_stack(
        [np.concatenate([r.x_mm for r in rows]), -np.concatenate([r.y_mm for r in rows])]
    )


numbers = st.integers(-400, 400).map(lambda n: n / 10)


@settings(max_examples=200, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(numbers, numbers, st.integers(1, 300).map(lambda n: n / 10),
       st.integers(1, 300).map(lambda n: n / 10), st.integers(-400, 400), st.booleans(),
       st.booleans(), numbers, numbers)  # fmt: skip
def test_f_6_5_from_ends_to_centre(tmp_path, x1, y1, rx, ry, degrees, large, sweep, x2, y2):
    if math.hypot(x1 - x2, y1 - y2) < 0.5:
        return
    points = read(tmp_path, f"M{x1} {y1}A{rx} {ry} {degrees} {large:d} {sweep:d} {x2} {y2}")
    cx, cy, rx, ry, phi, _, turn = centre_form(x1, y1, rx, ry, degrees, large, sweep, x2, y2)
    np.testing.assert_allclose(points[0], [x1, y1], atol=1e-6)
    np.testing.assert_allclose(points[-1], [x2, y2], atol=1e-6)
    # back on the unit circle: on it, equally spaced, and turning as F.6.5.6 says
    u = points - [cx, cy]
    unit = np.column_stack([
        (math.cos(phi) * u[:, 0] + math.sin(phi) * u[:, 1]) / rx,
        (-math.sin(phi) * u[:, 0] + math.cos(phi) * u[:, 1]) / ry,
    ])  # fmt: skip
    # the root in F.6.5.2 loses half the digits where the ends are a diameter apart
    np.testing.assert_allclose(np.hypot(*unit.T), 1, atol=2e-5)
    turned = np.unwrap(np.arctan2(unit[:, 1], unit[:, 0]))
    assert turned[-1] - turned[0] == pytest.approx(turn, abs=1e-4)
    # no chord is further from the ellipse than asked: its middle, moved out along the radius
    middle = 0.5 * (unit[1:] + unit[:-1])
    assert (1 - np.hypot(*middle.T)).max() * max(rx, ry) <= TOLERANCE_MM * 1.01 + 2e-5 * max(rx, ry)


def test_f_6_2_a_radius_of_0_is_a_straight_line(tmp_path):
    assert len(read(tmp_path, "M0 0A0 5 0 0 1 10 0")) == 2


def test_f_6_2_an_end_at_the_start_leaves_the_arc_out(tmp_path):
    points = read(tmp_path, "M0 0L10 0A5 5 0 0 1 10 0L10 10")
    away = np.hypot(
        *(points[:, None, :] - np.array([[0, 0], [10, 0], [10, 10]])).transpose(2, 0, 1)
    )
    assert away.min(axis=1).max() < 1e-9


def test_f_6_6_radii_that_are_too_small_grow_and_signs_do_not_matter(tmp_path):
    half = read(tmp_path, "M-5 0A1 1 0 0 1 5 0")
    assert np.hypot(*half.T) == pytest.approx(5, abs=1e-6)
    np.testing.assert_allclose(read(tmp_path, "M-5 0A-1 -1 0 0 1 5 0"), half, atol=1e-9)


def test_8_3_8_flags_need_no_separators(tmp_path):
    """The grammar of path data (8.3.9): a flag is one digit and may touch what follows."""
    np.testing.assert_allclose(
        read(tmp_path, "M0 0a5 5 0 01.5.5"), read(tmp_path, "M0 0 a 5 5 0 0 1 .5 .5"), atol=1e-12
    )
