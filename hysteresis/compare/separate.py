"""Whether two designs differ: Welch's test, effect size, several comparisons, power.

All on one scale (of the values, or of their logarithms), from summaries of two designs.

* Welch's t with the degrees of freedom of Welch and Satterthwaite (Welch, Biometrika 34 (1947)
  28; NIST/SEMATECH e-Handbook, 7.3.1.2): spreads of designs need not be equal.
* Holm's step-down correction (Scand. J. Stat. 6 (1979) 65): the chance of any false separation
  in a family stays below 1 − level.
* Hedges' g with its exact small-sample factor (J. Educ. Stat. 6 (1981) 107), interval from the
  noncentral t distribution (Cumming and Finch, Educ. Psychol. Meas. 61 (2001) 532).
* Power of Welch's test, exactly: the noncentral t distribution averaged over what the two spreads
  may turn out to be (Moser, Stevens and Watts, Commun. Stat. Theory Methods 18 (1989) 3963; from
  memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from hysteresis.compare.results import MOST_UNITS
from hysteresis.tables import Floats

MOST_DOF = 1e6  # a t distribution of more is normal
WANTED_POWER = 0.8  # common practice (Cohen 1988)


def _on_unit_interval(count: int) -> tuple[Floats, Floats]:
    """Nodes and weights of Gauss and Legendre between 0 and 1."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return (1.0 + nodes) / 2.0, weights / 2.0


_PLACES, _WEIGHTS = _on_unit_interval(400)
_P_OUTER, _W_OUTER = _on_unit_interval(32)
_P_INNER, _W_INNER = _on_unit_interval(64)


@dataclass(frozen=True)
class Summary:
    """One design on the scale used: mean, its standard error and degrees of freedom, its units.

    `shared`: the part of `u` that all units have in common, so that more of them do not lessen it.
    """

    mean: float
    u: float
    dof: float
    count: int
    shared: float = 0.0

    @property
    def spread(self) -> float:
        """Standard deviation of one unit as it was measured, without what all have in common."""
        return float(np.sqrt(max(self.u**2 - self.shared**2, 0.0) * self.count))

    @property
    def whole_spread(self) -> float:
        """The same with it: how far the figure of one unit is known to lie from its design's."""
        return float(np.hypot(self.spread, self.shared))


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
    dof = min((a + b) ** 2 / (a * a / first.dof + b * b / second.dof), MOST_DOF)
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


def hedges_g(first: Summary, second: Summary, level: float) -> tuple[float, float, float]:
    """Effect size of two designs with its interval; NaN with fewer than two units of either.

    g = J (m₁ − m₂)/s with s² = ((n₁ − 1)s₁² + (n₂ − 1)s₂²)/ν, ν = n₁ + n₂ − 2, sᵢ the spread of
    one unit as it was measured or foretold, J = Γ(ν/2) / (√(ν/2) Γ((ν − 1)/2)). The interval is J
    times that of the noncentrality of t, over √(n₁n₂/(n₁+n₂)).
    """
    from scipy.special import gammaln

    n1, n2 = first.count, second.count
    nothing = float("nan")
    if min(n1, n2) < 2:
        return nothing, nothing, nothing
    nu = n1 + n2 - 2
    pooled = float(
        np.sqrt(((n1 - 1) * first.whole_spread**2 + (n2 - 1) * second.whole_spread**2) / nu)
    )
    if not pooled > 0.0:
        return nothing, nothing, nothing
    shrink = float(np.exp(gammaln(nu / 2) - gammaln((nu - 1) / 2)) / np.sqrt(nu / 2))
    root = float(np.sqrt(n1 * n2 / (n1 + n2)))
    d = (first.mean - second.mean) / pooled
    low, high = (noncentrality(d * root, nu, p) for p in (0.5 + level / 2, 0.5 - level / 2))
    return shrink * d, shrink * low / root, shrink * high / root


def noncentral_t(t: float, nu: float, nc: float) -> float:
    """P(T ≤ t) of the noncentral t distribution: the mean of Φ(t √(χ²_ν/ν) − nc) over χ²_ν.

    By Gauss-Legendre quadrature over the quantiles of χ²; unlike series it stands up to large
    arguments and to few degrees of freedom that are no whole number. Checked against scipy's.
    """
    from scipy.special import ndtr

    return float(_WEIGHTS @ ndtr(t * _roots(nu, False) - nc))


@lru_cache(maxsize=256)  # a pure function that is asked the same over and over
def _roots(nu: float, coarse: bool) -> Floats:
    """Quantiles of √(χ²_ν/ν) at the nodes."""
    from scipy.special import gammaincinv

    return np.asarray(np.sqrt(2.0 * gammaincinv(nu / 2.0, _P_INNER if coarse else _PLACES) / nu))


def noncentrality(t: float, nu: float, p: float) -> float:
    """The noncentrality under which a t of ν degrees of freedom stays below `t` with chance p."""
    from scipy.optimize import brentq

    reach = 12.0 * float(np.sqrt(1.0 + t * t / (2.0 * nu)))
    while noncentral_t(t, nu, t + reach) > p or noncentral_t(t, nu, t - reach) < p:
        reach *= 2.0
    return float(brentq(lambda nc: noncentral_t(t, nu, nc) - p, t - reach, t + reach, xtol=1e-9))


@dataclass(frozen=True)
class Trial:
    """Two designs as a test of them is planned: spread of one unit of each, how many of each, the
    level of the test, and the standard uncertainty of the difference that no units lessen."""

    spreads: tuple[float, float]
    counts: tuple[int, int]
    alpha: float
    shared: float = 0.0


def trial_of(first: Summary, second: Summary, alpha: float) -> Trial:
    """The same trial once more: with as many units that scatter as these do."""
    return Trial(
        (first.spread, second.spread), (first.count, second.count), alpha,
        float(np.hypot(first.shared, second.shared)),
    )  # fmt: skip


def welch_power(difference: float, trial: Trial) -> float:
    """Chance that Welch's test separates designs that truly differ so much.

    Given the ratio F of the two variances found, over that of the true ones, the test is one of a
    noncentral t of n₁ + n₂ − 2 degrees of freedom against a limit that depends on F alone; the
    mean over the F distribution is exact (Moser, Stevens and Watts 1989, from memory). What units
    share is known beforehand and does not scatter; with it Welch's degrees of freedom are those of
    the true spreads.
    """
    from scipy.special import fdtri, ndtr, stdtrit

    n1, n2 = trial.counts
    if min(n1, n2) < 2 or not np.isfinite(difference):
        return float("nan")
    a, b = trial.spreads[0] ** 2 / n1, trial.spreads[1] ** 2 / n2
    whole = a + b + trial.shared**2
    if whole == 0.0:
        return float(difference != 0.0)
    nc = abs(difference) / float(np.sqrt(whole))
    if trial.shared > 0.0:
        chance = a * a / (n1 - 1) + b * b / (n2 - 1)
        dof = min(whole**2 / chance, MOST_DOF) if chance > 0.0 else MOST_DOF
        limit = float(stdtrit(dof, 1.0 - trial.alpha / 2.0))
        return 1.0 - noncentral_t(limit, dof, nc) + noncentral_t(-limit, dof, nc)
    n = n1 + n2 - 2
    f = fdtri(n1 - 1, n2 - 1, _P_OUTER)
    a_found, b_found = a * f, np.full(len(f), b)  # up to a common factor
    dof = (a_found + b_found) ** 2 / (a_found**2 / (n1 - 1) + b_found**2 / (n2 - 1))
    factor = n * (a_found + b_found) / (((n1 - 1) * f + (n2 - 1)) * whole)
    limits = stdtrit(dof, 1.0 - trial.alpha / 2.0) * np.sqrt(factor)
    far = limits[:, None] * _roots(float(n), True)
    beyond = ndtr(nc - far) + ndtr(-nc - far)
    return float(_W_OUTER @ beyond @ _W_INNER)


def more_units(difference: float, trial: Trial) -> int | None:
    """How many more units of each make the power `WANTED_POWER`; None: more than `MOST_UNITS`."""

    def enough(more: int) -> bool:
        n = (trial.counts[0] + more, trial.counts[1] + more)
        return welch_power(difference, replace(trial, counts=n)) >= WANTED_POWER

    if difference == 0.0 or not np.isfinite(difference) or not enough(MOST_UNITS):
        return None
    low, high = -1, MOST_UNITS  # power rises with the number of units
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def detectable(trial: Trial) -> float:
    """The least difference that these units separate with `WANTED_POWER`."""
    from scipy.optimize import brentq

    parts = [s * s / n for s, n in zip(trial.spreads, trial.counts, strict=True)]
    root = float(np.sqrt(sum(parts) + trial.shared**2))
    if min(trial.counts) < 2 or root == 0.0:
        return float("nan") if min(trial.counts) < 2 else 0.0
    high = root
    while welch_power(high, trial) < WANTED_POWER:
        high *= 2.0
    return float(brentq(lambda d: welch_power(d, trial) - WANTED_POWER, 0.0, high, rtol=1e-5))
