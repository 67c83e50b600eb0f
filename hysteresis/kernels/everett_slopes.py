"""Derivatives of a Preisach memory by the masses of its cells, and columns for linear fits.

Masses in the order (0,0), (1,0), (1,1), (2,0), …: cell (i, j) at i (i + 1) / 2 + j. A reversal k
keeps two rows: d extreme_k and d output_k. Along a run the output is output_k ± E(extreme_k, θ), so

    d output(θ) = d output_k ± [ΣdE/dmass + (dE/dextreme) d extreme_k]     at a fixed angle θ.

Rows: d extreme (capacity), d output (capacity), and one whose first entry tells whether the
outputs of the reversals that were there at the start have got their derivatives yet.
"""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.compiled import compiled
from hysteresis.kernels.everett import (
    HEAD,
    _cell,
    _clamped,
    decision,
    everett,
    follow,
    load,
    make_room,
    output,
    store,
)


def _parts(shape, work, upper, lower):
    """Part of each cell that lies between two angles, into the row at the end of `work`."""
    n = int(shape[0])
    row = work.size - n
    for k in range(n):
        x0, x1 = shape[HEAD + k], shape[HEAD + k + 1]
        top = upper if upper < x1 else x1
        low = lower if lower > x0 else x0
        work[row + k] = (top - low) / (x1 - x0) if top > low else 0.0
    return row


def add_everett(shape, work, upper, lower, sign, g, first):
    """Add sign × the derivatives of E(upper, lower) by the masses to g[first:]."""
    n = int(shape[0])
    row = _parts(shape, work, upper, lower)
    low, high = _cell(shape, lower), _cell(shape, upper)
    if shape[2] > 0.0:
        for i in range(low, high + 1):
            a = sign * work[row + i]
            base = first + i * (i + 1) // 2
            for j in range(low, i + 1):
                g[base + j] += a * work[row + j]
        return
    for i in range(low, n):
        a = work[row + i]
        base = first + i * (i + 1) // 2
        for j in range(0 if i <= high else low, (i if i < high else high) + 1):
            g[base + j] += sign * (a + work[row + j] - a * work[row + j])
        if high < i:
            continue
        for j in range(high + 1, i + 1):
            g[base + j] += sign * a


def add_initial(shape, work, theta, g, first):
    """Add the derivatives of the initial curve at `theta` by the masses to g[first:]."""
    n = int(shape[0])
    up = theta >= 0.0
    sign = 1.0 if up else -1.0
    row = _parts(shape, work, theta if up else 0.0, 0.0 if up else theta)
    lag = shape[2]
    for i in range(n):
        base = first + i * (i + 1) // 2
        for j in range(i + 1):
            # the triangle |b| < a (up) or |a| < -b (down) and how much of it has switched
            f = work[row + i] if up else work[row + j]
            other = i + j - (n - 1)
            inside = other > 0 if up else other < 0
            part = 0.0
            if i == j:
                part = f * f
            elif other == 0:
                part = 0.5 * f * f
            elif inside:
                part = f
            if lag < 0.0:
                part = work[row + i] + work[row + j] - part
            g[base + j] += sign * part


def carry_rows(shape):
    """Rows of the store of derivatives."""
    return 2 * int(shape[1]) + 1


def slope_begin(shape, z, theta, work, carry):
    """The extremes at the start are known; the outputs there follow at the first use."""
    carry[:, :] = 0.0


def _settle(shape, work, carry, first):
    """Derivatives by the masses of the outputs at the reversals of the start."""
    cap = int(shape[1])
    if carry[2 * cap, 0] == 0.0:
        carry[2 * cap, 0] = 1.0
        _outputs(shape, work, carry, 1, first)


def _outputs(shape, work, carry, start, first):
    """Derivatives of the outputs at the reversals from `start` on, those of the extremes known."""
    cap = int(shape[1])
    count = work[0]
    for k in range(start, int(count) + 1):
        work[0] = k - 1.0
        row = carry[cap + k - 1]
        row[:] = 0.0
        _, slope = output(shape, work, work[1 + k])
        _add(shape, work, work[1 + k], carry, row, first)
        for p in range(row.size):
            row[p] += slope * carry[k - 1, p]
    work[0] = count


def _add(shape, work, theta, carry, g, first):
    """Add the derivative of the output at the fixed angle `theta` on the present run to g."""
    cap = int(shape[1])
    x = _clamped(shape, theta)
    count = int(work[0])
    if count == 0:
        add_initial(shape, work, x, g, first)
        return
    last = work[1 + count]
    i = int(work[1 + cap + count])
    j = _cell(shape, x)
    for p in range(g.size):
        g[p] += carry[cap + count - 1, p]
    if x < last:
        _, slope, _ = everett(shape, last, i, x, j)
        add_everett(shape, work, last, x, -1.0, g, first)
        slope = -slope
    else:
        _, _, slope = everett(shape, x, j, last, i)
        add_everett(shape, work, x, last, 1.0, g, first)
    for p in range(g.size):
        g[p] += slope * carry[count - 1, p]


def slope_turn(shape, work, piece, theta, way, d_theta, carry, first):
    """Called just before `turn`: a reversal's angle and output, and how they depend."""
    _settle(shape, work, carry, first)
    if decision(shape, work, theta, way) <= 0:
        return
    cap = int(shape[1])
    gone = make_room(shape, work)
    if gone > 0:
        for k in range(gone - 1, cap - 2):
            carry[k, :] = carry[k + 2]
        _outputs(shape, work, carry, gone, first)
    k = int(work[0])
    inside = _clamped(shape, theta) == theta
    _, slope = output(shape, work, theta)
    row = carry[cap + k]
    row[:] = 0.0
    _add(shape, work, theta, carry, row, first)
    for p in range(d_theta.size):
        d = d_theta[p] if inside else 0.0
        carry[k, p] = d
        row[p] += slope * d


def slope_onward(shape, work, piece, carry, first):
    """Wiped reversals take their rows with them: nothing to keep."""
    _settle(shape, work, carry, first)


def slope_at(shape, work, piece, theta, carry, g, first):
    """Add the derivative of the torque at a fixed angle: by own masses and by the past."""
    _settle(shape, work, carry, first)
    _add(shape, work, theta, carry, g, first)


def columns(shape, theta, theta_before, z, work, carry, out):
    """Derivative of the output by each mass along a path; `z` updated, `out` (samples, cells)."""
    load(shape, z, theta_before, work)
    carry[:, :] = 0.0
    _settle(shape, work, carry, 0)
    nothing = np.zeros(out.shape[1])
    before = theta_before
    for n in range(theta.size):
        if theta[n] != before:
            way = 1.0 if theta[n] > before else -1.0
            slope_turn(shape, work, nothing, before, way, nothing, carry, 0)
            follow(shape, work, before, theta[n])
        before = theta[n]
        out[n, :] = 0.0
        _add(shape, work, theta[n], carry, out[n], 0)
    store(shape, work, z)


_parts = compiled(_parts)
add_everett = compiled(add_everett)
add_initial = compiled(add_initial)
carry_rows = compiled(carry_rows)
slope_begin = compiled(slope_begin)
_add = compiled(_add)
_outputs = compiled(_outputs)
_settle = compiled(_settle)
slope_turn = compiled(slope_turn)
slope_onward = compiled(slope_onward)
slope_at = compiled(slope_at)
columns = compiled(columns)
