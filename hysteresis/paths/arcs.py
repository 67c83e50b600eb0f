"""Circular arcs of a toolpath: centre, sweep and points on the arc.

Rules from NISTIR 6556 (2000), section 3.5.3: arcs are seen from +Z, G2 turns clockwise; in
centre form the two radii may differ by 0.002 mm (0.0002 inch); in radius form a positive
radius turns through 180 degrees or less, a negative one through 180 degrees or more, and an
end at the start is an error.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from hysteresis.tables import Floats, Ints

RADIUS_TOLERANCE_MM = 0.002  # NISTIR 6556, 3.5.3.2
RADIUS_TOLERANCE_INCH_MM = 0.0002 * 25.4  # the same, for a program in inches
CHORD_TOLERANCE_MM = 0.005  # largest distance between a chord and its arc
SAME_POINT_MM = 1e-7  # an end this near the start is the start: rounding of summed increments
LARGEST_STEP_RAD = math.pi / 4  # keeps tiny circles round


class Arc(NamedTuple):
    """An arc in the plane: centre, start and end radius (mm), start angle and sweep (rad).

    The sweep is positive counter-clockwise. The radii differ by no more than the tolerance;
    the points run from one to the other, so that the end is met exactly.
    """

    centre_x_mm: float
    centre_y_mm: float
    start_radius_mm: float
    end_radius_mm: float
    start_rad: float
    sweep_rad: float


class ArcFault(ValueError):
    """An arc that cannot be drawn; `mend` says how to mend the program."""

    def __init__(self, what: str, mend: str) -> None:
        super().__init__(what)
        self.what, self.mend = what, mend


def arc_about(
    x0: float, y0: float, x1: float, y1: float, i: float, j: float,
    *, clockwise: bool, tolerance_mm: float = RADIUS_TOLERANCE_MM,
) -> Arc:  # fmt: skip
    """Arc from (x0, y0) to (x1, y1) about the centre (x0 + i, y0 + j), all in mm.

    An end at the start is a full circle. Raises ArcFault where the radii differ.
    """
    cx, cy = x0 + i, y0 + j
    start, end = math.hypot(i, j), math.hypot(x1 - cx, y1 - cy)
    if start == 0.0:
        raise ArcFault("an arc of radius 0", "write the centre's offset from the start as I and J")
    if abs(start - end) > tolerance_mm:
        raise ArcFault(
            f"the radius is {start:.4f} mm at the start of the arc and {end:.4f} mm at its end, "
            f"more than {tolerance_mm:.4f} mm apart",
            "write I and J as offsets from the start of the arc, with more decimals",
        )
    a0 = math.atan2(-j, -i)
    if math.hypot(x1 - x0, y1 - y0) <= SAME_POINT_MM:
        sweep = 2.0 * math.pi
    else:
        sweep = (math.atan2(y1 - cy, x1 - cx) - a0) % (2.0 * math.pi)
        if clockwise:
            sweep = 2.0 * math.pi - sweep
    return Arc(cx, cy, start, end, a0, -sweep if clockwise else sweep)


def arc_of_radius(
    x0: float, y0: float, x1: float, y1: float, radius: float,
    *, clockwise: bool, tolerance_mm: float = RADIUS_TOLERANCE_MM,
) -> Arc:  # fmt: skip
    """Arc from (x0, y0) to (x1, y1) with a given radius (mm): the shorter way round for a positive
    radius, the longer way for a negative one.

    Raises ArcFault where the radius is 0 or shorter than half the chord, or where the end is the
    start, since any centre would do then.
    """
    r = abs(radius)
    dx, dy = x1 - x0, y1 - y0
    chord = math.hypot(dx, dy)
    if r == 0.0:
        raise ArcFault("an arc of radius 0", "write R as the radius of the arc")
    if chord <= SAME_POINT_MM:
        raise ArcFault(
            "an arc by radius whose end is its start: the centre could lie anywhere around it",
            "write a full circle with its centre, as I and J",
        )
    half = 0.5 * chord
    if half - r > tolerance_mm:
        raise ArcFault(
            f"a radius of {r:.4f} mm cannot span the {chord:.4f} mm to the end of the arc",
            f"write R as {half:.4f} mm or more",
        )
    rise = math.sqrt(max(r * r - half * half, 0.0))
    # The centre lies to the left of the chord for the shorter counter-clockwise arc.
    side = 1.0 if (radius > 0.0) != clockwise else -1.0
    cx = x0 + 0.5 * dx - side * rise * dy / chord
    cy = y0 + 0.5 * dy + side * rise * dx / chord
    a0, a1 = math.atan2(y0 - cy, x0 - cx), math.atan2(y1 - cy, x1 - cx)
    sweep = (a1 - a0) % (2.0 * math.pi)
    if clockwise:
        sweep = 2.0 * math.pi - sweep
    return Arc(
        cx, cy, math.hypot(x0 - cx, y0 - cy), math.hypot(x1 - cx, y1 - cy),
        a0, -sweep if clockwise else sweep,
    )  # fmt: skip


def chords_of(arc: Arc, tolerance_mm: float = CHORD_TOLERANCE_MM) -> int:
    """How many equal chords keep within `tolerance_mm` of the arc.

    The rise of a chord over the angle a is r (1 - cos(a/2)).
    """
    r = max(arc.start_radius_mm, arc.end_radius_mm)
    step = LARGEST_STEP_RAD
    if tolerance_mm < r:
        # 2 acos(1 - q) = 4 asin(sqrt(q / 2)), without the loss of digits at small q
        step = min(step, 4.0 * math.asin(math.sqrt(0.5 * tolerance_mm / r)))
    return max(1, math.ceil(abs(arc.sweep_rad) / step - 1e-9))


def points_on(arcs: Floats, chords: Ints) -> tuple[Floats, Floats]:
    """Points on many arcs at once.

    `arcs` is (n, 6), rows as `Arc`; `chords` is (n,). Returns x and y of the chords' ends, arc
    after arc, start points left out: chords.sum() values each, in mm.
    """
    which = np.repeat(np.arange(len(chords)), chords)
    first = np.cumsum(chords) - chords
    share = (np.arange(len(which)) - first[which] + 1) / chords[which]
    cx, cy, r0, r1, a0, sweep = arcs[which].T
    radius = r0 + share * (r1 - r0)
    angle = a0 + share * sweep
    return cx + radius * np.cos(angle), cy + radius * np.sin(angle)
