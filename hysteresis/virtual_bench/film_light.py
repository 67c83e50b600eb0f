"""Light of a moving spot on the pixels of a film: exposure, blur, rolling shutter, noise.

Arrays in, arrays out; plain functions compiled at the foot of the file. A pixel's centre has whole
coordinates, the first one (0, 0), and its area reaches half a pixel to each side.
"""

from __future__ import annotations

from math import erf, sqrt

import numpy as np
from numba import njit

NOISE_STEPS = 31.37
"""One standard deviation of a noise field in its whole steps (int8: to ±4 deviations); no power of
two, so that steps do not fall on halves of a grey level, which rounding would all lift."""


def _way(t, u, v, lit, start, end, step_px):  # type: ignore[no-untyped-def]
    """The lit way of the spot from `start` to `end`, cut into short straight pieces.

    `t, u, v` (n,) is piecewise linear, `lit` (n,) holds from each vertex to the next; before the
    first and after the last vertex the spot rests there. Returns (m, 4): begin and end of each
    piece in s, and its middle in px. No piece is longer than `step_px`.
    """
    first = max(np.searchsorted(t, start, side="right") - 1, 0)
    last = min(np.searchsorted(t, end, side="left"), len(t) - 1)
    count = 2
    for i in range(first, last):
        count += 1 + int(np.hypot(u[i + 1] - u[i], v[i + 1] - v[i]) / step_px)
    pieces = np.empty((count, 4))
    m = 0
    if start < t[0] and lit[0]:
        pieces[m] = (start, min(end, t[0]), u[0], v[0])
        m += 1
    for i in range(first, last):
        low, high = max(t[i], start), min(t[i + 1], end)
        if high <= low or not lit[i]:
            continue
        per_s = 1.0 / (t[i + 1] - t[i])
        n = 1 + int(np.hypot(u[i + 1] - u[i], v[i + 1] - v[i]) * (high - low) * per_s / step_px)
        for k in range(n):
            begin, stop = low + (high - low) * k / n, low + (high - low) * (k + 1) / n
            share = (0.5 * (begin + stop) - t[i]) * per_s
            pieces[m] = (
                begin, stop, u[i] + share * (u[i + 1] - u[i]), v[i] + share * (v[i + 1] - v[i])
            )  # fmt: skip
            m += 1
    if end > t[-1] and lit[-1]:
        pieces[m] = (max(start, t[-1]), end, u[-1], v[-1])
        m += 1
    return pieces[:m]


def _seen(pieces, opened, exposure, row_s, reach_u, reach_v):  # type: ignore[no-untyped-def]
    """Box of pixels that the spot lights during one frame: low u, high u, low v, high v.

    High below low when it lights none. A row v is exposed from opened + row_s v for `exposure`.
    """
    box = np.array([np.inf, -np.inf, np.inf, -np.inf])
    for begin, stop, u, v in pieces:
        if (
            stop <= opened + row_s * (v - reach_v)
            or begin >= opened + row_s * (v + reach_v) + exposure
        ):
            continue
        box[0], box[1] = min(box[0], u - reach_u), max(box[1], u + reach_u)
        box[2], box[3] = min(box[2], v - reach_v), max(box[3], v + reach_v)
    return box


def _expose(pieces, opened, exposure, row_s, sigma_u, sigma_v, left, top, light):  # type: ignore[no-untyped-def]
    """Add the spot's light to `light` (rows, columns), whose first pixel is (left, top).

    A spot at rest for the whole exposure adds 1 in all, spread as a Gaussian whose integral over
    each pixel is exact. Returns sums over rows that are exposed: light, light · u, light · v.
    """
    rows, columns = light.shape
    across = np.empty(columns)
    su, sv = 1.0 / (sqrt(2.0) * sigma_u), 1.0 / (sqrt(2.0) * sigma_v)
    total = total_u = total_v = 0.0
    for begin, stop, u, v in pieces:
        if stop <= opened + row_s * top or begin >= opened + row_s * (top + rows) + exposure:
            continue
        edge = erf((left - 0.5 - u) * su)
        for c in range(columns):
            after = erf((left + c + 0.5 - u) * su)
            across[c] = 0.5 * (after - edge)
            edge = after
        edge = erf((top - 0.5 - v) * sv)
        for r in range(rows):
            after = erf((top + r + 0.5 - v) * sv)
            down = 0.5 * (after - edge)
            edge = after
            row_opened = opened + row_s * (top + r)
            during = min(stop, row_opened + exposure) - max(begin, row_opened)
            if during <= 0.0 or down < 1e-9:
                continue
            down *= during / exposure
            total += down
            total_u += down * u
            total_v += down * (top + r)
            for c in range(columns):
                light[r, c] += down * across[c]
    return total, total_u, total_v


def _darkroom(ground, ground_sigma, level, field, sign, frame):  # type: ignore[no-untyped-def]
    """Fill `frame` (rows, row length) uint8 with the lit scene and its noise.

    `ground`, `ground_sigma` in grey levels, float32; `field` int8, unit normal in `NOISE_STEPS`.
    """
    rows, length = frame.shape
    scale = np.float32(sign / NOISE_STEPS)
    shine = np.float32(level)
    half, top, zero = np.float32(0.5), np.float32(255.0), np.float32(0.0)
    for r in range(rows):
        for k in range(length):
            grey = ground[r, k] * shine + ground_sigma[r, k] * (field[r, k] * scale)
            frame[r, k] = np.uint8(np.int32(min(max(grey, zero), top) + half))


way = njit(cache=True, error_model="numpy", nogil=True)(_way)
seen = njit(cache=True, error_model="numpy", nogil=True)(_seen)
expose = njit(cache=True, error_model="numpy", nogil=True)(_expose)
darkroom = njit(cache=True, error_model="numpy", nogil=True, fastmath=True)(_darkroom)
