"""Round corners within their tolerance, measured by shapely (GEOS): Hausdorff distance.

GEOS measures at the vertices of both lines, and at points put between them (`densify`).
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, hausdorff_distance

from hysteresis.errors import InputError
from hysteresis.paths.chunk import Chunk
from hysteresis.paths.corners import round_corners, with_round_corners
from hysteresis.paths.smoothing import SAG_PER_T2
from hysteresis.paths.timing import Timing, plan_motion, prepared, put_on_clock
from hysteresis.tables import Polyline

T = 0.01
SHARP = np.pi / 12


def polyline(points, feed=50.0, beam=True, dwell=0.0) -> Polyline:
    x, y = np.array(points, dtype=float).T
    n = len(x)
    feeds = np.broadcast_to(np.asarray(feed, dtype=float), n).copy()
    return Polyline(x, y, np.broadcast_to(beam, n).copy(), feeds, np.broadcast_to(dwell, n) + 0.0)


def drawn(line: Polyline) -> LineString:
    return LineString(np.column_stack([line.x_mm, line.y_mm]))


def turns(line: Polyline) -> np.ndarray:
    dx, dy = np.diff(line.x_mm), np.diff(line.y_mm)
    long = np.hypot(dx, dy) > 1e-9
    angle = np.arctan2(dy[long], dx[long])
    return np.abs((np.diff(angle) + np.pi) % (2 * np.pi) - np.pi)


@pytest.mark.parametrize("degrees", [16, 30, 60, 90, 120, 134])
@pytest.mark.parametrize("tolerance", [0.001, 0.05, 0.4])
def test_one_corner_uses_its_tolerance_and_no_more(degrees, tolerance):
    angle = math.radians(degrees)
    line = polyline([(0, 0), (20, 0), (20 + 20 * math.cos(angle), 20 * math.sin(angle))])
    found, row = round_corners(line, tolerance, sharper_than_rad=SHARP)
    # the corner itself is the farthest point of the sharp path from the round one
    assert drawn(found).distance(Point(20, 0)) == pytest.approx(tolerance, rel=1e-9)
    distance = hausdorff_distance(drawn(line), drawn(found), densify=0.001)
    assert distance <= tolerance * (1 + 1e-9)
    assert turns(found).max() < math.radians(5.2)
    assert len(row) == len(found) and (np.diff(row) >= 0).all()


@pytest.mark.parametrize("degrees", [30, 90, 130])
def test_the_blend_begins_and_ends_without_curvature(degrees):
    """Curvature from the chords (turn over mean length), against the formula of a plane curve."""
    angle = math.radians(degrees)
    line = polyline([(0, 0), (20, 0), (20 + 20 * math.cos(angle), 20 * math.sin(angle))])
    found, _ = round_corners(line, 0.3, sharper_than_rad=SHARP)
    steps = np.hypot(np.diff(found.x_mm), np.diff(found.y_mm))
    curvature = turns(found) / (0.5 * (steps[:-1] + steps[1:]))
    d = 0.3 / (0.375 * math.sin(angle / 2))
    peak = 1.5 * math.sin(angle / 2) / (d * math.cos(angle / 2) ** 2)  # at u = 1/2
    assert curvature.max() == pytest.approx(peak, rel=0.02)
    assert curvature[0] < 0.2 * peak and curvature[-1] < 0.2 * peak


def test_what_is_no_corner_stays():
    cases = {
        "gentle": polyline([(0, 0), (10, 0), (20, 2)]),
        "reversal": polyline([(0, 0), (10, 0), (1, 0.5)]),
        "beam": polyline([(0, 0), (10, 0), (10, 9)], beam=np.array([False, False, True])),
        "wait": polyline([(0, 0), (10, 0), (10, 9)], dwell=np.array([0, 0.1, 0])),
        "wait in a row of its own": polyline(
            [(0, 0), (10, 0), (10, 0), (10, 9)], dwell=np.array([0, 0, 0.1, 0])
        ),
        "one place": polyline([(3, 4)]),
        "one move": polyline([(3, 4), (5, 6)]),
    }
    for name, line in cases.items():
        found, _ = round_corners(line, 0.1, sharper_than_rad=SHARP)
        np.testing.assert_array_equal(found.x_mm, line.x_mm, err_msg=name)
        np.testing.assert_array_equal(found.dwell_s, line.dwell_s, err_msg=name)


def test_a_place_given_twice_is_still_a_corner():
    once, _ = round_corners(polyline([(0, 0), (10, 0), (10, 9)]), 0.1, sharper_than_rad=SHARP)
    twice, row = round_corners(
        polyline([(0, 0), (10, 0), (10, 0), (10, 9)]), 0.1, sharper_than_rad=SHARP
    )
    np.testing.assert_array_equal(once.x_mm, twice.x_mm)
    assert set(row) == {0, 1, 3}


coordinates = st.integers(-300, 300).map(lambda k: k / 10)
vertices = st.lists(st.tuples(coordinates, coordinates), min_size=2, max_size=12)


@settings(max_examples=100, deadline=None)
@given(points=vertices, tolerance=st.floats(1e-3, 5.0))
def test_any_path_stays_within_the_tolerance(points, tolerance):
    line = polyline(points)
    found, _ = round_corners(line, tolerance, sharper_than_rad=SHARP)
    if len(set(points)) == 1:
        return
    # GEOS's distance is a lower bound on densified points, Fréchet-like mixing is excluded by
    # measuring each corner's own neighbourhood too
    assert hausdorff_distance(drawn(line), drawn(found), densify=0.02) <= tolerance * (1 + 1e-9)
    for x, y in points:
        assert drawn(found).distance(Point(x, y)) <= tolerance * (1 + 1e-9)
    assert drawn(found).length <= drawn(line).length * (1 + 1e-9)


@settings(max_examples=80, deadline=None)
@given(points=vertices, data=st.data())
def test_chunks_give_the_same_corners(points, data):
    n = len(points)
    beam = data.draw(st.lists(st.sampled_from([True, True, True, False]), min_size=n, max_size=n))
    dwell = data.draw(st.lists(st.sampled_from([0, 0, 0, 0.05]), min_size=n, max_size=n))
    line = polyline(points, beam=np.array(beam), dwell=np.array(dwell, dtype=float))
    cuts = sorted(data.draw(st.sets(st.integers(0, n - 1), max_size=5)))
    edges = [0, *cuts, n - 1]
    chunks = []
    for k in range(len(edges) - 1):
        rows = slice(edges[k], edges[k + 1] + 1)
        waits = line.dwell_s[rows].copy()
        if k:
            waits[0] = 0.0
        chunks.append(
            Chunk(
                Polyline(line.x_mm[rows], line.y_mm[rows], line.beam[rows], line.feed_mm_s[rows],
                         waits),
                np.arange(n)[rows],
            )
        )  # fmt: skip
    whole, row = round_corners(line, 0.2, sharper_than_rad=SHARP)
    parts = list(with_round_corners(chunks, 0.2, sharper_than_rad=SHARP))
    for before, after in itertools.pairwise(parts):
        assert after.polyline.x_mm[0] == before.polyline.x_mm[-1]
        assert after.polyline.dwell_s[0] == 0.0
    first = [0] + [1] * (len(parts) - 1)
    for name in ("x_mm", "y_mm", "beam", "feed_mm_s", "dwell_s"):
        column = [getattr(p.polyline, name)[k:] for p, k in zip(parts, first, strict=True)]
        np.testing.assert_array_equal(np.concatenate(column), getattr(whole, name), err_msg=name)
    lines = [p.line_of_vertex[k:] for p, k in zip(parts, first, strict=True)]
    np.testing.assert_array_equal(np.concatenate(lines), row)


def finished_off(line: Polyline, timing: Timing) -> float:
    """Largest distance of the finished path from the wanted line, in mm."""
    path = put_on_clock(line, timing)[0].path
    inner = LineString(np.column_stack([path.x_mm, path.y_mm]))
    return hausdorff_distance(drawn(line), inner, densify=0.005)


@pytest.mark.parametrize("tolerance", [0.01, 0.05, 0.2])
@pytest.mark.parametrize("sides", [3, 4, 5, 8])
def test_the_finished_path_keeps_the_tolerance_too(tolerance, sides):
    """Blend and smoothing together; and at a generous one, round is quicker than resting."""
    angle = 2 * math.pi * np.arange(sides + 1) / sides
    line = polyline(np.column_stack([15 * np.cos(angle), 15 * np.sin(angle)]), feed=80.0)
    timing = Timing(200.0, 5000.0, T, corner="round", corner_tolerance_mm=tolerance)
    assert finished_off(line, timing) <= tolerance * (1 + 1e-9)
    full = SAG_PER_T2 * T**2 * 5000.0
    assert timing.blend_mm == pytest.approx(tolerance - min(full, tolerance / 2))
    if tolerance >= 0.2 and sides > 3:
        quick = put_on_clock(line, timing)[0].path.t_s[-1]
        slow = put_on_clock(line, Timing(200.0, 5000.0, T))[0].path.t_s[-1]
        print(f"{sides} sides, {tolerance} mm: {quick:.3f} s, resting {slow:.3f} s")
        assert quick < slow


def test_round_corners_are_passed_within_the_acceleration():
    line = polyline([(0, 0), (10, 0), (10, 10), (18, 4), (0, -6)], feed=80.0)
    timing = Timing(200.0, 5000.0, T, corner="round", corner_tolerance_mm=0.3)
    smoothed, _ = put_on_clock(line, timing)
    assert smoothed.peak_acceleration_mm_s2 <= 5000.0 * (1 + 1e-6)
    motion = plan_motion(prepared(line, timing)[0], timing)
    inner = motion.speed_mm_s[2:, 0]
    assert inner.min() > 0.0  # at rest nowhere between


def test_round_and_its_tolerance_belong_together():
    with pytest.raises(InputError, match="belong together"):
        Timing(1.0, 1.0, 1.0, corner="round")
    with pytest.raises(InputError, match="belong together"):
        Timing(1.0, 1.0, 1.0, corner_tolerance_mm=0.1)
