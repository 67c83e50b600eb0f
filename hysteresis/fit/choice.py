"""Which memory the data prefer: candidates side by side on data held out, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hysteresis.fit.held_out import HeldOut
from hysteresis.recording import Observations
from hysteresis.tables import Floats

CLEARLY = 2.0  # standard errors by which more memory must be better: it is not guessed
ENOUGH = 30  # rows of both axes by which a group speaks for itself
FEWEST_PARTS = 6
WILD = 100.0  # square beyond which a reading counts no more: one wild reading does not choose


@dataclass(frozen=True)
class Choice:
    """One recipe that was tried.

    `held_out_ratio`: its held-out error in units of noise, middle over the parts held out.
    `worse_by`: by which part that is larger than the best one's; `uncertain_by` the standard error
    of that. Groups of a camera log are compared as mean logarithms, so that one badly explained
    group does not outweigh all others; the few readings of a fold as mean squares.
    """

    name: str
    held_out_ratio: float
    worse_by: float
    uncertain_by: float
    unknowns: int
    chosen: bool


def choose(tried: Mapping[str, tuple[HeldOut, Observations, int]]) -> tuple[Choice, ...]:
    """Simplest candidate whose held-out error is about the best: within two standard errors.

    `tried`: held-out residuals, the observations they belong to and the number of unknowns, by
    name, simplest first, all of the same rows. Of a few readings one standard error is enough,
    but for no memory at all ('none').
    """
    parts = {name: _by_part(held, seen) for name, (held, seen, _) in tried.items()}
    squares = {name: square for name, (square, _) in parts.items()}
    groups = all(grouped for _, grouped in parts.values())
    folds = {name: len(set(held.fold[held.fold >= 0])) for name, (held, _, _) in tried.items()}
    size = {name: _middle(square, groups) for name, square in squares.items()}
    best = min(size, key=lambda name: size[name])
    apart = {}
    for name, square in squares.items():
        gap = (
            0.5 * np.log(square / squares[best])
            if groups
            else 0.5 * (square - squares[best]) / size[best] ** 2
        )
        # parts share most of their training rows: variance of the mean as corrected by
        # Nadeau & Bengio 2003 (from memory), test share over training share added to 1/parts
        share = 1.0 / len(gap) + 1.0 / max(folds[name] - 1, 1)
        error = float(np.std(gap, ddof=1) * np.sqrt(share)) if len(gap) > 1 else 0.0
        apart[name] = float(np.mean(gap)), error
    chosen = next(
        name
        for name, (gap, error) in apart.items()
        if gap <= (CLEARLY if groups or name == "none" else 1.0) * error
    )
    return tuple(
        Choice(name, size[name], *apart[name], tried[name][2], name == chosen) for name in tried
    )


def _middle(square: Floats, groups: bool) -> float:
    """Error over the parts: the geometric mean of groups, the root mean square of folds."""
    return float(np.exp(0.5 * np.mean(np.log(square))) if groups else np.sqrt(np.mean(square)))


def _by_part(held: HeldOut, seen: Observations) -> tuple[Floats, bool]:
    """Mean square in units of noise² of each part that was held out: the groups of the pattern
    with `ENOUGH` rows (True) or, of a few readings, the folds (False)."""
    z = np.concatenate([held.residual_x_mm / seen.sigma_x_mm, held.residual_y_mm / seen.sigma_y_mm])
    square = np.minimum(z**2, WILD)
    for part, grouped in ((seen.group, True), (held.fold, False)):
        counted = np.concatenate([held.fold, held.fold]) >= 0
        number = np.unique(np.concatenate([part, part]), return_inverse=True)[1]
        ok = counted & np.isfinite(square)
        count = np.bincount(number[ok])
        mean = np.bincount(number[ok], weights=square[ok])[count > 0] / count[count > 0]
        big = mean[count[count > 0] >= ENOUGH]
        if grouped and len(big) >= FEWEST_PARTS:
            return big, True
    return mean, False
