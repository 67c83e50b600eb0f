"""Arcs against closed-form points and lengths of circles (elementary geometry)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hysteresis.paths import arcs
from hysteresis.paths.rs274 import read_rs274

TOLERANCE = arcs.CHORD_TOLERANCE_MM


def points(text: str) -> tuple[np.ndarray, np.ndarray]:
    line = read_rs274("M3 F600\n" + text).polyline
    return line.x_mm, line.y_mm


def way(x: np.ndarray, y: np.ndarray) -> float:
    return float(np.hypot(np.diff(x), np.diff(y)).sum())


def inscribed(radius: float, angle: float, chords: int) -> float:
    """Length of equal chords in an arc, 2 n r sin(angle / 2n)."""
    return 2 * chords * radius * math.sin(abs(angle) / (2 * chords))


@pytest.mark.parametrize(
    ("code", "end", "ij", "centre", "degrees"),
    [
        ("G3", (0, 10), (-10, 0), (0, 0), 90),
        ("G2", (0, 10), (-10, 0), (0, 0), -270),
        ("G3", (-10, 0), (-10, 0), (0, 0), 180),
        ("G2", (-10, 0), (-10, 0), (0, 0), -180),
        ("G3", (10, 0), (-10, 0), (0, 0), 360),
        ("G2", (10, 0), (-10, 0), (0, 0), -360),
        ("G3", (30, 0), (10, 0), (20, 0), 180),
        ("G3", (20, -10), (10, 0), (20, 0), 90),
    ],
)
def test_centre_form_lies_on_the_circle_and_turns_the_right_way(code, end, ij, centre, degrees):
    x, y = points(f"G0 X10 Y0\n{code} X{end[0]} Y{end[1]} I{ij[0]} J{ij[1]}")
    x, y = x[1:], y[1:]
    radius = math.hypot(*ij)
    assert np.hypot(x - centre[0], y - centre[1]) == pytest.approx(radius, abs=1e-12)
    angle = np.unwrap(np.arctan2(y - centre[1], x - centre[0]))
    assert math.degrees(angle[-1] - angle[0]) == pytest.approx(degrees, abs=1e-9)
    steps = np.diff(angle)
    assert steps == pytest.approx(steps[0], abs=1e-9)  # equal chords
    # the rise of a chord over its arc
    assert radius * (1 - math.cos(abs(steps[0]) / 2)) <= TOLERANCE * (1 + 1e-9)
    assert way(x, y) == pytest.approx(
        inscribed(radius, math.radians(degrees), len(steps)), rel=1e-12
    )
    # and against the circle itself: a chord is shorter than its arc by about a²/24
    full = radius * math.radians(abs(degrees))
    assert 0 < 1 - way(x, y) / full < (1.001 * steps[0] ** 2) / 24


@pytest.mark.parametrize("radius", [0.001, 0.004, 0.02, 1.0, 25.0, 4000.0])
def test_chords_keep_the_tolerance_and_are_not_wasted(radius):
    arc = arcs.Arc(0, 0, radius, radius, 0.0, 2 * math.pi)
    n = arcs.chords_of(arc)
    rise = radius * 2 * math.sin(math.pi / (2 * n)) ** 2
    assert rise <= TOLERANCE * (1 + 1e-9)
    assert n >= 8
    if n > 8:  # one chord fewer would not do
        assert radius * 2 * math.sin(math.pi / (2 * (n - 1))) ** 2 > TOLERANCE


def test_path_length_of_a_full_circle_is_two_pi_r():
    x, y = points("G0 X12 Y-3\nG2 X12 Y-3 I0 J7")
    assert way(x[1:], y[1:]) == pytest.approx(2 * math.pi * 7, rel=2.5e-4)  # a²/24 of 5 µm chords
    fine = read_rs274("M3 F600\nG0 X12 Y-3\nG2 X12 Y-3 I0 J7", chord_tolerance_mm=1e-7).polyline
    assert way(fine.x_mm[1:], fine.y_mm[1:]) == pytest.approx(2 * math.pi * 7, rel=1e-8)


angles = st.floats(-math.pi, math.pi)
sweeps = st.floats(0.05, 2 * math.pi - 0.05)


@given(r=st.floats(0.5, 40), a0=angles, sweep=sweeps, clockwise=st.booleans())
def test_radius_form_finds_the_centre_that_the_arc_was_drawn_from(r, a0, sweep, clockwise):
    a1 = a0 - sweep if clockwise else a0 + sweep
    x0, y0, x1, y1 = (r * f(a) for a in (a0, a1) for f in (math.cos, math.sin))
    signed = r if sweep <= math.pi else -r
    found = arcs.arc_of_radius(x0, y0, x1, y1, signed, clockwise=clockwise)
    # near the half turn the centre moves with the square root of the rounding
    loose = 1e-6 if abs(sweep - math.pi) < 0.05 else 1e-10
    assert math.hypot(found.centre_x_mm, found.centre_y_mm) < loose * r
    assert abs(found.sweep_rad) == pytest.approx(sweep, abs=10 * loose)
    assert (found.sweep_rad < 0) == clockwise
    centred = arcs.arc_about(x0, y0, x1, y1, -x0, -y0, clockwise=clockwise)
    assert centred.sweep_rad == pytest.approx(found.sweep_rad, abs=10 * loose)


@given(r=st.floats(0.5, 40), a0=angles, sweep=sweeps, clockwise=st.booleans())
def test_radius_and_centre_form_give_the_same_path(r, a0, sweep, clockwise):
    if abs(sweep - math.pi) < 0.05:
        return  # NISTIR 6556, 3.5.3.1: very bad near the half turn
    a1 = a0 - sweep if clockwise else a0 + sweep
    x0, y0, x1, y1 = (r * f(a) for a in (a0, a1) for f in (math.cos, math.sin))
    code = "G2" if clockwise else "G3"
    start = f"G0 X{x0:.12f} Y{y0:.12f}\n{code} X{x1:.12f} Y{y1:.12f} "
    radius = r if sweep <= math.pi else -r
    by_radius = points(start + f"R{radius:.12f}")
    by_centre = points(start + f"I{-x0:.12f} J{-y0:.12f}")
    assert len(by_radius[0]) == len(by_centre[0])
    np.testing.assert_allclose(by_radius, by_centre, atol=1e-8)


def test_many_arcs_at_once_equal_one_at_a_time():
    rng = np.random.default_rng(3)
    rows = [
        arcs.Arc(*rng.uniform(-5, 5, 2), r, r, *rng.uniform(-3, 3, 2)) for r in rng.uniform(1, 9, 8)
    ]
    n = np.array([arcs.chords_of(a) for a in rows])
    x, y = arcs.points_on(np.array(rows), n)
    k = 0
    for arc, count in zip(rows, n, strict=True):
        for i in range(1, count + 1):
            a = arc.start_rad + arc.sweep_rad * i / count
            assert x[k] == pytest.approx(arc.centre_x_mm + arc.start_radius_mm * math.cos(a))
            assert y[k] == pytest.approx(arc.centre_y_mm + arc.start_radius_mm * math.sin(a))
            k += 1
    assert k == len(x)
