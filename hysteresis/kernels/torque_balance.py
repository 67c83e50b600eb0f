"""The torque balance of one axis, both ways round; `torque_slopes` has its sensitivities.

    v = m theta'' + b theta' + s (k1 theta + k2 theta^2 + k3 theta^3)
        + H[theta] + sum stiffness_m y_m,      s = 1 - g1 T1 - g2 T2

`v` is the drive behind the drive chain, H a rate-independent memory (`memory`), `y` the stretches
of Maxwell branches, `T` two thermal lags of v^2. Angle to drive is explicit. Drive to angle is one
implicit step per sample: the right-hand side rises strictly with the newest angle, so a bracketed
Newton iteration on the memory's piece ends at machine precision. Rates come from the variable-step
second-order backward difference (BDF2; Hairer, Norsett & Wanner, Solving ODEs I, III.5; from
memory), applied once for the velocity and once more for the acceleration, so that both directions
use the very same discrete equation and invert each other.

Layout shared by all functions here (see `operators` for the typed view):
`scalars` = k1 k2 k3 g1 g2 heat_time1 heat_time2 b m;
`state` = theta theta_before velocity velocity_before step_before drive T1 T2, then the memory's
own state, then y.
"""

from __future__ import annotations

import numpy as np

from hysteresis.kernels import memory
from hysteresis.kernels.balance_step import (
    AT_ONCE,
    HEAD,
    KEEP1,
    KEEP2,
    LATER,
    LINEAR,
    OWN,
    ahead,
    alike,
    bracketed_step,
    newton,
    no_steps,
    rates,
    row_of_step,
)
from hysteresis.kernels.compiled import compiled
from hysteresis.kernels.pieces import BLOCK, C0, C1, C2, C3, END, PIECE_SIZE, REF, WAY

__all__ = ["HEAD", "LINEAR", "deflection_from_drive", "drive_from_deflection"]


def drive_from_deflection(theta, step_s, scalars, kind, shape, time_s, branch, state):
    """Drive that makes the angle follow `theta`; `state` is updated in place.

    `step_s[n]` is the time from sample n - 1 (or from the state) to sample n.
    """
    branches = time_s.size
    own = state.size - HEAD - branches
    z = state[HEAD : HEAD + own]
    y = state[HEAD + own :]
    steps = no_steps(branches)
    work = np.empty(memory.work_size(kind, shape))
    piece = np.zeros(PIECE_SIZE)
    out = np.empty(theta.size)
    k1, k2, k3, g1, g2 = scalars[0], scalars[1], scalars[2], scalars[3], scalars[4]
    b, m2 = scalars[7], scalars[8]
    now = now_before = -1.0
    r = 0
    c0 = c1 = c2 = keep1 = keep2 = 0.0
    for first in range(0, theta.size, BLOCK):
        memory.begin(kind, shape, z, state[0], work, piece)
        angle, angle1, v1, v2 = state[0], state[1], state[2], state[3]
        h_before, u, warm1, warm2 = state[4], state[5], state[6], state[7]
        ref, p0, p1, p2, p3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
        way, end = piece[WAY], piece[END]
        for n in range(first, min(first + BLOCK, theta.size)):
            h = step_s[n]
            if h != now or h_before != now_before:
                c0, c1, c2 = rates(h, h_before)
                if h != now:
                    r = row_of_step(h, scalars, time_s, branch, steps)
                    keep1, keep2 = steps[r, KEEP1], steps[r, KEEP2]
                now, now_before = h, h_before
            square = u * u
            warm1 = square + keep1 * (warm1 - square)
            warm2 = square + keep2 * (warm2 - square)
            soft = 1.0 - g1 * warm1 - g2 * warm2
            a = theta[n]
            delta = a - angle
            if (
                delta * way < 0.0 or way * (a - end) > 0.0 or (way == 0.0 and delta != 0.0)
            ):
                memory.reach(kind, shape, work, piece, angle, a)
                ref, p0, p1, p2, p3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
                way, end = piece[WAY], piece[END]
            d = a - ref
            total = soft * a * (k1 + a * (k2 + a * k3)) + (p0 + d * (p1 + d * (p2 + d * p3)))
            for m in range(branches):
                y[m] = steps[r, OWN + m] * y[m] + steps[r, OWN + branches + m] * delta
            for m in range(branches):
                total += branch[m] * y[m]
            velocity = c0 * delta + (c0 + c1) * angle + c2 * angle1
            total += b * velocity + m2 * (c0 * velocity + c1 * v1 + c2 * v2)
            out[n] = total
            u = total
            angle1, angle, v2, v1, h_before = angle, a, v1, velocity, h
        memory.finish(kind, shape, work, piece, angle, z)
        state[0], state[1], state[2], state[3] = angle, angle1, v1, v2
        state[4], state[5], state[6], state[7] = h_before, u, warm1, warm2
    return out


def deflection_from_drive(drive, step_s, scalars, kind, shape, time_s, branch, state):
    """Angle under the drive; `state` is updated in place."""
    branches = time_s.size
    own = state.size - HEAD - branches
    z = state[HEAD : HEAD + own]
    y = state[HEAD + own :]
    steps = no_steps(branches)
    work = np.empty(memory.work_size(kind, shape))
    piece = np.zeros(PIECE_SIZE)
    out = np.empty(drive.size)
    nothing, no_rows = np.empty(0), np.empty((0, 0))
    g1, g2, b, m2 = scalars[3], scalars[4], scalars[7], scalars[8]
    dynamic = b != 0.0 or m2 != 0.0
    now = now_before = -1.0
    r = 0
    c0 = c1 = c2 = keep1 = keep2 = at_once = later = at_branches = 0.0
    for first in range(0, drive.size, BLOCK):
        memory.begin(kind, shape, z, state[0], work, piece)
        angle, angle1, v1, v2 = state[0], state[1], state[2], state[3]
        h_before, u, warm1, warm2 = state[4], state[5], state[6], state[7]
        ref, p0, p1, p2, p3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
        way, end = piece[WAY], piece[END]
        steady = 0
        d1 = d2 = d3 = 0.0
        now = -1.0  # the branches' sum is made anew
        for n in range(first, min(first + BLOCK, drive.size)):
            h = step_s[n]
            if h != now or h_before != now_before:
                c0, c1, c2 = rates(h, h_before)
                if h != now:
                    r = row_of_step(h, scalars, time_s, branch, steps)
                    keep1, keep2 = steps[r, KEEP1], steps[r, KEEP2]
                    at_once, later = steps[r, AT_ONCE], steps[r, LATER]
                    at_branches = 0.0
                    for m in range(branches):
                        at_branches += steps[r, OWN + 2 * branches + m] * y[m]
                if not alike(h, h_before):
                    steady = 0
                now, now_before = h, h_before
            square = u * u
            warm1 = square + keep1 * (warm1 - square)
            warm2 = square + keep2 * (warm2 - square)
            soft = 1.0 - g1 * warm1 - g2 * warm2
            rest_v = (c0 + c1) * angle + c2 * angle1
            constant = at_branches
            if dynamic:  # else nobody waits for it
                constant += b * rest_v + m2 * (c0 * rest_v + c1 * v1 + c2 * v2)
            at_branches = 0.0
            for m in range(branches):  # the next sum but for what this step adds to it
                y[m] *= steps[r, OWN + m]
                at_branches += steps[r, OWN + 2 * branches + m] * y[m]
            linear = (b + m2 * c0) * c0 + at_once
            u = drive[n]
            guess = ahead(steady, v1 * h, d1, d2, d3)
            passed, found = 0.0, 2
            while found == 2:
                delta, found = newton(
                    u, soft, linear, constant, guess, angle, scalars, ref, p0, p1, p2, p3, end, way
                )
                if found == 1:
                    break
                if found == 2:
                    passed, guess = end - angle, delta
                    memory.onward(kind, shape, work, piece)
                else:
                    delta = bracketed_step(
                        u, soft, linear, constant, guess, angle, passed, scalars, kind, shape, work,
                        piece, False, nothing, no_rows,
                    )  # fmt: skip
                ref, p0, p1, p2, p3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
                way, end = piece[WAY], piece[END]
            for m in range(branches):
                y[m] += steps[r, OWN + branches + m] * delta
            at_branches += later * delta
            steady += 1
            d3, d2, d1 = d2, d1, delta
            angle1, angle, v2, v1, h_before = angle, angle + delta, v1, c0 * delta + rest_v, h
            out[n] = angle
        memory.finish(kind, shape, work, piece, angle, z)
        state[0], state[1], state[2], state[3] = angle, angle1, v1, v2
        state[4], state[5], state[6], state[7] = h_before, u, warm1, warm2
    return out


drive_from_deflection = compiled(drive_from_deflection)
deflection_from_drive = compiled(deflection_from_drive)
