"""One loop for every rate-independent memory: pieces of polynomial, joined at events.

`kind` says which family: a switch, because a compiled function that takes functions cannot be kept
on disk. A new family adds its branch to each switch here. See `pieces` for the piece.
"""

from __future__ import annotations

import numpy as np

from hysteresis.kernels import bouc_wen, everett, everett_path, everett_slopes, stops
from hysteresis.kernels.compiled import compiled, inlined
from hysteresis.kernels.pieces import BLOCK, C0, C1, C2, C3, END, PIECE_SIZE, REF, WAY

SLIP, PREISACH, BOUC_WEN = 0, 1, 2
_WORTH = 24  # samples from one reversal to the next from which pieces are the sooner way


def work_size(kind, shape):
    """Length of the working array of a memory."""
    if kind == SLIP:
        return stops.work_size(shape)
    if kind == PREISACH:
        return everett.work_size(shape)
    return bouc_wen.work_size(shape)


def begin(kind, shape, z, theta, work, piece):
    """Working form of the state `z` at the angle `theta`; no direction yet."""
    if kind == SLIP:
        stops.begin(shape, z, theta, work, piece)
    elif kind == PREISACH:
        everett.begin(shape, z, theta, work, piece)
    else:
        bouc_wen.begin(shape, z, theta, work, piece)


def turn(kind, shape, work, piece, theta, way):
    """Motion begins or reverses at `theta` into the direction `way`."""
    if kind == SLIP:
        stops.turn(shape, work, piece, theta, way)
    elif kind == PREISACH:
        everett.turn(shape, work, piece, theta, way)
    else:
        bouc_wen.turn(shape, work, piece, theta, way)


def onward(kind, shape, work, piece):
    """The piece's end is reached: the next one."""
    if kind == SLIP:
        stops.onward(shape, work, piece)
    elif kind == PREISACH:
        everett.onward(shape, work, piece)
    else:
        bouc_wen.onward(shape, work, piece)


def finish(kind, shape, work, piece, theta, z):
    """State at the angle `theta`, into `z`."""
    if kind == SLIP:
        stops.finish(shape, work, piece, theta, z)
    elif kind == PREISACH:
        everett.finish(shape, work, piece, theta, z)
    else:
        bouc_wen.finish(shape, work, piece, theta, z)


def carry_rows(kind, shape):
    """Rows of the store of derivatives."""
    if kind == SLIP:
        return stops.carry_rows(shape)
    if kind == PREISACH:
        return everett_slopes.carry_rows(shape)
    return bouc_wen.carry_rows(shape)


def slope_begin(kind, shape, z, theta, work, carry):
    """Derivatives at the start."""
    if kind == SLIP:
        stops.slope_begin(shape, z, theta, work, carry)
    elif kind == PREISACH:
        everett_slopes.slope_begin(shape, z, theta, work, carry)
    else:
        bouc_wen.slope_begin(shape, z, theta, work, carry)


def slope_turn(kind, shape, work, piece, theta, way, d_theta, carry, first):
    """Called just before `turn`."""
    if kind == SLIP:
        stops.slope_turn(shape, work, piece, theta, way, d_theta, carry, first)
    elif kind == PREISACH:
        everett_slopes.slope_turn(shape, work, piece, theta, way, d_theta, carry, first)
    else:
        bouc_wen.slope_turn(shape, work, piece, theta, way, d_theta, carry, first)


def slope_onward(kind, shape, work, piece, carry, first):
    """Called just before `onward`."""
    if kind == SLIP:
        stops.slope_onward(shape, work, piece, carry, first)
    elif kind == PREISACH:
        everett_slopes.slope_onward(shape, work, piece, carry, first)
    else:
        bouc_wen.slope_onward(shape, work, piece, carry, first)


def slope_at(kind, shape, work, piece, theta, carry, g, first):
    """Add the derivative of the torque at a fixed angle to `g`."""
    if kind == SLIP:
        stops.slope_at(shape, work, piece, theta, carry, g, first)
    elif kind == PREISACH:
        everett_slopes.slope_at(shape, work, piece, theta, carry, g, first)
    else:
        bouc_wen.slope_at(shape, work, piece, theta, carry, g, first)


def reach(kind, shape, work, piece, before, theta):
    """Follow the angle from `before` to `theta`: afterwards the piece holds at `theta`."""
    move = theta - before
    if move == 0.0:
        return
    way = 1.0 if move > 0.0 else -1.0
    if piece[WAY] != way:
        turn(kind, shape, work, piece, before, way)
    if not way * (theta - piece[END]) > 0.0:
        return
    if kind == SLIP:
        stops.jump(shape, work, piece, theta)
    elif kind == PREISACH:
        everett.jump(shape, work, piece, theta)
    else:
        bouc_wen.jump(shape, work, piece, theta)


def torque_of(piece, theta):
    """Torque of the piece at `theta`."""
    d = theta - piece[REF]
    return piece[C0] + d * (piece[C1] + d * (piece[C2] + d * piece[C3]))


def tangent_of(piece, theta):
    """Derivative of the piece's torque at `theta`."""
    d = theta - piece[REF]
    return piece[C1] + d * (2.0 * piece[C2] + 3.0 * d * piece[C3])


def restless(theta):
    """Whether a path reverses, or sets out anew, so often that pieces do not pay."""
    starts = 0
    for n in range(2, theta.size):
        last, move = theta[n - 1] - theta[n - 2], theta[n] - theta[n - 1]
        starts += (move * last < 0.0) | ((last == 0.0) & (move != 0.0))
    return _WORTH * starts > theta.size


def block_on_pieces(kind, shape, theta, before, z, work, piece, out):
    """Torque along a path that comes from `before`, piece by piece; `z` is updated."""
    begin(kind, shape, z, before, work, piece)
    ref, c0, c1, c2, c3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
    low = high = before
    up = True
    for n in range(theta.size):
        a = theta[n]
        # one comparison on either side: neither back nor beyond the end
        if not (low <= a <= high):
            reach(kind, shape, work, piece, before, a)
            ref, c0, c1, c2, c3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
            low = high = piece[END]
            up = piece[WAY] > 0.0
        d = a - ref
        out[n] = c0 + d * (c1 + d * (c2 + d * c3))
        before = a
        low = a if up else low
        high = high if up else a
    finish(kind, shape, work, piece, before, z)


def torque_path(kind, shape, theta, theta_before, z, work):
    """Torque along a path of the angle; `z` is updated in place.

    How a block is gone through depends on its own samples alone, and the state between blocks is
    the canonical one: a path in blocks is the path in one pass.
    """
    out = np.empty(theta.size)
    piece = np.zeros(PIECE_SIZE)
    before = theta_before
    n = int(shape[0])
    for first in range(0, theta.size, BLOCK):
        last = min(first + BLOCK, theta.size)
        path, torque = theta[first:last], out[first:last]
        if kind == BOUC_WEN:
            bouc_wen.torque_block(shape, path, before, z, torque)
        elif not restless(path):
            block_on_pieces(kind, shape, path, before, z, work, piece, torque)
        elif kind == PREISACH:
            everett_path.torque_block(shape, path, before, z, work, torque)
        else:
            stops.clipped_block(path, before, shape[1 : 1 + n], shape[1 + n :], z, torque)
        before = theta[last - 1]
    return out


def tangent_at(kind, shape, theta, theta_before, z, work):
    """Derivative of the torque by the newest angle after a step; the state is left alone."""
    piece = np.zeros(PIECE_SIZE)
    begin(kind, shape, z, theta_before, work, piece)
    if theta == theta_before:  # no direction: that of a first small move upwards
        turn(kind, shape, work, piece, theta, 1.0)
    else:
        reach(kind, shape, work, piece, theta_before, theta)
    return tangent_of(piece, theta)


work_size = compiled(work_size)
begin = compiled(begin)
turn = compiled(turn)
onward = inlined(onward)
finish = compiled(finish)
carry_rows = compiled(carry_rows)
slope_begin = compiled(slope_begin)
slope_turn = compiled(slope_turn)
slope_onward = compiled(slope_onward)
slope_at = compiled(slope_at)
reach = compiled(reach)
torque_of = compiled(torque_of)
tangent_of = compiled(tangent_of)
restless = compiled(restless)
block_on_pieces = compiled(block_on_pieces)
torque_path = compiled(torque_path)
tangent_at = compiled(tangent_at)
