"""Wanted spots to drives, all passes in one: blocks that stay in the cache, no step in between.

The equations are those of `optics.deflection_from_spot` and `torque_balance.drive_from_deflection`
on an even clock. Per block of BLOCK samples and axis: spot -> angle (`beam_angles`) -> pieces of
the memory, sixteen samples at a time wherever no event falls among them -> Maxwell branches as
matrix products -> spring, damping and inertia -> drive. States are those of the torque balance, so
either can go on where the other stopped. Nothing is divided or allocated per sample.
"""

from __future__ import annotations

import math

import numpy as np

from hysteresis.kernels import memory
from hysteresis.kernels.beam_angles import deflections
from hysteresis.kernels.compiled import compiled
from hysteresis.kernels.maxwell_branches import (
    ROW,
    fill_matrices,
    step_coefficients,
    torque_rows,
)
from hysteresis.kernels.pieces import BLOCK, C0, C1, C2, C3, END, PIECE_SIZE, REF, WAY
from hysteresis.kernels.torque_balance import HEAD

CHUNK = 32  # samples that are looked at together for events


def chunk_with_events(theta, delta, c, count, before, kind, shape, work, piece, out):
    """Torque of the memory at the first `count` samples of chunk `c`, one by one."""
    ref, c0, c1, c2, c3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
    way, end = piece[WAY], piece[END]
    for i in range(count):
        a = theta[c, i]
        move = delta[c, i]
        if move * way < 0.0 or way * (a - end) > 0.0 or (way == 0.0 and move != 0.0):
            memory.reach(kind, shape, work, piece, before, a)
            ref, c0, c1, c2, c3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
            way, end = piece[WAY], piece[END]
        d = a - ref
        out[c, i] = c0 + d * (c1 + d * (c2 + d * c3))
        before = a


def memory_block(theta, delta, size, before, kind, shape, z, work, piece, out):
    """Torque of the memory at `size` samples; `z` is updated.

    `theta`, `delta` (what leads to theta) and `out` are (chunks, CHUNK), filled row by row. A
    chunk that stays on one piece is one polynomial; only where an event falls is it looked at
    sample by sample. (Loops over a width that the compiler does not know become vectors.)
    """
    memory.begin(kind, shape, z, before, work, piece)
    width = theta.shape[1]
    full = size // width
    for c in range(full):
        ref, c0, c1, c2, c3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
        way, end = piece[WAY], piece[END]
        events = 0
        if way != 0.0:
            for i in range(width):
                events += delta[c, i] * way < 0.0
        else:
            for i in range(width):
                events += delta[c, i] != 0.0
        last = theta[c, width - 1]
        if events == 0 and not way * (last - end) > 0.0:
            for i in range(width):
                d = theta[c, i] - ref
                out[c, i] = c0 + d * (c1 + d * (c2 + d * c3))
        else:
            chunk_with_events(theta, delta, c, width, before, kind, shape, work, piece, out)
        before = last
    left = size - full * width
    if left:
        chunk_with_events(theta, delta, full, left, before, kind, shape, work, piece, out)
        before = theta[full, left - 1]
    memory.finish(kind, shape, work, piece, before, z)


def branch_block(
    delta, size, decay, gain, stiffness, torque_by, end_by, keep, y, rows, ends, out
):  # fmt: skip
    """Torque of the branches at `size` samples; `y` is updated."""
    full = size // ROW
    for r in range(full):
        for i in range(ROW):
            rows[r, i] = delta[ROW * r + i]
    if full:
        torque_rows(full, torque_by, end_by, keep, y, rows, ends, out)
    for n in range(ROW * full, size):
        total = 0.0
        for m in range(y.size):
            y[m] = decay[m] * y[m] + gain[m] * delta[n]
            total += stiffness[m] * y[m]
        out[n] = total


def soften_block(total, elastic, step_s, scalars, state, lanes, out):
    """Drive `out`: `total` and the spring, softened by coil heat; both lags in `state` go on.

    Lag j holds T <- keep T + (1 - keep) drive² of the sample before, and the spring is worth
    1 - g1 T1 - g2 T2. Without softening only the lags at the end matter: ROW interleaved sums
    that do not wait for each other. With it, the sample waits for the last square alone: the lags
    are carried one sample late, and the squares of the last two samples come in at the end.
    """
    size = out.size
    g1, g2 = scalars[3], scalars[4]
    keep1, keep2 = math.exp(-step_s / scalars[5]), math.exp(-step_s / scalars[6])
    new1, new2 = 1.0 - keep1, 1.0 - keep2
    if g1 == 0.0 and g2 == 0.0:
        for n in range(size):
            out[n] = total[n] + elastic[n]
        full = (size - 1) // ROW
        for j in range(2):
            keep, new = (keep1, new1) if j == 0 else (keep2, new2)
            over = keep**ROW
            lanes[:] = 0.0
            for r in range(full):
                for i in range(ROW):
                    u = out[ROW * r + i]
                    lanes[i] = over * lanes[i] + u * u
            warm = (keep * state[6 + j] + new * state[5] * state[5]) * over**full
            weight = new
            for i in range(ROW - 1, -1, -1):
                warm += weight * lanes[i]
                weight *= keep
            for n in range(ROW * full, size - 1):
                warm = keep * warm + new * out[n] * out[n]
            state[6 + j] = warm
    else:
        # the lags without the newest square, which `older` and `square` bring in where it is short
        warm1, warm2 = state[6], state[7]
        less1, less2 = g1 * keep1 * keep1, g2 * keep2 * keep2
        by_older = g1 * keep1 * new1 + g2 * keep2 * new2
        by_newest = g1 * new1 + g2 * new2
        older = state[5] * state[5]
        e = elastic[0]
        u = total[0] + e * (1.0 - g1 * keep1 * warm1 - g2 * keep2 * warm2 - by_newest * older)
        out[0] = u
        square = u * u
        for n in range(1, size):
            e = elastic[n]
            known = total[n] + e * (1.0 - less1 * warm1 - less2 * warm2)
            warm1 = keep1 * warm1 + new1 * older
            warm2 = keep2 * warm2 + new2 * older
            u = known - e * by_older * older - e * by_newest * square
            older = square
            square = u * u
            out[n] = u
        state[6] = keep1 * warm1 + new1 * older
        state[7] = keep2 * warm2 + new2 * older
    state[5] = out[size - 1]


def prepared(step_s, kind, shape, time_s, branch):
    """Working arrays of one axis: matrices and rows of its branches, the memory's, the block's."""
    count = time_s.size
    torque_by = np.empty((ROW + count, ROW))
    end_by = np.empty((ROW + count, count))
    keep, decay, gain = np.empty(count), np.empty(count), np.empty(count)
    fill_matrices(step_s, time_s, branch, torque_by, end_by, keep)
    step_coefficients(step_s, time_s, decay, gain)
    rows = np.zeros((BLOCK // ROW, ROW + count))
    ends = np.empty((BLOCK // ROW, count))
    return (
        torque_by, end_by, keep, decay, gain, rows, ends,
        np.empty(memory.work_size(kind, shape)), np.zeros(PIECE_SIZE),
        np.empty(BLOCK), np.empty(2 + BLOCK), np.empty(BLOCK), np.empty(BLOCK), np.empty(BLOCK),
        np.empty(ROW),
    )  # fmt: skip


def axis_block(theta, size, step_s, scalars, kind, shape, branch, state, ready, out):
    """Drive that makes one axis follow `size` angles of a block; `state` is updated in place.

    `theta` (BLOCK,) may hold anything behind the first `size` angles; `out` is (size,).
    """
    (
        torque_by, end_by, keep, decay, gain, rows, ends, work, piece,
        delta, velocity, total, after, elastic, lanes,
    ) = ready  # fmt: skip
    branches = keep.size
    own = state.size - HEAD - branches
    k1, k2, k3, b, m2 = scalars[0], scalars[1], scalars[2], scalars[7], scalars[8]
    # BDF2 on equal steps; its three weights add up to nothing, so changes of the angle will do
    c0, c2 = 1.5 / step_s, 0.5 / step_s
    first0, first2 = c0, c2
    if state[4] != step_s:  # the step before was another one, or there was none
        first0, first2 = 1.0 / step_s, 0.0
        if state[4] > 0.0:
            ratio = step_s / state[4]
            first0 = (1.0 + 2.0 * ratio) / ((1.0 + ratio) * step_s)
            first2 = ratio * ratio / ((1.0 + ratio) * step_s)
    delta[0] = theta[0] - state[0]
    velocity[0], velocity[1] = state[3], state[2]  # those before the block
    velocity[2] = first0 * delta[0] - first2 * (state[0] - state[1])
    for n in range(1, size):
        delta[n] = theta[n] - theta[n - 1]
    for n in range(1, size):
        velocity[2 + n] = c0 * delta[n] - c2 * delta[n - 1]
    chunks = (BLOCK // CHUNK, CHUNK)
    memory_block(
        theta.reshape(chunks), delta.reshape(chunks), size, state[0], kind, shape,
        state[HEAD : HEAD + own], work, piece, total.reshape(chunks),
    )  # fmt: skip
    if branches:
        branch_block(
            delta, size, decay, gain, branch, torque_by, end_by, keep, state[HEAD + own :], rows,
            ends, after,
        )  # fmt: skip
    else:
        after[:] = 0.0
    begin = first0 * (velocity[2] - velocity[1]) - first2 * (velocity[1] - velocity[0])
    total[0] += after[0] + b * velocity[2] + m2 * begin
    for n in range(1, size):
        v, v1 = velocity[2 + n], velocity[1 + n]
        total[n] += after[n] + b * v + m2 * (c0 * (v - v1) - c2 * (v1 - velocity[n]))
    for n in range(size):
        a = theta[n]
        elastic[n] = a * (k1 + a * (k2 + a * k3))
    state[1] = theta[size - 2] if size > 1 else state[0]
    state[0] = theta[size - 1]
    state[2], state[3], state[4] = velocity[1 + size], velocity[size], step_s
    soften_block(total, elastic, step_s, scalars, state, lanes, out)


def drive_of_axis(which, x, y, step_s, optics, scalars, kind, shape, time_s, branch, state, out):
    """Drive of one axis (`which`: 0 x, 1 y) for a path of wanted spots; `state` is updated."""
    ready = prepared(step_s, kind, shape, time_s, branch)
    angles = np.empty((2, BLOCK))
    for first in range(0, x.size, BLOCK):
        last = min(first + BLOCK, x.size)
        deflections(x[first:last], y[first:last], optics, angles[0], angles[1])
        axis_block(
            angles[which], last - first, step_s, scalars, kind, shape, branch, state, ready,
            out[first:last],
        )  # fmt: skip


def drives_of_both(
    x, y, step_s, optics,
    scalars_x, kind_x, shape_x, time_x, branch_x, state_x, out_x,
    scalars_y, kind_y, shape_y, time_y, branch_y, state_y, out_y,
):  # fmt: skip
    """Drives of both axes for a path of wanted spots; both states are updated in place."""
    ready_x = prepared(step_s, kind_x, shape_x, time_x, branch_x)
    ready_y = prepared(step_s, kind_y, shape_y, time_y, branch_y)
    angles = np.empty((2, BLOCK))
    for first in range(0, x.size, BLOCK):
        last = min(first + BLOCK, x.size)
        size = last - first
        deflections(x[first:last], y[first:last], optics, angles[0], angles[1])
        axis_block(
            angles[0], size, step_s, scalars_x, kind_x, shape_x, branch_x, state_x,
            ready_x, out_x[first:last],
        )  # fmt: skip
        axis_block(
            angles[1], size, step_s, scalars_y, kind_y, shape_y, branch_y, state_y,
            ready_y, out_y[first:last],
        )  # fmt: skip


chunk_with_events = compiled(chunk_with_events)
memory_block = compiled(memory_block)
branch_block = compiled(branch_block)
soften_block = compiled(soften_block)
prepared = compiled(prepared)
axis_block = compiled(axis_block)
drive_of_axis = compiled(drive_of_axis)
drives_of_both = compiled(drives_of_both)
