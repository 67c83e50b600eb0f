"""The cheapest way through a sequence of a few choices each (Viterbi's algorithm)."""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.compiled import compiled


def least_cost_way(own, place, scale, most, none, lost):
    """Which candidate of every frame, −1 for none of them.

    own (n, m) cost of each candidate, infinite where there is none; place (n, m, 2). Going from
    one to the next costs ln(1 + (distance/scale)²), at most `most`: spots do jump. A frame
    without any costs `none`; to leave or come back to a spot costs `lost`.
    """
    frames, many = own.shape
    states = many + 1  # the last one: no spot
    back = np.zeros((frames, states), dtype=np.int8)
    cost = np.empty(states)
    after = np.empty(states)
    for k in range(many):
        cost[k] = own[0, k]
    cost[many] = none
    for f in range(1, frames):
        for k in range(states):
            best, which = np.inf, many
            here = own[f, k] if k < many else none
            if np.isfinite(here):
                for j in range(states):
                    if not np.isfinite(cost[j]):
                        continue
                    if j == many and k == many:
                        step = 0.0
                    elif j == many or k == many:
                        step = lost
                    else:
                        du = place[f, k, 0] - place[f - 1, j, 0]
                        dv = place[f, k, 1] - place[f - 1, j, 1]
                        step = min(np.log1p((du * du + dv * dv) / (scale * scale)), most)
                    if cost[j] + step < best:
                        best, which = cost[j] + step, j
            after[k] = best + here
            back[f, k] = which
        low = np.min(after)
        for k in range(states):
            cost[k] = after[k] - low  # so that long films do not add up to large numbers
    way = np.empty(frames, dtype=np.int64)
    state = int(np.argmin(cost))
    for f in range(frames - 1, -1, -1):
        way[f] = state if state < many else -1
        state = back[f, state]
    return way


least_cost_way = compiled(least_cost_way)
