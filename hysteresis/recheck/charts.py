"""Control charts of what the rechecks found: individuals, moving range, weighted mean.

Individuals and moving range of two (Shewhart; constants as tabled in ASTM E2587 and in
Montgomery, *Introduction to Statistical Quality Control*, both from memory, checked by integration
in tests/published/test_control_charts.py). The exponentially weighted moving average sees small
lasting changes that single values do not (Roberts 1959; weight from Lucas and Saccucci,
Technometrics 32 (1990) 1, from memory).

The tabled limits of three standard deviations are for one rule on one chart with a long baseline.
Here three rules look at several charts with limits from few values, so the limits are wider: by
Student's t for the degrees of freedom of a mean moving range, with the scatter of the centre, and
by Bonferroni over rules and charts (textbook). Together they alarm by chance in `CHANCE` of the
rechecks at most.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from hysteresis.recheck.results import ControlChart
from hysteresis.tables import Bools, Floats

D2 = 1.128  # mean range of two normal values, in standard deviations
WEIGHT = 0.2  # of the newest value in the weighted mean
RULES = 3  # single value, range, weighted mean
CHANCE = 0.02  # that any chart is out at a recheck although nothing has changed
FREEDOM = 0.62  # degrees of freedom per moving range: ranges overlap (from memory; tests draw it)
LEAST = 5  # values from which limits mean something (common practice, no source)
BASELINE = 20  # of the first values, at most, from which the limits are made (common practice)
NODES = 81
SIGHTED = 6.0  # standard deviations; behind wider limits no small change ever shows


def control_chart(
    name: str, unit: str, dates: Sequence[str], values: npt.ArrayLike, *, charts: int = 1,
    makes_limits: npt.ArrayLike | None = None, chance: float = CHANCE,
) -> ControlChart:  # fmt: skip
    """Chart of one figure over the rechecks; limits from its first `BASELINE` sound values.

    `charts`: how many are kept together; `makes_limits` (n,): which values may make the limits,
    all if unsaid; `chance`: of a false alarm of all charts and rules together, at one recheck.
    """
    x: Floats = np.asarray(values, dtype=np.float64)
    sound: Bools = np.ones(len(x), bool) if makes_limits is None else np.asarray(makes_limits, bool)
    base = np.flatnonzero(sound)[:BASELINE]
    moving: Floats = np.concatenate([[np.nan], np.abs(np.diff(x))]) if len(x) else x
    known = np.abs(np.diff(x[base]))
    typical = float(np.mean(known)) if known.size else float("nan")
    centre = float(np.mean(x[base])) if base.size else float("nan")
    sigma = typical / D2
    times = factor(max(len(base), 2), chance / (RULES * charts))
    half = times * sigma * np.sqrt(1.0 + 1.0 / max(len(base), 1))
    range_high = times * sigma * np.sqrt(2.0)
    mean, low, high = ewma(x, centre, sigma, limit=times, baseline=max(len(base), 1))
    enough = len(base) >= LEAST
    with np.errstate(invalid="ignore"):
        out = (np.abs(x - centre) > half) | (moving > range_high) | (mean < low) | (mean > high)
    return ControlChart(
        name=name, unit=unit, dates=tuple(dates), values=x,
        centre=centre, low=centre - half, high=centre + half,
        moving_range=moving, range_centre=typical, range_high=range_high,
        ewma=mean, ewma_low=low, ewma_high=high,
        out=out & enough, baseline=len(base), enough=enough, chance=chance, factor=times,
        seen_after=_seen_after(round(times, 2)) if times <= SIGHTED else float("inf"),
    )  # fmt: skip


def factor(baseline: int, chance: float) -> float:
    """Limit, in standard deviations from `baseline` values, left by chance with this probability.

    Both sides together. For a long baseline and 0.0027 it is Shewhart's 3.
    """
    from scipy import stats

    return float(stats.t.isf(chance / 2.0, FREEDOM * (baseline - 1)))


@lru_cache(maxsize=32)
def _seen_after(limit: float) -> float:
    return run_length(WEIGHT, limit, 1.0)


def ewma(
    values: Floats, centre: float, sigma: float, weight: float = WEIGHT, limit: float = 3.0,
    baseline: float = np.inf,
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Weighted mean (n,) and its limits, which widen over the first values (Montgomery, ch. 9).

    `baseline`: how many values the centre is the mean of; its scatter adds to theirs.
    """
    mean = np.empty(len(values))
    last = centre
    for k, value in enumerate(values):
        last = weight * value + (1.0 - weight) * last
        mean[k] = last
    turn = np.arange(1, len(values) + 1)
    spread = limit * sigma * np.sqrt(
        weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * turn)) + 1.0 / baseline
    )  # fmt: skip
    return mean, centre - spread, centre + spread


def run_length(weight: float = WEIGHT, limit: float = 3.0, shift: float = 0.0) -> float:
    """Average number of values until the weighted mean leaves its final limits.

    `shift` of the mean, in standard deviations. The integral equation of Crowder (Technometrics 29
    (1987) 401, from memory), L(u) = 1 + 1/λ ∫ L(y) φ((y − (1 − λ)u)/λ − shift) dy over the limits,
    by Gauss-Legendre quadrature.
    """
    from scipy import stats

    edge = limit * np.sqrt(weight / (2.0 - weight))
    node, share = np.polynomial.legendre.leggauss(NODES)
    y, w = edge * node, edge * share
    kernel = stats.norm.pdf((y[None, :] - (1.0 - weight) * y[:, None]) / weight - shift) / weight
    length = np.linalg.solve(np.eye(NODES) - kernel * w, np.ones(NODES))
    start = stats.norm.pdf(y / weight - shift) / weight
    return float(1.0 + (start * w) @ length)
