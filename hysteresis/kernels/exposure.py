"""What a camera sees of a moving spot: the mean over each exposure of a piecewise-linear path."""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.compiled import compiled


def average_columns(node_s, columns, start_s, exposure_s):
    """Mean of every column over each exposure; exact for values linear between nodes.

    `node_s` (n,) rises; `columns` (n, p) in C order; `start_s`, `exposure_s` (f,), any order.
    An exposure of 0 reads the value at one instant. Times outside the nodes hold the end values.
    Returns (f, p).
    """
    frames, count, nodes = start_s.size, columns.shape[1], node_s.size
    out = np.zeros((frames, count))
    for f in range(frames):
        begin = start_s[f]
        end = begin + exposure_s[f]
        j = np.searchsorted(node_s, begin, side="right") - 1
        j = min(max(j, 0), nodes - 2)
        if exposure_s[f] <= 0.0:
            part = (begin - node_s[j]) / (node_s[j + 1] - node_s[j])
            part = min(max(part, 0.0), 1.0)
            for p in range(count):
                out[f, p] = columns[j, p] + part * (columns[j + 1, p] - columns[j, p])
            continue
        at = begin
        while True:
            upto = end if j == nodes - 2 else min(end, node_s[j + 1])
            h = node_s[j + 1] - node_s[j]
            a = min(max((at - node_s[j]) / h, 0.0), 1.0)
            b = min(max((upto - node_s[j]) / h, 0.0), 1.0)
            share = (upto - at) / exposure_s[f]
            w = 0.5 * (a + b) * share
            if at < node_s[0] or upto > node_s[nodes - 1]:
                # partly outside: the part outside holds the end value
                inside = (b - a) * h / exposure_s[f]
                low = max(min(node_s[0], upto) - at, 0.0) / exposure_s[f]
                high = max(upto - max(node_s[nodes - 1], at), 0.0) / exposure_s[f]
                w = 0.5 * (a + b) * inside + high
                share = inside + low + high
            for p in range(count):
                out[f, p] += (share - w) * columns[j, p] + w * columns[j + 1, p]
            if upto >= end:
                break
            at = upto
            j += 1
    return out


average_columns = compiled(average_columns)
