"""The torque balance of one axis, both ways round, and its exact sensitivities.

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

import math

import numpy as np

from hysteresis.kernels import memory
from hysteresis.kernels.compiled import compiled, inlined
from hysteresis.kernels.maxwell_branches import step_coefficients
from hysteresis.kernels.pieces import BLOCK, C0, C1, C2, C3, END, PIECE_SIZE, REF, WAY

HEAD = 8  # entries of the state before the memory's own
LINEAR = 7  # k1 k2 k3 g1 g2 b m: the scalars that have sensitivities, in this order
# what depends on the step alone: rate weights (3), keep of both thermal lags, the two steps
RATE0, RATE1, RATE2, KEEP1, KEEP2, H, H_BEFORE = range(7)
_MAX_NEWTON = 80
_CLOSE = 1e-9  # a Newton step this small leaves its square: rounding
_ROUNDING = 1e-17  # what an iteration may leave of the step, full scale
_ALIKE = 1e-6  # of a step: so nearly equal in length that steps of the angle foretell the next


def _for_step(h, h_before, scalars, time_s, fixed, decay, gain):
    """Everything that depends on the step lengths alone, kept while they do not change.

    BDF2 weights of (new, last, last but one); first order when there is no earlier step.
    """
    if h != fixed[H]:
        step_coefficients(h, time_s, decay, gain)
        fixed[KEEP1] = math.exp(-h / scalars[5])
        fixed[KEEP2] = math.exp(-h / scalars[6])
    fixed[H], fixed[H_BEFORE] = h, h_before
    if h_before <= 0.0:
        fixed[RATE0], fixed[RATE1], fixed[RATE2] = 1.0 / h, -1.0 / h, 0.0
    else:
        ratio = h / h_before
        fixed[RATE0] = (1.0 + 2.0 * ratio) / ((1.0 + ratio) * h)
        fixed[RATE1] = -(1.0 + ratio) / h
        fixed[RATE2] = ratio * ratio / ((1.0 + ratio) * h)


def _newton(
    u, soft, linear, constant, guess, theta, scalars, ref, c0, c1, c2, c3, end, way
):  # fmt: skip
    """The step of the angle that balances the drive `u` on the present piece, and whether it is
    found: two Newton iterations from a guess near enough, no bracket, no event.

    An iteration that moves by e leaves f''/(2 f') e²: where that is below rounding, none follows
    to confirm it. The piece rises, so an answer on it in its own direction is the only one.
    """
    s1, s2, s3 = soft * scalars[0], soft * scalars[1], soft * scalars[2]
    known = constant - u
    step = guess
    found = False
    for _ in range(2):
        a = theta + step
        d = a - ref
        value = (
            a * (s1 + a * (s2 + a * s3)) + (linear * step + known)
            + (c0 + d * (c1 + d * (c2 + d * c3)))
        )  # fmt: skip
        slope = (
            (s1 + linear) + a * (2.0 * s2 + 3.0 * a * s3)
            + (c1 + d * (2.0 * c2 + 3.0 * d * c3))
        )  # fmt: skip
        bend = abs(s2 + 3.0 * a * s3) + abs(c2 + 3.0 * d * c3)
        e = value / slope
        step -= e
        if bend * e * e <= _ROUNDING * slope:
            found = True
            break
    found = found and way * step > 0.0 and way * (theta + step - end) <= 0.0
    return step, found


def _ahead(steady, guess, d1, d2, d3):
    """First guess of a step of the angle: the cubic through the last steps where there are enough
    of equal length, else `guess`."""
    return 3.0 * (d1 - d2) + d3 if steady > 2 else guess


def _step(
    u, soft, linear, constant, guess, theta, scalars, kind, shape, work, piece,
    slopes, d_theta, carry,
):  # fmt: skip
    """The step of the angle from `theta` that balances the drive `u`; the piece holds there.

    A bracketed Newton iteration that walks from event to event, for what `_newton` leaves. With
    `slopes`, the store of derivatives follows the events.
    """
    s1, s2, s3 = soft * scalars[0], soft * scalars[1], soft * scalars[2]
    d = theta - piece[REF]
    value = (
        theta * (s1 + theta * (s2 + theta * s3)) + constant - u
        + piece[C0] + d * (piece[C1] + d * (piece[C2] + d * piece[C3]))
    )  # fmt: skip
    if value == 0.0:
        return 0.0
    way = 1.0 if value < 0.0 else -1.0
    if piece[WAY] != way:
        if slopes:
            memory.slope_turn(kind, shape, work, piece, theta, way, d_theta, carry, LINEAR)
        memory.turn(kind, shape, work, piece, theta, way)
    # along the way: x >= 0, and the value times the way rises from below zero
    lo, hi = 0.0, np.inf
    x = guess * way
    if not (x > 0.0):
        x = 0.0
    tries = 0
    while tries < _MAX_NEWTON:
        end = way * (piece[END] - theta)
        probing = x > end
        if probing:
            x = end
        a = theta + way * x
        d = a - piece[REF]
        value = way * (
            a * (s1 + a * (s2 + a * s3)) + linear * (way * x) + constant - u
            + piece[C0] + d * (piece[C1] + d * (piece[C2] + d * piece[C3]))
        )  # fmt: skip
        slope = (
            s1 + a * (2.0 * s2 + 3.0 * a * s3) + linear
            + piece[C1] + d * (2.0 * piece[C2] + 3.0 * d * piece[C3])
        )  # fmt: skip
        if value < 0.0:
            lo = x
        else:
            hi = x
        new = x - value / slope
        near = _CLOSE
        if not (slope > 0.0) or new < lo or new > hi:
            new = 0.5 * (lo + hi) if hi < np.inf else lo + 0.1
            near = 4e-16  # halving leaves its step, not the square of it
        if probing and value < 0.0:
            if slopes:
                memory.slope_onward(kind, shape, work, piece, carry, LINEAR)
            memory.onward(kind, shape, work, piece)
            x = new
            continue  # walking on costs no try
        tries += 1
        done = abs(new - x) <= near * (1.0 + abs(theta))
        x = new
        if done and x <= end:
            break
    return way * x


def drive_from_deflection(theta, step_s, scalars, kind, shape, time_s, branch, state):
    """Drive that makes the angle follow `theta`; `state` is updated in place.

    `step_s[n]` is the time from sample n - 1 (or from the state) to sample n.
    """
    branches = time_s.size
    own = state.size - HEAD - branches
    z = state[HEAD : HEAD + own]
    y = state[HEAD + own :]
    decay = np.empty(branches)
    gain = np.empty(branches)
    fixed = np.full(7, -1.0)
    work = np.empty(memory.work_size(kind, shape))
    piece = np.zeros(PIECE_SIZE)
    out = np.empty(theta.size)
    k1, k2, k3, g1, g2 = scalars[0], scalars[1], scalars[2], scalars[3], scalars[4]
    b, m2 = scalars[7], scalars[8]
    for first in range(0, theta.size, BLOCK):
        memory.begin(kind, shape, z, state[0], work, piece)
        angle, angle1, v1, v2 = state[0], state[1], state[2], state[3]
        h_before, u, warm1, warm2 = state[4], state[5], state[6], state[7]
        ref, p0, p1, p2, p3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
        way, end = piece[WAY], piece[END]
        for n in range(first, min(first + BLOCK, theta.size)):
            h = step_s[n]
            if h != fixed[H] or h_before != fixed[H_BEFORE]:
                _for_step(h, h_before, scalars, time_s, fixed, decay, gain)
            c0, c1, c2 = fixed[RATE0], fixed[RATE1], fixed[RATE2]
            square = u * u
            warm1 = square + fixed[KEEP1] * (warm1 - square)
            warm2 = square + fixed[KEEP2] * (warm2 - square)
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
                y[m] = decay[m] * y[m] + gain[m] * delta
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
    decay = np.empty(branches)
    gain = np.empty(branches)
    fixed = np.full(7, -1.0)
    work = np.empty(memory.work_size(kind, shape))
    piece = np.zeros(PIECE_SIZE)
    out = np.empty(drive.size)
    nothing, no_rows = np.empty(0), np.empty((0, 0))
    g1, g2, b, m2 = scalars[3], scalars[4], scalars[7], scalars[8]
    kept = np.empty(branches)  # weight of the stretch one step later
    branch_gain = kept_gain = at_branches = 0.0
    for first in range(0, drive.size, BLOCK):
        memory.begin(kind, shape, z, state[0], work, piece)
        angle, angle1, v1, v2 = state[0], state[1], state[2], state[3]
        h_before, u, warm1, warm2 = state[4], state[5], state[6], state[7]
        ref, p0, p1, p2, p3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
        way, end = piece[WAY], piece[END]
        steady = 0
        d1 = d2 = d3 = 0.0
        fixed[H] = -1.0  # the branches' sum is made anew
        for n in range(first, min(first + BLOCK, drive.size)):
            h = step_s[n]
            if h != fixed[H] or h_before != fixed[H_BEFORE]:
                _for_step(h, h_before, scalars, time_s, fixed, decay, gain)
                branch_gain = kept_gain = at_branches = 0.0
                for m in range(branches):
                    kept[m] = branch[m] * decay[m]
                    branch_gain += branch[m] * gain[m]
                    kept_gain += kept[m] * gain[m]
                    at_branches += kept[m] * y[m]
                if abs(h - h_before) > _ALIKE * h:
                    steady = 0
            c0, c1, c2 = fixed[RATE0], fixed[RATE1], fixed[RATE2]
            square = u * u
            warm1 = square + fixed[KEEP1] * (warm1 - square)
            warm2 = square + fixed[KEEP2] * (warm2 - square)
            soft = 1.0 - g1 * warm1 - g2 * warm2
            rest_v = (c0 + c1) * angle + c2 * angle1
            constant = b * rest_v + m2 * (c0 * rest_v + c1 * v1 + c2 * v2)
            constant += at_branches
            at_branches = 0.0
            for m in range(branches):  # the next sum but for what this step adds to it
                y[m] *= decay[m]
                at_branches += kept[m] * y[m]
            linear = (b + m2 * c0) * c0 + branch_gain
            u = drive[n]
            guess = _ahead(steady, v1 * h, d1, d2, d3)
            delta, found = _newton(
                u, soft, linear, constant, guess, angle, scalars, ref, p0, p1, p2, p3, end, way
            )
            if not found:
                delta = _step(
                    u, soft, linear, constant, guess, angle, scalars, kind, shape, work, piece,
                    False, nothing, no_rows,
                )  # fmt: skip
                ref, p0, p1, p2, p3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
                way, end = piece[WAY], piece[END]
            for m in range(branches):
                y[m] += gain[m] * delta
            at_branches += kept_gain * delta
            steady += 1
            d3, d2, d1 = d2, d1, delta
            angle1, angle, v2, v1, h_before = angle, angle + delta, v1, c0 * delta + rest_v, h
            out[n] = angle
        memory.finish(kind, shape, work, piece, angle, z)
        state[0], state[1], state[2], state[3] = angle, angle1, v1, v2
        state[4], state[5], state[6], state[7] = h_before, u, warm1, warm2
    return out


def deflection_with_sensitivities(
    drive, d_drive, step_s, scalars, kind, shape, parameters, time_s, branch, state
):  # fmt: skip
    """Angle under the drive and its exact derivatives, by the same recursion.

    `parameters` is the memory's own number of unknowns; `d_drive` (samples, q) holds derivatives
    of the drive by q unknowns of the drive chain. Returns `theta` (samples,) and `slope`
    (samples, p), in the order k1 k2 k3 g1 g2 b m, the memory's own, branch stiffnesses, branch
    stretches at the start, drive chain. `state` is updated in place.
    """
    branches = time_s.size
    own = state.size - HEAD - branches
    chain = d_drive.shape[1]
    at_branch = LINEAR + parameters
    at_history = at_branch + branches
    at_chain = at_history + branches
    count = at_chain + chain
    z = state[HEAD : HEAD + own]
    y = state[HEAD + own :]
    decay = np.empty(branches)
    gain = np.empty(branches)
    fixed = np.full(7, -1.0)
    work = np.empty(memory.work_size(kind, shape))
    piece = np.zeros(PIECE_SIZE)
    theta_out = np.empty(drive.size)
    slope_out = np.empty((drive.size, count))
    carry = np.zeros((memory.carry_rows(kind, shape), count))
    d_theta1 = np.zeros(count)
    d_theta2 = np.zeros(count)
    d_v1 = np.zeros(count)
    d_v2 = np.zeros(count)
    d_y = np.zeros((branches, count))
    d_warm1 = np.zeros(chain)
    d_warm2 = np.zeros(chain)
    d_u = np.zeros(chain)
    for m in range(branches):
        d_y[m, at_history + m] = 1.0
    g = np.empty(count)
    memory.begin(kind, shape, z, state[0], work, piece)
    memory.slope_begin(kind, shape, z, state[0], work, carry)
    angle, angle1, v1, v2 = state[0], state[1], state[2], state[3]
    h_before, u, warm1, warm2 = state[4], state[5], state[6], state[7]
    b, m2 = scalars[7], scalars[8]
    branch_gain = 0.0
    for n in range(drive.size):
        h = step_s[n]
        if h != fixed[H] or h_before != fixed[H_BEFORE]:
            _for_step(h, h_before, scalars, time_s, fixed, decay, gain)
            branch_gain = 0.0
            for m in range(branches):
                branch_gain += branch[m] * gain[m]
        c0, c1, c2 = fixed[RATE0], fixed[RATE1], fixed[RATE2]
        square = u * u
        warm1 = square + fixed[KEEP1] * (warm1 - square)
        warm2 = square + fixed[KEEP2] * (warm2 - square)
        for q in range(chain):
            d_square = 2.0 * u * d_u[q]
            d_warm1[q] = d_square + fixed[KEEP1] * (d_warm1[q] - d_square)
            d_warm2[q] = d_square + fixed[KEEP2] * (d_warm2[q] - d_square)
            d_u[q] = d_drive[n, q]
        soft = 1.0 - scalars[3] * warm1 - scalars[4] * warm2
        rest_v = (c0 + c1) * angle + c2 * angle1
        constant = b * rest_v + m2 * (c0 * rest_v + c1 * v1 + c2 * v2)
        for m in range(branches):
            constant += branch[m] * decay[m] * y[m]
        linear = (b + m2 * c0) * c0 + branch_gain
        u = drive[n]
        delta = _step(
            u, soft, linear, constant, v1 * h, angle, scalars, kind, shape, work, piece,
            True, d_theta1, carry,
        )  # fmt: skip
        angle1, angle = angle, angle + delta
        velocity = c0 * delta + rest_v
        acceleration = c0 * velocity + c1 * v1 + c2 * v2
        elastic = angle * (scalars[0] + angle * (scalars[1] + angle * scalars[2]))
        tangent = (
            soft * (scalars[0] + angle * (2.0 * scalars[1] + 3.0 * angle * scalars[2]))
            + linear
            + memory.tangent_of(piece, angle)
        )
        # what moves the balance apart from the newest angle
        w1 = (b + m2 * c0) * c1 - branch_gain
        w2 = (b + m2 * c0) * c2
        u1 = m2 * c1
        u2 = m2 * c2
        for p in range(count):
            g[p] = w1 * d_theta1[p] + w2 * d_theta2[p] + u1 * d_v1[p] + u2 * d_v2[p]
        memory.slope_at(kind, shape, work, piece, angle, carry, g, LINEAR)
        for m in range(branches):
            k = branch[m] * decay[m]
            for p in range(count):
                g[p] += k * d_y[m, p]
            y[m] = decay[m] * y[m] + gain[m] * delta
            g[at_branch + m] += y[m]
        g[0] += soft * angle
        g[1] += soft * angle * angle
        g[2] += soft * angle * angle * angle
        g[3] -= warm1 * elastic
        g[4] -= warm2 * elastic
        g[5] += velocity
        g[6] += acceleration
        for q in range(chain):
            g[at_chain + q] -= (
                d_drive[n, q]
                + (scalars[3] * d_warm1[q] + scalars[4] * d_warm2[q]) * elastic
            )  # fmt: skip
        inverse = -1.0 / tangent
        for p in range(count):
            d = g[p] * inverse
            slope_out[n, p] = d
            change = d - d_theta1[p]
            dv = c0 * d + c1 * d_theta1[p] + c2 * d_theta2[p]
            for m in range(branches):
                d_y[m, p] = decay[m] * d_y[m, p] + gain[m] * change
            d_v2[p] = d_v1[p]
            d_v1[p] = dv
            d_theta2[p] = d_theta1[p]
            d_theta1[p] = d
        v2, v1, h_before = v1, velocity, h
        theta_out[n] = angle
    memory.finish(kind, shape, work, piece, angle, z)
    state[0], state[1], state[2], state[3] = angle, angle1, v1, v2
    state[4], state[5], state[6], state[7] = h_before, u, warm1, warm2
    return theta_out, slope_out


_for_step = compiled(_for_step)
_newton = inlined(_newton)
_ahead = inlined(_ahead)
_step = compiled(_step)
drive_from_deflection = compiled(drive_from_deflection)
deflection_from_drive = compiled(deflection_from_drive)
deflection_with_sensitivities = compiled(deflection_with_sensitivities)
