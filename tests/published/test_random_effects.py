"""One-way random effects against published results and general statistics libraries.

* Dyestuff (Davies and Goldsmith, Statistical Methods in Research and Production, 4th ed., 1972,
  6.4; data as in the R package lme4): five preparations of each of six batches. Bates' text on
  lme4 gives, by REML, variances 1764 between batches and 2451 within (from memory), the mean
  1527.5; in a balanced design the estimator from mean squares gives the same.
* BCG trials (Colditz et al., JAMA 271 (1994) 698; counts as in the R package metadat): log risk
  ratios with known variances. The R package metafor gives τ² = 0.3132, τ = 0.5597 by REML (printed
  in the vignette 'Bayesian Meta-Analysis' of the package RoBMA, 28 April 2026).
* statsmodels: MixedLM by REML for unbalanced groups, combine_effects for the standard error of
  Hartung and Knapp.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from hysteresis.compare.random_effects import random_effects

DYESTUFF = np.array([
    [1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445],
], dtype=float)  # fmt: skip
# vaccinated: ill, not ill; others: ill, not ill
BCG = np.array([
    [4, 119, 11, 128], [6, 300, 29, 274], [3, 228, 11, 209], [62, 13536, 248, 12619],
    [33, 5036, 47, 5761], [180, 1361, 372, 1079], [8, 2537, 10, 619], [505, 87886, 499, 87892],
    [29, 7470, 45, 7232], [17, 1699, 65, 1600], [186, 50448, 141, 27197], [5, 2493, 3, 2338],
    [27, 16886, 29, 17825],
], dtype=float)  # fmt: skip


def log_risk_ratios():
    """ln(risk ratio) and its variance 1/a − 1/(a + b) + 1/c − 1/(c + d) (textbook)."""
    a, b, c, d = BCG.T
    return np.log(a / (a + b) / (c / (c + d))), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


def test_dyestuff():
    values, unit = DYESTUFF.ravel(), np.repeat(np.arange(6), 5)
    found = random_effects(values, np.zeros(30), unit)
    assert found.mean == pytest.approx(1527.5)
    assert found.between**2 == pytest.approx(1764, abs=0.5)
    assert found.within**2 == pytest.approx(2451, abs=0.5)
    # mean squares: within 2451.25; between = 5 × variance of the batches' means
    square = 5 * np.var(DYESTUFF.mean(axis=1), ddof=1)
    within = np.mean(np.var(DYESTUFF, axis=1, ddof=1))
    assert found.within**2 == pytest.approx(within, rel=1e-5)
    assert found.between**2 == pytest.approx((square - within) / 5, rel=1e-4)
    assert found.u == pytest.approx(np.std(DYESTUFF.mean(axis=1), ddof=1) / np.sqrt(6), rel=1e-6)
    assert found.dof == 5


def test_bcg_with_known_variances():
    y, v = log_risk_ratios()
    found = random_effects(y, np.sqrt(v), np.arange(13))
    assert found.between**2 == pytest.approx(0.3132, abs=5e-5)
    assert found.between == pytest.approx(0.5597, abs=5e-5)


def test_standard_error_of_hartung_and_knapp():
    """statsmodels' factor for a given τ²; here it is above one, so that it counts."""
    from statsmodels.stats.meta_analysis import combine_effects

    y, v = log_risk_ratios()
    found = random_effects(y, np.sqrt(v), np.arange(13))
    w = 1.0 / (v + found.between**2)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        # with weights that hold τ² already and no further τ², its scaled fixed effect is theirs
        other = combine_effects(y, v + found.between**2)
    assert other.scale_hksj_fe == pytest.approx(np.sum(w * (y - found.mean) ** 2) / 12, rel=1e-9)
    assert other.scale_hksj_fe > 1.0
    assert found.mean == pytest.approx(other.mean_effect_fe, rel=1e-9)
    assert found.u == pytest.approx(other.sd_eff_w_fe_hksj, rel=1e-9)


def test_unbalanced_runs_against_statsmodels():
    import pandas as pd
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(5)
    unit = np.repeat(np.arange(7), [1, 2, 5, 3, 1, 4, 2])
    values = 10.0 + 2.0 * rng.standard_normal(7)[unit] + 0.8 * rng.standard_normal(len(unit))
    found = random_effects(values, np.zeros(len(unit)), unit)
    frame = pd.DataFrame({"value": values, "unit": unit})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = smf.mixedlm("value ~ 1", frame, groups=frame["unit"]).fit(reml=True)
    assert found.between**2 == pytest.approx(float(fit.cov_re.iloc[0, 0]), rel=2e-3)
    assert found.within**2 == pytest.approx(float(fit.scale), rel=2e-3)
    assert found.mean == pytest.approx(float(fit.params.iloc[0]), rel=1e-5)


def test_equal_units_are_the_mean_and_students_t():
    values = np.array([1.0, 1.4, 0.9, 1.2])
    found = random_effects(values, np.zeros(4), np.arange(4))
    assert found.u == pytest.approx(np.std(values, ddof=1) / 2.0)
    assert found.between == pytest.approx(np.std(values, ddof=1))
    assert found.dof == 3 and np.isnan(found.within)


def test_units_that_agree_by_chance_promise_no_more_than_the_measurement():
    found = random_effects(np.array([1.0, 1.001]), np.array([0.1, 0.1]), np.arange(2))
    assert found.between == 0.0
    assert found.u == pytest.approx(0.1 / np.sqrt(2.0))


@pytest.mark.parametrize("tau", [0.0, 1.0, 3.0])
def test_intervals_hold_the_mean_as_often_as_they_say(tau):
    """Coverage over 400 draws of four units with two runs each: at least 95 % less 2.5 %.

    2.5 % is more than two standard errors of a share of 400 (√(0.95 × 0.05/400) = 1.1 %).
    """
    from scipy.special import stdtrit

    rng = np.random.default_rng(2)
    unit = np.repeat(np.arange(4), 2)
    u = np.full(8, 1.0)
    held = 0
    for _ in range(400):
        values = tau * rng.standard_normal(4)[unit] + rng.standard_normal(8)
        # the closed form: means of two runs with known noise, as one run each
        means = values.reshape(4, 2).mean(axis=1)
        found = random_effects(means, u[:4] / np.sqrt(2.0), np.arange(4))
        held += abs(found.mean) <= stdtrit(found.dof, 0.975) * found.u
    assert held / 400 >= 0.925
