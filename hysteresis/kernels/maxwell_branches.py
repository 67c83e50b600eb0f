"""Maxwell branches (spring and dashpot in series): the after-effect.

A branch of unit stiffness holds the stretch `y` of its spring, `y' = theta' - y / tau`. For an
angle that is linear over a step `h` the solution is exact (textbook viscoelasticity):
`y <- exp(-h/tau) y + (tau/h) (1 - exp(-h/tau)) (theta_new - theta_old)`.

On an even clock, ROW samples at a time are one linear map from the stretches before them and the
ROW changes of the angle to ROW torques: the recursion is unrolled into two matrix products for a
whole block (block filtering; Burrus, "Block realization of digital filters", from memory).
"""

from __future__ import annotations

import math

import numpy as np

from hysteresis.kernels.compiled import compiled
from hysteresis.kernels.pieces import BLOCK

ROW = 16
_WORTH = 256  # samples on one step that pay for its matrices


def step_coefficients(step_s, relaxation_time_s, decay, gain):
    """Fill `decay` and `gain` of the exact step of length `step_s`."""
    for m in range(relaxation_time_s.size):
        x = step_s / relaxation_time_s[m]
        decay[m] = math.exp(-x)
        gain[m] = -math.expm1(-x) / x if x > 0.0 else 1.0


def fill_matrices(step_s, relaxation_time_s, stiffness, torque_by, end_by, keep):
    """Fill the maps of ROW steps of length `step_s` with M branches.

    A row is ROW changes of the angle, then M stretches before them: row @ `torque_by`
    (ROW + M, ROW) are the torques, row @ `end_by` (ROW + M, M) the stretches that the changes
    leave, and `keep` (M,) is what is left of those before. Rows of `end_by` for the stretches
    are zero: they pass on in sequence.
    """
    torque_by[:, :] = 0.0
    end_by[:, :] = 0.0
    for m in range(relaxation_time_s.size):
        x = step_s / relaxation_time_s[m]
        gain = -math.expm1(-x) / x if x > 0.0 else 1.0
        k = stiffness[m]
        keep[m] = math.exp(-ROW * x)
        for i in range(ROW):
            since = math.exp(-i * x)
            for j in range(ROW - i):
                torque_by[j, j + i] += k * gain * since
            end_by[ROW - 1 - i, m] = gain * since
            torque_by[ROW + m, i] = k * math.exp(-(i + 1) * x)


def torque_rows(count, torque_by, end_by, keep, y, rows, ends, out):
    """Torque of `count` rows whose changes of the angle stand in `rows`; updates `y`.

    `rows` (at least count, ROW + M) and `ends` (the same, M) are working arrays: `rows` must be
    finite. Fills ROW * `count` entries of `out`.
    """
    branches = y.size
    np.dot(rows[:count], end_by, ends[:count])
    for r in range(count):
        for m in range(branches):
            rows[r, ROW + m] = y[m]
            y[m] = keep[m] * y[m] + ends[r, m]
    np.dot(rows[:count], torque_by, out[: ROW * count].reshape((count, ROW)))


def torque_path(theta, step_s, theta_before, relaxation_time_s, stiffness, y):
    """Torque along a path of the angle; `y` is updated in place."""
    count = y.size
    decay = np.empty(count)
    gain = np.empty(count)
    keep = np.empty(count)
    torque_by = np.empty((ROW + count, ROW))
    end_by = np.empty((ROW + count, count))
    rows = np.zeros((BLOCK // ROW, ROW + count))
    ends = np.empty((BLOCK // ROW, count))
    out = np.zeros(theta.size)
    if count == 0:
        return out
    before = theta_before
    last = -1.0
    of_rows = -1.0
    n = 0
    while n < theta.size:
        # never beyond a block, so that a path in blocks is the path in one pass
        stop = min(theta.size, (n // BLOCK + 1) * BLOCK)
        h = step_s[n]
        same = n + 1
        while same < stop and step_s[same] == h:
            same += 1
        if same - n >= _WORTH:
            if h != of_rows:
                fill_matrices(h, relaxation_time_s, stiffness, torque_by, end_by, keep)
                of_rows = h
            full = (same - n) // ROW
            for r in range(full):
                for i in range(ROW):
                    rows[r, i] = theta[n + i] - before
                    before = theta[n + i]
                n += ROW
            torque_rows(full, torque_by, end_by, keep, y, rows, ends, out[n - ROW * full : n])
        if n < same and h != last:
            step_coefficients(h, relaxation_time_s, decay, gain)
            last = h
        while n < same:
            delta = theta[n] - before
            before = theta[n]
            total = 0.0
            for m in range(count):
                y[m] = decay[m] * y[m] + gain[m] * delta
                total += stiffness[m] * y[m]
            out[n] = total
            n += 1
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
fill_matrices = compiled(fill_matrices)
torque_rows = compiled(torque_rows)
torque_path = compiled(torque_path)
stretch_columns = compiled(stretch_columns)
