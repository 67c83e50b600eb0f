"""Linear least squares where some unknowns may not be negative: the convex core of every stage.

Free unknowns are projected out by QR, the rest is non-negative least squares (Lawson & Hanson,
as in scipy.optimize.nnls). Tall problems are compressed first: R of a QR holds all there is to
know about a Gaussian problem in as many rows as it has columns.
"""

from __future__ import annotations

import numpy as np

from hysteresis.tables import Bools, Floats


def compress(matrix: Floats, target: Floats) -> tuple[Floats, Floats, float]:
    """Upper triangle `R`, rotated target and the square sum that no solution can remove.

    `‖matrix x − target‖² = ‖R x − rotated‖² + rest` for every x.
    """
    stacked = np.column_stack([matrix, target])
    r: Floats = np.asarray(np.linalg.qr(stacked, mode="r"))
    n = matrix.shape[1]
    if r.shape[0] <= n:
        return r[:, :n], r[:, n], 0.0
    return r[:n, :n], r[:n, n], float(r[n, n] ** 2)


def solve_bounded(matrix: Floats, target: Floats, not_negative: Bools) -> Floats:
    """Minimise ‖matrix x − target‖ with `x[not_negative] ≥ 0`; unique minimum where full rank.

    Columns are scaled to unit length inside; a column of zeros gets the value 0.
    """
    from scipy.optimize import nnls

    size = np.linalg.norm(matrix, axis=0)
    alive = size > 0
    scaled = matrix[:, alive] / size[alive]
    bound = np.asarray(not_negative)[alive]
    free, held = scaled[:, ~bound], scaled[:, bound]
    x = np.zeros(scaled.shape[1])
    if free.shape[1]:
        q, r = np.linalg.qr(free)
        rest_matrix = held - q @ (q.T @ held)
        rest_target = target - q @ (q.T @ target)
    else:
        rest_matrix, rest_target = held, target
    if held.shape[1]:
        x[bound] = nnls(rest_matrix, rest_target, maxiter=40 * held.shape[1] + 200)[0]
    if free.shape[1]:
        x[~bound] = np.linalg.lstsq(r, q.T @ (target - held @ x[bound]), rcond=1e-13)[0]
    out = np.zeros(matrix.shape[1])
    out[alive] = x / size[alive]
    return out
