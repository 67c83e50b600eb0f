"""Chords stay within the tolerance of their curves: against dense evaluation and shapely."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BSpline

from hysteresis.paths.curves import (
    TooManyChords,
    bezier_chords,
    bulge_chords,
    ellipse_chords,
    spline_chords,
)

places = st.integers(-50_000, 50_000).map(lambda n: n / 1000)  # shapely divides by tiny lengths
points = st.tuples(places, places).map(np.array)
tolerances = st.sampled_from([0.001, 0.005, 0.1, 2.0])


def farthest(curve: np.ndarray, chords: np.ndarray) -> float:
    """Largest distance of the curve's points from the chords (shapely)."""
    line = shapely.LineString(chords) if len(chords) > 1 else shapely.Point(chords[0])
    return float(shapely.distance(shapely.points(curve), line).max())


def bernstein(control: np.ndarray, t: np.ndarray) -> np.ndarray:
    n = len(control) - 1
    return sum(
        math.comb(n, k) * (t**k * (1 - t) ** (n - k))[:, None] * control[k] for k in range(n + 1)
    )


@settings(deadline=None, max_examples=150)
@given(st.lists(points, min_size=3, max_size=4).map(np.array), tolerances)
def test_bezier(control, tolerance):
    chords = np.concatenate([control[:1], bezier_chords(control, tolerance)])
    assert (chords[-1] == control[-1]).all()
    assert farthest(bernstein(control, np.linspace(0, 1, 2001)), chords) <= tolerance + 1e-12


@settings(deadline=None, max_examples=150)
@given(points, points, points, st.floats(-7, 7), st.floats(-6.28, 6.28), tolerances)
def test_ellipse_of_any_two_conjugate_half_diameters(centre, u, v, start, sweep, tolerance):
    def at(t):
        return centre + np.cos(t)[:, None] * u + np.sin(t)[:, None] * v

    chords = np.concatenate(
        [at(np.array([start])), ellipse_chords(centre, u, v, start, sweep, tolerance)]
    )
    curve = at(start + sweep * np.linspace(0, 1, 2001))
    assert farthest(curve, chords) <= tolerance + 1e-9
    np.testing.assert_allclose(chords[-1], curve[-1], atol=1e-9)


@given(points, points, st.floats(-3, 3), tolerances)
def test_bulge_is_the_rise_over_half_the_chord(start, end, bulge, tolerance):
    """Geometry: all points lie on one circle, the middle of the arc rises bulge × chord/2 to the
    right of the way, and the way turns by 4 atan(bulge)."""
    chord = end - start
    length = np.hypot(*chord)
    if abs(bulge) < 0.01 or length < 0.1:
        return
    ends = np.concatenate([start[None], bulge_chords(start, end, bulge, 1e-4)])
    assert (ends[-1] == end).all()
    right = np.array([chord[1], -chord[0]]) / length
    rise = (ends - start) @ right
    furthest = rise[np.argmax(np.abs(rise))]
    assert furthest == pytest.approx(bulge * length / 2, abs=2e-4)
    radius = length * (1 + bulge**2) / (4 * abs(bulge))
    middle = 0.5 * (start + end) + right * (bulge * length / 2 - math.copysign(radius, bulge))
    np.testing.assert_allclose(np.hypot(*(ends - middle).T), radius, rtol=1e-9)
    steps = np.diff(ends, axis=0)
    turn = np.arctan2(
        steps[:-1, 0] * steps[1:, 1] - steps[:-1, 1] * steps[1:, 0],
        (steps[:-1] * steps[1:]).sum(axis=1),
    )
    n = len(steps)  # n chords of equal turn: n - 1 turns of 1/n each
    assert turn.sum() * n / max(n - 1, 1) == pytest.approx(4 * math.atan(bulge), rel=1e-6)


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 4), st.lists(points, min_size=6, max_size=9).map(np.array), tolerances,
       st.booleans(), st.integers(0, 2**32 - 1))  # fmt: skip
def test_splines_of_any_degree_clamped_or_not_with_double_knots(
    degree, control, tolerance, clamped, seed
):
    rng = np.random.default_rng(seed)
    n = len(control)
    knots = np.sort(rng.integers(0, 6, n + degree + 1)).astype(float)
    if clamped:
        inner = np.sort(rng.uniform(0, 1, n - degree - 1))
        knots = np.concatenate([np.zeros(degree + 1), inner, np.ones(degree + 1)])
    if knots[degree] >= knots[n]:
        return
    widths = knots[degree + 1 :] - knots[:n]
    if (widths[:n] == 0).any():
        return  # a coefficient of no span
    chords = spline_chords(control, knots, degree, None, tolerance)
    t = np.linspace(knots[degree], knots[n], 4001)[:-1]
    inside = ~np.isin(t, knots)
    curve = BSpline(knots, control, degree)(t[inside])
    if max(np.unique(knots[1:-1], return_counts=True)[1]) <= degree:  # the curve is continuous
        assert farthest(curve, chords) <= tolerance + 1e-9


def test_rational_spline_of_a_circle():
    """Nine weighted points give an exact circle (The NURBS Book, chapter 7; from memory)."""
    w = math.sqrt(0.5)
    control = np.array([[1, 0], [1, 1], [0, 1], [-1, 1], [-1, 0], [-1, -1], [0, -1], [1, -1],
                        [1, 0]], dtype=float) * 30  # fmt: skip
    weights = np.array([1, w, 1, w, 1, w, 1, w, 1])
    knots = np.array([0, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 4], dtype=float)
    chords = spline_chords(control, knots, 2, weights, 0.005)
    assert np.hypot(*chords.T) == pytest.approx(30, abs=1e-9)
    middles = 0.5 * (chords[1:] + chords[:-1])
    assert 30 - np.hypot(*middles.T).min() <= 0.005


def test_a_curve_beyond_all_bounds_is_refused():
    with pytest.raises(TooManyChords):
        bezier_chords(np.array([[0, 0], [1e12, 0], [0, 0.0]]), 1e-4)
    with pytest.raises(TooManyChords):
        bezier_chords(np.array([[0, 0], [np.nan, 0], [0, 0.0]]), 1e-4)
