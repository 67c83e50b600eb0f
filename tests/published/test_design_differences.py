"""Differences of designs against published examples, scipy and statsmodels.

* Welch: scipy.stats.ttest_ind; * Holm: statsmodels' multipletests; * effect size: Borenstein,
Hedges, Higgins and Rothstein, Introduction to Meta-Analysis (2009), ch. 4 (from memory: means 103
and 100, deviations 5.5 and 4.5, 50 each: d = 0.5970, J = 0.9923, g = 0.5924); * power: SAS/STAT
User's Guide, Power and Sample Size Application, 'Test of Two Independent Means for Unequal
Variances': means 132 and 120, deviations 12 and 15, 25 each, one-sided 5 %: 0.924; statsmodels'
TTestIndPower and drawn tests; * noncentral t: scipy.stats.nct.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from hysteresis.compare.separate import (
    Summary,
    Trial,
    detectable,
    hedges_g,
    holm,
    more_units,
    noncentral_t,
    noncentrality,
    welch,
    welch_power,
)


def summary(values) -> Summary:
    values = np.asarray(values, float)
    n = len(values)
    return Summary(float(values.mean()), float(values.std(ddof=1) / np.sqrt(n)), n - 1.0, n)


def of(mean: float, deviation: float, n: int) -> Summary:
    return Summary(mean, deviation / np.sqrt(n), n - 1.0, n)


@pytest.mark.parametrize("level", [0.9, 0.95])
def test_welch_is_scipys(level):
    from scipy.stats import ttest_ind

    rng = np.random.default_rng(1)
    for n1, n2 in ((2, 2), (3, 8), (5, 5)):
        a, b = rng.normal(1.0, 0.2, n1), rng.normal(1.3, 0.6, n2)
        found, theirs = welch(summary(a), summary(b), level), ttest_ind(a, b, equal_var=False)
        interval = theirs.confidence_interval(level)
        assert found.p == pytest.approx(theirs.pvalue, rel=1e-9)
        assert (found.low, found.high) == pytest.approx((interval.low, interval.high), rel=1e-9)
        assert found.dof == pytest.approx(theirs.df)


def test_holm_is_statsmodels():
    from statsmodels.stats.multitest import multipletests

    p = np.array([0.01, 0.04, 0.03, 0.005, 0.6, 0.03])
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1], rel=1e-12)
    # what could not be tested counts as no comparison
    with_gap = holm(np.array([0.01, np.nan, 0.04]))
    assert with_gap[[0, 2]] == pytest.approx([0.02, 0.04]) and np.isnan(with_gap[1])


def test_effect_size_of_borenstein():
    g, low, high = hedges_g(of(103, 5.5, 50), of(100, 4.5, 50), 0.95)
    assert g == pytest.approx(0.5924, abs=5e-5)
    # their interval is the normal one, g ± 1.96 × 0.2028: close by for 98 degrees of freedom
    assert (low, high) == pytest.approx((0.5924 - 1.96 * 0.2028, 0.5924 + 1.96 * 0.2028), abs=0.01)


def test_ends_of_the_effect_size_by_scipys_noncentral_t():
    from scipy.stats import nct

    a, b = summary([1.0, 2.0, 3.0, 4.0]), summary([2.0, 4.0, 5.0, 7.0, 6.0])
    g, low, high = hedges_g(a, b, 0.95)
    nu, root = 7, np.sqrt(4 * 5 / 9)
    j = 1 - 3 / (4 * nu - 1)  # Hedges' approximation, good to 0.1 % here
    t = g / j * root
    assert nct.cdf(t, nu, low / j * root) == pytest.approx(0.975, abs=1e-3)
    assert nct.cdf(t, nu, high / j * root) == pytest.approx(0.025, abs=1e-3)


def test_noncentral_t_is_scipys():
    from scipy.stats import nct

    compared = 0
    for t, nu, nc in product(
        (-3, 0.5, 2.0, 4.3, 12.7, 45), (1, 1.3, 2, 4, 8, 30), (-1, 0, 1, 3, 10)
    ):
        theirs = nct.cdf(t, nu, nc)
        if np.isfinite(theirs):  # far out scipy's has no answer
            assert noncentral_t(t, nu, nc) == pytest.approx(theirs, abs=2e-6)
            compared += 1
    assert compared > 150
    for t, nu, p in ((2.3, 4, 0.975), (-1.0, 8, 0.1), (60.0, 3, 0.5)):
        assert noncentral_t(t, nu, noncentrality(t, nu, p)) == pytest.approx(p, abs=1e-9)


def test_power_of_the_sas_example():
    # one-sided 5 % is two-sided 10 %, but for the other tail, which is nothing here
    assert welch_power(12.0, Trial((12.0, 15.0), (25, 25), 0.10)) == pytest.approx(0.924, abs=5e-4)


def test_power_is_statsmodels_for_many_units_of_equal_spread():
    """Student's test, which Welch's becomes; one or two units more are asked for by Welch's."""
    from statsmodels.stats.power import TTestIndPower

    theirs = TTestIndPower()
    for effect, n, alpha in ((0.3, 200, 0.05), (0.25, 300, 0.01)):
        mine = welch_power(effect, Trial((1.0, 1.0), (n, n), alpha))
        assert mine == pytest.approx(theirs.power(effect, n, alpha), abs=5e-4)
    n = int(np.ceil(theirs.solve_power(effect_size=1.0, power=0.8, alpha=0.05)))
    assert 0 <= 5 + more_units(1.0, Trial((1.0, 1.0), (5, 5), 0.05)) - n <= 2


@pytest.mark.parametrize(
    ("counts", "spreads", "difference"),
    [((2, 2), (1.0, 1.0), 3.0), ((4, 6), (1.0, 2.0), 2.5), ((5, 5), (1.0, 1.0), 2.0)],
)
def test_power_against_drawn_tests(counts, spreads, difference):
    """40 000 of scipy's Welch tests: their share is known to 0.25 %, four times that is allowed."""
    from scipy.stats import ttest_ind

    rng = np.random.default_rng(3)
    a, b = (
        rng.normal(m, s, (40_000, n))
        for m, s, n in zip((0.0, difference), spreads, counts, strict=True)
    )
    share = np.mean(ttest_ind(a, b, axis=1, equal_var=False).pvalue < 0.05)
    trial = Trial(spreads, counts, 0.05)
    assert welch_power(difference, trial) == pytest.approx(share, abs=0.01)
    assert welch_power(detectable(trial), trial) == pytest.approx(0.8, abs=1e-4)


def test_no_number_of_units_lessens_what_they_share():
    trial = Trial((0.1, 0.1), (5, 5), 0.05, shared=1.0)
    assert more_units(2.0, trial) is None
    assert more_units(2.0, Trial((0.1, 0.1), (2, 2), 0.05)) is not None
    assert more_units(0.0, trial) is None
