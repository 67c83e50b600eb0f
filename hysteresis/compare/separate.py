"""Whether two designs differ: Welch's test, effect size, several comparisons, power.

All on one scale (of the values, or of their logarithms), from summaries of two designs.

* Welch's t with the degrees of freedom of Welch and Satterthwaite (Welch, Biometrika 34 (1947)
  28; NIST/SEMATECH e-Handbook, 7.3.1.2): spreads of designs need not be equal.
* Holm's step-down correction (Scand. J. Stat. 6 (1979) 65): the chance of any false separation
  in a family stays below 1 − level.
* Hedges' g with its exact small-sample factor (J. Educ. Stat. 6 (1981) 107), interval from the
  noncentral t distribution (Cumming and Finch, Educ. Psychol. Meas. 61 (2001) 532).
* Power from the noncentral t distribution with Welch's degrees of freedom (Moser, Stevens and
  Watts, Commun. Stat. Theory Methods 18 (1989) 3963 give the exact one, close by; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.compare.results import MOST_UNITS
from hysteresis.tables import Floats

WANTED_POWER = 0.8  # common practice (Cohen 1988)
LARGE_T = 30.0  # beyond it the noncentral t distribution is as good as normal


@dataclass(frozen=True)
class Summary:
    """One design on the scale used: mean, its standard error and degrees of freedom, its units'
    values (k,)."""

    mean: float
    u: float
    dof: float
    units: Floats

    @property
    def count(self) -> int:
        return len(self.units)

    @property
    def spread(self) -> float:
        """Standard deviation of one unit as it was measured: the standard error times √k."""
        return self.u * float(np.sqrt(self.count))


@dataclass(frozen=True)
class Welch:
    """Difference with interval, p value of no difference, and its degrees of freedom."""

    difference: float
    low: float
    high: float
    p: float
    u: float
    dof: float


def welch(first: Summary, second: Summary, level: float) -> Welch:
    """First minus second; NaN interval and p where a design has one unit only."""
    from scipy.special import stdtr, stdtrit

    difference = first.mean - second.mean
    a, b = first.u**2, second.u**2
    nothing = float("nan")
    if min(first.dof, second.dof) < 1:
        return Welch(difference, nothing, nothing, nothing, float(np.sqrt(a + b)), 0.0)
    u = float(np.sqrt(a + b))
    if u == 0.0:  # no spread at all: equal, or different for certain
        return Welch(difference, difference, difference, float(difference == 0.0), 0.0, np.inf)
    dof = (a + b) ** 2 / (a * a / first.dof + b * b / second.dof)
    half = float(stdtrit(dof, 0.5 + level / 2.0)) * u
    p = 2.0 * float(stdtr(dof, -abs(difference) / u))
    return Welch(difference, difference - half, difference + half, p, u, float(dof))


def holm(p: Floats) -> Floats:
    """Corrected p values (n,) of a family; NaN ones are no comparisons and stay NaN."""
    out = np.full(len(p), np.nan)
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    steps = p[order] * np.arange(len(order), 0, -1)
    out[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return out


def hedges_g(first: Floats, second: Floats, level: float) -> tuple[float, float, float]:
    """Effect size of two groups of units with its interval; NaN with fewer than two of either.

    g = J (m₁ − m₂)/s, s the pooled standard deviation, J = Γ(ν/2) / (√(ν/2) Γ((ν − 1)/2)) with
    ν = n₁ + n₂ − 2. The interval is J times that of the noncentrality of t, over √(n₁n₂/(n₁+n₂)).
    """
    from scipy.special import gammaln

    n1, n2 = len(first), len(second)
    if min(n1, n2) < 2:
        return (float("nan"),) * 3
    nu = n1 + n2 - 2
    pooled = np.sqrt(((n1 - 1) * np.var(first, ddof=1) + (n2 - 1) * np.var(second, ddof=1)) / nu)
    if not pooled > 0.0:
        return (float("nan"),) * 3
    shrink = float(np.exp(gammaln(nu / 2) - gammaln((nu - 1) / 2)) / np.sqrt(nu / 2))
    root = float(np.sqrt(n1 * n2 / (n1 + n2)))
    d = float((np.mean(first) - np.mean(second)) / pooled)
    low, high = (noncentrality(d * root, nu, p) for p in (0.5 + level / 2, 0.5 - level / 2))
    return shrink * d, shrink * low / root, shrink * high / root


def noncentrality(t: float, nu: float, p: float) -> float:
    """The noncentrality under which a t of ν degrees of freedom stays below `t` with chance p."""
    from scipy.optimize import brentq
    from scipy.special import nctdtr, ndtri

    spread = float(np.sqrt(1.0 + t * t / (2.0 * nu)))  # of t about it, for large ones
    if abs(t) > LARGE_T:
        return t - float(ndtri(p)) * spread
    if t < 0.0:
        return -noncentrality(-t, nu, 1.0 - p)
    reach = 12.0 * spread
    return float(brentq(lambda nc: float(nctdtr(nu, nc, t)) - p, t - reach, t + reach, xtol=1e-10))


def welch_power(
    difference: float, spreads: tuple[float, float], counts: tuple[int, int], alpha: float
) -> float:
    """Chance that Welch's test with `counts` units separates a true difference at `alpha`."""
    from scipy.special import nctdtr, ndtr, stdtrit

    a, b = (s * s / n for s, n in zip(spreads, counts, strict=True))
    if min(counts) < 2 or not np.isfinite(difference):
        return float("nan")
    if a + b == 0.0:
        return float(difference != 0.0)
    dof = (a + b) ** 2 / (a * a / (counts[0] - 1) + b * b / (counts[1] - 1))
    nc = abs(difference) / float(np.sqrt(a + b))
    limit = float(stdtrit(dof, 1.0 - alpha / 2.0))
    if nc > LARGE_T:
        spread = np.sqrt(1.0 + nc * nc / (2.0 * dof))
        return float(ndtr((nc - limit) / spread))
    return float(1.0 - nctdtr(dof, nc, limit) + nctdtr(dof, nc, -limit))


def more_units(
    difference: float, spreads: tuple[float, float], counts: tuple[int, int], alpha: float
) -> int | None:
    """How many more units of each make the power `WANTED_POWER`; None: more than `MOST_UNITS`."""

    def enough(more: int) -> bool:
        n = (counts[0] + more, counts[1] + more)
        return welch_power(difference, spreads, n, alpha) >= WANTED_POWER

    if difference == 0.0 or not np.isfinite(difference) or not enough(MOST_UNITS):
        return None
    low, high = -1, MOST_UNITS  # power rises with the number of units
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def detectable(spreads: tuple[float, float], counts: tuple[int, int], alpha: float) -> float:
    """The least difference that these units separate with `WANTED_POWER`."""
    from scipy.optimize import brentq

    root = float(np.sqrt(spreads[0] ** 2 / counts[0] + spreads[1] ** 2 / counts[1]))
    if min(counts) < 2 or root == 0.0:
        return float("nan") if min(counts) < 2 else 0.0
    high = root
    while welch_power(high, spreads, counts, alpha) < WANTED_POWER:
        high *= 2.0
    return float(brentq(lambda d: welch_power(d, spreads, counts, alpha) - WANTED_POWER, 0.0, high))
