"""Seven segments: speed up, keep and slow down with a bounded jerk, from rest to rest.

The double-S profile of the textbooks (L. Biagiotti, C. Melchiorri, Trajectory Planning for
Automatic Machines and Robots, Springer 2008, ch. 3.4, from memory), for equal limits both ways.
Between two speeds, both without acceleration, its halves are of different length; where the top
speed cannot be reached, the highest that can be is found by halving, as the way grows with it.
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


def change_time(step, push, jerk):
    """Time for a step of the speed that begins and ends without acceleration."""
    if step * jerk >= push * push:
        return step / push + push / jerk
    return 2.0 * math.sqrt(step / jerk)


def change_way(v0, v1, push, jerk):
    """Way of the same: the mean of the speeds times the time, as the change is symmetric."""
    return 0.5 * (v0 + v1) * change_time(abs(v1 - v0), push, jerk)


def reach(v0, most, way, push, jerk):
    """Largest speed up to `most` that can be reached from v0 within the way; by halving."""
    if most <= v0 or change_way(v0, most, push, jerk) <= way:
        return most
    low, high = v0, most
    for _ in range(60):
        middle = 0.5 * (low + high)
        if change_way(v0, middle, push, jerk) <= way:
            low = middle
        else:
            high = middle
    return low


def between_speeds(length, v0, v1, top, push, jerk, lasts, way, speed, acceleration, third):
    """Seven phases from speed v0 to v1 (both reachable from each other within the length)."""
    low, high = max(v0, v1), max(top, max(v0, v1))
    if change_way(v0, high, push, jerk) + change_way(v1, high, push, jerk) > length:
        for _ in range(60):
            middle = 0.5 * (low + high)
            if change_way(v0, middle, push, jerk) + change_way(v1, middle, push, jerk) <= length:
                low = middle
            else:
                high = middle
        high = low
    peak = high
    for side in range(2):
        v = v0 if side == 0 else v1
        step = peak - v
        if step * jerk >= push * push:
            change = push / jerk
            even = max(step / push - change, 0.0)
        else:
            change, even = math.sqrt(step / jerk), 0.0
        a = jerk * change
        part = v * change + jerk * change**3 / 6.0
        until = part + even * (v + 0.5 * a * (change + even))
        whole = change_way(v, peak, push, jerk)
        if side == 0:
            lasts[0], lasts[1], lasts[2] = change, even, change
            speed[0], speed[1], speed[2], speed[3] = (
                v,
                v + 0.5 * a * change,
                peak - 0.5 * a * change,
                peak,
            )
            way[0], way[1], way[2], way[3] = 0.0, part, until, whole
            acceleration[0], acceleration[1], acceleration[2], acceleration[3] = 0.0, a, a, 0.0
        else:
            lasts[4], lasts[5], lasts[6] = change, even, change
            speed[4], speed[5], speed[6] = peak, peak - 0.5 * a * change, v + 0.5 * a * change
            way[4], way[5], way[6] = length - whole, length - until, length - part
            acceleration[4], acceleration[5], acceleration[6] = 0.0, -a, -a
    lasts[3] = max(way[4] - way[3], 0.0) / peak
    third[0], third[2], third[4], third[6] = jerk, -jerk, -jerk, jerk
    third[1] = third[3] = third[5] = 0.0


def sections(
    begin, end, cap, bent, share, top, push, jerk, row_of, length, node, most, limit, ways
):
    """Divide the moves from `begin` to `end`, a rest at either end, into sections.

    A straight chain of moves is a section of its own where it is long enough for twice the
    lowest passing speed of all, and its feed allows that; what lies between such chains is one
    section each. Fills node (first move of each, and `end`), most (lowest feed or
    passing speed inside), limit (of acceleration) and ways; returns how many.
    """
    low = np.inf
    for m in range(begin + 1, end):
        low = min(low, cap[m])
    count, first = 0, begin
    p = begin
    alone = False
    while p < end:
        q, way, fast = p + 1, length[row_of[p]], top[p]
        while q < end and not bent[q] and top[q] == top[p]:
            way += length[row_of[q]]
            q += 1
        a = (share if bent[p] or bent[q] else 1.0) * push[p]
        long = (p > begin or q < end) and fast >= 2.0 * low
        long = long and way >= 2.0 * change_way(low, 2.0 * low, a, jerk)
        if p > begin and (long or alone):  # the section before ends here
            node[count], first = first, p
            count += 1
        alone = long
        p = q
    node[count] = first
    count += 1
    node[count] = end
    for s in range(count):
        slowest, a, total, turned = np.inf, np.inf, 0.0, False
        for m in range(node[s], node[s + 1]):
            slowest = min(slowest, top[m])
            if m > node[s]:
                slowest = min(slowest, cap[m])
            a = min(a, push[m])
            total += length[row_of[m]]
            turned = turned or bent[m] or bent[m + 1]
        most[s], limit[s], ways[s] = slowest, a * (share if turned else 1.0), total
    return count


def share_out(
    moves, cap, bent, share, top, push, jerk, row_of, length, dwell,
    phase_s, way, speed, acceleration, third,
):  # fmt: skip
    """Profiles along each stretch of moves from rest to rest, divided among its rows.

    Each section is one profile, without acceleration at its ends; the speeds there are planned
    forwards and backwards. Fills phases (rows, 8), the last the wait. `cap` is 0 at every rest,
    the ends included.
    """
    phase_s[:, :7] = 0.0
    way[:] = 0.0
    speed[:] = 0.0
    acceleration[:] = 0.0
    third[:] = 0.0
    for i in range(dwell.size):
        phase_s[i, 7] = dwell[i]
    d, w, v, a, t = np.empty(7), np.empty(7), np.empty(7), np.empty(7), np.empty(7)
    node = np.empty(moves + 1, dtype=np.int64)
    most, limit, ways = np.empty(moves), np.empty(moves), np.empty(moves)
    passed = np.empty(moves + 1)
    begin = 0
    while begin < moves:
        end = begin + 1
        while end < moves and cap[end] > 0.0:
            end += 1
        count = sections(
            begin, end, cap, bent, share, top, push, jerk, row_of, length, node, most, limit, ways
        )
        passed[0] = passed[count] = 0.0
        for s in range(1, count):
            allowed = min(cap[node[s]], min(most[s - 1], most[s]))
            passed[s] = reach(passed[s - 1], allowed, ways[s - 1], limit[s - 1], jerk)
        for s in range(count - 1, 0, -1):
            passed[s] = reach(passed[s + 1], passed[s], ways[s], limit[s], jerk)
        for s in range(count):
            if count == 1:
                seven_phases(ways[s], most[s], limit[s], jerk, d, w, v, a, t)
            else:
                between_speeds(
                    ways[s], passed[s], passed[s + 1], most[s], limit[s], jerk, d, w, v, a, t
                )
            share_one(
                node[s], node[s + 1], row_of, length, d, w, v, a, t,
                phase_s, way, speed, acceleration, third,
            )  # fmt: skip
        begin = end


def share_one(begin, end, row_of, length, d, w, v, a, t, phase_s, way, speed, acceleration, third):
    """Seven phases divided among the rows of the moves from `begin` to `end`."""
    k, since, begun = 0, 0.0, 0.0
    for m in range(begin, end):
        i = row_of[m]
        last = m == end - 1
        until = begun + length[i]
        while True:
            ends = not last and (k == 6 or w[k + 1] >= until)
            stop = d[k]
            if ends:
                stop = max(time_at(until, w[k], v[k], a[k], t[k], d[k]), since)
            phase_s[i, k] = stop - since
            way[i, k] = w[k] + since * (v[k] + since * (0.5 * a[k] + since * t[k] / 6.0)) - begun
            speed[i, k] = v[k] + since * (a[k] + 0.5 * since * t[k])
            acceleration[i, k] = a[k] + since * t[k]
            third[i, k] = t[k]
            if ends:
                since = stop
                break
            if k == 6:
                break
            k, since = k + 1, 0.0
        way[i, 7] = length[i]
        begun = until


seven_times = compiled(seven_times)
seven_phases = compiled(seven_phases)
time_at = compiled(time_at)
change_time = compiled(change_time)
change_way = compiled(change_way)
reach = compiled(reach)
between_speeds = compiled(between_speeds)
sections = compiled(sections)
share_one = compiled(share_one)
share_out = compiled(share_out)
