"""Maxwell-slip elements: parallel stops, the stop form of Prandtl-Ishlinskii.

One element holds `z`, its spring's stretch: `z <- clip(z + step, -limit, limit)` (play and stop
operators: Brokate & Sprekels, Visintin; from memory). Torque is `sum(stiffness * z)`.
"""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.compiled import compiled


def trial(z, limit, stiffness, step):
    """Torque and tangent after a trial step of the angle; the state is left alone."""
    torque = 0.0
    tangent = 0.0
    for i in range(z.size):
        s = z[i] + step
        lim = limit[i]
        if s > lim:
            s = lim
        elif s < -lim:
            s = -lim
        else:
            tangent += stiffness[i]
        torque += stiffness[i] * s
    return torque, tangent


def advance(z, limit, step):
    """Take the step: `z` is updated in place."""
    for i in range(z.size):
        s = z[i] + step
        lim = limit[i]
        z[i] = lim if s > lim else (-lim if s < -lim else s)


def torque_path(theta, theta_before, limit, stiffness, z):
    """Torque along a path of the angle; `z` is updated in place."""
    out = np.empty(theta.size)
    before = theta_before
    for n in range(theta.size):
        advance(z, limit, theta[n] - before)
        before = theta[n]
        total = 0.0
        for i in range(z.size):
            total += stiffness[i] * z[i]
        out[n] = total
    return out


def stretch_columns(theta, theta_before, limit, z):
    """Stretch of every element along a path, shape (samples, elements): columns of a linear fit."""
    out = np.empty((theta.size, z.size))
    before = theta_before
    for n in range(theta.size):
        advance(z, limit, theta[n] - before)
        before = theta[n]
        for i in range(z.size):
            out[n, i] = z[i]
    return out


trial = compiled(trial)
advance = compiled(advance)
torque_path = compiled(torque_path)
stretch_columns = compiled(stretch_columns)
