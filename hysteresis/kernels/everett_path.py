"""Output of a Preisach memory along a restless path: sample by sample, no pieces in between.

Where a path reverses every few samples a piece serves one sample or two. Here the run is read where
the sample stands, its coefficients in registers; the cell of a sample is found by a rule of three,
right away where nodes are even. States, stack and outputs are those of `everett` to the last bit.
"""

from __future__ import annotations

from hysteresis.kernels import everett
from hysteresis.kernels.compiled import compiled
from hysteresis.kernels.everett import HEAD, run_in_cell


def torque_block(shape, theta, before, z, work, out):
    """Output along a path that comes from `before`; `z` is updated."""
    n, cap = int(shape[0]), int(shape[1])
    top = shape[HEAD + n]
    per_angle = 0.5 * n / top
    everett.load(shape, z, before, work)
    count = int(work[0])
    x = everett._clamped(shape, before)
    j = everett._cell(shape, x)
    value, _ = everett.output(shape, work, x)
    last, at_node = work[1 + count], True
    for k in range(theta.size):
        a = theta[k]
        a = top if a > top else a
        a = -top if a < -top else a
        if a == x:
            out[k] = value
            continue
        up = a > x
        if count == 0:
            pushed = up != (x > 0.0) and x != 0.0
        elif x == last:
            pushed = False
            target = work[count] if count > 1 else -last
            if (last > target) == up:  # back over the last reversal, where motion stands
                count -= 1
        else:
            pushed = up != (x > last)
        if pushed:
            if count == cap:
                work[0] = count
                everett.make_room(shape, work)
                count = int(work[0])
                at_node = True
            if at_node:
                work[0] = count
                value, _ = everett.output(shape, work, x)
            count += 1
            work[1 + count], work[1 + cap + count], work[1 + 2 * cap + count] = x, j, value
        if up:
            while count > 0 and a >= (work[count] if count > 1 else -work[2]):
                count -= 2 if count > 1 else 1
        else:
            while count > 0 and a <= (work[count] if count > 1 else -work[2]):
                count -= 2 if count > 1 else 1
        j = int((a + top) * per_angle)
        j = min(max(j, 0), n - 1)
        if not (shape[HEAD + j] <= a < shape[HEAD + j + 1]):
            j = everett._cell_from(shape, a, j)
        x = a
        begun = count > 0
        last = work[1 + count] if begun else 0.0
        cell = int(work[1 + cap + count]) if begun else 0
        # as a piece: a node that is just reached belongs to the cell in which the run comes to it
        at_node = up and a == shape[HEAD + j] and j > 0
        ref, c0, c1, c2 = run_in_cell(
            shape, begun, last, cell, work[1 + 2 * cap + count], j - at_node, 1.0 if up else -1.0
        )
        d = a - ref
        value = c0 + d * (c1 + d * c2)
        out[k] = value
    work[0] = count
    everett.store(shape, work, z)


torque_block = compiled(torque_block)
