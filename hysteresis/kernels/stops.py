"""Maxwell-slip elements: parallel stops, the stop form of Prandtl-Ishlinskii.

One element holds `z`, its spring's stretch: `z <- clip(z + step, -limit, limit)` (play and stop
operators: Brokate & Sprekels, Visintin; from memory). Torque is `sum(stiffness * z)`.

Between events the sum is affine in the angle: an element either slips (z at its limit) or sticks
(z = angle - anchor). In every state that motion can make, anchors of neighbours differ by no more
than their limits do, so elements start to slip in the order of their limits and one pointer tells
who slips. Only elements that change state are touched: a sample costs the same for any number.

`shape` = number n, limits (n), stiffnesses (n); `z` (n,); `work` = pointer, anchors (n).

A path that reverses every few samples leaves no pieces worth the name: `clipped_block` then moves
every element at every sample, the definition itself, as vectors.
"""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.compiled import compiled, inlined, summing
from hysteresis.kernels.pieces import C0, C1, C2, C3, END, REF, WAY


def stretch_columns(theta, theta_before, limit, z):
    """Stretch of every element along a path, shape (samples, elements): columns of a linear fit."""
    out = np.empty((theta.size, z.size))
    before = theta_before
    for n in range(theta.size):
        step = theta[n] - before
        before = theta[n]
        for i in range(z.size):
            s = z[i] + step
            lim = limit[i]
            z[i] = lim if s > lim else (-lim if s < -lim else s)
            out[n, i] = z[i]
    return out


def work_size(shape):
    """Length of the working array."""
    return 1 + int(shape[0])


def begin(shape, z, theta, work, piece):
    """Working form of the stretches `z` at the angle `theta`; no direction yet."""
    n = int(shape[0])
    work[0] = 0.0
    total = 0.0
    for i in range(n):
        work[1 + i] = theta - z[i]
        total += shape[1 + n + i] * z[i]
    piece[REF] = theta
    piece[C0] = total
    piece[C1] = piece[C2] = piece[C3] = 0.0
    piece[END] = theta
    piece[WAY] = 0.0


def turn(shape, work, piece, theta, way):
    """Motion begins or reverses at `theta`: who slipped sticks from here on."""
    n = int(shape[0])
    a = int(work[0])
    old = piece[WAY]
    for i in range(a):
        work[1 + i] = theta - old * shape[1 + i]
    a = 0
    while a < n and way * (theta - work[1 + a]) >= shape[1 + a]:
        a += 1
    torque = 0.0
    tangent = 0.0
    for i in range(a):
        torque += way * shape[1 + n + i] * shape[1 + i]
    for i in range(a, n):
        torque += shape[1 + n + i] * (theta - work[1 + i])
        tangent += shape[1 + n + i]
    piece[REF] = theta
    piece[C0] = torque
    piece[C1] = tangent
    piece[END] = work[1 + a] + way * shape[1 + a] if a < n else way * np.inf
    piece[WAY] = way
    work[0] = a


def onward(shape, work, piece):
    """The next element starts to slip at the end of the piece."""
    n = int(shape[0])
    a = int(work[0])
    way = piece[WAY]
    at = piece[END]
    piece[C0] += piece[C1] * (at - piece[REF])
    piece[REF] = at
    a += 1
    piece[C1] = piece[C1] - shape[n + a] if a < n else 0.0
    piece[END] = work[1 + a] + way * shape[1 + a] if a < n else way * np.inf
    work[0] = a


def jump(shape, work, piece, theta):
    """The same as `onward` until the piece holds at `theta`, which lies beyond its end."""
    n = int(shape[0])
    a = int(work[0])
    way = piece[WAY]
    ref, c0, c1, end = piece[REF], piece[C0], piece[C1], piece[END]
    while way * (theta - end) > 0.0:
        c0 += c1 * (end - ref)
        ref = end
        a += 1
        if a < n:
            c1 -= shape[n + a]
            end = work[1 + a] + way * shape[1 + a]
        else:
            c1, end = 0.0, way * np.inf
    work[0] = a
    piece[REF], piece[C0], piece[C1], piece[END] = ref, c0, c1, end


def walk(shape, work, piece, theta, passed, s1, s2, s3, linear, known):
    """`onward` while s1 a + s2 a² + s3 a³ + linear (a - theta) + known + torque lies, at the end a
    of the piece, on the side where motion came from; the last such a less theta, or `passed`."""
    n = int(shape[0])
    a = int(work[0])
    way = piece[WAY]
    ref, c0, c1, end = piece[REF], piece[C0], piece[C1], piece[END]
    while a < n:
        at_end = c0 + c1 * (end - ref)
        value = end * (s1 + end * (s2 + end * s3)) + (linear * (end - theta) + known) + at_end
        if not way * value < 0.0:
            break
        passed = end - theta
        ref, c0 = end, at_end
        a += 1
        if a < n:
            c1 -= shape[n + a]
            end = work[1 + a] + way * shape[1 + a]
        else:
            c1, end = 0.0, way * np.inf
    work[0] = a
    piece[REF], piece[C0], piece[C1], piece[END] = ref, c0, c1, end
    return passed


def clipped_block(theta, before, limit, stiffness, z, out):
    """Torque along a path that comes from `before`, element by element; `z` is updated.

    The order of the sum is the compiler's, the same at every call.
    """
    for n in range(theta.size):
        step = theta[n] - before
        before = theta[n]
        total = 0.0
        for i in range(z.size):
            s = z[i] + step
            lim = limit[i]
            s = lim if s > lim else s
            s = -lim if s < -lim else s
            z[i] = s
            total += stiffness[i] * s
        out[n] = total


def finish(shape, work, piece, theta, z):
    """Stretches at the angle `theta`, into `z`."""
    way = piece[WAY]
    if way == 0.0:
        return
    a = int(work[0])
    for i in range(a):
        z[i] = way * shape[1 + i]
    for i in range(a, int(shape[0])):
        s = theta - work[1 + i]
        lim = shape[1 + i]
        z[i] = lim if s > lim else (-lim if s < -lim else s)


def carry_rows(shape):
    """Derivatives of every anchor, and their sum over the elements that stick."""
    return int(shape[0]) + 1


def slope_begin(shape, z, theta, work, carry):
    """The state at the start is known."""
    carry[:, :] = 0.0


def slope_turn(shape, work, piece, theta, way, d_theta, carry, first):
    """Elements that slipped stick at an anchor that moves with the angle of the reversal."""
    n = int(shape[0])
    slipped = int(work[0])
    for i in range(slipped):
        carry[i, :] = d_theta
    a = 0
    if slipped == 0:  # who is at its limit from the start, see `turn`
        while a < n and way * (theta - work[1 + a]) >= shape[1 + a]:
            a += 1
    total = carry[n]
    total[:] = 0.0
    for i in range(a, n):
        _add(shape[1 + n + i], carry[i], total)


def slope_onward(shape, work, piece, carry, first):
    """Who starts to slip loses its anchor."""
    n = int(shape[0])
    a = int(work[0])
    if a + 1 < n:
        _add(-shape[1 + n + a], carry[a], carry[n])
    else:
        carry[n, :] = 0.0


def _add(factor, row, total):
    """total += factor * row."""
    for p in range(total.size):
        total[p] += factor * row[p]


def slope_at(shape, work, piece, theta, carry, g, first):
    """Add the derivative of the torque at a fixed angle: by own stiffnesses and by the past."""
    n = int(shape[0])
    a = int(work[0])
    way = piece[WAY]
    own, anchor, limit = g[first : first + n], work[1 : 1 + n], shape[1 : 1 + n]
    for i in range(a):
        own[i] += way * limit[i]
    for i in range(a, n):
        own[i] += theta - anchor[i]
    _add(-1.0, carry[n], g)


stretch_columns = compiled(stretch_columns)
work_size = compiled(work_size)
begin = compiled(begin)
turn = compiled(turn)
onward = inlined(onward)
jump = compiled(jump)
walk = compiled(walk)
clipped_block = summing(clipped_block)
finish = compiled(finish)
carry_rows = compiled(carry_rows)
_add = compiled(_add)
slope_begin = compiled(slope_begin)
slope_turn = compiled(slope_turn)
slope_onward = compiled(slope_onward)
slope_at = compiled(slope_at)
