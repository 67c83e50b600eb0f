"""Angle under a drive with its exact derivatives: `torque_balance`, differentiated.

Sums over elements and branches are kept from sample to sample (a memory's own in its store, that of
the branches beside `d_y`), so a sample costs one pass over the branches' derivatives and a few over
a single row.
"""

from __future__ import annotations

import numpy as np

from hysteresis.kernels import memory, stops
from hysteresis.kernels.balance_step import (
    AT_ONCE,
    HEAD,
    KEEP1,
    KEEP2,
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
from hysteresis.kernels.pieces import C0, C1, C2, C3, END, PIECE_SIZE, REF, WAY

_LANES = 16  # rows of derivatives are as long as a multiple of this: no remainder for vectors


def carried(d_y, later, total):
    """Fill `total`: derivative of the branches' torque one step later, at a fixed angle."""
    total[:] = 0.0
    for m in range(later.size):
        k = later[m]
        for p in range(total.size):
            total[p] += k * d_y[m, p]


def carry_row(row, change, keep, add, later, total):
    """One branch of `carry_on`: rows alone become vectors."""
    for p in range(row.size):
        d = keep * row[p] + add * change[p]
        row[p] = d
        total[p] += later * d


def carry_on(d_y, change, decay, gain, later, total):
    """Stretches' derivatives after a step that changes the angle's by `change`; and `carried`."""
    total[:] = 0.0
    for m in range(decay.size):
        carry_row(d_y[m], change, decay[m], gain[m], later[m], total)


def rates_on(g, factor, c0, c1, c2, d_theta1, d_theta2, d_v1, d_v2, change):
    """The new derivatives of the angle, factor × g, into `d_theta1`; the past moves on."""
    for p in range(g.size):
        d = g[p] * factor
        change[p] = d - d_theta1[p]
        d_v2[p] = d_v1[p]
        d_v1[p] = c0 * d + c1 * d_theta1[p] + c2 * d_theta2[p]
        d_theta2[p] = d_theta1[p]
        d_theta1[p] = d


def from_past(w1, w2, u1, u2, d_theta1, d_theta2, d_v1, d_v2, total, g):
    """Fill `g`: what moves the balance apart from the newest angle and the parameters."""
    for p in range(g.size):
        g[p] = (
            w1 * d_theta1[p] + w2 * d_theta2[p] + u1 * d_v1[p] + u2 * d_v2[p] + total[p]
        )  # fmt: skip


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
    wide = -(-count // _LANES) * _LANES
    z = state[HEAD : HEAD + own]
    y = state[HEAD + own :]
    steps = no_steps(branches)
    work = np.empty(memory.work_size(kind, shape))
    piece = np.zeros(PIECE_SIZE)
    theta_out = np.empty(drive.size)
    slope_out = np.empty((drive.size, count))
    carry = np.zeros((memory.carry_rows(kind, shape), wide))
    d_theta1 = np.zeros(wide)
    d_theta2 = np.zeros(wide)
    d_v1 = np.zeros(wide)
    d_v2 = np.zeros(wide)
    d_y = np.zeros((branches, wide))
    d_warm1 = np.zeros(chain)
    d_warm2 = np.zeros(chain)
    d_u = np.zeros(chain)
    for m in range(branches):
        d_y[m, at_history + m] = 1.0
    g = np.empty(wide)
    memory.begin(kind, shape, z, state[0], work, piece)
    memory.slope_begin(kind, shape, z, state[0], work, carry)
    angle, angle1, v1, v2 = state[0], state[1], state[2], state[3]
    h_before, u, warm1, warm2 = state[4], state[5], state[6], state[7]
    b, m2 = scalars[7], scalars[8]
    change, total = np.empty(wide), np.zeros(wide)
    decay = gain = later = steps[0, OWN:OWN]
    now = now_before = -1.0
    r = steady = 0
    c0 = c1 = c2 = d1 = d2 = d3 = 0.0
    ref, p0, p1, p2, p3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
    way, end = piece[WAY], piece[END]
    for n in range(drive.size):
        h = step_s[n]
        if h != now or h_before != now_before:
            c0, c1, c2 = rates(h, h_before)
            if h != now:
                r = row_of_step(h, scalars, time_s, branch, steps)
                decay = steps[r, OWN : OWN + branches]
                gain = steps[r, OWN + branches : OWN + 2 * branches]
                later = steps[r, OWN + 2 * branches :]
                carried(d_y, later, total)
            if not alike(h, h_before):
                steady = 0
            now, now_before = h, h_before
        keep1, keep2, at_once = steps[r, KEEP1], steps[r, KEEP2], steps[r, AT_ONCE]
        square = u * u
        warm1 = square + keep1 * (warm1 - square)
        warm2 = square + keep2 * (warm2 - square)
        for q in range(chain):
            d_square = 2.0 * u * d_u[q]
            d_warm1[q] = d_square + keep1 * (d_warm1[q] - d_square)
            d_warm2[q] = d_square + keep2 * (d_warm2[q] - d_square)
            d_u[q] = d_drive[n, q]
        soft = 1.0 - scalars[3] * warm1 - scalars[4] * warm2
        rest_v = (c0 + c1) * angle + c2 * angle1
        constant = b * rest_v + m2 * (c0 * rest_v + c1 * v1 + c2 * v2)
        for m in range(branches):
            constant += later[m] * y[m]
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
                memory.slope_onward(kind, shape, work, piece, carry, LINEAR)
                memory.onward(kind, shape, work, piece)
            else:
                delta = bracketed_step(
                    u, soft, linear, constant, guess, angle, passed, scalars, kind, shape, work,
                    piece, True, d_theta1, carry,
                )  # fmt: skip
            ref, p0, p1, p2, p3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
            way, end = piece[WAY], piece[END]
        steady += 1
        d3, d2, d1 = d2, d1, delta
        angle1, angle = angle, angle + delta
        velocity = c0 * delta + rest_v
        acceleration = c0 * velocity + c1 * v1 + c2 * v2
        elastic = angle * (scalars[0] + angle * (scalars[1] + angle * scalars[2]))
        tangent = (
            soft * (scalars[0] + angle * (2.0 * scalars[1] + 3.0 * angle * scalars[2]))
            + linear
            + memory.tangent_of(piece, angle)
        )
        from_past(
            (b + m2 * c0) * c1 - at_once, (b + m2 * c0) * c2, m2 * c1, m2 * c2,
            d_theta1, d_theta2, d_v1, d_v2, total, g,
        )  # fmt: skip
        if kind == memory.SLIP:  # spares the way through the switch, as long as the sum itself
            stops.slope_at(shape, work, piece, angle, carry, g, LINEAR)
        else:
            memory.slope_at(kind, shape, work, piece, angle, carry, g, LINEAR)
        for m in range(branches):
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
        rates_on(g, -1.0 / tangent, c0, c1, c2, d_theta1, d_theta2, d_v1, d_v2, change)
        slope_out[n, :] = d_theta1[:count]
        if branches:
            carry_on(d_y, change, decay, gain, later, total)
        v2, v1, h_before = v1, velocity, h
        theta_out[n] = angle
    memory.finish(kind, shape, work, piece, angle, z)
    state[0], state[1], state[2], state[3] = angle, angle1, v1, v2
    state[4], state[5], state[6], state[7] = h_before, u, warm1, warm2
    return theta_out, slope_out


carried = compiled(carried)
carry_row = compiled(carry_row)
carry_on = compiled(carry_on)
rates_on = compiled(rates_on)
from_past = compiled(from_past)
deflection_with_sensitivities = compiled(deflection_with_sensitivities)
