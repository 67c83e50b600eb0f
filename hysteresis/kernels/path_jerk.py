"""Seven segments: speed up, keep and slow down with a bounded jerk, from rest to rest.

The double-S profile of the textbooks (L. Biagiotti, C. Melchiorri, Trajectory Planning for
Automatic Machines and Robots, Springer 2008, ch. 3.4, from memory), for equal limits both ways.
"""

from __future__ import annotations

import math

import numpy as np

from hysteresis.kernels.compiled import compiled


def seven_times(length, top, push, jerk):
    """Times in s of one change of the acceleration, of the whole speeding up, of even motion.

    Three cases: the speed is reached; it is not, but the acceleration is; neither is.
    """
    if top * jerk >= push * push:
        change = push / jerk
        rise = change + top / push
    else:
        change = math.sqrt(top / jerk)
        rise = 2.0 * change
    keep = length / top - rise
    if keep >= 0.0:
        return change, rise, keep
    change = push / jerk
    if length >= 2.0 * push * change**2:
        rise = 0.5 * change + math.sqrt(0.25 * change**2 + length / push)
    else:
        change = (0.5 * length / jerk) ** (1.0 / 3.0)
        rise = 2.0 * change
    return change, rise, 0.0


def seven_phases(length, top, push, jerk, lasts, way, speed, acceleration, third):
    """The same as seven phases: duration, and way, speed, acceleration, jerk where each begins."""
    change, rise, keep = seven_times(length, top, push, jerk)
    even = max(rise - 2.0 * change, 0.0)
    a = jerk * change
    v1 = 0.5 * a * change
    peak = a * (change + even)
    lasts[0] = lasts[2] = lasts[4] = lasts[6] = change
    lasts[1] = lasts[5] = even
    lasts[3] = keep
    third[0], third[2], third[4], third[6] = jerk, -jerk, -jerk, jerk
    third[1] = third[3] = third[5] = 0.0
    acceleration[0] = acceleration[3] = acceleration[4] = 0.0
    acceleration[1] = acceleration[2] = a
    acceleration[5] = acceleration[6] = -a
    speed[0], speed[1], speed[2], speed[3] = 0.0, v1, peak - v1, peak
    speed[4], speed[5], speed[6] = peak, peak - v1, v1
    s1 = jerk * change**3 / 6.0
    s2 = s1 + even * (v1 + 0.5 * a * even)
    s3 = 0.5 * rise * peak
    way[0], way[1], way[2], way[3] = 0.0, s1, s2, s3
    way[4], way[5], way[6] = length - s3, length - s2, length - s1


def time_at(wanted, way, speed, acceleration, third, lasts):
    """Time in a phase at which the way is met; the way rises. Newton's steps, kept in bounds."""
    low, high = 0.0, lasts
    t = 0.5 * lasts
    for _ in range(100):
        over = way + t * (speed + t * (0.5 * acceleration + t * third / 6.0)) - wanted
        if over > 0.0:
            high = t
        else:
            low = t
        slope = speed + t * (acceleration + 0.5 * t * third)
        nearer = t - over / slope if slope > 0.0 else low
        if not low < nearer < high:
            nearer = 0.5 * (low + high)
        if abs(nearer - t) <= 1e-16 * lasts or high - low <= 1e-16 * lasts:
            return nearer
        t = nearer
    return t


def share_out(
    moves, cap, bent, share, top, push, jerk, row_of, length, dwell,
    phase_s, way, speed, acceleration, third,
):  # fmt: skip
    """One profile from rest to rest along each stretch of moves, divided among its rows.

    The stretch runs at the lowest of its feeds and passing speeds. Fills phases (rows, 8), the
    last the wait. `cap` is 0 at every rest, the ends included.
    """
    phase_s[:, :7] = 0.0
    way[:] = 0.0
    speed[:] = 0.0
    acceleration[:] = 0.0
    third[:] = 0.0
    for i in range(dwell.size):
        phase_s[i, 7] = dwell[i]
    d, w, v, a, t = np.empty(7), np.empty(7), np.empty(7), np.empty(7), np.empty(7)
    j = 0
    while j < moves:
        end = j + 1
        slowest, limit, total = top[j], push[j], length[row_of[j]]
        turned = bent[j] or bent[j + 1]
        while end < moves and cap[end] > 0.0:
            slowest = min(slowest, min(top[end], cap[end]))
            limit = min(limit, push[end])
            total += length[row_of[end]]
            turned = turned or bent[end + 1]
            end += 1
        seven_phases(total, slowest, limit * (share if turned else 1.0), jerk, d, w, v, a, t)
        k, since, begun = 0, 0.0, 0.0
        for m in range(j, end):
            i = row_of[m]
            until = begun + length[i]
            while True:
                last = m == end - 1
                ends = k == 6 or (k < 6 and w[k + 1] >= until)
                stop = d[k]
                if ends and not last:
                    stop = max(time_at(until, w[k], v[k], a[k], t[k], d[k]), since)
                phase_s[i, k] = stop - since
                way[i, k] = (
                    w[k] + since * (v[k] + since * (0.5 * a[k] + since * t[k] / 6.0)) - begun
                )
                speed[i, k] = v[k] + since * (a[k] + 0.5 * since * t[k])
                acceleration[i, k] = a[k] + since * t[k]
                third[i, k] = t[k]
                if ends and not last:
                    since = stop
                    break
                if k == 6:
                    break
                k, since = k + 1, 0.0
            way[i, 7] = length[i]
            begun = until
        j = end


seven_times = compiled(seven_times)
seven_phases = compiled(seven_phases)
time_at = compiled(time_at)
share_out = compiled(share_out)
