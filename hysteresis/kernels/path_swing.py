"""A sampled path as few straight stretches at even speed, none further off than asked.

Swing filter (Elmeleegy et al., Proc. VLDB 2 (2009) 145, from memory) on two axes at once: from the
last vertex, the velocities that pass every sample since within `tol` form an interval per axis;
when it would become empty, the vertex before is final. One pass, no look-back.
"""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.compiled import compiled

# state: time and place of the last vertex, of the last sample, velocity intervals, whether begun
T0, X0, Y0, T1, X1, Y1, LOW_X, HIGH_X, LOW_Y, HIGH_Y, BEGUN = range(11)
STATE_SIZE = 11


def swing(t, x, y, cut, tol, state, out_t, out_x, out_y, out_k):
    """Vertices that became final; `state` (STATE_SIZE,) goes on, all 0 at the start.

    `cut[k]` forces a vertex at sample k. `out_k` is the sample of each vertex, -1 for the last
    sample of the block before. Room for len(t) + 1 vertices is needed. Returns their number.
    """
    n = 0
    for k in range(t.size):
        if state[BEGUN] == 0.0:
            state[BEGUN] = 1.0
            state[T0], state[X0], state[Y0] = t[k], x[k], y[k]
            state[T1], state[X1], state[Y1] = t[k], x[k], y[k]
            state[LOW_X], state[HIGH_X] = -np.inf, np.inf
            state[LOW_Y], state[HIGH_Y] = -np.inf, np.inf
            out_t[n], out_x[n], out_y[n], out_k[n] = t[k], x[k], y[k], k
            n += 1
            continue
        dt = t[k] - state[T0]
        low_x = max(state[LOW_X], (x[k] - tol - state[X0]) / dt)
        high_x = min(state[HIGH_X], (x[k] + tol - state[X0]) / dt)
        low_y = max(state[LOW_Y], (y[k] - tol - state[Y0]) / dt)
        high_y = min(state[HIGH_Y], (y[k] + tol - state[Y0]) / dt)
        if low_x > high_x or low_y > high_y:
            n = vertex(state, out_t, out_x, out_y, out_k, n, k - 1 if k else -1)
            dt = t[k] - state[T0]
            low_x, high_x = (x[k] - tol - state[X0]) / dt, (x[k] + tol - state[X0]) / dt
            low_y, high_y = (y[k] - tol - state[Y0]) / dt, (y[k] + tol - state[Y0]) / dt
        state[LOW_X], state[HIGH_X], state[LOW_Y], state[HIGH_Y] = low_x, high_x, low_y, high_y
        state[T1], state[X1], state[Y1] = t[k], x[k], y[k]
        if cut[k]:
            n = vertex(state, out_t, out_x, out_y, out_k, n, k)
    return n


def vertex(state, out_t, out_x, out_y, out_k, n, k):
    """End the stretch at the last sample, as near to it as the velocities allow."""
    dt = state[T1] - state[T0]
    if dt <= 0.0:
        return n
    v_x = min(max((state[X1] - state[X0]) / dt, state[LOW_X]), state[HIGH_X])
    v_y = min(max((state[Y1] - state[Y0]) / dt, state[LOW_Y]), state[HIGH_Y])
    state[X0] += v_x * dt
    state[Y0] += v_y * dt
    state[T0] = state[T1]
    state[LOW_X], state[HIGH_X] = -np.inf, np.inf
    state[LOW_Y], state[HIGH_Y] = -np.inf, np.inf
    out_t[n], out_x[n], out_y[n], out_k[n] = state[T0], state[X0], state[Y0], k
    return n + 1


vertex = compiled(vertex)
swing = compiled(swing)
