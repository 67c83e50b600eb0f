"""Speeds along a polyline: passing speeds at its vertices, look-ahead, trapezoids per row.

`buffer` below is a stretch of rows of which row 0 is a vertex already planned: the spot stands
there, or passes it with a speed that no later row can change. What the numbers mean stands in
`paths/timing.py`.
"""

from __future__ import annotations

import math

import numpy as np

from hysteresis.kernels.compiled import compiled

BENT_SINE = 1e-9  # half turns below this are straight on


def lay_out(
    x, y, beam, feed, dwell, travel, push_on, push_off, sag_limit, peak_rate, sag_rate, share,
    sharp_sine, bounded, shortest, length, ax, ay, row_of, top, push, cap, bent,
):  # fmt: skip
    """Moves of a buffer of n rows, the speed allowed at each vertex between two of them.

    `push_on`, `push_off` : acceleration in mm/s² with the beam on and off; `sag_limit` that which
    the tolerance of the smoothing allows (inf: none). `peak_rate`, `sag_rate` : 1/s, what a step
    of the velocity adds to the acceleration, and to the deviation in terms of it.
    Fills length, ax, ay (n,); row_of, top (speed), push (m,); cap, bent (m + 1,), of which the
    first and the last stay as they are. Returns the number of moves m.
    """
    m = 0
    waited = False
    length[0] = ax[0] = ay[0] = 0.0
    for i in range(1, x.size):
        dx, dy = x[i] - x[i - 1], y[i] - y[i - 1]
        way = math.sqrt(dx * dx + dy * dy)
        if way < shortest:
            length[i] = ax[i] = ay[i] = 0.0
            waited = waited or dwell[i] > 0.0
            continue
        length[i], ax[i], ay[i] = way, dx / way, dy / way
        row_of[m] = i
        # held against overflow; the acceleration or memory limits first
        top[m] = min(max(travel if math.isnan(feed[i]) else feed[i], 1e-9), 1e6)
        push[m] = push_on if beam[i] else push_off
        if m > 0:
            p = row_of[m - 1]
            sine = 0.5 * math.hypot(ax[i] - ax[p], ay[i] - ay[p])  # of half the turn
            slower = min(top[m - 1], top[m])
            shorter = min(length[p], way)
            speed = np.inf
            if sine >= BENT_SINE:
                limit = min(push[m - 1], push[m])
                speed = passing_speed(sine, limit, share * limit, peak_rate, shorter)
                if beam[i] and sag_limit < np.inf:
                    along = share * min(limit, sag_limit)
                    speed = min(speed, passing_speed(sine, sag_limit, along, sag_rate, shorter))
            rest = waited or beam[i] != beam[p]
            if sine > sharp_sine:
                reached = min(slower, math.sqrt(min(push[m - 1], push[m]) * shorter))
                rest = rest or not bounded or speed < (1.0 - share) * reached
            cap[m] = 0.0 if rest else min(speed, slower)
            bent[m] = sine >= BENT_SINE and not rest
        m += 1
        waited = dwell[i] > 0.0
    return m


def passing_speed(sine, limit, along, rate, shorter):
    """Largest v with v²/shorter + 2 rate v = across / (2 sine): the part of the limit of
    acceleration that is left across the path beside `along`."""
    # Of the acceleration along the path, the part `sine` can point the way of the turn.
    across = math.sqrt(limit**2 - along**2 * (1.0 - min(sine, 1.0) ** 2)) - along * sine
    step = across / (2.0 * sine)
    return step / (rate + math.sqrt(rate**2 + step / shorter))  # the form that keeps its digits


def look_ahead(moves, closed, start, cap, bent, share, push, row_of, length, gain, squares):
    """Squares of the speeds at the vertices: forwards, then backwards from the end.

    `start` is the square at vertex 0. Not `closed`: more rows follow, so that the last move, and
    the speed at its end, are not known yet; the backward pass starts from rest before it, and
    all up to the last vertex which that does not slow down is final whatever follows (both
    passes only ever lower a speed). Returns the number of final moves; `squares` is filled that
    far, `gain` (what a move can add to the square) too.
    """
    last = moves if closed else moves - 1
    if last <= 0:
        return 0
    squares[0] = start
    for j in range(last):
        part = share if bent[j] or bent[j + 1] else 1.0
        gain[j] = 2.0 * part * push[j] * length[row_of[j]]
        squares[j + 1] = min(cap[j + 1] ** 2, squares[j] + gain[j])
    final = last
    if closed:
        squares[last] = 0.0
    else:
        slowed = 0.0
        while final > 0 and slowed < squares[final]:
            final -= 1
            slowed = min(squares[final], slowed + gain[final])
    for j in range(final - 1, 0, -1):
        squares[j] = min(squares[j], squares[j + 1] + gain[j])
    return final


def trapezoids(moves, top, row_of, length, gain, squares, dwell, phase_s, way, speed, push):
    """Speed up, keep, slow down, wait: fills the phases (rows, 4) of the rows of `dwell`."""
    phase_s[:, :3] = 0.0
    way[:] = 0.0
    speed[:] = 0.0
    push[:] = 0.0
    for i in range(dwell.size):
        phase_s[i, 3] = dwell[i]
    for j in range(moves):
        i = row_of[j]
        q0, q1, a = squares[j], squares[j + 1], 0.5 * gain[j] / length[i]
        v0, v1 = math.sqrt(q0), math.sqrt(q1)
        peak = math.sqrt(min(top[j] ** 2, 0.5 * (q0 + q1 + gain[j])))
        peak = max(peak, max(v0, v1))  # against rounding
        up, down = (peak**2 - q0) / (2.0 * a), (peak**2 - q1) / (2.0 * a)
        phase_s[i, 0], phase_s[i, 2] = (peak - v0) / a, (peak - v1) / a
        phase_s[i, 1] = max(length[i] - up - down, 0.0) / peak
        way[i, 1], way[i, 2], way[i, 3] = up, length[i] - down, length[i]
        speed[i, 0], speed[i, 1], speed[i, 2] = v0, peak, peak
        push[i, 0], push[i, 2] = a, -a


passing_speed = compiled(passing_speed)
lay_out = compiled(lay_out)
look_ahead = compiled(look_ahead)
trapezoids = compiled(trapezoids)
