"""The clock against textbook kinematics: trapezoid and triangle of speed, v²/r on a circle."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.paths.rs274 import read_rs274
from hysteresis.paths.smoothing import SAG_PER_T2
from hysteresis.paths.timing import Timing, plan_motion, put_on_clock, timing_for
from hysteresis.tables import Polyline

T = 0.01
TIMING = Timing(travel_mm_s=200.0, acceleration_mm_s2=2000.0, kernel_s=T)


def polyline(points, feed=50.0, beam=True, dwell=0.0) -> Polyline:
    x, y = np.array(points, dtype=float).T
    n = len(x)
    feeds = np.broadcast_to(np.asarray(feed, dtype=float), n).copy()
    return Polyline(x, y, np.broadcast_to(beam, n).copy(), feeds, np.broadcast_to(dwell, n) + 0.0)


def textbook_s(length: float, feed: float, a: float) -> float:
    """Time of one move from rest to rest: trapezoid L/v + v/a, or triangle 2 sqrt(L/a)."""
    return length / feed + feed / a if length > feed * feed / a else 2 * math.sqrt(length / a)


@pytest.mark.parametrize("length", [0.001, 0.5, 1.25, 1.2501, 30.0, 80.0])
def test_one_move_takes_the_textbook_time(length):
    motion = plan_motion(polyline([(0, 0), (length, 0)]), TIMING)
    assert motion.end_s == pytest.approx(textbook_s(length, 50.0, 2000.0), rel=1e-12)


def test_corners_at_rest_add_up():
    square = [(0, 0), (20, 0), (20, 20), (0, 20), (0, 0)]
    motion = plan_motion(polyline(square), TIMING)
    assert motion.end_s == pytest.approx(4 * textbook_s(20, 50, 2000), rel=1e-12)
    smoothed, _ = put_on_clock(polyline(square), TIMING)
    assert smoothed.path.t_s[-1] == pytest.approx(motion.end_s + T, abs=T / 16)
    # the corner is met to the sag of both moves, a T² SAG each
    corner = np.hypot(smoothed.path.x_mm - 20, smoothed.path.y_mm - 20).min()
    assert corner < 2000 * T**2 * 0.01634 * math.sqrt(2)


@pytest.mark.parametrize("sides", [3, 4, 12, 20])
def test_bounded_corners_take_no_longer_and_keep_the_limit(sides):
    angle = 2 * math.pi * np.arange(sides + 1) / sides
    around = polyline(np.column_stack([20 * np.cos(angle), 20 * np.sin(angle)]))
    rest = Timing(200.0, 2000.0, 0.03)
    bounded = Timing(200.0, 2000.0, 0.03, corner="bounded")
    ratio = plan_motion(around, bounded).end_s / plan_motion(around, rest).end_s
    assert ratio <= 1 + 1e-12
    assert ratio < (0.95 if sides >= 12 else 2)
    smoothed, _ = put_on_clock(around, bounded)
    assert smoothed.peak_acceleration_mm_s2 <= 2000.0 * (1 + 1e-6)
    # each corner is met within the mean distance from it over the kernel's window
    for x, y in zip(around.x_mm[1:-1], around.y_mm[1:-1], strict=True):
        assert np.hypot(smoothed.path.x_mm - x, smoothed.path.y_mm - y).min() < 50 * 0.03 / 4


def test_waits_and_changes_of_the_beam_bring_the_spot_to_rest():
    straight = [(0, 0), (10, 0), (20, 0)]
    through = plan_motion(polyline(straight), TIMING).end_s
    assert through == pytest.approx(textbook_s(20, 50, 2000), rel=1e-12)
    waited = plan_motion(polyline(straight, dwell=[0, 0.7, 0]), TIMING).end_s
    assert waited == pytest.approx(2 * textbook_s(10, 50, 2000) + 0.7, rel=1e-12)
    switched = plan_motion(polyline(straight, beam=[True, True, False]), TIMING).end_s
    assert switched == pytest.approx(2 * textbook_s(10, 50, 2000), rel=1e-12)


def test_travel_speed_where_there_is_no_feed():
    line = polyline([(0, 0), (60, 0)], feed=np.nan, beam=False)
    assert plan_motion(line, TIMING).end_s == pytest.approx(textbook_s(60, 200, 2000), rel=1e-12)


def test_waits_hold_the_place_exactly_and_carry_their_beam():
    line = polyline(
        [(0, 0), (30, 5), (30, 5), (30, 5), (0, 0)],
        beam=[False, True, True, False, False], dwell=[0, 0, 0.3, 2.0, 0],
    )  # fmt: skip
    smoothed, row = put_on_clock(line, TIMING)
    arrive = textbook_s(math.hypot(30, 5), 50, 2000)
    t, path = smoothed.clock_s, smoothed.path
    parked = (t > arrive + T / 2 + 1e-9) & (t < arrive + 2.3 - T / 2 - 1e-9)
    np.testing.assert_allclose(path.x_mm[parked], 30.0, atol=1e-12)
    np.testing.assert_allclose(path.y_mm[parked], 5.0, atol=1e-12)
    off = t[1:][np.diff(path.beam)]
    np.testing.assert_allclose(off, [0.0, arrive + 0.3], atol=1e-9)
    assert set(row[(t > arrive + 0.31) & (t < arrive + 2.29)]) == {3}


def test_a_circle_runs_at_the_feed_or_at_what_the_acceleration_allows():
    """On a fine arc the limit is v² / r, within the share of it that turning may take."""
    program = "M3 F60000\nG0 X5\nG3 X5 I-5\n"
    line = read_rs274(program, chord_tolerance_mm=1e-5).polyline
    motion = plan_motion(line, TIMING)
    top = motion.speed_mm_s.max()
    chords = len(line) - 2
    half = math.pi / chords  # half the turn from chord to chord
    chord = 2 * 5 * math.sin(half)
    # what the limit leaves for turning beside 0.7 of it along the way
    share = math.sqrt(1 - (0.7 * math.cos(half)) ** 2) - 0.7 * math.sin(half)
    v = motion.speed_mm_s[2:, 0].max()
    # v²/r + (2/T) times the step of velocity at one vertex
    assert v**2 / 5 + 2 / T * v * chord / 5 == pytest.approx(2000 * share, rel=1e-9)
    assert v < math.sqrt(2000 * share * 5) < top
    smoothed, _ = put_on_clock(line, TIMING)
    assert smoothed.peak_acceleration_mm_s2 <= 2000 * 1.001
    slow = read_rs274("M3 F600\nG0 X5\nG3 X5 I-5").polyline
    assert plan_motion(slow, TIMING).speed_mm_s[2:, 1].max() == pytest.approx(10)


coordinates = st.integers(-3000, 3000).map(lambda k: k / 100)
vertices = st.lists(st.tuples(coordinates, coordinates), min_size=2, max_size=15)


@settings(max_examples=60, deadline=None)
@given(points=vertices, feed=st.floats(5, 300), corner=st.sampled_from(["rest", "bounded"]),
       data=st.data())  # fmt: skip
def test_way_speed_and_acceleration_of_any_polyline(points, feed, corner, data):
    n = len(points)
    beam = data.draw(st.lists(st.booleans(), min_size=n, max_size=n))
    dwell = data.draw(st.lists(st.sampled_from([0, 0, 0.05]), min_size=n, max_size=n))
    line = polyline(points, feed=feed, beam=np.array(beam), dwell=np.array(dwell))
    timing = Timing(200.0, 2000.0, T, corner=corner)
    motion = plan_motion(line, timing)

    # the way integrates: every vertex is met at its time
    arrive = motion.start_s[:, 3]
    x, y = motion.position(arrive)
    np.testing.assert_allclose(x, line.x_mm, atol=1e-7)
    np.testing.assert_allclose(y, line.y_mm, atol=1e-7)

    # speed: never above the feed; continuous along the way
    durations = np.diff(motion.start_s.ravel(), append=motion.end_s).reshape(-1, 4)
    assert (durations >= 0).all()
    ends = motion.speed_mm_s + motion.acceleration_mm_s2 * durations
    assert motion.speed_mm_s.max(initial=0) <= feed * (1 + 1e-9)
    assert ends.min() >= -1e-6
    busy = motion.length_mm > 0
    np.testing.assert_allclose(ends[busy, 0], motion.speed_mm_s[busy, 1], atol=1e-6)
    last = ends[busy, 2]
    np.testing.assert_allclose(last[:-1], motion.speed_mm_s[busy, 0][1:], atol=1e-5)

    # time: no less than at the feed, no more than from rest to rest everywhere
    lower = motion.length_mm.sum() / feed + sum(dwell)
    upper = sum(textbook_s(s, feed, 0.7 * 2000) for s in motion.length_mm if s > 0) + sum(dwell)
    assert lower - 1e-9 <= motion.end_s <= upper * (1 + 1e-9)

    if motion.end_s == 0:
        return
    smoothed, row = put_on_clock(line, timing)
    assert (np.diff(row) >= 0).all()
    assert smoothed.peak_speed_mm_s <= feed * (1 + 1e-6)
    assert smoothed.peak_acceleration_mm_s2 <= 2000 * (1 + 1e-6)
    # trace and travel keep their beam for their time
    path = smoothed.path
    on_s = np.diff(path.t_s)[path.beam[:-1]].sum()
    assert on_s == pytest.approx(durations.sum(axis=1)[np.array(beam)].sum(), abs=1e-7)


def test_settings_from_a_bench(bench):
    timing = timing_for(bench)
    assert timing.kernel_s == pytest.approx(2 / 150)
    assert timing.travel_mm_s == pytest.approx(0.1 * 60 * 50)
    assert timing.acceleration_mm_s2 * 4 * timing.kernel_s == pytest.approx(timing.travel_mm_s)
    assert timing_for(bench, travel_mm_s=80.0).travel_mm_s == 80.0


@pytest.mark.parametrize("name", ["travel_mm_s", "acceleration_mm_s2", "kernel_s"])
@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_settings_without_sense_are_refused(name, value):
    good = {"travel_mm_s": 1.0, "acceleration_mm_s2": 1.0, "kernel_s": 0.1}
    with pytest.raises(InputError, match=name):
        Timing(**(good | {name: value}))


def test_a_million_vertices_are_planned_in_seconds():
    import time

    rng = np.random.default_rng(0)
    line = polyline(np.cumsum(rng.normal(0, 0.01, (1_000_000, 2)), axis=0))
    start = time.process_time()
    plan_motion(line, TIMING)
    assert time.process_time() - start < 5.0


@settings(max_examples=150, deadline=None)
@given(
    points=vertices, feed=st.floats(5, 300), share=st.floats(0.05, 3.0),
    scale=st.sampled_from([0.02, 0.1, 1.0]), corner=st.sampled_from(["rest", "bounded"]),
)  # fmt: skip
def test_smoothing_stays_within_its_tolerance(points, feed, share, scale, corner):
    """The tolerance as a share of what the acceleration alone gives; places on the grid."""
    tolerance = share * SAG_PER_T2 * T**2 * 2000.0
    line = polyline(scale * np.array(points), feed=feed)
    smoothed, _ = put_on_clock(
        line, Timing(200.0, 2000.0, T, corner=corner, tolerance_mm=tolerance)
    )
    assert smoothed.deviation_mm <= tolerance * (1 + 1e-9)


@pytest.mark.parametrize("sides", [13, 20, 40, 100, 1000])
@pytest.mark.parametrize("radius", [0.05, 0.5, 5.0])
@pytest.mark.parametrize("share", [0.1, 1.0])
def test_smoothing_of_polygons_stays_within_its_tolerance(sides, radius, share):
    angle = 2 * math.pi * np.arange(3 * sides) / sides
    around = polyline(radius * np.column_stack([np.cos(angle), np.sin(angle)]))
    tolerance = share * SAG_PER_T2 * T**2 * 2000.0
    timing = Timing(200.0, 2000.0, T, corner="bounded", tolerance_mm=tolerance)
    smoothed, _ = put_on_clock(around, timing)
    assert smoothed.deviation_mm <= tolerance * (1 + 1e-9)
    # and is not kept by crawling: an arc that the feed allows uses what it may
    if sides >= 100 and radius == 0.5:
        assert smoothed.deviation_mm > 0.5 * tolerance


def test_travel_keeps_its_acceleration_where_the_beam_waits():
    line = polyline([(0, 0), (30, 0), (60, 0)], feed=np.nan, beam=np.array([True, True, False]))
    tight = {"tolerance_mm": 0.1 * SAG_PER_T2 * T**2 * 2000.0}
    for settle, expected in ((0.0, 200.0), (T / 2, 2000.0)):
        timing = Timing(200.0, 2000.0, T, settle_s=settle, settle_off_s=settle, **tight)
        motion = plan_motion(line, timing)
        assert motion.acceleration_mm_s2[1].max() == pytest.approx(200.0)
        assert motion.acceleration_mm_s2[2].max() == pytest.approx(expected)


@pytest.mark.parametrize("name", ["tolerance_mm", "jerk_mm_s3", "settle_s", "settle_off_s"])
@pytest.mark.parametrize("value", [-1.0, math.nan, math.inf])
def test_tolerances_and_waits_without_sense_are_refused(name, value):
    with pytest.raises(InputError, match=name):
        Timing(1.0, 1.0, 0.1, **{name: value})


@pytest.mark.parametrize("settings_", [
    {"tolerance_mm": 1e-6}, {"corner": "round", "corner_tolerance_mm": 2e-6},
])  # fmt: skip
def test_a_tolerance_that_would_take_for_ever_is_refused_with_the_least(settings_):
    with pytest.raises(InputError, match=r"for ever.*allow 3\.3e-05 mm") as caught:
        Timing(200.0, 2000.0, 0.01 * math.sqrt(10), **settings_)
    assert "bandwidth_hz" in str(caught.value)
    Timing(200.0, 2000.0, 0.01 * math.sqrt(10), tolerance_mm=3.4e-5)
