"""The torque balance of one axis, both ways round, and its exact sensitivities.

    drive = m theta'' + b theta' + s (k1 theta + k2 theta^2 + k3 theta^3)
            + sum stiffness_i z_i + sum stiffness_m y_m,      s = 1 - g1 T1 - g2 T2

`z` are Maxwell-slip stretches, `y` Maxwell-branch stretches, `T` two thermal lags of drive^2.
Angle to drive is explicit. Drive to angle is one implicit step per sample: the right-hand side
rises strictly with the newest angle, so a bracketed Newton iteration ends at machine precision.
Rates come from the variable-step second-order backward difference (BDF2; Hairer, Norsett &
Wanner, Solving ODEs I, III.5; from memory), applied once for the velocity and once more for the
acceleration, so that both directions use the very same discrete equation and invert each other.

Layout shared by all functions here (see `operators` for the typed view):
`scalars` = k1 k2 k3 g1 g2 heat_time1 heat_time2 b m;
`state` = theta theta_before velocity velocity_before step_before drive T1 T2, then z, then y.
"""

from __future__ import annotations

import math

import numpy as np

from hysteresis.kernels.compiled import compiled
from hysteresis.kernels.maxwell_branches import step_coefficients
from hysteresis.kernels.stops import advance, trial

HEAD = 8  # entries of the state before the stretches
LINEAR = 7  # k1 k2 k3 g1 g2 b m: the scalars that have sensitivities, in this order
_MAX_NEWTON = 60


def _rate_coefficients(h, h_before):
    """BDF2 weights of (new, last, last but one); first order when there is no earlier step."""
    if h_before <= 0.0:
        return 1.0 / h, -1.0 / h, 0.0
    ratio = h / h_before
    return (
        (1.0 + 2.0 * ratio) / ((1.0 + ratio) * h),
        -(1.0 + ratio) / h,
        ratio * ratio / ((1.0 + ratio) * h),
    )


def _warm(state, scalars, h):
    """Thermal lags after a step under the drive of the step before; returns the softening s."""
    square = state[5] * state[5]
    soft = 1.0
    for j in range(2):
        keep = math.exp(-h / scalars[5 + j])
        state[6 + j] = keep * state[6 + j] + (1.0 - keep) * square
        soft -= scalars[3 + j] * state[6 + j]
    return soft


def _solve(u, theta, guess, soft, scalars, linear, constant, z, limit, stiffness):
    """The step of the angle that balances the drive `u`."""
    lo, hi = -np.inf, np.inf
    delta = guess
    for _ in range(_MAX_NEWTON):
        a = theta + delta
        slip_torque, slip_tangent = trial(z, limit, stiffness, delta)
        value = (
            soft * a * (scalars[0] + a * (scalars[1] + a * scalars[2]))
            + linear * delta
            + constant
            + slip_torque
            - u
        )
        slope = (
            soft * (scalars[0] + a * (2.0 * scalars[1] + 3.0 * a * scalars[2]))
            + linear
            + slip_tangent
        )
        if value == 0.0:
            return delta
        if value > 0.0:
            hi = delta
        else:
            lo = delta
        new = delta - value / slope if slope > 0.0 else 0.5 * (lo + hi)
        if new <= lo or new >= hi:
            if lo > -np.inf and hi < np.inf:
                new = 0.5 * (lo + hi)
            elif not (slope > 0.0):
                new = delta - math.copysign(0.1, value)
        if abs(new - delta) <= 2e-16 * (1.0 + abs(theta)):
            return new
        delta = new
    return delta


def _turn(state, theta, velocity, h, u):
    state[1] = state[0]
    state[0] = theta
    state[3] = state[2]
    state[2] = velocity
    state[4] = h
    state[5] = u


def drive_from_deflection(theta, step_s, scalars, limit, stiffness, time_s, branch, state):
    """Drive that makes the angle follow `theta`; `state` is updated in place.

    `step_s[n]` is the time from sample n - 1 (or from the state) to sample n.
    """
    slips, branches = limit.size, time_s.size
    z = state[HEAD : HEAD + slips]
    y = state[HEAD + slips :]
    decay = np.empty(branches)
    gain = np.empty(branches)
    out = np.empty(theta.size)
    last = -1.0
    for n in range(theta.size):
        h = step_s[n]
        if h != last:
            last = h
            step_coefficients(h, time_s, decay, gain)
        soft = _warm(state, scalars, h)
        a = theta[n]
        delta = a - state[0]
        advance(z, limit, delta)
        total = soft * a * (scalars[0] + a * (scalars[1] + a * scalars[2]))
        for i in range(slips):
            total += stiffness[i] * z[i]
        for m in range(branches):
            y[m] = decay[m] * y[m] + gain[m] * delta
            total += branch[m] * y[m]
        c0, c1, c2 = _rate_coefficients(h, state[4])
        velocity = c0 * delta + (c0 + c1) * state[0] + c2 * state[1]
        acceleration = c0 * velocity + c1 * state[2] + c2 * state[3]
        total += scalars[7] * velocity + scalars[8] * acceleration
        out[n] = total
        _turn(state, a, velocity, h, total)
    return out


def deflection_from_drive(drive, step_s, scalars, limit, stiffness, time_s, branch, state):
    """Angle under the drive; `state` is updated in place."""
    slips, branches = limit.size, time_s.size
    z = state[HEAD : HEAD + slips]
    y = state[HEAD + slips :]
    decay = np.empty(branches)
    gain = np.empty(branches)
    out = np.empty(drive.size)
    last = -1.0
    for n in range(drive.size):
        # the step stands here and once more below: called as a function it took 1.6 times as long
        h = step_s[n]
        if h != last:
            last = h
            step_coefficients(h, time_s, decay, gain)
        soft = _warm(state, scalars, h)
        c0, c1, c2 = _rate_coefficients(h, state[4])
        rest_v = (c0 + c1) * state[0] + c2 * state[1]
        rest_a = c0 * rest_v + c1 * state[2] + c2 * state[3]
        constant = scalars[7] * rest_v + scalars[8] * rest_a
        linear = scalars[7] * c0 + scalars[8] * c0 * c0
        for m in range(branches):
            constant += branch[m] * decay[m] * y[m]
            linear += branch[m] * gain[m]
        delta = _solve(
            drive[n], state[0], state[2] * h, soft, scalars, linear, constant, z, limit, stiffness
        )
        advance(z, limit, delta)
        for m in range(branches):
            y[m] = decay[m] * y[m] + gain[m] * delta
        theta = state[0] + delta
        out[n] = theta
        _turn(state, theta, c0 * delta + rest_v, h, drive[n])
    return out


def deflection_with_sensitivities(
    drive, step_s, scalars, limit, stiffness, time_s, branch, state
):  # fmt: skip
    """Angle under the drive and its exact derivatives, by the same recursion.

    Returns `theta` (samples,) and `slope` (samples, parameters), parameters in the order
    k1 k2 k3 g1 g2 b m, slip stiffnesses, branch stiffnesses, branch stretches at the start.
    A sticking element has z = theta - anchor, so only the anchors' derivatives are carried and
    they change only while the element slips. `state` is updated in place.
    """
    slips, branches = limit.size, time_s.size
    count = LINEAR + slips + 2 * branches
    z = state[HEAD : HEAD + slips]
    y = state[HEAD + slips :]
    decay = np.empty(branches)
    gain = np.empty(branches)
    theta_out = np.empty(drive.size)
    slope_out = np.empty((drive.size, count))
    d_theta1 = np.zeros(count)
    d_theta2 = np.zeros(count)
    d_v1 = np.zeros(count)
    d_v2 = np.zeros(count)
    d_anchor = np.zeros((slips, count))
    d_y = np.zeros((branches, count))
    for m in range(branches):
        d_y[m, LINEAR + slips + branches + m] = 1.0
    g = np.empty(count)
    last = -1.0
    for n in range(drive.size):
        h = step_s[n]
        if h != last:
            last = h
            step_coefficients(h, time_s, decay, gain)
        soft = _warm(state, scalars, h)
        c0, c1, c2 = _rate_coefficients(h, state[4])
        rest_v = (c0 + c1) * state[0] + c2 * state[1]
        rest_a = c0 * rest_v + c1 * state[2] + c2 * state[3]
        constant = scalars[7] * rest_v + scalars[8] * rest_a
        linear = scalars[7] * c0 + scalars[8] * c0 * c0
        branch_gain = 0.0
        for m in range(branches):
            constant += branch[m] * decay[m] * y[m]
            branch_gain += branch[m] * gain[m]
        linear += branch_gain
        delta = _solve(
            drive[n], state[0], state[2] * h, soft, scalars, linear, constant, z, limit, stiffness
        )
        advance(z, limit, delta)
        theta = state[0] + delta
        velocity = c0 * delta + rest_v
        acceleration = c0 * velocity + c1 * state[2] + c2 * state[3]
        elastic = theta * (scalars[0] + theta * (scalars[1] + theta * scalars[2]))
        tangent = (
            soft * (scalars[0] + theta * (2.0 * scalars[1] + 3.0 * theta * scalars[2])) + linear
        )
        # what moves the balance apart from the newest angle
        w1 = (scalars[7] + scalars[8] * c0) * c1 - branch_gain
        w2 = (scalars[7] + scalars[8] * c0) * c2
        v1 = scalars[8] * c1
        v2 = scalars[8] * c2
        for p in range(count):
            g[p] = w1 * d_theta1[p] + w2 * d_theta2[p] + v1 * d_v1[p] + v2 * d_v2[p]
        for i in range(slips):
            if abs(z[i]) < limit[i]:
                k = stiffness[i]
                tangent += k
                for p in range(count):
                    g[p] -= k * d_anchor[i, p]
            g[LINEAR + i] += z[i]
        for m in range(branches):
            k = branch[m] * decay[m]
            for p in range(count):
                g[p] += k * d_y[m, p]
            y[m] = decay[m] * y[m] + gain[m] * delta
            g[LINEAR + slips + m] += y[m]
        g[0] += soft * theta
        g[1] += soft * theta * theta
        g[2] += soft * theta * theta * theta
        g[3] -= state[6] * elastic
        g[4] -= state[7] * elastic
        g[5] += velocity
        g[6] += acceleration
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
        for i in range(slips):
            if abs(z[i]) >= limit[i]:
                for p in range(count):
                    d_anchor[i, p] = d_theta1[p]
        theta_out[n] = theta
        _turn(state, theta, velocity, h, drive[n])
    return theta_out, slope_out


_rate_coefficients = compiled(_rate_coefficients)
_warm = compiled(_warm)
_solve = compiled(_solve)
_turn = compiled(_turn)
drive_from_deflection = compiled(drive_from_deflection)
deflection_from_drive = compiled(deflection_from_drive)
deflection_with_sensitivities = compiled(deflection_with_sensitivities)
