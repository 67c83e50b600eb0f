"""Maxwell branches (spring and dashpot in series): the after-effect.

A branch of unit stiffness holds the stretch `y` of its spring, `y' = theta' - y / tau`. For an
angle that is linear over a step `h` the solution is exact (textbook viscoelasticity):
`y <- exp(-h/tau) y + (tau/h) (1 - exp(-h/tau)) (theta_new - theta_old)`.
"""

from __future__ import annotations

import math

import numpy as np

from hysteresis.kernels.compiled import compiled


def step_coefficients(step_s, relaxation_time_s, decay, gain):
    """Fill `decay` and `gain` of the exact step of length `step_s`."""
    for m in range(relaxation_time_s.size):
        x = step_s / relaxation_time_s[m]
        decay[m] = math.exp(-x)
        gain[m] = -math.expm1(-x) / x if x > 0.0 else 1.0


def torque_path(theta, step_s, theta_before, relaxation_time_s, stiffness, y):
    """Torque along a path of the angle; `y` is updated in place."""
    count = y.size
    decay = np.empty(count)
    gain = np.empty(count)
    out = np.empty(theta.size)
    before = theta_before
    last = -1.0
    for n in range(theta.size):
        if step_s[n] != last:
            last = step_s[n]
            step_coefficients(last, relaxation_time_s, decay, gain)
        delta = theta[n] - before
        before = theta[n]
        total = 0.0
        for m in range(count):
            y[m] = decay[m] * y[m] + gain[m] * delta
            total += stiffness[m] * y[m]
        out[n] = total
    return out


def stretch_columns(theta, step_s, theta_before, relaxation_time_s, y):
    """Stretch of every unit branch along a path, shape (samples, branches)."""
    count = y.size
    decay = np.empty(count)
    gain = np.empty(count)
    out = np.empty((theta.size, count))
    before = theta_before
    last = -1.0
    for n in range(theta.size):
        if step_s[n] != last:
            last = step_s[n]
            step_coefficients(last, relaxation_time_s, decay, gain)
        delta = theta[n] - before
        before = theta[n]
        for m in range(count):
            y[m] = decay[m] * y[m] + gain[m] * delta
            out[n, m] = y[m]
    return out


step_coefficients = compiled(step_coefficients)
torque_path = compiled(torque_path)
stretch_columns = compiled(stretch_columns)
