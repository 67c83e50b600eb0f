"""Uncertainty without a noise model: whole blocks of the recording drawn again and again.

Neighbouring frames share the model's error, so what is drawn is whole groups of the pattern, and
pieces of long ones (block bootstrap, Künsch 1989; for clusters Davison & Hinkley 1997, 2.4; from
memory). At the solution the problem is linear to very good approximation, so a refit is one
bounded linear solve. Each block is kept as a Gram matrix in a basis in which the whole problem is
the identity: adding such matrices loses nothing to rounding, and no refit sees a row again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hysteresis.fit.bounded import compress, gram_of, solve_bounded, solve_bounded_near
from hysteresis.fit.finish import HUBER, Solution
from hysteresis.fit.predict import predict
from hysteresis.optics import RigOptics
from hysteresis.recording import Grid, Observations
from hysteresis.tables import Bools, Floats, Ints, Texts

LONGEST_S = 10.0  # longer groups are cut into blocks of at most this (common practice, no source)
KEEP = 1e-6  # share of the whole information that pulls each direction back to the solution
COVERAGE = (2.5, 97.5)


@dataclass(frozen=True)
class Compressed:
    """A bounded linear problem, block by block, small enough to solve many times.

    `root` (s, s) is R of all rows and priors; `gram` (b, s, s) and `push` (b, s) belong to each
    block in the basis y = root x, where all blocks and priors sum to the identity. `prior_gram`,
    `prior_push` and `prior_shift` (s, p) are the priors': p prior rows whose expected values are
    moved by z standard deviations add `prior_shift @ z`. `names` (b,) says which group a block
    is of; unknowns stay ≤ `upper` (s,).
    """

    root: Floats
    gram: Floats
    push: Floats
    prior_gram: Floats
    prior_push: Floats
    prior_shift: Floats
    short: Floats
    not_negative: Bools
    upper: Floats
    names: Texts


@dataclass(frozen=True)
class Bootstrap:
    """Refits (n, s) of a bootstrap and what they say of each unknown.

    `standard_error`, `low`, `high` (s,): standard deviation and 95 % interval (percentiles) over
    the refits. An unknown at its bound in the solution has an interval like any other.
    """

    names: Texts
    values: Floats
    solution: Floats
    standard_error: Floats
    low: Floats
    high: Floats
    blocks: int

    def summary(self, weights: Floats) -> tuple[Floats, Floats, Floats]:
        """Standard error and 95 % interval of `weights @ unknowns`, weights (k, s) or (s,)."""
        drawn = self.values @ np.atleast_2d(weights).T
        return _spread(drawn)

    def covariance(self) -> Floats:
        """Covariance (s, s) of the unknowns over the refits."""
        return np.asarray(np.cov(self.values, rowvar=False).reshape(2 * (self.values.shape[1],)))


def block_bootstrap(
    solution: Solution,
    grid: Grid,
    seen: Observations,
    nominal: RigOptics,
    *,
    count: int = 200,
    seed: int = 0,
    longest_s: float = LONGEST_S,
    progress: Callable[[float], None] | None = None,
) -> Bootstrap:
    """Standard errors and 95 % intervals from `count` refits to blocks drawn with replacement.

    Robust weights stay as they are at the solution; what priors expect is moved by its own
    standard deviation in every refit (else unknowns held by a prior would seem certain).
    Raises ValueError for fewer than two refits or blocks.
    """
    if count < 2:
        raise ValueError("a bootstrap needs at least two refits")
    small = in_blocks(solution, grid, seen, nominal, longest_s=longest_s)
    rng = np.random.default_rng(seed)
    draws = drawn_counts(len(small.names), count, rng)
    moved = rng.standard_normal((count, small.prior_shift.shape[1]))
    values = refits(small, draws, moved, progress)
    error, low, high = _spread(values)
    names = solution.layout.names
    return Bootstrap(names, values, solution.short, error, low, high, len(small.names))


def in_blocks(
    solution: Solution,
    grid: Grid,
    seen: Observations,
    nominal: RigOptics,
    *,
    longest_s: float = LONGEST_S,
) -> Compressed:
    """The linear problem at a solution, compressed block by block (see `blocks_of`)."""
    _, _, jacobian = predict(solution.layout, solution.short, grid, seen, nominal, slopes=True)
    assert jacobian is not None
    return linear_blocks(solution, seen, jacobian, *blocks_of(seen, longest_s))


def linear_blocks(
    solution: Solution, seen: Observations, jacobian: Floats, block: Ints, names: Texts
) -> Compressed:
    """`in_blocks` for a Jacobian (2f, s) that is known already; `block` (f,) into `names`."""
    both = np.concatenate([block, block])
    r = np.concatenate([solution.residual_x_mm, solution.residual_y_mm])
    sigma = np.concatenate([seen.sigma_x_mm, seen.sigma_y_mm])
    good = np.isfinite(r) & np.isfinite(sigma)
    size = np.abs(r[good]) / sigma[good]
    weight = np.sqrt(np.minimum(1.0, HUBER / np.maximum(size, 1e-12))) / sigma[good]
    plan = solution.layout
    return compressed(
        jacobian[good] * weight[:, None],
        (r[good] + jacobian[good] @ solution.short) * weight,
        both[good],
        names,
        plan.prior_rows(),
        solution.short,
        plan.not_negative,
        plan.upper,
    )


def blocks_of(seen: Observations, longest_s: float = LONGEST_S) -> tuple[Ints, Texts]:
    """Block (f,) of each observation and the group that each block is of.

    A group of the pattern is one block, or equal pieces in time of at most `longest_s`.
    """
    block = np.zeros(len(seen), dtype=np.int64)
    names: list[str] = []
    for name in dict.fromkeys(seen.group):
        rows = np.flatnonzero(seen.group == name)
        since = seen.start_s[rows] - seen.start_s[rows[0]]
        pieces = max(1, int(np.ceil(since[-1] / longest_s - 1e-9)))
        part = np.minimum((since * pieces / max(since[-1], 1e-9)).astype(np.int64), pieces - 1)
        filled, part = np.unique(part, return_inverse=True)
        block[rows] = len(names) + part
        names += [str(name)] * len(filled)
    return block, np.array(names, dtype=object)


def drawn_counts(blocks: int, count: int, rng: np.random.Generator) -> Floats:
    """How often each block is drawn, (count, blocks); every draw has as many as there are.

    Raises ValueError for fewer than two blocks.
    """
    if blocks < 2:
        raise ValueError("one block alone cannot be drawn from")
    return rng.multinomial(blocks, np.full(blocks, 1.0 / blocks), size=count).astype(float)


def compressed(
    matrix: Floats,
    target: Floats,
    block: Ints,
    names: Texts,
    prior_rows: tuple[Floats, Floats],
    short: Floats,
    not_negative: Bools,
    upper: Floats,
) -> Compressed:
    """Compress weighted rows (n, s) and their targets (n,) block by block.

    `block` (n,) counts from 0 into `names`; `prior_rows` (p, s) and what they expect (p,) are in
    units of their standard deviation; `short` is the solution.
    """
    from scipy.linalg import solve_triangular

    size = len(short)
    prior, expected = prior_rows
    # unknowns that neither rows nor priors touch keep their value; tiny rows say so
    column = np.sqrt(np.sum(matrix**2, axis=0) + np.sum(prior**2, axis=0))
    still = np.diag(np.where(column > 0, 1e-10 * column, 1.0))
    every = np.vstack([matrix, prior, still])
    root, _, _ = compress(every, np.zeros(len(every)))
    gram, push = np.zeros((len(names), size, size)), np.zeros((len(names), size))
    order = np.argsort(block, kind="stable")
    edge = np.searchsorted(block[order], np.arange(len(names) + 1))
    for b in range(len(names)):
        rows = order[edge[b] : edge[b + 1]]
        gram[b], push[b] = gram_of(matrix[rows], target[rows], root)
    shift = solve_triangular(root, prior.T, trans="T")
    kept = solve_triangular(root, still, trans="T")
    return Compressed(
        root=root,
        gram=gram,
        push=push,
        prior_gram=shift @ shift.T + kept @ kept.T,
        prior_push=shift @ expected + kept @ (still @ short),
        prior_shift=shift,
        short=short,
        not_negative=np.asarray(not_negative),
        upper=upper,
        names=names,
    )


def refits(
    small: Compressed,
    draws: Floats,
    moved: Floats | None = None,
    progress: Callable[[float], None] | None = None,
) -> Floats:
    """Solutions (n, s) of the problem with each block counted `draws` (n, b) times.

    `moved` (n, p): by how many standard deviations each prior's expectation is moved. Every refit
    minimises Σ_b count_b ‖A_b x − a_b‖² + priors + `KEEP` ‖root (x − solution)‖² under the
    bounds (upper ones, which few unknowns have, by cutting off). In the basis of `root` its Gram
    matrix has a condition number c of at most (largest count + 1) / KEEP, mostly below 100; the
    values lose c u, u = 1.1e-16, beyond what a solve by QR of all rows loses.
    """
    size, blocks = len(small.short), len(small.names)
    scale = 1.0 / np.linalg.norm(small.root, axis=0)
    root = small.root * scale
    own = small.prior_gram + KEEP * np.eye(size)
    flat = small.gram.reshape(blocks, -1)
    grams = (draws @ flat).reshape(-1, size, size) + own
    # the same in the unknowns themselves, good enough to say who is at the bound
    rough = (draws @ (root.T @ small.gram @ root).reshape(blocks, -1)).reshape(-1, size, size)
    rough += root.T @ own @ root
    pushes = draws @ small.push + small.prior_push + KEEP * (small.root @ small.short)
    if moved is not None:
        pushes += moved @ small.prior_shift.T
    moving = small.short > 0
    out = np.empty((len(draws), size))
    for k, (gram, push) in enumerate(zip(grams, pushes, strict=True)):

        def downhill(x: Floats, gram: Floats = gram, push: Floats = push) -> Floats:
            return np.asarray((push - gram @ (root @ x)) @ root)

        found = solve_bounded_near(rough[k], downhill, small.not_negative, moving)
        if found is None:
            lower = np.linalg.cholesky(gram)
            found = solve_bounded(
                lower.T @ root, np.linalg.solve(lower, push), small.not_negative
            )
        out[k] = np.minimum(found * scale, small.upper)
        if progress is not None:
            progress((k + 1) / len(draws))
    return out


def _spread(drawn: Floats) -> tuple[Floats, Floats, Floats]:
    low, high = np.percentile(drawn, COVERAGE, axis=0)
    return np.std(drawn, axis=0, ddof=1), low, high
