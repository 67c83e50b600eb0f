"""Corners replaced by smooth blends.

Between the points at distance d before and behind the corner C the velocity turns from one
direction to the other by the smooth step s(u) = 3u² - 2u³,

    p(u) = C + d (-e1 + 2 e1 (u - S) + 2 e2 S),   S = ∫ s du = u³ - u⁴/2,   u = 0 … 1,

a polynomial of degree 4 whose curvature begins and ends at 0. It is farthest from the corner at
u = 1/2, by 3/8 d sin(turn/2) (own derivation). Points are even in direction: at the angle f of
the whole turn p, s = sin f / (sin f + sin(p - f)), and u = 1/2 - sin(asin(1 - 2 s) / 3).
"""

from __future__ import annotations

import math

from hysteresis.kernels.compiled import compiled

REACH = 0.375  # deviation per distance and sine of half the turn


def corner_at(x, y, beam, dwell, i, blend, sharper, widest):
    """Distance d from the corner at row i, and the turn; (0, 0) where it stays as it is."""
    if beam[i] != beam[i + 1] or dwell[i] > 0.0:
        return 0.0, 0.0
    ux, uy, vx, vy = x[i] - x[i - 1], y[i] - y[i - 1], x[i + 1] - x[i], y[i + 1] - y[i]
    before, after = math.sqrt(ux * ux + uy * uy), math.sqrt(vx * vx + vy * vy)
    if before == 0.0 or after == 0.0:
        return 0.0, 0.0
    turn = abs(math.atan2(ux * vy - uy * vx, ux * vx + uy * vy))
    if not sharper < turn < widest:
        return 0.0, 0.0
    return min(blend / (REACH * math.sin(0.5 * turn)), 0.5 * min(before, after)), turn


def count_rows(x, y, beam, dwell, run_up, blend, sharper, widest, chord):
    """At most how many rows 1 … n - 2 become."""
    rows = 0
    for i in range(1, x.size - 1):
        d, turn = corner_at(x, y, beam, dwell, i, blend, sharper, widest)
        rows += 1 if d == 0.0 else 3 + 2 * math.ceil(0.5 * turn / chord)
    return rows


def blend_rows(
    x, y, beam, dwell, run_up, blend, sharper, widest, chord, x_out, y_out, source, waits
):
    """Fill what rows 1 … n - 2 become: places, the row each comes from, whether it still waits.

    `run_up` (n,) is the distance from the blend at which a longer move is divided. Returns the
    number of rows.
    """
    k = 0
    for i in range(1, x.size - 1):
        d, turn = corner_at(x, y, beam, dwell, i, blend, sharper, widest)
        if d == 0.0:
            x_out[k], y_out[k], source[k], waits[k] = x[i], y[i], i, True
            k += 1
            continue
        ux, uy, vx, vy = x[i] - x[i - 1], y[i] - y[i - 1], x[i + 1] - x[i], y[i + 1] - y[i]
        before, after = math.sqrt(ux * ux + uy * uy), math.sqrt(vx * vx + vy * vy)
        ux, uy, vx, vy = ux / before, uy / before, vx / after, vy / after
        chords = 2 * math.ceil(0.5 * turn / chord)
        for n in range(-1, chords + 2):
            if n < 0:
                first, second = -(d + run_up[i]), 0.0
                if d + run_up[i] >= 0.5 * before:
                    continue
            elif n > chords:
                first, second = 0.0, d + run_up[i + 1]
                if d + run_up[i + 1] >= 0.5 * after:
                    continue
            else:
                f = turn * n / chords
                s = math.sin(f) / (math.sin(f) + math.sin(turn - f))
                u = 0.5 - math.sin(math.asin(min(max(1.0 - 2.0 * s, -1.0), 1.0)) / 3.0)
                area = u**3 * (1.0 - 0.5 * u)
                first, second = d * (2.0 * (u - area) - 1.0), d * 2.0 * area
            x_out[k] = x[i] + first * ux + second * vx
            y_out[k] = y[i] + first * uy + second * vy
            source[k] = i if 2 * n <= chords else i + 1
            waits[k] = False
            k += 1
    return k


corner_at = compiled(corner_at)
count_rows = compiled(count_rows)
blend_rows = compiled(blend_rows)
