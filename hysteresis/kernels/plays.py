"""Plays and Kelvin creep of the drive: the compliance form, both ways round.

    deflection = curve(u) + sum(weight_i * play_i[u]) + sum(compliance_m * kelvin_m[u])

A play follows the drive u at the distance of its threshold: `z <- max(u - r, min(u + r, z))`
(Prandtl-Ishlinskii; Brokate & Sprekels, Visintin; from memory). A Kelvin mode (spring beside
dashpot) of unit compliance obeys `tau x' + x = u`; for a drive that is linear over a step h,
with s = h / tau, `x <- x + (1 - e^-s) (u_old - x) + (1 - (1 - e^-s) / s) (u_new - u_old)`
(textbook viscoelasticity). So a step of creep is a known part and a slope at once, and what is left
is a play form whose first weight is larger by that slope: Kuhnen's inverse (2003; see
tests/published/test_kuhnen_inverse.py) applies, sample by sample, with the weights of that step.

Its rule is used piece by piece. In every state that motion can make, plays begin to move in the
order of their thresholds, so a count `moving` and a direction `way` tell who moves; with a moving,
the play form is `held[a] + slope[a] u - way push[a]`, the inverse thresholds are its values at the
ends of pieces, the inverse weights differences of 1 / slope. Working in the drive's own states
needs no translation when the step length changes. Who moves, and every sum, is a function of the
states alone, so a run in blocks is bit for bit the run in one pass.

`curve` = slope at zero, square and cube coefficients, reach: beyond it the curve goes straight on.
`state` = last drive, plays' positions (n), modes' positions (m).
"""

from __future__ import annotations

import math

import numpy as np

from hysteresis.kernels.compiled import compiled


def curve_at(curve, u):
    """Deflection without memory at the drive `u`."""
    reach = curve[3]
    v = reach if u > reach else (-reach if u < -reach else u)
    value = v * (curve[0] + v * (curve[1] + v * curve[2]))
    if v != u:
        value += (curve[0] + v * (2.0 * curve[1] + 3.0 * v * curve[2])) * (u - v)
    return value


def solve_curve(curve, slope, value, guess):
    """The u at which `curve(u) + slope u = value`: in one division where straight, else by a
    bracketed Newton iteration to the rounding of `value`. The left side must rise strictly."""
    first = curve[0] + slope
    square, cube, reach = curve[1], curve[2], curve[3]
    if square == 0.0 and cube == 0.0:
        return value / first
    for end in (reach, -reach):
        beyond = value - end * (first + end * (square + end * cube))
        if beyond * end >= 0.0:
            return end + beyond / (first + end * (2.0 * square + 3.0 * end * cube))
    low, high = -reach, reach
    u = min(max(guess, low), high)
    for _ in range(80):  # bisection alone would be done by then
        excess = u * (first + u * (square + u * cube)) - value
        if excess > 0.0:
            high = u
        else:
            low = u
        tangent = first + u * (2.0 * square + 3.0 * u * cube)
        move = -excess / tangent
        if abs(move) <= 2.3e-16 * abs(value) / tangent:
            return u + move
        u += move
        if not low < u < high:
            u = 0.5 * (low + high)
    return u


def creep_coefficients(step_s, time_s, compliance, relax, gain):
    """Fill `relax` = 1 - e^-s and `gain` = 1 - relax / s of one step; returns their slope at once,
    the sum of `compliance * gain`."""
    slope = 0.0
    for m in range(time_s.size):
        s = step_s / time_s[m]
        relax[m] = -math.expm1(-s)
        # the difference cancels for small s: series, its next term is s^5 / 720
        gain[m] = (
            1.0 - relax[m] / s
            if s > 1e-3
            else s * (0.5 - s * (1.0 / 6.0 - s * (1.0 / 24.0 - s / 120.0)))
        )
        slope += compliance[m] * gain[m]
    return slope


def sums_of_weights(threshold, weight, slope, push):
    """`slope[a]`, `push[a]`: sums of weight and of weight × threshold of the first a plays."""
    slope[0] = push[0] = 0.0
    for i in range(weight.size):
        slope[i + 1] = slope[i] + weight[i]
        push[i + 1] = push[i] + weight[i] * threshold[i]


def who_moves(u, threshold, z):
    """Who moved last, and which way, as the state tells: (moving, way)."""
    for way in (1.0, -1.0):
        moving = 0
        while moving < z.size and z[moving] == u - way * threshold[moving]:
            moving += 1
        if moving > 0:
            return moving, way
    return 0, 0.0


def sums_of_held(weight, z, held):
    """`held[a]`, the sum of weight × position of all plays from the a-th."""
    n = z.size
    held[n] = 0.0
    for i in range(n - 1, -1, -1):
        held[i] = held[i + 1] + weight[i] * z[i]


def leave(u, threshold, z, moving, way):
    """Positions of the plays that move, written into `z`."""
    for i in range(moving):
        z[i] = u - way * threshold[i]


def stick(u, threshold, weight, z, held, moving, way):
    """Motion reverses at u: who moved stays where it is."""
    leave(u, threshold, z, moving, way)
    for i in range(moving - 1, -1, -1):
        held[i] = held[i + 1] + weight[i] * z[i]


def deflection_from_drive(
    drive, step_s, curve, threshold, weight, time_s, compliance, state
):  # fmt: skip
    """Deflection along a drive; `state` is updated in place."""
    n, count = weight.size, time_s.size
    z, x = state[1 : 1 + n], state[1 + n :]
    slope, push, held = np.empty(n + 1), np.empty(n + 1), np.empty(n + 1)
    relax, gain = np.empty(count), np.empty(count)
    out = np.empty(drive.size)
    sums_of_weights(threshold, weight, slope, push)
    before = state[0]
    sums_of_held(weight, z, held)
    moving, way = who_moves(before, threshold, z)
    last_s, at_once = -1.0, 0.0
    for k in range(drive.size):
        if step_s[k] != last_s:
            last_s = step_s[k]
            at_once = creep_coefficients(last_s, time_s, compliance, relax, gain)
        u = drive[k]
        move = u - before
        creep = 0.0
        for m in range(count):
            known = x[m] + relax[m] * (before - x[m])
            creep += compliance[m] * known
            x[m] = known + gain[m] * move
        if move != 0.0:
            if move * way <= 0.0:
                stick(before, threshold, weight, z, held, moving, way)
                moving = 0
                way = 1.0 if move > 0.0 else -1.0
            while moving < n and way * (u - way * threshold[moving] - z[moving]) >= 0.0:
                moving += 1
            if moving == 0:  # a move that is lost in rounding is none
                moving, way = who_moves(u, threshold, z)
        plays = held[moving] + slope[moving] * u - way * push[moving]
        out[k] = curve_at(curve, u) + plays + creep + at_once * move
        before = u
    leave(before, threshold, z, moving, way)
    state[0] = before
    return out


def drive_from_deflection(
    deflection, step_s, curve, threshold, weight, time_s, compliance, state
):  # fmt: skip
    """Drive along a deflection: the inverse of `deflection_from_drive`, same states."""
    n, count = weight.size, time_s.size
    z, x = state[1 : 1 + n], state[1 + n :]
    slope, push, held = np.empty(n + 1), np.empty(n + 1), np.empty(n + 1)
    relax, gain = np.empty(count), np.empty(count)
    out = np.empty(deflection.size)
    sums_of_weights(threshold, weight, slope, push)
    before = state[0]
    sums_of_held(weight, z, held)
    moving, way = who_moves(before, threshold, z)
    last_s, at_once = -1.0, 0.0
    for k in range(deflection.size):
        if step_s[k] != last_s:
            last_s = step_s[k]
            at_once = creep_coefficients(last_s, time_s, compliance, relax, gain)
        creep = 0.0
        for m in range(count):
            x[m] += relax[m] * (before - x[m])
            creep += compliance[m] * x[m]
        wanted = deflection[k] - creep
        plays = held[moving] + slope[moving] * before - way * push[moving]
        more = wanted - (curve_at(curve, before) + plays)
        u = before
        if more != 0.0:
            if more * way <= 0.0:
                stick(before, threshold, weight, z, held, moving, way)
                moving = 0
                way = 1.0 if more > 0.0 else -1.0
            wanted += at_once * before
            while moving < n:
                end = z[moving] + way * threshold[moving]
                at_end = (
                    curve_at(curve, end)
                    + held[moving]
                    + (slope[moving] + at_once) * end
                    - way * push[moving]
                )
                if way * (wanted - at_end) < 0.0:
                    break
                moving += 1
            u = solve_curve(
                curve, slope[moving] + at_once, wanted - held[moving] + way * push[moving], before
            )
            # who stands at its limit by rounding counts as moving, as when a block begins
            while moving < n and way * (u - way * threshold[moving] - z[moving]) >= 0.0:
                moving += 1
            if moving == 0:
                moving, way = who_moves(u, threshold, z)
        for m in range(count):
            x[m] += gain[m] * (u - before)
        out[k] = u
        before = u
    leave(before, threshold, z, moving, way)
    state[0] = before
    return out


def columns(drive, step_s, threshold, time_s):
    """Position of every play and every mode along a drive from rest, (samples, n + m)."""
    n, count = threshold.size, time_s.size
    out = np.empty((drive.size, n + count))
    z, x = np.zeros(n), np.zeros(count)
    relax, gain = np.empty(count), np.empty(count)
    before, last_s = 0.0, -1.0
    for k in range(drive.size):
        if step_s[k] != last_s:
            last_s = step_s[k]
            creep_coefficients(last_s, time_s, x, relax, gain)
        u = drive[k]
        for i in range(n):
            z[i] = max(u - threshold[i], min(u + threshold[i], z[i]))
            out[k, i] = z[i]
        for m in range(count):
            x[m] += relax[m] * (before - x[m]) + gain[m] * (u - before)
            out[k, n + m] = x[m]
        before = u
    return out


curve_at = compiled(curve_at)
solve_curve = compiled(solve_curve)
creep_coefficients = compiled(creep_coefficients)
sums_of_weights = compiled(sums_of_weights)
who_moves = compiled(who_moves)
sums_of_held = compiled(sums_of_held)
leave = compiled(leave)
stick = compiled(stick)
deflection_from_drive = compiled(deflection_from_drive)
drive_from_deflection = compiled(drive_from_deflection)
columns = compiled(columns)
