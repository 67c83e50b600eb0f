"""What a pattern would tell before it is played: the linearised problem, row by row.

Near a solution the spots change linearly with the unknowns, so the information of rows that
were never measured is known beforehand (the matrix JᵀJ/σ²; optimal design of experiments,
Fedorov 1972, from memory). Unknowns that belong to one recording alone, its history and its
clock, are added for a new recording and weigh on it alone.

Weakly told directions make information matrices as badly conditioned as 1e16, so everything is
counted in units of what is known already: with H Hᵀ the covariance so far, information M becomes
Hᵀ M H, what is known becomes the identity, and sums of it are well conditioned.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from hysteresis.bench import Bench
from hysteresis.fit.causes import block_of
from hysteresis.fit.predict import predict
from hysteresis.fit.structure import Layout
from hysteresis.optics import RigOptics
from hysteresis.recording import Grid, Observations
from hysteresis.tables import Bools, Floats, Pattern, group_of

ONE_RECORDING = ("history", "clock", "drift")
FRAME_S = 1.0 / 30.0


@dataclass(frozen=True)
class Ahead:
    """Frames that a pattern would give: derivatives (2f, s) over their standard deviation.

    `start_s` (f,) is when each begins; rows are all x, then all y.
    """

    rows: Floats
    start_s: Floats

    def between(self, first_s: float, last_s: float) -> Floats:
        """Information (s, s) of the frames that begin in [first_s, last_s)."""
        inside = (self.start_s >= first_s) & (self.start_s < last_s)
        part = self.rows[np.concatenate([inside, inside])]
        return np.asarray(part.T @ part)

    def times(self, matrix: Floats) -> Ahead:
        """The same frames by other unknowns: derivatives times `matrix` (s, e)."""
        return Ahead(self.rows @ matrix, self.start_s)


def frames_of(pattern: Pattern, bench: Bench, every_s: float | None = None) -> Observations:
    """Blank rows at the camera's frame times, or every so many seconds; 1 mm of uncertainty."""
    frame_s = FRAME_S if bench.camera is None else 1.0 / bench.camera.frame_rate_hz
    step = max(frame_s, every_s or 0.0)
    exposure = 0.25 * frame_s if bench.camera is None else bench.camera.exposure_s
    start = np.arange(pattern.t_s[0], pattern.t_s[-1] - exposure, step)
    row = np.clip(np.searchsorted(pattern.t_s, start, side="right") - 1, 0, len(pattern) - 1)
    n = len(start)
    return Observations(
        start, np.full(n, exposure), np.zeros(n), np.zeros(n), np.ones(n), np.ones(n),
        np.array([group_of(str(s)) for s in pattern.segment[row]], dtype=object),
        np.arange(n, dtype=float), True,
    )  # fmt: skip


def ahead(
    layout: Layout, short: Floats, grid: Grid, seen: Observations, nominal: RigOptics,
    sigma_mm: Floats,
) -> Ahead:  # fmt: skip
    """Derivatives of the rows `seen` over `sigma_mm` (f,), which holds for both axes.

    Axes that the layout has no unknowns of give no information.
    """
    rows = predict(layout, short, grid, seen, nominal, slopes=True)[2]
    assert rows is not None
    out = rows / np.concatenate([sigma_mm, sigma_mm])[:, None]
    for a, axis in enumerate("xy"):
        if axis not in layout.recipe.axes:
            out[a * len(seen) : (a + 1) * len(seen)] = 0.0
    return Ahead(out, seen.start_s)


def passing(layout: Layout) -> Bools:
    """Which unknowns (s,) belong to one recording alone and are new in the next."""
    return np.array([block_of(str(n))[1] in ONE_RECORDING for n in layout.names])


def joined(layout: Layout, root: Floats) -> tuple[Floats, Floats]:
    """Room for a second recording's own unknowns beside what one recording told.

    `root` (s, s) is the root of the information so far, priors included. Returns the root with
    the passing unknowns of the second recording and their priors added (e, e), and the matrix
    (s, e) by which derivatives of the second recording's rows are told by all e unknowns.
    """
    gone = np.flatnonzero(passing(layout))
    size, more = len(layout.names), len(gone)
    first = np.zeros((size + more, size + more))
    first[:size, :size] = root
    sd = layout.prior_sd[gone]
    first[size:, size:] = np.diag(np.where(np.isfinite(sd), 1.0 / sd, 0.0))
    of_new = np.eye(size, size + more)
    of_new[gone, gone] = 0.0
    of_new[gone, size + np.arange(more)] = 1.0
    return first, of_new


def greedy(
    gains: Sequence[Floats], seconds: Sequence[float], value: Callable[[Floats], float],
    budget_s: float, *, most_of_one: int = 1, enough: float = 0.0, least_gain: float = 0.0,
) -> list[int]:  # fmt: skip
    """Which gains of information to add, in order of worth, until the time is spent.

    Each step takes the one that lowers `value` of the sum of gains most per second.
    `most_of_one`: how often one may be taken; what lowers the value by less than the share
    `least_gain` is passed by. It ends early when the value is at most `enough`.
    """
    chosen: list[int] = []
    now, left = np.zeros_like(gains[0]), budget_s
    before = value(now)
    while before > enough:
        best, best_rate, best_value = -1, 0.0, before
        for k, (gain, price) in enumerate(zip(gains, seconds, strict=True)):
            if price > left or chosen.count(k) >= most_of_one:
                continue
            after = value(now + gain)
            if before - after >= least_gain * before and (before - after) / price > best_rate:
                best, best_rate, best_value = k, (before - after) / price, after
        if best < 0:
            break
        chosen.append(best)
        now, left, before = now + gains[best], left - seconds[best], best_value
    return chosen


def cost(gained: Floats, wanted: Floats) -> float:
    """trace(wanted · (1 + gained)⁻¹): the variance asked for, in units of what was known."""
    from scipy.linalg import cho_factor, cho_solve

    factor = cho_factor(np.eye(len(gained)) + gained, check_finite=False)
    return float(np.trace(cho_solve(factor, wanted, check_finite=False)))
