"""Pre-distortion as one would put it together from general libraries: the measure to compare with.

Optics by numpy (`optics.deflection_from_spot`); every Maxwell branch a one-pole `lfilter` of SciPy;
rates by numpy differences; slip elements, for which there is no filter, one after another in a
plain compiled loop. The same equations on an even clock, from rest, without heat.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from scipy.signal import lfilter

from hysteresis.axis import AxisModel
from hysteresis.model import RigModel
from hysteresis.optics import deflection_from_spot


@njit(cache=False, error_model="numpy")
def slip_torque(theta: np.ndarray, before: float, limit: np.ndarray, k: np.ndarray) -> np.ndarray:
    """Parallel stops, each clipped at every sample (textbook)."""
    z, out = np.zeros(limit.size), np.empty(theta.size)
    for n in range(theta.size):
        step = theta[n] - before
        before = theta[n]
        total = 0.0
        for i in range(limit.size):
            z[i] = min(max(z[i] + step, -limit[i]), limit[i])
            total += k[i] * z[i]
        out[n] = total
    return out


def rate(values: np.ndarray, before: np.ndarray, step_s: float, first_order: bool) -> np.ndarray:
    """BDF2 derivative; `before` are the two values before. The first may have no earlier step."""
    v = np.concatenate([before, values])
    out = (1.5 * v[2:] - 2.0 * v[1:-1] + 0.5 * v[:-2]) / step_s
    if first_order:
        out[0] = (v[2] - v[1]) / step_s
    return out


def drive_of(axis: AxisModel, theta: np.ndarray, start: float, step_s: float) -> np.ndarray:
    """Drive for a path of angles (full scale) from rest at `start`."""
    e, d = axis.elastic, axis.dynamics
    total = theta * (e.linear + theta * (e.quadratic + theta * e.cubic))
    total += slip_torque(theta, start, axis.friction.limit, axis.friction.stiffness)
    delta = np.diff(theta, prepend=start)
    after = axis.after_effect
    for tau, k in zip(after.relaxation_time_s, after.stiffness, strict=True):
        x = step_s / tau
        total += lfilter([k * -np.expm1(-x) / x], [1.0, -np.exp(-x)], delta)
    velocity = rate(theta, np.array([start, start]), step_s, True)
    total += d.damping_s * velocity
    return total + d.inertia_s2 * rate(velocity, np.zeros(2), step_s, True)


def drives(model: RigModel, x: np.ndarray, y: np.ndarray, step_s: float) -> tuple[np.ndarray, ...]:
    """Drives of both axes; the rig rests where the path begins."""
    theta_x, theta_y = deflection_from_spot(x, y, model.optics)
    return tuple(
        drive_of(axis, theta, theta[0], step_s)  # type: ignore[arg-type]
        for axis, theta in ((model.axis_x, theta_x), (model.axis_y, theta_y))
    )
