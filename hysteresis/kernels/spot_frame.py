"""All that is measured of one spot in one picture, and the room's light, without a copy of it."""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.compiled import compiled
from hysteresis.kernels.spot_light import shape_of_light, weighted_centre

SPOT_FIELDS = 14
"""u, v; sigma of both; light; moments uu, uv, vv; short and long axis; brightest level above the
ground; pixels at white; 1 where it is clipped; 1 where it touches the edge."""
LEAST_VARIANCE = 1.0 / 12.0  # of whole grey levels

STREAK = 1.5  # length over width from which a spot is taken to have moved
WINDOW_FLATNESS = 60.0  # weight of a clipped spot: flat to 2.9 of its standard deviations
WIDER = 1.25
STREAK_FLATNESS = 2000.0  # of a streak: weight above 9/10 up to 3.3 standard deviations,
STREAK_REACH = 3.3
STREAK_ALONG, STREAK_RIM = 1.6, 2.5  # which are put so far beyond its ends
ROUNDS = 40


def hold_streak(shape, narrow, long):
    """Make the window of a streak as long as it and no longer: noise far out counts most.

    Under a weight of twice its own moment, an evenly lit line of half length h has the standard
    deviation 0.72 h (the fixed point of a Gaussian cut off at ±h). The window reaches to 1.15 h,
    since a streak that speeds up has a longer and a shorter half, and 2.5 widths further.
    """
    line = STREAK_ALONG * np.sqrt(max(long * long - narrow * narrow, 0.0))
    rim = STREAK_RIM * narrow
    a, b = ((line + rim) / STREAK_REACH) ** 2, (1.2 * rim / STREAK_REACH) ** 2
    angle = 0.5 * np.arctan2(2.0 * shape[3], shape[2] - shape[4])
    c, s = np.cos(angle), np.sin(angle)
    shape[2], shape[3], shape[4] = c * c * a + s * s * b, c * s * (a - b), s * s * a + c * c * b


hold_streak = compiled(hold_streak)


def crude_shape(lit, above, shape):
    """u, v, uu, uv, vv of the light of pixels above a level."""
    height, width = lit.shape
    total, s_u, s_v, s_uu, s_uv, s_vv = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    # about the middle, so that no digits are lost
    mid_u, mid_v = 0.5 * width, 0.5 * height
    for y in range(height):
        for x in range(width):
            part = lit[y, x]
            if part > above:
                du, dv = x - mid_u, y - mid_v
                total += part
                s_u += part * du
                s_v += part * dv
                s_uu += part * du * du
                s_uv += part * du * dv
                s_vv += part * dv * dv
    m_u, m_v = s_u / total, s_v / total
    shape[0], shape[1] = mid_u + m_u, mid_v + m_v
    shape[2] = max(s_uu / total - m_u * m_u, 0.2)
    shape[3] = s_uv / total - m_u * m_v
    shape[4] = max(s_vv / total - m_v * m_v, 0.2)


crude_shape = compiled(crude_shape)


def one_spot(light, still, gain, even, per_level, white, blob, out):
    """Measure the spot of one blob of `bright_blobs`; False where there is no centre.

    light (h, w) uint8, still (h, w) float64 its ground in a room of `gain` 1; variance of a pixel
    of level L: even + per_level · L. Writes `SPOT_FIELDS` numbers.
    """
    height, width = light.shape
    low_u, high_u, low_v, high_v = int(blob[2]), int(blob[3]), int(blob[4]), int(blob[5])
    # the rim must see the ground: about 4 standard deviations from the middle
    rim = 4 + int(0.4 * min(high_u - low_u + 1, high_v - low_v + 1))
    u0, u1 = max(low_u - rim, 0), min(high_u + rim + 1, width)
    v0, v1 = max(low_v - rim, 0), min(high_v + rim + 1, height)
    rows, columns = v1 - v0, u1 - u0
    lit, variance = np.empty((rows, columns)), np.empty((rows, columns))
    around, ground = np.empty(4 * (rows + columns)), np.empty(rows * columns)
    edge, at_white, n = 0, 0, 0
    for y in range(rows):
        for x in range(columns):
            raw = light[v0 + y, u0 + x]
            below = gain * still[v0 + y, u0 + x]
            own = raw - below
            lit[y, x] = own
            variance[y, x] = max(even + per_level * raw, LEAST_VARIANCE)
            ground[n] = below
            n += 1
            if raw >= white - 2:
                at_white += 1
            if y < 2 or y >= rows - 2 or x < 2 or x >= columns - 2:
                around[edge] = own
                edge += 1
    level = np.median(around[:edge])
    top = 0.0
    for y in range(rows):
        for x in range(columns):
            lit[y, x] -= level
            top = max(top, lit[y, x])
    if top <= 0.0:
        return False
    start, shape = np.empty(5), np.empty(5)
    crude_shape(lit, 0.3 * top, start)
    if not shape_of_light(
        lit, start[0], start[1], max(0.5 * (start[2] + start[4]), 0.5), ROUNDS, shape
    ):
        shape[:] = start
    mean = 0.5 * (shape[2] + shape[4])
    half = np.hypot(0.5 * (shape[2] - shape[4]), shape[3])
    narrow, long = np.sqrt(max(mean - half, 0.05)), np.sqrt(max(mean + half, 0.05))
    streak = long > STREAK * narrow
    near_top, above_half = 0, 0
    for y in range(rows):
        for x in range(columns):
            if lit[y, x] > 0.5 * top:
                above_half += 1
                if lit[y, x] > 0.95 * top:
                    near_top += 1
    flat = not streak and above_half >= 20 and near_top > 0.35 * above_half
    clipped = at_white >= 3 or flat
    behind = max(even + per_level * max(np.median(ground), 0.0), LEAST_VARIANCE)
    flatness = per_level * top / behind
    if streak:
        flatness = max(flatness, STREAK_FLATNESS)
        hold_streak(shape, narrow, long)
    elif clipped:
        flatness = max(flatness, WINDOW_FLATNESS)
        shape[2:] *= WIDER
    centre, wide = np.zeros(9), np.zeros(9)
    if not weighted_centre(lit, variance, shape, flatness, ROUNDS, centre):
        shape[:] = start
        if not weighted_centre(lit, variance, shape, WINDOW_FLATNESS, ROUNDS, centre):
            return False
    shape[:2] = centre[:2]
    shape[2:] *= WIDER
    if not weighted_centre(lit, variance, shape, 20.0 * WINDOW_FLATNESS, 1, wide):
        wide[:] = centre
    out[0], out[1] = u0 + centre[0], v0 + centre[1]
    out[2], out[3] = np.sqrt(max(centre[2], 1e-8)), np.sqrt(max(centre[4], 1e-8))
    out[4:8] = wide[5:9]
    out[8], out[9], out[10] = narrow, long, top
    out[11], out[12] = at_white, 1.0 if clipped else 0.0
    cut = low_u == 0 or low_v == 0 or high_u == width - 1 or high_v == height - 1
    out[13] = 1.0 if cut else 0.0
    return True


one_spot = compiled(one_spot)


def room_sums(light, still, before, step, near, out):
    """Sums over every `step`-th pixel each way, for the ratio of light to its ground.

    light (h, w) uint8, still (h, w). Writes the number of pixels, the sum of the ground over all;
    how many lie within `near` of `before` times the ground, and over those the sums of light ·
    ground and ground².
    """
    count, total, close, s_xy, s_xx = 0, 0.0, 0, 0.0, 0.0
    for v in range(0, light.shape[0], step):
        for u in range(0, light.shape[1], step):
            now, then = float(light[v, u]), still[v, u]
            count += 1
            total += then
            if abs(now - before * then) < near:
                close += 1
                s_xy += now * then
                s_xx += then * then
    out[0], out[1], out[2], out[3], out[4] = count, total, close, s_xy, s_xx


room_sums = compiled(room_sums)
