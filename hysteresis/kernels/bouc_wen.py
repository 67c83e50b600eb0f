"""Bouc-Wen memory along the pieces of its table (`bouc_wen_table`); see `memory` for the contract.

Along a run in one direction z * way = L v(s), s = s_ref + |theta - theta_ref| / L, with L the limit
of the side z is on. At a reversal v becomes -v and s is found from it in the table; through zero
the other side's limit takes over. Torque is stiffness * z.

`shape` = header (below), then the table's values, then its derivatives, row by row; `z` (1,) the
stretch in full scale; `work` = angle and s of the anchor, L, row, s within the row at REF, stretch
at the start.
The store of derivatives: ds at the anchor for a fixed angle, and one row to work in.
Unknowns: stiffness, reach, sigma, exponent, asymmetry, pinching.
"""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.bouc_wen_table import SLOPES, VALUES
from hysteresis.kernels.compiled import compiled, inlined
from hysteresis.kernels.pieces import C0, C1, C2, C3, END, REF, WAY

# header: stiffness, limits of both sides, reach, row of zero, last row
STIFFNESS, UP, DOWN, REACH, ZERO, LAST = range(6)
HEADER = 6
ANGLE, S, LIMIT, ROW, WITHIN, START = range(6)
UNKNOWNS = 6
BY_REACH, BY_ASYMMETRY = 1, 4
BY_SHAPE = (2, 3, 5)  # sigma, exponent, pinching


def _find(shape, v):
    """Row whose piece holds v, and how far s is into it. Outside the table: its ends."""
    zero, last = int(shape[ZERO]), int(shape[LAST])
    if v >= shape[HEADER + VALUES * last + 1]:
        return last, 0.0
    if v <= shape[HEADER + 1]:
        return 0, 0.0
    low, high = (0, zero) if v < 0.0 else (zero, last)
    while high - low > 1:
        middle = (low + high) // 2
        if shape[HEADER + VALUES * middle + 1] <= v:
            low = middle
        else:
            high = middle
    at = HEADER + VALUES * low
    rise = v - shape[at + 1]
    length = shape[at + VALUES] - shape[at]
    g, c2, c3 = shape[at + 2], shape[at + 3], shape[at + 4]
    x = length * rise / (shape[at + VALUES + 1] - shape[at + 1])
    for _ in range(6):  # the piece is nearly straight: two or three do
        step = (x * (g + x * (c2 + x * c3)) - rise) / (g + x * (2.0 * c2 + 3.0 * x * c3))
        x = min(max(x - step, 0.0), length)
        if abs(step) <= 1e-15 * length:
            break
    return low, x


def _stretch(shape, work, piece, theta):
    """Stretch z at an angle on the piece."""
    if piece[WAY] == 0.0:
        return work[START]
    at = HEADER + VALUES * int(work[ROW])
    x = work[WITHIN] + piece[WAY] * (theta - piece[REF]) / work[LIMIT]
    value = shape[at + 1] + x * (shape[at + 2] + x * (shape[at + 3] + x * shape[at + 4]))
    return piece[WAY] * work[LIMIT] * value


def _side(shape, z, way):
    """Limit of the side that z is on, or moves into from zero."""
    return shape[UP] if z > 0.0 or (z == 0.0 and way > 0.0) else shape[DOWN]


def _fill(shape, work, piece, row, x, theta, way):
    """The piece of a table row, its origin at `theta`, where s is `x` into the row."""
    at = HEADER + VALUES * row
    k, limit = shape[STIFFNESS], work[LIMIT]
    g, c2, c3 = shape[at + 2], shape[at + 3], shape[at + 4]
    piece[REF] = theta
    piece[C0] = way * k * limit * (shape[at + 1] + x * (g + x * (c2 + x * c3)))
    piece[C1] = k * (g + x * (2.0 * c2 + 3.0 * x * c3))
    piece[C2] = way * k * (c2 + 3.0 * x * c3) / limit
    piece[C3] = k * c3 / (limit * limit)
    piece[WAY] = way
    piece[END] = way * np.inf
    if row < int(shape[LAST]):
        piece[END] = work[ANGLE] + way * limit * (shape[at + VALUES] - work[S])
    work[ROW], work[WITHIN] = row, x


def work_size(shape):
    """Length of the working array."""
    return 6


def begin(shape, z, theta, work, piece):
    """Working form of the stretch `z` at the angle `theta`; no direction yet."""
    work[START] = z[0]
    piece[REF] = theta
    piece[C0] = shape[STIFFNESS] * z[0]
    piece[C1] = piece[C2] = piece[C3] = 0.0
    piece[END] = theta
    piece[WAY] = 0.0


def turn(shape, work, piece, theta, way):
    """Motion begins or reverses at `theta`: s from the stretch."""
    z = _stretch(shape, work, piece, theta)
    work[LIMIT] = _side(shape, z, way)
    row, x = _find(shape, way * z / work[LIMIT])
    work[ANGLE] = theta
    work[S] = shape[HEADER + VALUES * row] + x
    _fill(shape, work, piece, row, x, theta, way)


def onward(shape, work, piece):
    """The next row of the table; at zero, the other side's limit."""
    row = int(work[ROW]) + 1
    at = piece[END]
    way = piece[WAY]
    if row == int(shape[ZERO]):
        work[ANGLE], work[S] = at, 0.0
        work[LIMIT] = _side(shape, 0.0, way)
    _fill(shape, work, piece, row, 0.0, at, way)


def _row_of(shape, row, s, last):
    """Last row from `row` on, at most `last`, that does not lie beyond s."""
    low, high, stride = row, row + 1, 1
    while high < last and shape[HEADER + VALUES * high] < s:
        low = high
        stride *= 2
        high = min(high + stride, last)
    if high >= last and shape[HEADER + VALUES * last] < s:
        return last
    while high - low > 1:
        middle = (low + high) // 2
        if shape[HEADER + VALUES * middle] < s:
            low = middle
        else:
            high = middle
    return low


def jump(shape, work, piece, theta):
    """The same as `onward` until the piece holds at `theta`, which lies beyond its end."""
    row, zero, last = int(work[ROW]), int(shape[ZERO]), int(shape[LAST])
    way = piece[WAY]
    s = work[S] + way * (theta - work[ANGLE]) / work[LIMIT]
    if row < zero and s > 0.0:
        work[ANGLE] += way * work[LIMIT] * (shape[HEADER + VALUES * zero] - work[S])
        work[S] = 0.0
        work[LIMIT] = _side(shape, 0.0, way)
        row = zero
        s = way * (theta - work[ANGLE]) / work[LIMIT]
    low = _row_of(shape, row, s, last)
    if low > int(work[ROW]):
        at = work[ANGLE] + way * work[LIMIT] * (shape[HEADER + VALUES * low] - work[S])
        _fill(shape, work, piece, low, 0.0, at, way)


def torque_block(shape, theta, before, z, out):
    """Torque along a path that comes from `before`; `z` is updated.

    On a smooth path a row of the table lasts for a few samples only: the row is walked along and
    its cubic read where it stands, and no piece is made of it.
    """
    k, zero, last = shape[STIFFNESS], int(shape[ZERO]), int(shape[LAST])
    stretch, way = z[0], 0.0
    row, limit, height, rate = 0, 1.0, 0.0, 0.0
    angle, s_there, s_end = before, 0.0, np.inf
    s_row = v = g = c2 = c3 = 0.0
    for n in range(theta.size):
        a = theta[n]
        move = a - before
        if move * way < 0.0 or (way == 0.0 and move != 0.0):
            way = 1.0 if move > 0.0 else -1.0
            limit = _side(shape, stretch, way)
            row, x = _find(shape, way * stretch / limit)
            angle, s_there = before, shape[HEADER + VALUES * row] + x
            height, rate = way * limit, way / limit
            at = HEADER + VALUES * row
            s_row, v, g, c2, c3 = (
                shape[at], shape[at + 1], shape[at + 2], shape[at + 3], shape[at + 4]
            )  # fmt: skip
            s_end = shape[at + VALUES] if row < last else np.inf
        s = s_there + (a - angle) * rate
        if s > s_end:
            if row < zero and s > 0.0:  # through zero: the other side's limit takes over
                angle -= height * s_there
                limit = _side(shape, 0.0, way)
                height, rate = way * limit, way / limit
                s_there, row = 0.0, zero
                s = (a - angle) * rate
            row += 1 if row < last and shape[HEADER + VALUES * (row + 1)] < s else 0
            if row < last and shape[HEADER + VALUES * (row + 1)] < s:
                row = _row_of(shape, row, s, last)
            at = HEADER + VALUES * row
            s_row, v, g, c2, c3 = (
                shape[at], shape[at + 1], shape[at + 2], shape[at + 3], shape[at + 4]
            )  # fmt: skip
            s_end = shape[at + VALUES] if row < last else np.inf
        if way != 0.0:
            x = s - s_row
            stretch = height * (v + x * (g + x * (c2 + x * c3)))
        out[n] = k * stretch
        before = a
    z[0] = stretch


def finish(shape, work, piece, theta, z):
    """Stretch at the angle `theta`, into `z`."""
    z[0] = _stretch(shape, work, piece, theta)


def carry_rows(shape):
    """One row is kept, one is for working."""
    return 2


def slope_begin(shape, z, theta, work, carry):
    """The state at the start is known."""
    carry[:, :] = 0.0


def _slope_of_s(shape, row, x):
    """dv/ds in a row's piece."""
    at = HEADER + VALUES * row
    return shape[at + 2] + x * (2.0 * shape[at + 3] + 3.0 * x * shape[at + 4])


def _by_shape(shape, row, x, j):
    """dv by sigma, exponent or depth (j = 0, 1, 2) at fixed s."""
    at = HEADER + VALUES * (int(shape[LAST]) + 1) + SLOPES * row + 4 * j
    return shape[at] + x * (shape[at + 1] + x * (shape[at + 2] + x * shape[at + 3]))


def _add_by_stretch(shape, work, piece, theta, carry, g, first, factor):
    """Add factor * (derivative of the stretch at a fixed angle) to g."""
    way = piece[WAY]
    if way == 0.0:
        return
    row, limit = int(work[ROW]), work[LIMIT]
    x = work[WITHIN] + way * (theta - piece[REF]) / limit
    slope = _slope_of_s(shape, row, x)
    by_s = factor * way * limit * slope
    for p in range(g.size):
        g[p] += by_s * carry[0, p]
    at = HEADER + VALUES * row
    v = shape[at + 1] + x * (shape[at + 2] + x * (shape[at + 3] + x * shape[at + 4]))
    by_limit = factor * way * (v - slope * (shape[at] + x - work[S]))
    side = way if row >= int(shape[ZERO]) else -way
    g[first + BY_REACH] += by_limit * limit / shape[REACH]
    g[first + BY_ASYMMETRY] += by_limit * side * shape[REACH]
    for j in range(3):
        g[first + BY_SHAPE[j]] += factor * way * limit * _by_shape(shape, row, x, j)


def slope_turn(shape, work, piece, theta, way, d_theta, carry, first):
    """s at the turn follows from the stretch there: s' = (v' - dv/dp) / (dv/ds)."""
    count = d_theta.size
    old = piece[WAY]
    dz = carry[1]
    dz[:] = 0.0
    _add_by_stretch(shape, work, piece, theta, carry, dz, first, 1.0)
    if old != 0.0:
        x = work[WITHIN] + old * (theta - piece[REF]) / work[LIMIT]
        tangent = _slope_of_s(shape, int(work[ROW]), x)
        for p in range(count):
            dz[p] += tangent * d_theta[p]
    z = _stretch(shape, work, piece, theta)
    limit = _side(shape, z, way)
    v = way * z / limit
    row, x = _find(shape, v)
    slope = _slope_of_s(shape, row, x)
    if not (slope > 0.0):  # at the limit, where the curve is flat
        carry[0, :] = 0.0
        return
    side = way if row >= int(shape[ZERO]) else -way
    for p in range(count):
        carry[0, p] = way * (dz[p] / slope - d_theta[p]) / limit
    carry[0, first + BY_REACH] -= v / (shape[REACH] * slope)
    carry[0, first + BY_ASYMMETRY] -= v * side * shape[REACH] / (limit * slope)
    for j in range(3):
        carry[0, first + BY_SHAPE[j]] -= _by_shape(shape, row, x, j) / slope


def slope_onward(shape, work, piece, carry, first):
    """Through zero the anchor moves there, and the other side's limit takes over."""
    zero = int(shape[ZERO])
    if int(work[ROW]) + 1 != zero:
        return
    way, limit = piece[WAY], work[LIMIT]
    gone = shape[HEADER + VALUES * zero] - work[S]
    carry[0, first + BY_REACH] -= gone / shape[REACH]
    carry[0, first + BY_ASYMMETRY] += gone * way * shape[REACH] / limit  # unloading: side = -way
    ratio = limit / _side(shape, 0.0, way)
    for p in range(carry.shape[1]):
        carry[0, p] *= ratio


def slope_at(shape, work, piece, theta, carry, g, first):
    """Add the derivative of the torque at a fixed angle: by own parameters and by the past."""
    g[first] += _stretch(shape, work, piece, theta)
    _add_by_stretch(shape, work, piece, theta, carry, g, first, shape[STIFFNESS])


_find = compiled(_find)
_stretch = compiled(_stretch)
_side = compiled(_side)
_fill = inlined(_fill)
work_size = compiled(work_size)
begin = compiled(begin)
turn = compiled(turn)
onward = inlined(onward)
_row_of = compiled(_row_of)
jump = inlined(jump)
torque_block = compiled(torque_block)
finish = compiled(finish)
carry_rows = compiled(carry_rows)
slope_begin = compiled(slope_begin)
_slope_of_s = compiled(_slope_of_s)
_by_shape = compiled(_by_shape)
_add_by_stretch = compiled(_add_by_stretch)
slope_turn = compiled(slope_turn)
slope_onward = compiled(slope_onward)
slope_at = compiled(slope_at)
