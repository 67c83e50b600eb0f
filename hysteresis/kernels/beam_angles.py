"""Spot to deflections for whole blocks: the inverse optics in a form that compiles to vectors.

The same equations as `optics.deflection_from_spot` with two divisions and one root in all. A tilted
plane gives `x w = X + x0`, `y w = Y + y0` with `w = 1 + g X + h Y`; put together,
`w (1 - g x - h y) = 1 - g x0 - h y0`, so X and Y are numerators over one common denominator, which
the two quotients `Y / d` and `X / (e + sqrt(d² + Y²))` take up before they are divided.

No branch and no call within the loop: the arc tangent is a polynomial after the usual reduction
by 45° and 90° (tan(a - 45°) = (t - 1) / (t + 1); textbook).
"""

from __future__ import annotations

import math

import numpy as np

from hysteresis.kernels.compiled import compiled, inlined

# `packed`: X_BY_A … turn beam angles into deflections (full scale, inverse coupling)
DISTANCE, GAP, OFFSET_X, OFFSET_Y, TILT_X, TILT_Y = range(6)
X_BY_A, X_BY_B, Y_BY_A, Y_BY_B, PLANE = range(6, 11)

_TAN_22 = math.sqrt(2.0) - 1.0  # tan 22.5°
_TAN_67 = math.sqrt(2.0) + 1.0  # tan 67.5°
_HALF_PI, _QUARTER_PI = 0.5 * math.pi, 0.25 * math.pi
# atan(t)/t in powers of t² on |t| <= tan 22.5°: the polynomial through 11 Chebyshev nodes, computed
# in 80 digits; it is within 3.5e-17 of the function (tests/test_pre_distortion.py compares)
_C0, _C1, _C2, _C3 = 1.0, -0.3333333333332844, 0.1999999999885511, -0.14285714180976467
_C4, _C5, _C6 = 0.11111106180455946, -0.09090773074808414, 0.07689953496306857
_C7, _C8, _C9 = -0.06640233930429408, 0.056883492268090106, -0.04348052215716462
_C10 = 0.021135373157693246


def angle_of(rise, run):
    """atan(rise / run) for run >= 0, within 3e-16; no branch."""
    size = abs(rise)
    steep = size > _TAN_67 * run
    middle = size > _TAN_22 * run
    top = -run if steep else (size - run if middle else size)
    bottom = size if steep else (size + run if middle else run)
    base = _HALF_PI if steep else (_QUARTER_PI if middle else 0.0)
    t = top / bottom
    s = t * t
    p = _C7 + s * (_C8 + s * (_C9 + s * _C10))
    p = _C3 + s * (_C4 + s * (_C5 + s * (_C6 + s * p)))
    p = s * (_C1 + s * (_C2 + s * p))
    return math.copysign(base + (t + t * p), rise)


def deflections(x, y, optics, theta_x, theta_y):
    """Fill both deflections (full scale) that put the spot at `x`, `y` (mm)."""
    d, e = optics[DISTANCE], optics[GAP]
    x0, y0, g, h = optics[OFFSET_X], optics[OFFSET_Y], optics[TILT_X], optics[TILT_Y]
    xa, xb, ya, yb = optics[X_BY_A], optics[X_BY_B], optics[Y_BY_A], optics[Y_BY_B]
    plane = optics[PLANE]
    for n in range(x.size):
        common = 1.0 - g * x[n] - h * y[n]
        rise_x = math.copysign(1.0, common) * (plane * x[n] - x0 * common)
        rise_y = math.copysign(1.0, common) * (plane * y[n] - y0 * common)
        common = abs(common)
        run = d * common
        b = angle_of(rise_y, run)
        a = angle_of(rise_x, e * common + math.sqrt(run * run + rise_y * rise_y))
        theta_x[n] = xa * a + xb * b
        theta_y[n] = ya * a + yb * b


def packed(distance, gap, full_x, full_y, coupling_xy, coupling_yx, x0, y0, g, h):
    """The optics of a rig as one array, in the order of the names above."""
    own = 1.0 - coupling_xy * coupling_yx
    a, b = 1.0 / (2.0 * full_x * own), 1.0 / (2.0 * full_y * own)
    return np.array([
        distance, gap, x0, y0, g, h,
        a, -coupling_xy * b, -coupling_yx * a, b, 1.0 - g * x0 - h * y0,
    ])  # fmt: skip


angle_of = inlined(angle_of)
deflections = compiled(deflections)
