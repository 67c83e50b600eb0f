"""Limits of speed, acceleration and jerk along any toolpath, measured by differences."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.paths.jerk import seven_segments
from hysteresis.paths.timing import Timing, plan_motion, prepared, put_on_clock
from hysteresis.tables import Polyline

A, J = 2000.0, 1e5
TIMING = Timing(200.0, A, 0.01, jerk_mm_s3=J)


def polyline(points, feed=50.0, beam=True, dwell=0.0) -> Polyline:
    x, y = np.array(points, dtype=float).T
    n = len(x)
    feeds = np.broadcast_to(np.asarray(feed, dtype=float), n).copy()
    return Polyline(x, y, np.broadcast_to(beam, n).copy(), feeds, np.broadcast_to(dwell, n) + 0.0)


limits = st.floats(1e-3, 1e4)


@settings(max_examples=300, deadline=None)
@given(length=st.floats(1e-6, 1e3), v=limits, a=limits, j=limits)
def test_any_move_keeps_its_limits_and_meets_its_length(length, v, a, j):
    move = seven_segments(length, v, a, j)
    t = np.linspace(0, move.end_s, 501)
    s, speed, acceleration = move.motion(t)
    assert speed.max() <= v * (1 + 1e-12)
    assert np.abs(acceleration).max() <= a * (1 + 1e-12)
    assert np.abs(np.diff(acceleration)).max() <= j * (t[1] - t[0]) * (1 + 1e-9) + 1e-12 * a
    np.testing.assert_allclose(s + s[::-1], length, rtol=0, atol=1e-9 * length)  # symmetric
    assert s[0] == 0 and s[-1] == pytest.approx(length, rel=1e-12)
    # what is not the limit of one of the three would be a slower move
    if move.keep_s > 0:
        assert move.peak_speed_mm_s == pytest.approx(v, rel=1e-9)
    elif move.rise_s > 2 * move.change_s * (1 + 1e-9):
        assert move.peak_acceleration_mm_s2 == pytest.approx(a, rel=1e-9)


def test_a_large_jerk_is_the_trapezoid():
    move = seven_segments(30.0, 50.0, 2000.0, 1e12)
    assert move.end_s == pytest.approx(30 / 50 + 50 / 2000, rel=1e-7)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_moves_without_sense_are_refused(bad):
    with pytest.raises(InputError, match="above 0"):
        seven_segments(1.0, 1.0, bad, 1.0)


def test_one_move_of_a_path_is_the_closed_form():
    for length in (0.01, 0.4, 3.0, 40.0):
        motion = plan_motion(polyline([(0, 0), (0.6 * length, 0.8 * length)]), TIMING)
        move = seven_segments(length, 50.0, A, J)
        assert motion.end_s == pytest.approx(move.end_s, rel=1e-14)
        t = np.linspace(0, move.end_s, 99)
        x, y = motion.position(t)
        np.testing.assert_allclose(np.hypot(x, y), move.motion(t)[0], atol=1e-13 * length)


def test_vertices_on_a_straight_line_change_nothing():
    """Shared out among rows, one profile stays what it is: 1e-9 mm is far below the step that a
    wrong phase would make, and above what the time of a vertex, found by Newton, leaves."""
    whole = plan_motion(polyline([(0, 0), (20, 0)]), TIMING)
    cuts = np.sort(np.random.default_rng(2).uniform(0, 20, 200))
    points = np.column_stack([np.concatenate([[0], cuts, [20]]), np.zeros(202)])
    parts = plan_motion(polyline(points), TIMING)
    assert parts.end_s == pytest.approx(whole.end_s, rel=1e-12)
    t = np.linspace(0, whole.end_s, 1001)
    np.testing.assert_allclose(parts.position(t)[0], whole.position(t)[0], atol=1e-9)


coordinates = st.integers(-3000, 3000).map(lambda k: k / 100)
vertices = st.lists(st.tuples(coordinates, coordinates), min_size=2, max_size=12)


@settings(max_examples=60, deadline=None)
@given(points=vertices, feed=st.floats(5, 300), data=st.data())
def test_speed_acceleration_and_jerk_along_any_path(points, feed, data):
    n = len(points)
    beam = data.draw(st.lists(st.booleans(), min_size=n, max_size=n))
    dwell = data.draw(st.lists(st.sampled_from([0, 0, 0.05]), min_size=n, max_size=n))
    feeds = data.draw(st.lists(st.sampled_from([feed, 0.5 * feed]), min_size=n, max_size=n))
    motion = plan_motion(polyline(points, feeds, np.array(beam), np.array(dwell)), TIMING)
    lasts = np.diff(motion.start_s.ravel(), append=motion.end_s).reshape(-1, 8)
    assert (lasts >= 0).all()
    a1 = motion.acceleration_mm_s2 + lasts * motion.jerk_mm_s3
    v1 = motion.speed_mm_s + lasts * (motion.acceleration_mm_s2 + 0.5 * lasts * motion.jerk_mm_s3)
    assert np.abs(motion.jerk_mm_s3).max(initial=0) <= J
    assert max(np.abs(motion.acceleration_mm_s2).max(), np.abs(a1).max()) <= A * (1 + 1e-9)
    assert max(motion.speed_mm_s.max(), v1.max()) <= feed * (1 + 1e-9)
    # speed and acceleration go on from each phase that lasts to the next; those of less than
    # 1 ns, up to eight between, are left out, and change the acceleration by J · 1 ns each
    busy = np.flatnonzero(lasts.ravel() > 1e-9)
    for ends, starts in ((v1, motion.speed_mm_s), (a1, motion.acceleration_mm_s2)):
        np.testing.assert_allclose(
            ends.ravel()[busy[:-1]], starts.ravel()[busy[1:]], atol=8 * J * 1e-9
        )
    x, y = motion.position(motion.start_s[:, 7])
    np.testing.assert_allclose(x, [p[0] for p in points], atol=1e-7)
    np.testing.assert_allclose(y, [p[1] for p in points], atol=1e-7)


def test_the_finished_path_has_less_jerk_than_the_trapezoid():
    line = polyline([(0, 0), (10, 0), (10, 10), (0, 0)], feed=100.0)
    third = {}
    for name, timing in (("steps", Timing(200.0, A, 0.01)), ("bounded", TIMING)):
        smoothed, _ = put_on_clock(line, timing)
        even = np.interp(np.arange(0, smoothed.path.t_s[-1], 0.01 / 16),
                         smoothed.path.t_s, smoothed.path.x_mm)  # fmt: skip
        third[name] = np.abs(np.diff(even, 3)).max() / (0.01 / 16) ** 3
    assert third["bounded"] <= J * (1 + 1e-6) < third["steps"]


def check_limits(motion, limit, jerk):
    lasts = np.diff(motion.start_s.ravel(), append=motion.end_s).reshape(-1, 8)
    assert (lasts >= 0).all()
    a1 = motion.acceleration_mm_s2 + lasts * motion.jerk_mm_s3
    v1 = motion.speed_mm_s + lasts * (motion.acceleration_mm_s2 + 0.5 * lasts * motion.jerk_mm_s3)
    assert np.abs(motion.jerk_mm_s3).max(initial=0) <= jerk
    assert max(np.abs(motion.acceleration_mm_s2).max(), np.abs(a1).max()) <= limit * (1 + 1e-9)
    assert v1.min() >= -1e-6
    busy = np.flatnonzero(lasts.ravel() > 1e-9)
    for ends, starts in ((v1, motion.speed_mm_s), (a1, motion.acceleration_mm_s2)):
        np.testing.assert_allclose(
            ends.ravel()[busy[:-1]], starts.ravel()[busy[1:]], atol=8 * jerk * 1e-9
        )
    x, y = motion.position(motion.start_s[:, 7])
    np.testing.assert_allclose(x, motion.polyline.x_mm, atol=1e-7)
    np.testing.assert_allclose(y, motion.polyline.y_mm, atol=1e-7)


@settings(max_examples=150, deadline=None)
@given(
    turns=st.lists(st.floats(-0.25, 0.25), min_size=2, max_size=25),
    sizes=st.lists(st.floats(-2, 1.5), min_size=25, max_size=25),
    straight=st.lists(st.booleans(), min_size=25, max_size=25),
    jerk=st.sampled_from([2e4, 1e5, 1e6]), feed=st.floats(5, 300),
)  # fmt: skip
def test_sections_between_gentle_turns_keep_the_limits(turns, sizes, straight, jerk, feed):
    n = len(turns)
    angle = np.cumsum(np.where(straight[:n], 0.0, turns))
    way = 10.0 ** np.array(sizes[:n])
    points = np.vstack([[(0, 0)], np.cumsum(
        np.column_stack([way * np.cos(angle), way * np.sin(angle)]), axis=0)])  # fmt: skip
    line = polyline(points, feed)
    timing = Timing(200.0, A, 0.01, jerk_mm_s3=jerk)
    motion = plan_motion(line, timing)
    check_limits(motion, A, jerk)
    assert motion.speed_mm_s.max() <= feed * (1 + 1e-9)
    smoothed, _ = put_on_clock(line, timing)
    assert smoothed.peak_acceleration_mm_s2 <= A * (1 + 1e-6)
    steps = plan_motion(line, Timing(200.0, A, 0.01))
    assert motion.end_s >= steps.end_s * (1 - 1e-9)  # a further limit costs time


def test_a_contour_with_round_corners_does_not_crawl_along_its_sides():
    square = polyline([(0, 0), (20, 0), (20, 20), (0, 20), (0, 0)], feed=80.0)
    settings_ = {"corner": "round", "corner_tolerance_mm": 0.1}
    timing = Timing(200.0, 5000.0, 0.01, jerk_mm_s3=5e5, **settings_)
    motion = plan_motion(prepared(square, timing)[0], timing)
    check_limits(motion, 5000.0, 5e5)
    assert motion.speed_mm_s.max() == pytest.approx(80.0)
    steps = plan_motion(prepared(square, timing)[0], Timing(200.0, 5000.0, 0.01, **settings_))
    print(f"jerk limited {motion.end_s:.3f} s, without {steps.end_s:.3f} s")
    assert steps.end_s < motion.end_s < 1.15 * steps.end_s
