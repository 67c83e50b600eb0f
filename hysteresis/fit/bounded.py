"""Linear least squares where some unknowns may not be negative: the convex core of every stage.

Free unknowns are projected out by QR, the rest is non-negative least squares (Lawson & Hanson,
as in scipy.optimize.nnls). Tall problems are compressed first: R of a QR holds all there is to
know about a Gaussian problem in as many rows as it has columns.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from hysteresis.tables import Bools, Floats

TALL = 8  # rows per column from which on a pass by blocks beats a QR of everything
BLOCK_ROWS = 1024  # a block and its image stay in the cache of one core
EVEN = 100.0  # largest condition number of Q that is taken as it is
PLAIN = 1e5  # largest condition number of a preconditioner whose inverse is multiplied by
PIVOTS = 60  # exchanges of a warm start before it gives up; a handful is usual
REFINEMENTS = 6
SETTLED = 1e-13  # change of a refinement, of the largest value, after which it has settled


def compress(matrix: Floats, target: Floats) -> tuple[Floats, Floats, float]:
    """Upper triangle `R`, rotated target and the square sum that no solution can remove.

    `‖matrix x − target‖² = ‖R x − rotated‖² + rest` for every x.

    A tall matrix A is read once: with R₁ from some of its rows (a preconditioner as in Rokhlin
    & Tygert 2008) the columns of Q = A R₁⁻¹ are nearly orthonormal, and R = chol(QᵀQ) R₁. In a
    basis where A's columns are orthonormal its relative error is at most about
    n (`BLOCK_ROWS` + blocks) u cond(QᵀQ) + n u c, u = 1.1e-16, c = 1 where Q comes by
    substitution and c = cond(R₁) ≤ `PLAIN`, columns at unit length, where by the inverse, which
    takes half the time; a Gram matrix of A itself would lose cond(A)². Where cond(Q) > `EVEN` a
    second pass uses the better R (CholeskyQR2, Yamamoto et al. 2015); where that fails too, all
    rows go through a QR. Formulas from memory.
    """
    n = matrix.shape[1]
    if matrix.shape[0] >= TALL * n and n > 0:
        found = _by_blocks(matrix, target)
        if found is not None:
            return found
    stacked = np.column_stack([matrix, target])
    r: Floats = np.asarray(np.linalg.qr(stacked, mode="r"))
    if r.shape[0] <= n:
        return r[:, :n], r[:, n], 0.0
    return r[:n, :n], r[:n, n], float(r[n, n] ** 2)


def _by_blocks(matrix: Floats, target: Floats) -> tuple[Floats, Floats, float] | None:
    """`compress` in passes over blocks of rows; None where the columns are too dependent."""
    rows, n = matrix.shape
    # some rows from everywhere, and the last ones: there stand the priors
    some = np.union1d(np.arange(0, rows, max(1, rows // (40 * n))), np.arange(rows - 2 * n, rows))
    size = np.sqrt(np.einsum("ij,ij->j", matrix[some], matrix[some]))
    if not (np.isfinite(size).all() and (size > 0).all()):
        return None
    r: Floats = np.triu(np.linalg.qr(matrix[some] / size, mode="r")) * size
    for _ in range(2):
        if np.abs(np.diag(r) / np.linalg.norm(r, axis=0)).min() < 1e-12:
            return None
        gram, push = gram_of(matrix, target, r)
        level = np.linalg.eigvalsh(gram) if np.isfinite(gram).all() else np.zeros(1)
        if level[0] <= 1e-13 * level[-1]:
            return None
        lower = np.linalg.cholesky(gram)
        r = np.triu(lower.T @ r)
        if level[-1] <= EVEN**2 * level[0]:
            rotated = np.asarray(np.linalg.solve(lower, push))
            return r, rotated, max(0.0, float(target @ target - rotated @ rotated))
    return None


def gram_of(matrix: Floats, target: Floats, r: Floats) -> tuple[Floats, Floats]:
    """`QᵀQ` (n, n) and `Qᵀ target` (n,) of Q = matrix r⁻¹, block after block of rows.

    `r` is upper triangular with no zero on its diagonal. Error: see `compress`.
    """
    from scipy.linalg.blas import dsyrk, dtrmm, dtrsm
    from scipy.linalg.lapack import dtrtri

    n = matrix.shape[1]
    matrix = np.ascontiguousarray(matrix, dtype=float)
    size = np.linalg.norm(r, axis=0)
    inverse = np.asfortranarray(dtrtri(r)[0])
    plain = np.linalg.norm(inverse * size[:, None], 2) * np.linalg.norm(r / size, 2) <= PLAIN
    upper, into = (inverse, dtrmm) if plain else (np.asfortranarray(r), dtrsm)
    gram, push = np.zeros((n, n), order="F"), np.zeros(n)
    for first in range(0, matrix.shape[0], BLOCK_ROWS):
        # the rows of Q stand as columns: Qᵀ = r⁻ᵀ blockᵀ
        q = into(1.0, upper, matrix[first : first + BLOCK_ROWS].T, trans_a=1)
        gram = dsyrk(1.0, q, beta=1.0, c=gram, overwrite_c=1)
        push += q @ target[first : first + BLOCK_ROWS]
    return np.triu(gram) + np.triu(gram, 1).T, push


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


def solve_bounded_near(
    gram: Floats, downhill: Callable[[Floats], Floats], not_negative: Bools, moving: Bools
) -> Floats | None:
    """The minimum under bounds from a guess of who is off the bound, or None.

    `gram` (s, s) is Mᵀ M for columns of about unit length, `downhill(x)` is Mᵀ (t − M x),
    computed without forming Mᵀ M; `moving` (s,) is the guess, such as that of a problem much like
    this one. All wrong unknowns are exchanged at once (block principal pivoting, Portugal, Júdice
    & Vicente 1994); the values are then refined, x += gram⁻¹ downhill(x) (corrected seminormal
    equations, Björck 1987), which takes the error from cond(M)² u to about that of a QR. Both
    from memory. None: singular, did not settle, or the conditions of the minimum are not met.
    """
    from scipy.linalg.lapack import dpotrf, dpotrs

    push = downhill(np.zeros(len(gram)))
    inside = ~not_negative | moving
    fewest, patience = len(push) + 1, 3
    for _ in range(PIVOTS):
        at = inside.nonzero()[0]
        value = np.zeros(len(push))
        lower, info = dpotrf(gram[at[:, None], at].T, lower=1, overwrite_a=1, clean=0)
        if info != 0:
            return None
        value[at] = dpotrs(lower, push[at], lower=1)[0]
        wrong = not_negative & np.where(inside, value < 0, gram @ value < push)
        count = int(np.count_nonzero(wrong))
        if count == 0:
            break
        if count < fewest:
            fewest, patience = count, 3
        elif patience > 0:
            patience -= 1
        else:  # Murty's rule, which cannot cycle
            wrong[: wrong.nonzero()[0][-1]] = False
        inside = inside ^ wrong
    else:
        return None
    for _ in range(REFINEMENTS):
        slope = downhill(value)
        change = dpotrs(lower, slope[at], lower=1)[0]
        value[at] += change
        if np.abs(change).max(initial=0.0) <= SETTLED * np.abs(value).max(initial=0.0):
            break
    else:
        return None
    trifle = 1e-12 * np.abs(push).max(initial=0.0)
    outside = slope[~inside].max(initial=0.0) > trifle or value[not_negative].min(initial=0.0) < 0
    return None if outside else value
