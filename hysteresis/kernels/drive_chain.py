"""The drive chain: droop of an AC-coupled output, lag of the coil current, gentle saturation.

u is the drive, v1 what passes the coupling capacitor, v2 the current behind the coil's lag, v the
coil torque; d = droop_per_s, L = lag_s, s = saturation, h the step that leads to a sample.

Droop, `v1' = u' − d v1` (a first-order high pass, textbook): exact for a drive that is straight
over each step. With x = h d and φ(x) = (1 − e^−x)/x it is `v1 ← e^−x v1 + φ Δu`. It is computed as
u less the charge of the capacitor, r = u − v1, `r ← r + (1 − e^−x) v1 + (1 − φ) Δu`, so that
nothing is rounded where d = 0. Backwards `u = v1 + r` with the same r, since (1 − e^−x)/φ = x:
`r ← r + x v1 + ((1 − φ)/φ) Δv1`.

Lag, `v2' = (v1 − v2)/L`: backward Euler, `v2 ← v1 + (v2 − v1) L/(h + L)`; backwards
`v1 = v2 + (L/h) Δv2`. Why this rule stands in `operators/drive_chain.py`.

Saturation: `v = arsinh(√s v2)/√s`; backwards `v2 = sinh(√s v)/√s`.

A state is three numbers: the last u, v1, v2. Slopes carried from sample to sample are three:
∂v1/∂d, ∂v2/∂d, ∂v2/∂L. Both are updated in place.
"""

from __future__ import annotations

import math

import numpy as np

from hysteresis.kernels.compiled import compiled


def hold_terms(x):
    """1 − e^−x, 1 − φ(x) and φ'(x) for x ≥ 0, each to rounding.

    Below 1/2 the last two lose digits in closed form; with `t_j = (−x)^j/(j + 2)!` they are
    `x Σ t_j` and `−Σ (j + 1) t_j`, alternating and falling: 15 terms leave 16/17!/2^15 < 2e-18.
    """
    faded = -math.expm1(-x)
    if x < 0.5:
        term, missed, bend = 0.5, 0.5, -0.5
        for j in range(1, 15):
            term *= -x / (j + 2)
            missed += term
            bend -= (j + 1) * term
        return faded, x * missed, bend
    missed = 1.0 - faded / x
    return faded, missed, (missed - faded) / x


def levelled(v2, root):
    """`arsinh(root · v2)/root`, root = √saturation: odd, strictly rising, slope 1 at zero."""
    return math.asinh(root * v2) / root if root > 0.0 else v2


def unlevelled(v, root):
    """Inverse of `levelled`, closed form."""
    return math.sinh(root * v) / root if root > 0.0 else v


def levelling_by_saturation(v2, v, saturation):
    """Derivative of `v = levelled(v2, √saturation)` by the saturation at fixed v2.

    As `v = ∫₀^v2 (1 + s w²)^−½ dw` it is `−½ ∫₀^v2 w² (1 + s w²)^(−3/2) dw`, in closed form
    `(v2/√(1 + q) − v)/(2 s)` with q = s v2². Below q = 1/4 that loses digits, and the binomial
    series of the integrand stands in: alternating and falling, 26 terms leave less than 1e-16.
    """
    q = saturation * v2 * v2
    if q < 0.25:
        term, total = 1.0, 1.0 / 3.0
        for k in range(1, 26):
            term *= -q * (k + 0.5) / k
            total += term / (2 * k + 3)
        return -0.5 * v2 * v2 * v2 * total
    return 0.5 * (v2 / math.sqrt(1.0 + q) - v) / saturation


def forward(drive, step_s, droop_per_s, lag_s, saturation, state):
    """Coil torque along a drive; `state` is updated in place."""
    out = np.empty(drive.size)
    u, v1, v2 = state[0], state[1], state[2]
    root = math.sqrt(saturation)
    last, faded, missed, kept = -1.0, 0.0, 0.0, 0.0
    for n in range(drive.size):
        if step_s[n] != last:
            last = step_s[n]
            faded, missed, _ = hold_terms(last * droop_per_s)
            kept = lag_s / (last + lag_s)
        v1 = drive[n] - ((u - v1) + faded * v1 + missed * (drive[n] - u))
        u = drive[n]
        v2 = v1 + (v2 - v1) * kept
        out[n] = levelled(v2, root)
    state[0], state[1], state[2] = u, v1, v2
    return out


def inverse(coil, step_s, droop_per_s, lag_s, saturation, state):
    """Drive that makes the coil torque, the same recursion solved for the drive."""
    out = np.empty(coil.size)
    u, v1, v2 = state[0], state[1], state[2]
    root = math.sqrt(saturation)
    last, x, lost, lead = -1.0, 0.0, 0.0, 0.0
    for n in range(coil.size):
        if step_s[n] != last:
            last = step_s[n]
            x = last * droop_per_s
            faded, missed, _ = hold_terms(x)
            lost = missed * x / faded if x > 0.0 else 0.0
            lead = lag_s / last
        before1, before2 = v1, v2
        v2 = unlevelled(coil[n], root)
        v1 = v2 + lead * (v2 - before2)
        u = v1 + ((u - before1) + x * before1 + lost * (v1 - before1))
        out[n] = u
    state[0], state[1], state[2] = u, v1, v2
    return out


def forward_with_slopes(drive, step_s, droop_per_s, lag_s, saturation, state, carried, slope):
    """As `forward`, and in `slope` (samples, 3) the derivatives by droop, lag and saturation.

    `carried` holds ∂v1/∂d, ∂v2/∂d, ∂v2/∂L of the state and is updated in place.
    """
    out = np.empty(drive.size)
    u, v1, v2 = state[0], state[1], state[2]
    v1_d, v2_d, v2_lag = carried[0], carried[1], carried[2]
    root = math.sqrt(saturation)
    last, faded, missed, bend, kept, kept_by_lag = -1.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for n in range(drive.size):
        if step_s[n] != last:
            last = step_s[n]
            faded, missed, bend = hold_terms(last * droop_per_s)
            kept = lag_s / (last + lag_s)
            kept_by_lag = last / ((last + lag_s) * (last + lag_s))
        move = drive[n] - u
        v1_d = (1.0 - faded) * (v1_d - last * v1) + last * bend * move
        v1 = drive[n] - ((u - v1) + faded * v1 + missed * move)
        u = drive[n]
        v2_d = v1_d + (v2_d - v1_d) * kept
        v2_lag = v2_lag * kept + (v2 - v1) * kept_by_lag
        v2 = v1 + (v2 - v1) * kept
        out[n] = levelled(v2, root)
        steep = 1.0 / math.sqrt(1.0 + saturation * v2 * v2)
        slope[n, 0] = steep * v2_d
        slope[n, 1] = steep * v2_lag
        slope[n, 2] = levelling_by_saturation(v2, out[n], saturation)
    state[0], state[1], state[2] = u, v1, v2
    carried[0], carried[1], carried[2] = v1_d, v2_d, v2_lag
    return out


hold_terms = compiled(hold_terms)
levelled = compiled(levelled)
unlevelled = compiled(unlevelled)
levelling_by_saturation = compiled(levelling_by_saturation)
forward = compiled(forward)
inverse = compiled(inverse)
forward_with_slopes = compiled(forward_with_slopes)
