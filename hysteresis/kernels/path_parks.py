"""Where the layers of a toolpath end: the rows before which a park belongs."""

from __future__ import annotations

from hysteresis.kernels.compiled import compiled


def ends_of_layers(x, y, beam, dwell, first_row, layer_wait, state, waited, before):
    """Rows (index) that are the first to move or trace behind the wait that ends a layer.

    `state` (1,): traced since the last such wait; `waited` (1,): seconds at rest with the beam
    off until now. Both are carried from chunk to chunk. Fills `before`, returns how many.
    """
    found = 0
    for i in range(first_row, x.size):
        moves = i > 0 and (x[i] != x[i - 1] or y[i] != y[i - 1])
        if moves or beam[i]:
            if state[0] and waited[0] >= layer_wait:
                before[found] = i
                found += 1
                state[0] = 0
            waited[0] = 0.0
        if beam[i]:
            if moves or dwell[i] > 0.0:
                state[0] = 1
        else:
            waited[0] += dwell[i]
    return found


ends_of_layers = compiled(ends_of_layers)
