"""The one curve behind a Bouc-Wen memory, as cubic pieces, with its derivatives by the shape.

Stretch in units of the limit and angle in units of the same length: along a run in one direction
v = z * way obeys dv/ds = h(v) (1 - c |v|^n), with c = `load` for v > 0 and c = `unload` for v < 0
(Bouc 1967, Wen 1976, normalised after Ikhouane & Rodellar 2007; from memory), and with the
pinching h(v) = 1 - depth exp(-(v / width)^2) (of the kind of Baber & Noori 1985; from memory).
So the angle of a given v is an integral, s(v) = int dv / F(v), which Gauss-Legendre quadrature
gives to rounding, and v(s) between two nodes is the cubic through exact values and slopes: its
error is h^4 / 384 |v''''|. Nodes lie where that stays below `TOLERANCE`. From the same integral,
dv/dp at fixed s is F(v) int F_p / F^2 dv.

Per node the table holds s, v and the cubic's coefficients, and apart from them the cubics of dv/dp
for sigma, exponent and depth.
"""

from __future__ import annotations

import math

import numpy as np

from hysteresis.kernels.compiled import compiled

VALUES = 5  # columns: s, v, the three coefficients after it
SLOPES = 12  # columns: four coefficients of dv by sigma, by exponent, by depth
CAPACITY = 6000  # nodes on one side of zero; a table takes some hundreds
TOLERANCE = 5e-12  # of the limit: value of a cubic between its nodes
SLOPE_SHARE = 5e-3  # TOLERANCE / 5e-3 is asked of the derivatives, singular at zero
UNSATURATED = 5e-12  # closer to the limit than this the curve is flat

# Gauss-Legendre of five points on (-1, 1): Abramowitz & Stegun, table 25.4 (closed form)
_NEAR = math.sqrt(5.0 - 2.0 * math.sqrt(10.0 / 7.0)) / 3.0
_FAR = math.sqrt(5.0 + 2.0 * math.sqrt(10.0 / 7.0)) / 3.0
NODES = np.array([-_FAR, -_NEAR, 0.0, _NEAR, _FAR])
_W_NEAR = (322.0 + 13.0 * math.sqrt(70.0)) / 900.0
_W_FAR = (322.0 - 13.0 * math.sqrt(70.0)) / 900.0
WEIGHTS = np.array([_W_FAR, _W_NEAR, 128.0 / 225.0, _W_NEAR, _W_FAR])


def _rate(p, log_p, c, n, depth, width):
    """h, exp(-(p / width)^2), p^n and 1 - c p^n, the last exact near the limit."""
    power = 0.0 if p == 0.0 else math.exp(n * log_p)
    left = -math.expm1(n * log_p) if c == 1.0 and p > 0.5 else 1.0 - c * power
    bell = math.exp(-((p / width) ** 2)) if depth != 0.0 else 0.0
    return 1.0 - depth * bell, bell, power, left


def _bend(p, h, bell, power, left, c, n, depth, width):
    """|d4v/ds4| and what the derivative by the exponent needs, whichever asks for more; and F'."""
    f = h * left
    w2 = width * width
    h1 = 2.0 * depth * bell * p / w2
    h2 = depth * bell * (2.0 - 4.0 * p * p / w2) / w2
    h3 = depth * bell * p * (8.0 * p * p / w2 - 12.0) / (w2 * w2)
    if p > 0.0:
        q1 = -c * n * power / p
        q2 = q1 * (n - 1.0) / p
        q3 = q2 * (n - 2.0) / p
        singular = SLOPE_SHARE * abs(c) * (3.0 * n * n + 2.0) * power / (p * p * p) * h**3 * f
    else:
        q1 = -c if n == 1.0 else 0.0
        q2 = q3 = singular = 0.0
    f1 = h1 * left + h * q1
    f2 = h2 * left + 2.0 * h1 * q1 + h * q2
    f3 = h3 * left + 3.0 * (h2 * q1 + h1 * q2) + h * q3
    return max(abs(f * (f * (f3 * f + 4.0 * f2 * f1) + f1 * f1 * f1)), singular), f1


def _place(x, saturates):
    """p, log p and dp/dx at the coordinate x: p itself, or -log(1 - p) on a side that saturates."""
    if saturates:
        u = math.exp(-x)
        p = -math.expm1(-x)
        return p, math.log1p(-u) if p > 0.5 else math.log(max(p, 1e-300)), u
    return x, math.log(max(x, 1e-300)), 1.0


def _ahead(x, end, step, saturates, c, n, depth, width):
    """Coordinate a length `step` of s further on (midpoint rule), at most `end`."""
    far = x
    for part in (0.5, 1.0):
        p, log_p, u = _place(far, saturates)
        h, _, _, left = _rate(p, log_p, c, n, depth, width)
        far = min(x + part * step * h * left / u, end)
    return far


def _march(c, d_c, n, depth, width, saturates, last_p, last_s, out):
    """Nodes of one side of zero, outwards: rows of `out` are s, p, F, then D and its slope by s
    for sigma, exponent, depth. Returns their number, 0 where `out` is too short."""
    x = s = 0.0
    j0 = j1 = j2 = 0.0
    grown = min(
        (TOLERANCE / (0.05 * abs(c) * (n - 1.0) * abs(n - 2.0) + 1e-9)) ** (1.0 / (n + 1.0)),
        (TOLERANCE / SLOPE_SHARE / (0.5 * abs(c) + 1e-9)) ** (1.0 / (n + 1.0)),
        0.01,
        0.02 * width if depth > 0.0 else 0.01,
    ) / (1.0 - depth)  # in v; the first length in s is as much longer as v is slower
    end = -math.log(UNSATURATED) if saturates else last_p
    for count in range(out.shape[0]):
        p, log_p, u = _place(x, saturates)
        h, bell, power, left = _rate(p, log_p, c, n, depth, width)
        f = h * left
        bend, f1 = _bend(p, h, bell, power, left, c, n, depth, width)
        row = out[count]
        row[0], row[1], row[2] = s, p, f
        row[3], row[4], row[5] = f * j0, f * j1, f * j2
        row[6] = f1 * row[3] - d_c * h * power
        row[7] = f1 * row[4] - (c * h * power * log_p if p > 0.0 else 0.0)
        row[8] = f1 * row[5] - bell * left
        if x >= end or s >= last_s:
            return count + 1
        step = min(grown, (384.0 * TOLERANCE / (bend + 1e-30)) ** 0.25, 0.03 / f)
        if saturates and n * u > 0.1:  # the knee is ahead
            step = min(step, 0.5 * u / f)
        far = _ahead(x, end, step, saturates, c, n, depth, width)
        p, log_p, _ = _place(far, saturates)
        h, bell, power, left = _rate(p, log_p, c, n, depth, width)
        bend, _ = _bend(p, h, bell, power, left, c, n, depth, width)
        asked = (384.0 * TOLERANCE / (bend + 1e-30)) ** 0.25
        if asked < step:  # by the far end
            step = asked
            far = _ahead(x, end, step, saturates, c, n, depth, width)
        grown = 1.6 * step
        middle, half = 0.5 * (x + far), 0.5 * (far - x)
        for k in range(NODES.size):
            p, log_p, u = _place(middle + half * NODES[k], saturates)
            h, bell, power, left = _rate(p, log_p, c, n, depth, width)
            ds = half * WEIGHTS[k] * u / (h * left)
            s += ds
            j0 -= ds * d_c * power / left
            j1 -= ds * c * power * log_p / left
            j2 -= ds * bell / h
        x = far
    return 0


def _cubic(h, a, slope_a, b, slope_b, row, at):
    """Coefficients after the constant of the cubic from a to b over the length h."""
    mean = (b - a) / h
    row[at] = slope_a
    row[at + 1] = (3.0 * mean - 2.0 * slope_a - slope_b) / h
    row[at + 2] = (slope_a + slope_b - 2.0 * mean) / (h * h)


def table(load, unload, exponent, depth, width, longest):
    """Values (nodes, 5), derivatives (nodes, 12) from unloading into loading, and zero's row.

    `load`, `unload`: the constants c on either side, d unload / d sigma = -2; `longest`: length
    of loading that is tabulated where it does not saturate before (in limits). No nodes where
    they ran out.
    """
    ahead = np.empty((CAPACITY, 9))
    back = np.empty((CAPACITY, 9))
    ups = _march(load, 0.0, exponent, depth, width, load == 1.0, np.inf, longest, ahead)
    downs = 0
    if ups > 0:
        highest = 1.0 if load == 1.0 and longest == np.inf else ahead[ups - 1, 1]
        downs = _march(unload, -2.0, exponent, depth, width, False, highest, np.inf, back)
    if downs == 0:
        return np.empty((0, VALUES)), np.empty((0, SLOPES)), 0
    zero = downs - 1
    nodes = np.empty((zero + ups, 9))
    for i in range(zero):  # from the far end of unloading: v = -p, and s runs backwards
        for j in range(9):
            nodes[i, j] = back[zero - i, j] if j == 2 or j > 5 else -back[zero - i, j]
    nodes[zero:] = ahead[:ups]
    value = np.zeros((nodes.shape[0], VALUES))
    slope = np.zeros((nodes.shape[0], SLOPES))
    for i in range(nodes.shape[0]):
        a, b = nodes[i], nodes[min(i + 1, nodes.shape[0] - 1)]
        h = b[0] - a[0]
        value[i, 0], value[i, 1] = a[0], a[1]
        if h > 0.0:
            _cubic(h, a[1], a[2], b[1], b[2], value[i], 2)
        elif load != 1.0 or 1.0 - a[1] > 2.0 * UNSATURATED:  # on along the tangent
            value[i, 2] = a[2]
        for j in range(3):
            slope[i, 4 * j] = a[3 + j]
            if h > 0.0:
                _cubic(h, a[3 + j], a[6 + j], b[3 + j], b[6 + j], slope[i], 4 * j + 1)
            elif value[i, 2] > 0.0:
                slope[i, 4 * j + 1] = a[6 + j]
    return value, slope, zero


_rate = compiled(_rate)
_bend = compiled(_bend)
_place = compiled(_place)
_ahead = compiled(_ahead)
_march = compiled(_march)
_cubic = compiled(_cubic)
table = compiled(table)
