"""The bench's own integrator: an explicit splitting of second order, one axis at a time.

    inertia θ¨ + damping θ˙ + E(θ, T) + H[θ] + C[θ] + zero(T) = gain·v + offset

Kick, half drift, exact damping, half drift, memories, kick: the velocity-Verlet splitting with
the damping solved exactly between the two half drifts. It shares nothing with whatever is used
to fit a rig, so that a fault there cannot hide here. Deflection is in fractions of full scale,
torque in units of drive.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from hysteresis.tables import Floats

# Places in the state vector of one axis.
THETA, OMEGA, ACCELERATION, LAST_DRIVE, COUPLED, COIL_K, SUSPENSION_K = range(7)
STATE_SIZE = 7


@njit(cache=True, error_model="numpy", fastmath=True, nogil=True, inline="always")
def _slope(z, side, inverse_r):  # type: ignore[no-untyped-def]
    """dz/dθ of a smooth-slip element: 1 when unloading, 1 - |z/r|⁴ when loading (side ±1)."""
    w = max(z * side, 0.0) * inverse_r
    w2 = w * w
    return 1.0 - w2 * w2


@njit(cache=True, error_model="numpy", fastmath=True, nogil=True)
def advance(  # type: ignore[no-untyped-def]
    constants, smallest_r, inverse_r, k_slip, branch_keep, branch_rise, ambient_k, drive, n_sub,
    state, z, q, out,
):  # fmt: skip
    """Play one stretch of drive on one axis; every array of state is advanced in place.

    Parameters
    ----------
    constants : (15,) as `rig.constants_of` orders them, for one fixed sub-step.
    smallest_r : (n,) the smaller of the two slip limits of each friction element, rising.
    inverse_r : (2, n) 1/r on the negative and on the positive side.
    k_slip : (n,) their stiffness.
    branch_keep, branch_rise : (m,) exact step of the Maxwell branches for a linear angle.
    ambient_k : (len(out),) temperature of the surroundings less the nominal one, K.
    drive : (len(out) * n_sub,) mean drive around the end of each sub-step.
    n_sub : sub-steps per output sample.
    state : (STATE_SIZE,); z : (n,) slip elements' own strain, FS; q : (m,) branch torques.
    out : (k,) filled with the deflection at the end of each output interval, FS.
    """
    (h, gain, offset, inertia, decay, s2, s3, stiffness_per_k, zero_per_k, coupling_keep,
     coupling_rise, coil_rise_k, coil_s, share, suspension_s) = constants  # fmt: skip
    half = 0.5 * h
    theta, omega, acceleration = state[THETA], state[OMEGA], state[ACCELERATION]
    last, v = state[LAST_DRIVE], state[COUPLED]
    coil_k, own_k = state[COIL_K], state[SUSPENSION_K]
    n_slip, n_branch = len(z), len(q)
    for i in range(len(out)):
        for j in range(n_sub):
            omega += half * acceleration
            move = half * omega
            omega *= decay
            move += half * omega
            theta += move

            # friction: midpoint rule along the move; elements with a small limit in sub-moves
            side = 1.0 if move > 0.0 else -1.0
            inverse = inverse_r[1] if move > 0.0 else inverse_r[0]
            reach = 8.0 * abs(move)
            first = 0
            torque = 0.0
            while first < n_slip and smallest_r[first] < reach:
                parts = int(reach / smallest_r[first]) + 1
                part = move / parts
                for _part in range(parts):
                    mid = z[first] + 0.5 * part * _slope(z[first], side, inverse[first])
                    z[first] += part * _slope(mid, side, inverse[first])
                torque += k_slip[first] * z[first]
                first += 1
            for e in range(first, n_slip):
                mid = z[e] + 0.5 * move * _slope(z[e], side, inverse[e])
                z[e] += move * _slope(mid, side, inverse[e])
                torque += k_slip[e] * z[e]

            for b in range(n_branch):
                q[b] = branch_keep[b] * q[b] + branch_rise[b] * move
                torque += q[b]

            u = drive[i * n_sub + j]
            v = coupling_keep * v + coupling_rise * (u - last)
            last = u

            coil_k += h * (coil_rise_k * v * v - (coil_k - own_k)) / coil_s
            own_k += h * (share * coil_k - own_k) / suspension_s
            warm_k = own_k + ambient_k[i]
            elastic = theta * (1.0 + theta * (s2 + theta * s3))
            torque += (1.0 + stiffness_per_k * warm_k) * elastic + zero_per_k * warm_k

            acceleration = (gain * v + offset - torque) / inertia
            omega += half * acceleration
        out[i] = theta
    state[THETA], state[OMEGA], state[ACCELERATION] = theta, omega, acceleration
    state[LAST_DRIVE], state[COUPLED] = last, v
    state[COIL_K], state[SUSPENSION_K] = coil_k, own_k


def fresh_state(n_slip: int, n_branch: int) -> tuple[Floats, Floats, Floats]:
    """State vector, slip strains and branch torques of a rig that has never moved."""
    return np.zeros(STATE_SIZE), np.zeros(n_slip), np.zeros(n_branch)
