"""Which memory the data prefer: candidates side by side on data held out, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hysteresis.fit.held_out import HeldOut
from hysteresis.recording import Observations
from hysteresis.tables import Floats

CLEARLY = 2.0  # standard errors by which any memory must be better than none: it is not guessed
WILD = 100.0  # square beyond which a reading counts no more: one wild reading does not choose


@dataclass(frozen=True)
class Choice:
    """One recipe that was tried.

    `held_out_ratio`: root of its held-out mean square in units of noise. `worse_by`: by which
    part its held-out error is larger than the best one's, as the mean logarithm over the folds,
    so that one badly explained fold does not outweigh all others; `uncertain_by` the standard
    error of that.
    """

    name: str
    held_out_ratio: float
    worse_by: float
    uncertain_by: float
    unknowns: int
    chosen: bool


def choose(tried: Mapping[str, tuple[HeldOut, Observations, int]]) -> tuple[Choice, ...]:
    """Simplest candidate whose held-out error is about the best: within one standard error.

    `tried`: held-out residuals, the observations they belong to and the number of unknowns, by
    name, simplest first. No memory at all ('none') is preferred within two standard errors.
    """
    squares = {name: _by_fold(held, seen) for name, (held, seen, _) in tried.items()}
    mean = {name: float(np.mean(square)) for name, square in squares.items()}
    best = min(squares, key=lambda name: float(np.mean(np.log(squares[name]))))
    apart = {}
    for name, square in squares.items():
        gap = 0.5 * np.log(square / squares[best])
        # folds share most of their training rows: variance of the mean as corrected by
        # Nadeau & Bengio 2003 (from memory), test share over training share added to 1/folds
        n = len(gap)
        error = np.std(gap, ddof=1) * np.sqrt(1.0 / n + 1.0 / (n - 1)) if n > 1 else 0.0
        apart[name] = float(np.mean(gap)), float(error)
    chosen = next(
        name
        for name, (gap, error) in apart.items()
        if gap <= (CLEARLY if name == "none" else 1.0) * error
    )
    return tuple(
        Choice(name, float(np.sqrt(mean[name])), *apart[name], tried[name][2], name == chosen)
        for name in tried
    )


def _by_fold(held: HeldOut, seen: Observations) -> Floats:
    """Mean square of each fold in units of noise²."""
    z = np.concatenate([held.residual_x_mm / seen.sigma_x_mm, held.residual_y_mm / seen.sigma_y_mm])
    fold = np.concatenate([held.fold, held.fold])
    square = np.minimum(z**2, WILD)
    return np.array(
        [
            np.nanmean(square[fold == f])
            for f in np.unique(fold)
            if f >= 0 and np.isfinite(z[fold == f]).any()
        ]
    )
