"""Curves of drawings as chords, none of them further from its curve than a tolerance.

Each function gives the ends of the chords, the start left out, as (n, 2) in the unit of its
input. The bounds are those of linear interpolation, |f''| h² / 8 over a step h, with |f''| bounded
by control points (a Bézier's or spline's second derivative lies in the hull of its own control
points), and the rise of a chord on a circle, r (1 - cos(h/2)), carried to an ellipse by the
affine map that makes it from a circle. All are textbook results, from memory.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from hysteresis.paths.arcs import LARGEST_STEP_RAD
from hysteresis.tables import Floats

MOST_CHORDS = 200_000  # of one curve


class TooManyChords(ValueError):
    """A curve that would need more chords than any drawing of a field does."""


def bezier_chords(control: Floats, tolerance: float) -> Floats:
    """Ends of the chords of a Bézier curve with these control points, (degree + 1, 2)."""
    degree = len(control) - 1
    count = 1
    if degree > 1:
        bend = degree * (degree - 1) * _longest(np.diff(control, 2, axis=0))
        count = _count(math.sqrt(bend / (8.0 * tolerance)))
    t = (np.arange(1, count + 1) / count)[:, None]
    points = np.repeat(control[None, :, :], count, axis=0)
    for _ in range(degree):  # de Casteljau: only convex combinations
        points = points[:, :-1] + t[:, :, None] * (points[:, 1:] - points[:, :-1])
    points[-1, 0] = control[-1]
    return points[:, 0, :]


def ellipse_chords(
    centre: Floats, u: Floats, v: Floats, start_rad: float, sweep_rad: float, tolerance: float
) -> Floats:
    """Ends of the chords of centre + u cos t + v sin t, over t from the start by the sweep.

    `u` and `v` are (2,), conjugate half-diameters; they need be neither equal nor at right angles.
    """
    largest = float(np.linalg.svd(np.array([u, v]), compute_uv=False)[0])
    step = LARGEST_STEP_RAD
    if tolerance < largest:
        step = min(step, 4.0 * math.asin(math.sqrt(0.5 * tolerance / largest)))
    count = _count(abs(sweep_rad) / step - 1e-9)
    t = start_rad + sweep_rad * np.arange(1, count + 1) / count
    return centre + np.cos(t)[:, None] * u + np.sin(t)[:, None] * v


def bulge_chords(start: Floats, end: Floats, bulge: float, tolerance: float) -> Floats:
    """Ends of the chords of an arc that turns by 4 atan(bulge), counter-clockwise above 0.

    A bulge is the rise of the arc over half its chord, taken to the right of the way; 0 is a line.
    """
    chord = end - start
    length = float(np.hypot(*chord))
    if bulge == 0.0 or length == 0.0 or abs(bulge) * length < 1e-3 * tolerance:
        return end[None, :].copy()
    # The centre lies to the left of the chord's middle by (1 - b²) / (4 b) of its length.
    left = np.array([-chord[1], chord[0]])
    centre = 0.5 * (start + end) + left * (1.0 - bulge * bulge) / (4.0 * bulge)
    u = start - centre
    points = ellipse_chords(
        centre, u, np.array([-u[1], u[0]]), 0.0, 4.0 * math.atan(bulge), tolerance
    )
    points[-1] = end
    return points


def spline_chords(
    control: Floats, knots: Floats, degree: int, weights: Floats | None, tolerance: float
) -> Floats:
    """Start and ends of the chords of a B-spline, over the span on which it is whole.

    `control` (n, 2), `knots` (n + degree + 1,), `weights` (n,) or None. Without weights every
    knot span is divided by the bound of the file's head. A rational one has no such simple bound:
    its spans are halved until no quarter point of a chord is further away than a quarter of the
    tolerance, from 8 chords per span on.
    """
    from scipy.interpolate import BSpline

    places = np.unique(knots[degree : len(control) + 1])
    # The end is met from the left: at a repeated knot scipy would look at an empty span.
    end = np.nextafter(places[-1], places[0])
    if weights is None or np.ptp(weights) == 0.0:
        curve = BSpline(knots, control, degree)
        counts = np.ones(len(places) - 1, dtype=np.int64)
        if degree > 1:
            bend = _bends(control, knots, degree, places)
            counts = np.ceil(np.diff(places) * np.sqrt(bend / (8.0 * tolerance))).astype(np.int64)
            counts = np.maximum(counts, 1)
        if not counts.sum() <= MOST_CHORDS:
            raise TooManyChords
        which = np.repeat(np.arange(len(counts)), counts)
        share = (np.arange(len(which)) - (np.cumsum(counts) - counts)[which]) / counts[which]
        t = np.append(places[which] + share * np.diff(places)[which], end)
        points: Floats = curve(t)
        return points
    lifted = BSpline(knots, np.column_stack([control * weights[:, None], weights]), degree)

    def at(t: Floats) -> Floats:
        value: Floats = lifted(t)
        flat: Floats = value[:, :2] / value[:, 2:]
        return flat

    t = np.unique(np.concatenate([np.linspace(a, b, 9) for a, b in pairwise(places)]))
    t[-1] = end
    while True:
        ends = at(t)
        far = np.zeros(len(t) - 1, dtype=bool)
        for part in (0.25, 0.5, 0.75):
            inner = at(t[:-1] + part * np.diff(t))
            far |= _from_chords(inner, ends[:-1], ends[1:]) > 0.25 * tolerance
        if not far.any():
            return ends
        t = np.sort(np.concatenate([t, (t[:-1] + 0.5 * np.diff(t))[far]]))
        if len(t) > MOST_CHORDS:
            raise TooManyChords


def _bends(control: Floats, knots: Floats, degree: int, places: Floats) -> Floats:
    """Bound of the second derivative on each knot span: (spans,)."""
    n = len(control)

    def derived(points: Floats, p: int, u: Floats) -> Floats:
        width = u[p + 1 : p + len(points)] - u[1 : len(points)]
        steps = np.diff(points, axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = p * steps / width[:, None]
        rate[width == 0.0] = 0.0  # a coefficient of no span
        return rate

    second = derived(derived(control, degree, knots), degree - 1, knots[1:-1])
    size = np.hypot(second[:, 0], second[:, 1])
    inner = knots[2 : len(knots) - 2]  # of a spline of degree - 2 with n - 2 coefficients
    low = degree - 2
    middle = 0.5 * (places[:-1] + places[1:])
    span = np.clip(np.searchsorted(inner, middle, side="right") - 1, low, n - 3)
    return np.array([size[k - low : k + 1].max() for k in span])


def _from_chords(points: Floats, a: Floats, b: Floats) -> Floats:
    """Distance of each point from the segment a to b, all (n, 2)."""
    way = b - a
    square = np.maximum((way**2).sum(axis=1), 1e-300)
    share = np.clip(((points - a) * way).sum(axis=1) / square, 0.0, 1.0)
    away = points - a - share[:, None] * way
    return np.hypot(away[:, 0], away[:, 1])


def _longest(vectors: Floats) -> float:
    return float(np.hypot(vectors[:, 0], vectors[:, 1]).max())


def _count(chords: float) -> int:
    if not chords <= MOST_CHORDS:  # NaN too
        raise TooManyChords
    return max(1, math.ceil(chords))
