"""What both directions of the torque balance, and its sensitivities, share: the layout of the
arrays, what depends on the step length, and the implicit step. See `torque_balance`.

Coefficients of a step length take exponentials. A clock made of printed or subtracted times has a
few step lengths that alternate, so the last SLOTS of them are kept, by their exact value.
"""

from __future__ import annotations

import math

import numpy as np

from hysteresis.kernels import memory, stops
from hysteresis.kernels.compiled import compiled, inlined
from hysteresis.kernels.maxwell_branches import step_coefficients
from hysteresis.kernels.pieces import C0, C1, C2, C3, END, REF, WAY

HEAD = 8  # entries of the state before the memory's own
LINEAR = 7  # k1 k2 k3 g1 g2 b m: the scalars that have sensitivities, in this order
# a row of `steps`: step length, keep of both thermal lags, stiffness of the branches at once, what
# a step of the angle adds to the branches' torque one step later; then decay, gain and stiffness *
# decay of every branch
STEP, KEEP1, KEEP2, AT_ONCE, LATER = range(5)
OWN = 5
SLOTS = 8
_MAX_NEWTON = 80
_CLOSE = 1e-9  # a Newton step this small leaves its square: rounding
_HALVED = 4e-16  # halving leaves its step, not the square of it
_ROUNDING = 1e-17  # what an iteration may leave of the step, full scale
_NEAR = 0.125  # full scale: from a guess further off the sum itself has lost digits
_ALIKE = 1e-6  # of a step: so nearly equal in length that steps of the angle foretell the next


def no_steps(branches):
    """Empty `steps` for `row_of_step`."""
    steps = np.full((SLOTS + 1, OWN + 3 * branches), -1.0)
    steps[SLOTS, 0] = 0.0  # the row to be written next
    return steps


def row_of_step(h, scalars, time_s, branch, steps):
    """Number of the row of `steps` for the step length h; where there is none, the oldest goes."""
    for r in range(SLOTS):
        if steps[r, STEP] == h:
            return r
    r = int(steps[SLOTS, 0])
    steps[SLOTS, 0] = (r + 1) % SLOTS
    m = time_s.size
    row = steps[r]
    decay, gain, later = row[OWN : OWN + m], row[OWN + m : OWN + 2 * m], row[OWN + 2 * m :]
    step_coefficients(h, time_s, decay, gain)
    row[STEP] = h
    row[KEEP1] = math.exp(-h / scalars[5])
    row[KEEP2] = math.exp(-h / scalars[6])
    row[AT_ONCE] = row[LATER] = 0.0
    for i in range(m):
        later[i] = branch[i] * decay[i]
        row[AT_ONCE] += branch[i] * gain[i]
        row[LATER] += later[i] * gain[i]
    return r


def rates(h, h_before):
    """BDF2 weights of (new, last, last but one); first order when there is no earlier step."""
    if h_before > 0.0:
        ratio = h / h_before
        c0 = (1.0 + 2.0 * ratio) / ((1.0 + ratio) * h)
        c1 = -(1.0 + ratio) / h
        c2 = ratio * ratio / ((1.0 + ratio) * h)
    else:
        c0, c1, c2 = 1.0 / h, -1.0 / h, 0.0
    return c0, c1, c2


def alike(h, h_before):
    """Whether two step lengths are as good as equal for a first guess."""
    return abs(h - h_before) <= _ALIKE * h


def newton(
    u, soft, linear, constant, guess, theta, scalars, ref, c0, c1, c2, c3, end, way
):  # fmt: skip
    """The step of the angle that balances the drive `u` on the present piece; 1 where it is found,
    2 where the piece ends before it, else 0: two Newton iterations from a guess near enough.

    An iteration from x that moves by e leaves an error of (f″(x) / 2 + f‴ / 6 e) e² / f′ at
    most, e being the error before to first order: where that is below rounding, none follows to
    confirm it. The balance rises along a piece, so an answer in the piece's direction is the only
    one there.
    """
    s1, s2, s3 = soft * scalars[0], soft * scalars[1], soft * scalars[2]
    known = constant - u
    step = guess
    found = 0
    for _ in range(2):
        a = theta + step
        d = a - ref
        # short chains of operations: the next sample waits for this one
        value = (linear * step + known) + (a * s1 + (a * a) * (s2 + a * s3)) + (
            (c0 + d * c1) + (d * d) * (c2 + d * c3)
        )
        slope = (s1 + linear + a * (2.0 * s2 + a * (3.0 * s3))) + (
            c1 + d * (2.0 * c2 + d * (3.0 * c3))
        )
        e = value / slope
        step -= e
        bend = abs(s2 + 3.0 * a * s3 + c2 + 3.0 * d * c3) + abs((s3 + c3) * e)
        if bend * e * e <= _ROUNDING * slope and abs(e) <= _NEAR:
            found = 1
            break
    if not way * step > 0.0:
        found = 0
    elif way * (theta + step - end) > 0.0:
        d = end - ref
        value = (
            end * (s1 + end * (s2 + end * s3)) + (linear * (end - theta) + known)
            + (c0 + d * (c1 + d * (c2 + d * c3)))
        )  # fmt: skip
        found = 2 if way * value < 0.0 else 0
    return step, found


def ahead(steady, guess, d1, d2, d3):
    """First guess of a step of the angle: the cubic through the last steps where there are enough
    of equal length, else `guess`."""
    return 3.0 * d1 + (d3 - 3.0 * d2) if steady > 2 else guess


def walk(
    u, soft, linear, constant, theta, passed, scalars, kind, shape, work, piece, slopes, carry
):  # fmt: skip
    """Leave every piece that ends before the drive `u` is balanced; the step to where the present
    one begins, or `passed`. With `slopes`, the store of derivatives follows the events."""
    s1, s2, s3 = soft * scalars[0], soft * scalars[1], soft * scalars[2]
    known = constant - u
    way = piece[WAY]
    if kind == memory.SLIP:  # in registers
        first = int(work[0])
        passed = stops.walk(shape, work, piece, theta, passed, s1, s2, s3, linear, known)
        if slopes:
            last = work[0]
            for a in range(first, int(last)):
                work[0] = a
                stops.slope_onward(shape, work, piece, carry, LINEAR)
            work[0] = last
        return passed
    while True:
        end = piece[END]
        d = end - piece[REF]
        value = (
            end * (s1 + end * (s2 + end * s3)) + (linear * (end - theta) + known)
            + (piece[C0] + d * (piece[C1] + d * (piece[C2] + d * piece[C3])))
        )  # fmt: skip
        if not way * value < 0.0 or abs(end) == np.inf:
            return passed
        passed = end - theta
        if slopes:
            memory.slope_onward(kind, shape, work, piece, carry, LINEAR)
        memory.onward(kind, shape, work, piece)


def bracketed_step(
    u, soft, linear, constant, guess, theta, passed, scalars, kind, shape, work, piece,
    slopes, d_theta, carry,
):  # fmt: skip
    """The step of the angle from `theta` that balances the drive `u`, for what `newton` leaves.

    Events first, then a bracketed Newton iteration on the piece where the answer is. The piece
    holds at `theta`, or a step `passed` in its direction further on, which is too short. With
    `slopes`, the store of derivatives follows the events.
    """
    s1, s2, s3 = soft * scalars[0], soft * scalars[1], soft * scalars[2]
    way = piece[WAY]
    if passed == 0.0:
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
    passed = walk(
        u, soft, linear, constant, theta, passed, scalars, kind, shape, work, piece, slopes, carry
    )
    # along the way: x >= 0, and the value times the way rises from below zero
    ref, c0, c1, c2, c3 = piece[REF], piece[C0], piece[C1], piece[C2], piece[C3]
    lo, hi = abs(passed), way * (piece[END] - theta)
    x = min(max(guess * way, lo), hi)
    for _ in range(_MAX_NEWTON):
        a = theta + way * x
        d = a - ref
        value = way * (
            a * (s1 + a * (s2 + a * s3)) + linear * (way * x) + constant - u
            + c0 + d * (c1 + d * (c2 + d * c3))
        )  # fmt: skip
        slope = (
            s1 + a * (2.0 * s2 + 3.0 * a * s3) + linear + c1 + d * (2.0 * c2 + 3.0 * d * c3)
        )  # fmt: skip
        if value < 0.0:
            lo = x
        else:
            hi = x
        new = x - value / slope
        if slope > 0.0 and abs(new - x) <= _CLOSE * (1.0 + abs(theta)):
            x = min(max(new, lo), hi)
            break
        if not (slope > 0.0) or new < lo or new > hi:
            new = 0.5 * (lo + hi) if hi < np.inf else lo + 0.1
            if abs(new - x) <= _HALVED * (1.0 + abs(theta)):
                x = new
                break
        x = new
    return way * x


row_of_step = compiled(row_of_step)
no_steps = compiled(no_steps)
rates = compiled(rates)
alike = compiled(alike)
newton = inlined(newton)
ahead = inlined(ahead)
walk = compiled(walk)
bracketed_step = compiled(bracketed_step)
