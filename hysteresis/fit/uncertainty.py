"""Standard errors of the parameters, and what the model leaves unexplained.

Neighbouring frames share the model's error, so the textbook covariance is widened by a design
effect; it is computed on the free set only: weights at their bound carry none.
"""

from __future__ import annotations

import numpy as np

from hysteresis.fit.finish import Solution
from hysteresis.fit.held_out import HeldOut
from hysteresis.model import Discrepancy
from hysteresis.recording import Observations
from hysteresis.tables import Floats, Ints, Pattern

FEW_SPREAD = 0.5  # natural logarithm (common practice, no source)
JOB_S = 90.0  # after the pattern's end; a job like the study's, with its pause
BLOCK_S = 0.34  # residuals are averaged over about this long before the noise is taken out


def standard_errors(solution: Solution, seen: Observations) -> Floats:
    """Standard error of every short unknown; NaN where it sits at its bound.

    Gauss-Newton covariance with priors on the free set, times the design effect of the
    residuals: how much more the sum over a second scatters than independent frames would.
    """
    layout = solution.layout
    free = ~layout.not_negative | (solution.short > 0)
    root = solution.root[:, free]
    scale = np.maximum(np.sqrt(np.sum(root**2, axis=0)), 1e-300)
    inverse = np.linalg.pinv((root / scale).T @ (root / scale), rcond=1e-13, hermitian=True)
    variance = np.diag(inverse) / scale**2 * design_effect(solution, seen)
    out = np.full(len(solution.short), np.nan)
    out[free] = np.sqrt(np.maximum(variance, 0.0))
    return out


def design_effect(solution: Solution, seen: Observations) -> float:
    """Mean square of block sums of the residuals over what independent noise would give, ≥ 1.

    Blocks last one second (Kish's design effect of cluster samples; from memory).
    """
    block = np.unique(np.floor(seen.start_s).astype(int), return_inverse=True)[1]
    top, bottom = 0.0, 0.0
    for r, sigma in (
        (solution.residual_x_mm, seen.sigma_x_mm), (solution.residual_y_mm, seen.sigma_y_mm)
    ):  # fmt: skip
        z = np.nan_to_num(np.clip(r / sigma, -10.0, 10.0))
        top += float(np.sum(np.bincount(block, weights=z) ** 2))
        bottom += float(np.sum(np.isfinite(r)))
    return max(1.0, top / max(bottom, 1.0))


def discrepancy(
    held: HeldOut, seen: Observations, noise_mm: float, zero_mm: float, *, rich: bool
) -> Discrepancy:
    """Size of the error on data held out, part by part.

    Of a camera log (`rich`) the parts are the groups of the pattern, and noise is taken out:
    residuals are averaged over about a third of a second, where the camera's noise is small and
    the model's error is not; what is left of the noise is subtracted in square. Of a few
    readings the parts are the folds, and their noise stays in: readings cannot vouch for less
    than their own scatter. Nor have they seen fast moves, hence the least spread `FEW_SPREAD`.
    """
    parts = seen.group if rich else held.fold
    sizes = [
        _size(held, seen, np.flatnonzero((parts == name) & (held.fold >= 0)), noise_mm * rich)
        for name in dict.fromkeys(parts[held.fold >= 0])
    ]
    if not sizes:
        return Discrepancy(float("nan"), float("nan"), 0, zero_mm)
    values = np.maximum(sizes, 0.1 * noise_mm)
    spread = float(np.std(np.log(values), ddof=1)) if len(values) > 1 else 1.0
    typical = float(np.sqrt(np.mean(values**2)))
    return Discrepancy(typical, spread if rich else max(spread, FEW_SPREAD), len(values), zero_mm)


def _size(held: HeldOut, seen: Observations, rows: Ints, noise_mm: float) -> float:
    """Rms distance in mm of the residuals of some rows, averaged in blocks, less the noise."""
    block = np.floor((seen.start_s[rows] - seen.start_s[rows[0]]) / BLOCK_S).astype(int)
    square = 0.0
    for r in (held.residual_x_mm[rows], held.residual_y_mm[rows]):
        ok = np.isfinite(r)
        count = np.bincount(block[ok])
        filled = count > 0
        if not filled.any():
            continue
        mean = np.bincount(block[ok], weights=r[ok])[filled] / count[filled]
        square += float(np.mean(mean**2 - noise_mm**2 / count[filled]))
    return float(np.sqrt(max(square, 0.0)))


def unseen_creep_mm(
    pattern: Pattern, per_decade: tuple[float, float], full_scale_mm: tuple[float, float]
) -> float:
    """How far creep from before the pattern may shift a job that follows it, as a distance.

    What a rig did before is only seen through its fading during the pattern. Creep in
    logarithmic time, C per decade, of excursions like the pattern's own fades on by
    C · excursion · log10((T + t) / T) within t seconds after a pattern of T seconds
    (Boltzmann's sum for one step, textbook viscoelasticity); t is `JOB_S`.
    """
    length = float(pattern.t_s[-1] - pattern.t_s[0])
    decades = np.log10((length + JOB_S) / length)
    square = 0.0
    for drive, share, scale in zip(
        (pattern.drive_x, pattern.drive_y), per_decade, full_scale_mm, strict=True
    ):
        middle = 0.5 * (drive[1:] ** 2 + drive[:-1] ** 2)
        size = float(np.sqrt(np.sum(middle * np.diff(pattern.t_s)) / length))
        square += (share * size * scale * decades) ** 2
    return float(np.sqrt(square))
