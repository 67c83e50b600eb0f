"""A planned path on an even grid: samples, smoothing, layers, and samples at another rate."""

from __future__ import annotations

import math

import numpy as np

from hysteresis.kernels.compiled import compiled


def sample_rows(
    phase_s, way, speed, push, jerk, x0, y0, ax, ay, length, beam, line, step, lead, place,
    x, y, on, of_line, fill, switch_index, switch_before,
):  # fmt: skip
    """Samples of planned rows until they end, or until x, y, on, of_line are full.

    Phases are (rows, p); `lead` (1,) is the time of the next sample since the phase under way
    began, less its samples taken; `place` (6,) holds row, phase, samples taken in the phase,
    index of the next sample, beam now, switches found; its row is `rows` at the end. Both are
    carried from call to call: times are never larger than a phase, so nothing is lost over hours.
    A change of the beam stands `switch_before` samples before sample `switch_index`. Returns the
    new fill.
    """
    rows, phases = phase_s.shape
    row, phase, taken, index, now = place[0], place[1], place[2], place[3], place[4]
    found, since = 0, lead[0]
    while row < rows:
        while phase < phases:
            lasts = phase_s[row, phase]
            if lasts > 0.0:
                if now != beam[row]:
                    now = beam[row]
                    switch_index[found], switch_before[found] = index, since / step
                    found += 1
                w, v = way[row, phase], speed[row, phase]
                a, j = 0.5 * push[row, phase], jerk[row, phase] / 6.0
                t = since + taken * step
                while t < lasts:
                    if fill == x.size:
                        lead[0] = since
                        place[0], place[1], place[2], place[3] = row, phase, taken, index
                        place[4], place[5] = now, found
                        return fill
                    s = min(max(w + t * (v + t * (a + t * j)), 0.0), length[row])
                    x[fill] = x0[row] + s * ax[row]
                    y[fill] = y0[row] + s * ay[row]
                    on[fill] = now != 0
                    of_line[fill] = line[row]
                    fill += 1
                    index += 1
                    taken += 1
                    t = since + taken * step
                since, taken = t - lasts, 0
            phase += 1
        phase = 0
        row += 1
    lead[0] = since
    place[0], place[1], place[2], place[3], place[4], place[5] = rows, 0, 0, index, now, found
    return fill


def smooth_rows(x_raw, y_raw, on, weights, x, y):
    """Weighted means over `weights.size` (odd) samples each; largest shift where `on`, in mm.

    `on` and the result have weights.size - 1 samples less than the raw ones.
    """
    taps = weights.size
    middle = taps // 2
    worst = 0.0
    for i in range(x.size):
        sx, sy = 0.0, 0.0
        for k in range(taps):
            sx += weights[k] * x_raw[i + k]
            sy += weights[k] * y_raw[i + k]
        x[i], y[i] = sx, sy
        if on[i]:
            worst = max(worst, (sx - x_raw[i + middle]) ** 2 + (sy - y_raw[i + middle]) ** 2)
    return math.sqrt(worst)


def count_layers(x, y, on, still_mm, park_steps, last, state, layer):
    """Layer of each sample: one more at the first trace behind a park that ended one.

    `last` (2,) is the place of the sample before, `state` (5,): whether there is one, its beam,
    samples at rest with the beam off, traced since the last park, a park waits for its trace,
    then the layer: six entries.
    """
    for i in range(x.size):
        if state[0] and not state[1]:
            moved = math.hypot(x[i] - last[0], y[i] - last[1])
            state[2] = state[2] + 1 if moved <= still_mm else 0
            if state[2] >= park_steps and state[3]:
                state[3], state[4] = 0, 1
        else:
            state[2] = 0
        if on[i]:
            state[3] = 1
            if state[4]:
                state[4] = 0
                state[5] += 1
        state[0], state[1] = 1, 1 if on[i] else 0
        last[0], last[1] = x[i], y[i]
        layer[i] = state[5]


def eight_points(columns, first_column, ratio, first, out):
    """Polynomial of degree 7 through the eight nearest samples, at (first + i) · ratio.

    `columns` (n, k) is a window of the samples, of which the first row is sample
    `first_column`; every place asked for has three samples before and four after it there.
    """
    w = np.empty(8)
    for i in range(out.shape[0]):
        at = (first + i) * ratio
        base = math.floor(at)
        t = at - base
        row = int(base) - first_column - 3
        if t == 0.0:
            for c in range(out.shape[1]):
                out[i, c] = columns[row + 3, c]
            continue
        # Lagrange's weights at the nodes -3 … 4
        p0, p1, p2, p3 = t + 3.0, t + 2.0, t + 1.0, t
        p4, p5, p6, p7 = t - 1.0, t - 2.0, t - 3.0, t - 4.0
        low, high = p0 * p1 * p2 * p3, p4 * p5 * p6 * p7
        w[0] = p1 * p2 * p3 * high / -5040.0
        w[1] = p0 * p2 * p3 * high / 720.0
        w[2] = p0 * p1 * p3 * high / -240.0
        w[3] = p0 * p1 * p2 * high / 144.0
        w[4] = low * p5 * p6 * p7 / -144.0
        w[5] = low * p4 * p6 * p7 / 240.0
        w[6] = low * p4 * p5 * p7 / -720.0
        w[7] = low * p4 * p5 * p6 / 5040.0
        for c in range(out.shape[1]):
            total = 0.0
            for k in range(8):
                total += w[k] * columns[row + k, c]
            out[i, c] = total


sample_rows = compiled(sample_rows)
smooth_rows = compiled(smooth_rows)
count_layers = compiled(count_layers)
eight_points = compiled(eight_points)
