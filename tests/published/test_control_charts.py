"""Control charts: tabled constants and run lengths, recomputed and from the literature.

d2, d3: tables of factors for control charts (ASTM MNL 7; Montgomery, *Introduction to
Statistical Quality Control*, appendix; both from memory), checked here by integrating the range of
normal values. Run lengths of the weighted mean: Lucas and Saccucci, Technometrics 32 (1990) 1,
table of optimal schemes (from memory), and by a Markov chain (Brook and Evans, Biometrika 59 (1972)
539), which shares nothing with the integral equation that the code solves.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy import integrate, stats

from hysteresis.recheck.charts import CHANCE, D2, LEAST, control_chart, ewma, factor, run_length
from hysteresis.recheck.temperature import temperature_effect, told_together

PHI, DENSITY = stats.norm.cdf, stats.norm.pdf


def moments_of_range(n: int) -> tuple[float, float]:
    """Mean and standard deviation of the range of n standard normal values, by integration.

    Distribution of the range W: F(w) = n ∫ φ(x) (Φ(x + w) − Φ(x))^(n−1) dx (Tippett 1925).
    """
    x = np.linspace(-8.0, 8.0, 801)

    def above(w: float) -> float:
        return 1.0 - n * float(
            integrate.simpson(DENSITY(x) * (PHI(x + w) - PHI(x)) ** (n - 1), x=x)
        )

    w = np.linspace(0.0, 12.0, 401)
    tail = np.array([above(v) for v in w])
    mean = float(integrate.simpson(tail, x=w))
    square = float(integrate.simpson(2.0 * w * tail, x=w))
    return mean, float(np.sqrt(square - mean**2))


@pytest.mark.parametrize(
    ("n", "d2", "d3", "upper"), [(2, 1.128, 0.853, 3.267), (3, 1.693, 0.888, 2.574),
                                 (5, 2.326, 0.864, 2.114)],
)  # fmt: skip
def test_factors_by_integration(n, d2, d3, upper):
    """Tabled to three digits; integration agrees to half a unit of the last one."""
    mean, spread = moments_of_range(n)
    assert mean == pytest.approx(d2, abs=6e-4) and spread == pytest.approx(d3, abs=6e-4)
    assert 1.0 + 3.0 * spread / mean == pytest.approx(upper, abs=2e-3)
    if n == 2:
        assert mean == pytest.approx(2.0 / np.sqrt(np.pi), abs=1e-6)  # in closed form
        assert pytest.approx(mean, abs=6e-4) == D2


def markov_run_length(weight: float, limit: float, shift: float, states: int = 301) -> float:
    """Brook and Evans: the mean moves between the states of a grid across its limits."""
    edge = limit * np.sqrt(weight / (2.0 - weight))
    half = edge / states
    at = -edge + half * (2 * np.arange(states) + 1)
    start = (1.0 - weight) * at[:, None]
    move = PHI((at + half - start) / weight - shift) - PHI((at - half - start) / weight - shift)
    return float(np.linalg.solve(np.eye(states) - move, np.ones(states))[states // 2])


@pytest.mark.parametrize(
    ("weight", "limit", "shift", "published"),
    [
        (0.10, 2.814, 0.0, 500.0), (0.20, 2.962, 0.0, 500.0), (0.25, 2.998, 0.0, 500.0),
        (0.40, 3.054, 0.0, 500.0), (0.10, 2.814, 1.0, 10.3), (0.10, 2.814, 0.5, 31.3),
        (0.10, 2.814, 2.0, 4.36), (0.25, 2.998, 1.0, 11.1),
    ],
)  # fmt: skip
def test_run_lengths_of_the_weighted_mean(weight, limit, shift, published):
    """Published to three digits; limits tabled to three decimals move 500 by a per cent."""
    found = run_length(weight, limit, shift)
    assert found == pytest.approx(published, rel=0.015)
    assert found == pytest.approx(markov_run_length(weight, limit, shift), rel=2e-3)


def test_a_shewhart_chart_is_the_weighted_mean_of_weight_one():
    """ARL of limits at 3 sigma: 1 / 0.0026998 = 370.4 (any textbook of quality control)."""
    assert run_length(0.999999, 3.0) == pytest.approx(370.4, rel=1e-3)


def test_limits_of_a_long_baseline_are_the_tabled_ones():
    """E2 = 3 / d2 = 2.660 and the mean range times it (ASTM E2587, from memory): probability 0.0027
    of both sides (any table of the normal distribution)."""
    assert factor(1_000_000, 0.0026998) / D2 == pytest.approx(2.660, abs=1e-3)


def test_limits_of_a_chart_by_hand():
    """Values 10, 12, 11, 13, 10: ranges 2, 1, 2, 3, mean 2; centre 11.2, deviation 2 / 1.128.
    Student's t is 4.6041 at 1 % and 4 degrees of freedom (any table), here those of 7.45 values."""
    assert factor(1 + 4 / 0.62, 0.01) == pytest.approx(4.6041, abs=1e-4)
    chart = control_chart("x", "mm", list("abcde"), [10.0, 12.0, 11.0, 13.0, 10.0])
    assert chart.centre == pytest.approx(11.2) and chart.range_centre == pytest.approx(2.0)
    assert chart.high - 11.2 == pytest.approx(chart.factor * 1.773 * np.sqrt(1.2), rel=1e-3)
    assert chart.low == pytest.approx(22.4 - chart.high)
    assert chart.range_high == pytest.approx(chart.factor * 1.773 * np.sqrt(2.0), rel=1e-3)
    assert chart.enough and not chart.out.any() and LEAST == 5
    more = control_chart("x", "mm", list("abcd"), [10.0, 12.0, 11.0, 99.0])
    assert not more.enough and not more.out.any()  # too few to call anything out


def test_a_late_shift_is_called_and_the_weighted_mean_is_the_recursion():
    rng = np.random.default_rng(5)
    values = np.concatenate([rng.normal(0.0, 1.0, 20), rng.normal(2.0, 1.0, 12)])
    chart = control_chart("x", "mm", [str(k) for k in range(32)], values)
    assert chart.baseline == 20 and chart.out[20:].any()
    mean, low, high = ewma(values, 0.0, 1.0, 0.2, 3.0)
    weights = 0.2 * 0.8 ** np.arange(len(values))[::-1]
    assert mean[-1] == pytest.approx(weights @ values)  # the sum that the recursion is
    assert high[0] == pytest.approx(0.6) and low[0] == pytest.approx(-0.6)  # L λ σ
    assert high[-1] == pytest.approx(3.0 * np.sqrt(0.2 / 1.8), rel=1e-6)


@pytest.mark.parametrize("rechecks", [21, 40])
def test_five_charts_together_alarm_as_seldom_as_is_said(rechecks):
    """Normal values, limits from the first 20 of them: the share of draws with any chart out at the
    last one, at most `CHANCE` (three standard deviations of the count allowed for)."""
    rng = np.random.default_rng(11)
    draws = 300
    out = [
        any(
            control_chart("x", "1", [""] * rechecks, rng.normal(size=rechecks), charts=5).out[-1]
            for _ in range(5)
        )
        for _ in range(draws)
    ]
    assert np.mean(out) < CHANCE + 3.0 * np.sqrt(CHANCE / draws)


def test_what_asked_for_a_refit_makes_no_limits():
    rng = np.random.default_rng(12)
    values = np.concatenate([rng.normal(size=9), [40.0], rng.normal(size=9)])
    sound = np.abs(values) < 20.0
    chart = control_chart("x", "mm", [""] * 19, values, makes_limits=sound)
    alone = control_chart("x", "mm", [""] * 18, values[sound])
    assert chart.baseline == 18 and chart.out[9]
    assert (chart.centre, chart.high) == pytest.approx((alone.centre, alone.high))


def test_holms_test_is_the_closed_test():
    """A figure is told if Bonferroni's test rejects every set of figures that holds it (Marcus,
    Peritz and Gabriel, Biometrika 63 (1976) 655, from memory: Holm's is the shortcut for it). Of
    six figures that do not go with the temperature at most 5 % of logs tell one."""
    rng = np.random.default_rng(13)
    logs, figures = 0, 6
    sets = [s for n in range(1, figures + 1) for s in combinations(range(figures), n)]
    for trial in range(60):
        t = 20.0 + rng.uniform(-3.0, 3.0, 8)
        slope = 0.6 if trial < 20 else 0.0
        found = [temperature_effect("spring_x", "1", t, slope * (t - 20.0) * (k < 3)
                                    + rng.normal(size=8)) for k in range(figures)]  # fmt: skip
        effects = told_together([e for e in found if e is not None])
        p = np.array([e.p_value for e in effects])
        kept = {k for s in sets if p[list(s)].min() > 0.05 / len(s) for k in s}
        assert [not e.told for e in effects] == [k in kept for k in range(figures)]
        logs += slope == 0.0 and any(e.told for e in effects)
    assert logs <= 0.05 * 40 + 3.0 * np.sqrt(0.05 * 40)


def test_the_line_over_temperature_is_that_of_ordinary_least_squares():
    """statsmodels' OLS, another implementation."""
    sm = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(2)
    t = 20.0 + rng.uniform(-3.0, 3.0, 9)
    y = 0.01 - 0.003 * (t - 20.0) + rng.normal(0.0, 5e-4, 9)
    found = temperature_effect("spring_x", "1", [*t, np.nan], [*y, 0.0])
    reference = sm.OLS(y, sm.add_constant(t)).fit()
    assert found is not None and found.rechecks == 9
    assert found.per_k == pytest.approx(reference.params[1], rel=1e-9)
    assert [found.low_per_k, found.high_per_k] == pytest.approx(
        list(reference.conf_int(0.05)[1]), rel=1e-9
    )
    assert found.told and found.low_per_k < -0.003 < found.high_per_k
    assert temperature_effect("spring_x", "1", t[:4], y[:4]) is None
    assert temperature_effect("spring_x", "1", [20.0] * 9, y) is None
