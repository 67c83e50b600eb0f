"""Light of a spot in a picture of 8 bits: where it is, how bright, how wide, how sure.

Pixels count from 0 at the middle of the upper left one; u to the right, v down.
"""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.compiled import compiled, summing

BLOB_FIELDS = 7  # pixels, light above the limit, u and v from and to, brightest above the limit


def _over(row, limit):
    """Largest excess over the limit in a stretch of one row."""
    top = np.uint8(0)
    for i in range(row.size):
        excess = row[i] - limit[i] if row[i] > limit[i] else np.uint8(0)
        top = max(top, np.uint8(excess))
    return top


_over = summing(_over)


def bright_blobs(light, limit, reach, mark, stack, blobs):
    """Connected pixels above the limit, the brightest blobs of them.

    light, limit (h, w) uint8; pixels up to `reach` apart count as connected, so that a faint
    streak does not fall to pieces. mark (h, w) uint8 is all 0 before and after; stack (h·w,)
    int32 is work space. Writes up to len(blobs) rows of `BLOB_FIELDS`, by falling light, and
    returns how many of them, and how many pixels were above the limit in all.
    """
    height, width = light.shape
    chunk = 64
    found = 0
    used = 0  # pixels of blobs so far, kept in `stack` so that the marks can be taken off again
    for v0 in range(height):
        for u0 in range(0, width, chunk):
            end = min(u0 + chunk, width)
            if _over(light[v0, u0:end], limit[v0, u0:end]) == 0:
                continue
            for u1 in range(u0, end):
                if light[v0, u1] <= limit[v0, u1] or mark[v0, u1]:
                    continue
                begin = used
                stack[used] = v0 * width + u1
                used += 1
                mark[v0, u1] = 1
                read = begin
                total, top = 0.0, 0.0
                low_u, high_u, low_v, high_v = u1, u1, v0, v0
                while read < used:
                    v, u = stack[read] // width, stack[read] % width
                    read += 1
                    excess = float(light[v, u]) - float(limit[v, u])
                    total += excess
                    top = max(top, excess)
                    low_u, high_u = min(low_u, u), max(high_u, u)
                    low_v, high_v = min(low_v, v), max(high_v, v)
                    for y in range(max(v - reach, 0), min(v + reach + 1, height)):
                        for x in range(max(u - reach, 0), min(u + reach + 1, width)):
                            if mark[y, x] == 0 and light[y, x] > limit[y, x]:
                                mark[y, x] = 1
                                stack[used] = y * width + x
                                used += 1
                count = used - begin
                place = found
                while place > 0 and blobs[place - 1, 1] < total:
                    place -= 1
                if place >= blobs.shape[0]:
                    continue
                for k in range(min(found, blobs.shape[0] - 1), place, -1):
                    blobs[k] = blobs[k - 1]
                blobs[place, 0], blobs[place, 1] = count, total
                blobs[place, 2], blobs[place, 3] = low_u, high_u
                blobs[place, 4], blobs[place, 5] = low_v, high_v
                blobs[place, 6] = top
                found = min(found + 1, blobs.shape[0])
    for k in range(used):
        mark[stack[k] // width, stack[k] % width] = 0
    return found, used


bright_blobs = compiled(bright_blobs)


def mean_of_free(pictures, taken, near, fill, out):
    """Ground at every pixel from the pictures (n, h, w) uint8 in which it is not `taken` by a spot.

    The mean of what lies within `near` of their median: as robust, and finer than whole levels.
    Where every picture is taken it is `fill` (h, w).
    """
    count, height, width = pictures.shape
    values = np.empty(count, dtype=np.uint8)
    for v in range(height):
        for u in range(width):
            free = 0
            for k in range(count):
                if taken[k, v, u]:
                    continue
                value = pictures[k, v, u]
                at = free
                while at > 0 and values[at - 1] > value:
                    values[at] = values[at - 1]
                    at -= 1
                values[at] = value
                free += 1
            if free == 0:
                out[v, u] = fill[v, u]
                continue
            middle = float(values[free // 2])
            total, number = 0.0, 0
            for k in range(free):
                if abs(values[k] - middle) <= near:
                    total += values[k]
                    number += 1
            out[v, u] = total / number


mean_of_free = compiled(mean_of_free)


def shape_of_light(light, start_u, start_v, start_var, rounds, shape):
    """Centre and covariance of a spot by moments under a weight of its own shape.

    light (h, w) float64 above the background. The Gaussian weight's covariance is twice the
    weighted second moment, and its centre goes to the weighted one, until both agree; for a
    Gaussian spot the fixed point is the spot itself, whatever lies around it (adaptive moments,
    Bernstein and Jarvis 2002, from memory). shape = u, v, uu, uv, vv is written. Returns whether
    it came to rest inside.
    """
    height, width = light.shape
    u, v, c_uu, c_uv, c_vv = start_u, start_v, start_var, 0.0, start_var
    for _ in range(rounds):
        det = c_uu * c_vv - c_uv * c_uv
        if not det > 0.0:
            return False
        i_uu, i_uv, i_vv = c_vv / det, -c_uv / det, c_uu / det
        s, s_u, s_v, s_uu, s_uv, s_vv = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        reach_u, reach_v = 4.0 * np.sqrt(c_uu), 4.0 * np.sqrt(c_vv)
        for y in range(max(int(v - reach_v), 0), min(int(v + reach_v) + 2, height)):
            dy = y - v
            for x in range(max(int(u - reach_u), 0), min(int(u + reach_u) + 2, width)):
                dx = x - u
                far = i_uu * dx * dx + 2.0 * i_uv * dx * dy + i_vv * dy * dy
                if far > 16.0:
                    continue
                w = np.exp(-0.5 * far) * light[y, x]
                s += w
                s_u += w * dx
                s_v += w * dy
                s_uu += w * dx * dx
                s_uv += w * dx * dy
                s_vv += w * dy * dy
        if not s > 0.0:
            return False
        m_u, m_v = s_u / s, s_v / s
        n_uu = 2.0 * (s_uu / s - m_u * m_u)
        n_uv = 2.0 * (s_uv / s - m_u * m_v)
        n_vv = 2.0 * (s_vv / s - m_v * m_v)
        # no narrower than a pixel's own width allows
        n_uu, n_vv = max(n_uu, 0.15), max(n_vv, 0.15)
        u, v = u + 2.0 * m_u, v + 2.0 * m_v
        if not (-1.0 <= u <= width and -1.0 <= v <= height):
            return False
        change = abs(n_uu - c_uu) + abs(n_vv - c_vv) + abs(n_uv - c_uv)
        c_uu, c_uv, c_vv = n_uu, n_uv, n_vv
        if change < 1e-3 * (c_uu + c_vv) and abs(m_u) + abs(m_v) < 1e-3:
            break
    shape[0], shape[1], shape[2], shape[3], shape[4] = u, v, c_uu, c_uv, c_vv
    return True


shape_of_light = compiled(shape_of_light)


def weighted_centre(light, variance, shape, flatness, rounds, out):
    """The centre about which the weighted light balances, with its covariance.

    Weight w = g / (1 + flatness·g), g = exp(−d²/2) with d the distance in the metric of `shape`
    (u, v, uu, uv, vv; the first two are where to begin). flatness 0 is the least-squares place
    of a Gaussian spot in even noise; with flatness = peak variance / even variance it solves the
    likelihood equation of a Gaussian spot in read and shot noise, Σ M' (I − M) / V = 0, in which
    the model M drops out by symmetry; a large one is the plain centroid in a window.

    light, variance (h, w) float64 of one pixel. Newton steps on F(c) = Σ w (x − c) I; covariance
    J⁻¹ Σ w² V (x − c)(x − c)ᵀ J⁻ᵀ (implicit function theorem). Writes out = u, v, var_u, cov_uv,
    var_v, then the light, and its second moments uu, uv, vv, within the weight. Returns False
    when it does not come to rest inside.
    """
    height, width = light.shape
    u, v = shape[0], shape[1]
    det = shape[2] * shape[4] - shape[3] * shape[3]
    if not det > 0.0:
        return False
    i_uu, i_uv, i_vv = shape[4] / det, -shape[3] / det, shape[2] / det
    # beyond `edge` the weight is below 1e-3 of its middle
    edge = 2.0 * np.log(1e3 * (1.0 + flatness))
    reach_u, reach_v = np.sqrt(edge * shape[2]), np.sqrt(edge * shape[4])
    for n in range(rounds):
        f_u, f_v, j_uu, j_uv, j_vu, j_vv = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        n_uu, n_uv, n_vv = 0.0, 0.0, 0.0
        s, s_uu, s_uv, s_vv = 0.0, 0.0, 0.0, 0.0
        for y in range(max(int(v - reach_v), 0), min(int(v + reach_v) + 2, height)):
            dy = y - v
            for x in range(max(int(u - reach_u), 0), min(int(u + reach_u) + 2, width)):
                dx = x - u
                a_u, a_v = i_uu * dx + i_uv * dy, i_uv * dx + i_vv * dy
                far = a_u * dx + a_v * dy
                if far > edge:
                    continue
                g = np.exp(-0.5 * far)
                w = g / (1.0 + flatness * g)
                lit = light[y, x]
                slope = w / (1.0 + flatness * g)  # −dw/d(d²/2)
                f_u += w * dx * lit
                f_v += w * dy * lit
                j_uu += (slope * dx * a_u - w) * lit
                j_uv += slope * dx * a_v * lit
                j_vu += slope * dy * a_u * lit
                j_vv += (slope * dy * a_v - w) * lit
                own = w * w * variance[y, x]
                n_uu += own * dx * dx
                n_uv += own * dx * dy
                n_vv += own * dy * dy
                # scaled to 1 in the middle, for light and moments
                flat = w * (1.0 + flatness)
                s += flat * lit
                s_uu += flat * lit * dx * dx
                s_uv += flat * lit * dx * dy
                s_vv += flat * lit * dy * dy
        d = j_uu * j_vv - j_uv * j_vu
        if not (d > 0.0 and s > 0.0 and j_uu < 0.0):
            return False
        step_u = -(j_vv * f_u - j_uv * f_v) / d
        step_v = -(j_uu * f_v - j_vu * f_u) / d
        if abs(step_u) + abs(step_v) < 1e-5 or n == rounds - 1:
            break
        u, v = u + step_u, v + step_v
        if not (-1.0 <= u <= width and -1.0 <= v <= height):
            return False
    # J⁻¹ N J⁻ᵀ
    p, q, r, t = j_vv / d, -j_uv / d, -j_vu / d, j_uu / d
    out[0], out[1] = u, v
    out[2] = p * p * n_uu + 2.0 * p * q * n_uv + q * q * n_vv
    out[3] = p * r * n_uu + (p * t + q * r) * n_uv + q * t * n_vv
    out[4] = r * r * n_uu + 2.0 * r * t * n_uv + t * t * n_vv
    out[5] = s
    out[6], out[7], out[8] = s_uu / s, s_uv / s, s_vv / s
    return True


weighted_centre = compiled(weighted_centre)
