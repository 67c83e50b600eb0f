"""Control charts of what the rechecks found: individuals, moving range, weighted mean.

Individuals and moving range of two (Shewhart; constants as tabled in ASTM E2587 and in
Montgomery, *Introduction to Statistical Quality Control*, both from memory, checked by integration
in tests/published/test_control_charts.py). The exponentially weighted moving average sees small
lasting changes that single values do not (Roberts 1959; weight and limit from Lucas and Saccucci,
Technometrics 32 (1990) 1, from memory): one false alarm in about 500 rechecks.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from hysteresis.recheck.results import ControlChart
from hysteresis.tables import Floats

D2 = 1.128  # mean range of two normal values, in standard deviations
D4 = 3.267  # upper limit of the range of two, over its mean: 1 + 3 d3 / d2
E2 = 2.660  # limits of individuals, over the mean range: 3 / d2
WEIGHT, LIMIT = 0.2, 2.962  # of the weighted mean: average run length of about 500
LEAST = 5  # values from which limits mean something (common practice, no source)
BASELINE = 20  # of the first values, at most, from which the limits are made (common practice)
NODES = 81


def control_chart(
    name: str, unit: str, dates: Sequence[str], values: npt.ArrayLike
) -> ControlChart:
    """Chart of one figure over the rechecks; limits from its first `BASELINE` values."""
    x: Floats = np.asarray(values, dtype=np.float64)
    baseline = min(len(x), BASELINE)
    moving: Floats = np.concatenate([[np.nan], np.abs(np.diff(x))]) if len(x) else x
    known = moving[1:baseline]
    typical = float(np.mean(known)) if known.size else float("nan")
    centre = float(np.mean(x[:baseline])) if len(x) else float("nan")
    sigma = typical / D2
    mean, low, high = ewma(x, centre, sigma)
    enough = baseline >= LEAST
    with np.errstate(invalid="ignore"):
        out = (
            (np.abs(x - centre) > E2 * typical)
            | (moving > D4 * typical)
            | (mean < low)
            | (mean > high)
        )
    return ControlChart(
        name=name, unit=unit, dates=tuple(dates), values=x,
        centre=centre, low=centre - E2 * typical, high=centre + E2 * typical,
        moving_range=moving, range_centre=typical, range_high=D4 * typical,
        ewma=mean, ewma_low=low, ewma_high=high,
        out=out & enough, baseline=baseline, enough=enough,
    )  # fmt: skip


def ewma(
    values: Floats, centre: float, sigma: float, weight: float = WEIGHT, limit: float = LIMIT
) -> tuple[Floats, Floats, Floats]:
    """Weighted mean (n,) and its limits, which widen over the first values (Montgomery, ch. 9)."""
    mean = np.empty(len(values))
    last = centre
    for k, value in enumerate(values):
        last = weight * value + (1.0 - weight) * last
        mean[k] = last
    turn = np.arange(1, len(values) + 1)
    spread = limit * sigma * np.sqrt(
        weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * turn))
    )  # fmt: skip
    return mean, centre - spread, centre + spread


def run_length(weight: float = WEIGHT, limit: float = LIMIT, shift: float = 0.0) -> float:
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
