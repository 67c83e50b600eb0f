"""How well a fit foretells data it has not seen: whole groups of the pattern held out.

At the solution the problem is linear to very good approximation, so leaving a group out is one
bounded linear step on the compressed rest instead of a new fit. Groups, never single samples:
neighbouring frames know each other's error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.fit.bounded import compress, solve_bounded
from hysteresis.fit.finish import HUBER, Solution
from hysteresis.fit.predict import predict
from hysteresis.optics import RigOptics
from hysteresis.recording import Grid, Observations
from hysteresis.tables import Floats, Ints


@dataclass(frozen=True)
class HeldOut:
    """Residuals in mm of every observation, each from a fit without its own fold.

    `fold` (f,) numbers the folds from 0; rows that were never held out have fold -1 and NaN.
    """

    residual_x_mm: Floats
    residual_y_mm: Floats
    fold: Ints


def folds_of(seen: Observations, count: int) -> Ints:
    """Fold of each observation: groups dealt out in turn; sync and conditioning stay in.

    Typed readings come in groups of one; consecutive readings share a fold, so that the pair
    excursion and return is left out together.
    """
    names = list(dict.fromkeys(seen.group))
    kinds = [name.split("/")[0] for name in names]
    open_to = [i for i, kind in enumerate(kinds) if kind not in ("sync", "conditioning")]
    size = max(1, len(open_to) // (count * 3)) if all(k == "reading" for k in kinds) else 1
    place = {names[i]: (j // size) % count for j, i in enumerate(open_to)}
    return np.array([place.get(g, -1) for g in seen.group], dtype=np.int64)


def held_out(
    solution: Solution, grid: Grid, seen: Observations, nominal: RigOptics, *, folds: int = 6
) -> HeldOut:
    """Residuals of each fold from the bounded linear fit to all other folds."""
    layout = solution.layout
    x, y, jacobian = predict(layout, solution.short, grid, seen, nominal, slopes=True)
    assert jacobian is not None
    measured = np.concatenate([seen.x_mm, seen.y_mm])
    sigma = np.concatenate([seen.sigma_x_mm, seen.sigma_y_mm])
    r = measured - np.concatenate([x, y])
    good = np.isfinite(r)
    weight = np.sqrt(np.minimum(1.0, HUBER / np.maximum(np.abs(r / sigma), 1e-12))) / sigma
    fold = folds_of(seen, folds)
    both = np.concatenate([fold, fold])
    prior, expected = layout.prior_rows()
    # triangles of the parts, so that each complement is assembled from small blocks
    parts = {}
    for f in np.unique(both):
        rows = good & (both == f)
        parts[int(f)] = compress(
            jacobian[rows] * weight[rows, None],
            (r[rows] + jacobian[rows] @ solution.short) * weight[rows],
        )[:2]
    out = np.full(r.shape, np.nan)
    for f in parts:
        if f < 0:
            continue
        rest = [p for g, p in parts.items() if g != f]
        matrix = np.vstack([p[0] for p in rest] + [prior])
        target = np.concatenate([p[1] for p in rest] + [expected])
        ridge = 1e-7 * np.sqrt(np.sum(matrix**2, axis=0))
        short = solve_bounded(
            np.vstack([matrix, np.diag(ridge)]),
            np.concatenate([target, ridge * solution.short]),
            layout.not_negative,
        )
        rows = good & (both == f)
        out[rows] = r[rows] - jacobian[rows] @ (short - solution.short)
    return HeldOut(out[: len(seen)], out[len(seen) :], fold)
