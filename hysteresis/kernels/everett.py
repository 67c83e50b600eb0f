"""Preisach memory: torque by the Everett function of a plane of cells and a stack of reversals.

Angles x_0 < … < x_N, symmetric about 0 with x_{N/2} = 0, cut the half plane a ≥ b of switching
pairs (up at a, down at b) into square cells and, on the diagonal, triangles. Density is uniform
in each; `mass` of cell (i, j), i ≥ j, holds a in [x_i, x_{i+1}] and b in [x_j, x_{j+1}].
On the way from α down to β (or up from β to α) the part f_i of [x_i, x_{i+1}] is passed, and

    E(α, β) = Σ mass_ij f_i f_j                       sense +1: a response that lags
    E(α, β) = Σ mass_ij (1 − (1 − f_i)(1 − f_j))      sense −1: a torque that resists

is the change of the output (Everett's integral over the triangle of the pairs that switch;
Mayergoyz, Mathematical Models of Hysteresis, from memory). The second is one-valued
stiffness minus the first: Σ mass_ij (f_i + f_j) − Σ mass_ij f_i f_j. A density ≥ 0 makes the first
lag behind its input, which as a torque would *give* energy in a closed cycle; the second rises
with the angle and takes energy. Mass k per full scale along a − b = 2r gives, with D = α − β,
E = k D + k min(D, 2r): a stop of limit r together with a spring of the same stiffness k. No
density is a stop alone: half of what a reversal meets is always one-valued on the average.
In one cell of each angle both are bilinear between the values at nodes, less t(1 − t) Q for
each of the two diagonal cells, Q = sense × mass of the triangle: quadratic along a run.

Reversals that still matter lie in a stack, outermost first, each with the output there; a run
that passes the last but one wipes both out. Below the first lies the demagnetised state, whose
border is a + b = 0: a first reversal e_1 has −e_1 as its partner, and an empty stack is the
initial curve. So rest is exact and needs no staircase. Beyond x_0, x_N the output is constant.

`shape` = N, capacity, sense, node (N+1), linear L (N) and quadratic Q (N) part of E inside one
cell, initial curve at the nodes (N+1) with its linear A and quadratic B part per cell (N each),
E between nodes (N+1)². `z` = count, extremes (capacity).
`work` = count, cell, extremes, their cells, outputs there (capacity each), one row of cells (N).
A full stack forgets the pair of reversals that costs least (see `make_room`); the output jumps by
the mass of one small rectangle, at most about density × (2 × range / capacity)².
"""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.compiled import compiled, inlined
from hysteresis.kernels.pieces import C0, C1, C2, C3, END, REF, WAY

HEAD = 3  # entries of shape before the nodes


def work_size(shape):
    """Length of the working array."""
    return 2 + 3 * int(shape[1]) + int(shape[0])


def _cell(shape, x):
    """Cell of an angle within the grid: the last whose lower node is not above it."""
    low, high = 0, int(shape[0])
    while high - low > 1:
        mid = (low + high) // 2
        if shape[HEAD + mid] <= x:
            low = mid
        else:
            high = mid
    return low


def _cell_from(shape, x, j):
    """The same where it is most likely cell j or a neighbour of it."""
    for near in (j, j - 1, j + 1):
        if 0 <= near < int(shape[0]) and shape[HEAD + near] <= x < shape[HEAD + near + 1]:
            return near
    return _cell(shape, x)


def _clamped(shape, x):
    top = shape[HEAD + int(shape[0])]
    return top if x > top else (-top if x < -top else x)


def everett(shape, upper, i, lower, j):
    """E(upper, lower) and its derivatives by both; `upper` in cell i, `lower` in cell j ≤ i."""
    n = int(shape[0])
    linear = HEAD + n + 1
    square = linear + n
    table = HEAD + 6 * n + 2
    x, y = shape[HEAD + i], shape[HEAD + j]
    wide, high = shape[HEAD + i + 1] - x, shape[HEAD + j + 1] - y
    if i == j:
        d = (upper - lower) / wide
        p, q = shape[linear + i], shape[square + i]
        slope = (p + 2.0 * q * d) / wide
        return d * (p + q * d), slope, -slope
    s, t = (upper - x) / wide, (lower - y) / high
    p, q = shape[square + i], shape[square + j]
    k = table + i * (n + 1) + j
    v00, v01, v10, v11 = shape[k], shape[k + 1], shape[k + n + 1], shape[k + n + 2]
    near = v00 + t * (v01 - v00)
    far = v10 + t * (v11 - v10)
    left = v00 + s * (v10 - v00)
    right = v01 + s * (v11 - v01)
    value = near + s * (far - near) - s * (1.0 - s) * p - t * (1.0 - t) * q
    return (
        value,
        (far - near - (1.0 - 2.0 * s) * p) / wide,
        (right - left - (1.0 - 2.0 * t) * q) / high,
    )


def run_in_cell(shape, begun, last, i, before, j, way):
    """The run in direction `way` within cell j as REF, C0, C1, C2 of a piece.

    It comes from the reversal at `last` in cell i, where the output was `before`; with `begun`
    False it is the initial curve. The same however it was reached: every output is read from it.
    """
    n = int(shape[0])
    linear = HEAD + n + 1
    square = linear + n
    curve = square + n
    table = HEAD + 6 * n + 2
    x0 = shape[HEAD + j]
    wide = shape[HEAD + j + 1] - x0
    up = 1 if way > 0.0 else 0
    if not begun:
        near = j + 1 - up
        ref, c0 = shape[HEAD + near], shape[curve + near]
        c1 = shape[curve + n + 1 + j] / wide
        c2 = way * shape[curve + 2 * n + 1 + j] / (wide * wide)
    else:
        c2 = way * shape[square + j] / (wide * wide)
        if i == j:
            ref, c0 = last, before
            c1 = shape[linear + j] / wide
        else:
            t = (last - shape[HEAD + i]) / (shape[HEAD + i + 1] - shape[HEAD + i])
            # from the last reversal to both nodes of the cell
            k = table + (j * (n + 1) + i if up else i * (n + 1) + j)
            to_next, to_far = (1, n + 1) if up else (n + 1, 1)
            near = shape[k] + t * (shape[k + to_next] - shape[k])
            k += to_far
            far = shape[k] + t * (shape[k + to_next] - shape[k])
            ref = x0
            c0 = before + way * (near - t * (1.0 - t) * shape[square + i])
            c1 = way * (far - near - shape[square + j]) / wide
    return ref, c0, c1, c2


def output(shape, work, theta):
    """Output at `theta` on the present run, and its slope along the run (0 outside the grid)."""
    x = _clamped(shape, theta)
    count = int(work[0])
    cap = int(shape[1])
    last = work[1 + count] if count > 0 else 0.0
    ref, c0, c1, c2 = run_in_cell(
        shape, count > 0, last, int(work[1 + cap + count]) if count > 0 else 0,
        work[1 + 2 * cap + count], _cell(shape, x), -1.0 if x < last else 1.0,
    )  # fmt: skip
    d = x - ref
    return c0 + d * (c1 + d * c2), (c1 + 2.0 * c2 * d if x == theta else 0.0)


def load(shape, z, theta, work):
    """Working form of the state; reversals that an angle so far out has wiped are left out."""
    cap = int(shape[1])
    count = int(z[0])
    work[0] = 0.0
    for k in range(1, count + 1):
        work[1 + k] = _clamped(shape, z[k])
        work[1 + cap + k] = _cell(shape, work[1 + k])
        work[1 + 2 * cap + k] = output(shape, work, work[1 + k])[0]
        work[0] = k
    if count > 0:
        x = _clamped(shape, theta)
        way = -1.0 if _is_upper(work) else 1.0
        if way * (x - work[1 + count]) < 0.0:  # beyond the last reversal
            work[0] -= 1.0
            way = -way
        wipe(shape, work, x, way)


def store(shape, work, z):
    """State from the working form."""
    z[:] = 0.0
    z[0] = work[0]
    for k in range(1, int(work[0]) + 1):
        z[k] = work[1 + k]


def _target(work):
    """Angle at which the present run wipes the last two reversals, or the only one."""
    count = int(work[0])
    return work[count] if count > 1 else -work[2]


def _is_upper(work):
    """Whether the last reversal was one from up to down."""
    return work[1 + int(work[0])] > _target(work)


def wipe(shape, work, theta, way):
    """Take from the stack what a run in direction `way` has passed on reaching `theta`."""
    while work[0] > 0.0 and way * (theta - _target(work)) >= 0.0:
        work[0] = work[0] - 2.0 if work[0] > 1.0 else 0.0


def decision(shape, work, theta, way):
    """What motion from `theta` into `way` does: +1 reverses there, -1 undoes the last reversal."""
    count = int(work[0])
    x = _clamped(shape, theta)
    if count == 0:
        return 1 if way * x < 0.0 else 0
    last = work[1 + count]
    if x != last:
        return 1 if way * (x - last) < 0.0 else 0
    return 0 if _is_upper(work) == (way < 0.0) else -1  # still at the last reversal


def make_room(shape, work):
    """A full stack forgets the pair of reversals that costs least; its number, or 0.

    Without e_k and e_{k+1} the pairs between e_k and e_{k+2}, e_{k-1} and e_{k+1} count as if
    the angle had not been there: a rectangle of the plane, and the smallest one is given up.
    """
    cap = int(shape[1])
    if int(work[0]) < cap:
        return 0
    best, least = 0, np.inf
    for k in range(2, cap - 1):
        area = abs((work[1 + k] - work[3 + k]) * (work[k] - work[2 + k]))
        if area < least:
            best, least = k, area
    for k in range(best, cap - 1):
        work[1 + k] = work[3 + k]
        work[1 + cap + k] = work[3 + cap + k]
    for k in range(best, cap - 1):
        work[0] = k - 1.0
        work[1 + 2 * cap + k] = output(shape, work, work[1 + k])[0]
    work[0] = cap - 2.0
    return best


def reverse(shape, work, theta, way):
    """Motion from `theta` into `way`: the stack afterwards."""
    what = decision(shape, work, theta, way)
    if what < 0:
        work[0] -= 1.0
    elif what > 0:
        make_room(shape, work)
        cap = int(shape[1])
        x = _clamped(shape, theta)
        value, _ = output(shape, work, x)
        count = int(work[0]) + 1
        work[1 + count] = x
        work[1 + cap + count] = _cell(shape, x)
        work[1 + 2 * cap + count] = value
        work[0] = count


def follow(shape, work, before, theta):
    """Move from `before` to `theta`; the output there."""
    start, end = _clamped(shape, before), _clamped(shape, theta)
    if end != start:
        way = 1.0 if end > start else -1.0
        reverse(shape, work, start, way)
        wipe(shape, work, end, way)
    return output(shape, work, end)[0]


# Pieces, for the loop that all memories share (see kernels.memory) ------------------------------


def begin(shape, z, theta, work, piece):
    """Working form of the state `z` at the angle `theta`; no direction yet."""
    load(shape, z, theta, work)
    piece[REF] = theta
    piece[C0] = output(shape, work, theta)[0]
    piece[C1] = piece[C2] = piece[C3] = 0.0
    piece[END] = theta
    piece[WAY] = 0.0


def turn(shape, work, piece, theta, way):
    """Motion begins or reverses at `theta`."""
    n = int(shape[0])
    top = shape[HEAD + n]
    reverse(shape, work, theta, way)
    piece[WAY] = way
    if abs(theta) > top or way * theta >= top:
        work[1] = n if theta > 0.0 else -1
        _outside(shape, work, piece)
        return
    j = _cell(shape, theta)
    if way < 0.0 and theta == shape[HEAD + j]:
        j -= 1
    work[1] = j
    _fill(shape, work, piece)


def onward(shape, work, piece):
    """The end of the piece is reached: a node, or an angle that wipes reversals out."""
    n = int(shape[0])
    way = piece[WAY]
    at = piece[END]
    j = int(work[1])
    if j == n or j == -1:  # back from outside
        work[1] = j - 1 if j == n else 0
        _fill(shape, work, piece)
        return
    wipe(shape, work, at, way)
    if at == shape[HEAD + j + (1 if way > 0.0 else 0)]:
        j += int(way)
        work[1] = j
    if j == n or j == -1:
        _outside(shape, work, piece)
        return
    _fill(shape, work, piece)


def jump(shape, work, piece, theta):
    """The piece that holds at `theta`, beyond the present one's end, in one step."""
    n = int(shape[0])
    way = piece[WAY]
    top = shape[HEAD + n]
    wipe(shape, work, _clamped(shape, theta), way)
    if abs(theta) > top:
        work[1] = n if theta > 0.0 else -1
        _outside(shape, work, piece)
        return
    j = _cell_from(shape, theta, int(work[1]) + int(way))
    if way > 0.0 and theta == shape[HEAD + j]:
        j -= 1
    work[1] = j
    _fill(shape, work, piece)


def _outside(shape, work, piece):
    """The constant piece beyond the grid."""
    way = piece[WAY]
    side = shape[HEAD + (int(shape[0]) if work[1] > 0.0 else 0)]
    piece[REF] = side
    piece[C0] = output(shape, work, side)[0]
    piece[C1] = piece[C2] = piece[C3] = 0.0
    piece[END] = side if way * side < 0.0 else way * np.inf


def _fill(shape, work, piece):
    """The piece of the present run in the present cell."""
    cap = int(shape[1])
    j = int(work[1])
    way = piece[WAY]
    count = int(work[0])
    begun = count > 0
    piece[REF], piece[C0], piece[C1], piece[C2] = run_in_cell(
        shape, begun, work[1 + count] if begun else 0.0, int(work[1 + cap + count]) if begun else 0,
        work[1 + 2 * cap + count], j, way,
    )  # fmt: skip
    piece[C3] = 0.0
    piece[END] = shape[HEAD + j + (1 if way > 0.0 else 0)]
    if begun:
        target = _target(work)
        if way * (target - piece[END]) < 0.0:
            piece[END] = target


def finish(shape, work, piece, theta, z):
    """State at the angle `theta`, into `z`."""
    if piece[WAY] != 0.0:
        wipe(shape, work, _clamped(shape, theta), piece[WAY])  # an end just reached counts
    store(shape, work, z)


work_size = compiled(work_size)
_cell = compiled(_cell)
_cell_from = compiled(_cell_from)
_clamped = compiled(_clamped)
everett = compiled(everett)
run_in_cell = inlined(run_in_cell)
output = compiled(output)
_target = compiled(_target)
_is_upper = compiled(_is_upper)
wipe = compiled(wipe)
load = compiled(load)
store = compiled(store)
decision = compiled(decision)
make_room = compiled(make_room)
reverse = compiled(reverse)
follow = compiled(follow)
begin = compiled(begin)
_fill = compiled(_fill)
_outside = compiled(_outside)
turn = compiled(turn)
onward = compiled(onward)
jump = compiled(jump)
finish = compiled(finish)
