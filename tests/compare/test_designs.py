"""Figures over designs: scale, intervals, families; what makes up one figure of a unit."""

from __future__ import annotations

import numpy as np
import pytest
from compare_data import DRIVE, ERROR, pair, values_of

from hysteresis.characteristics.definitions import DEFINITIONS
from hysteresis.characteristics.figure import Condition, Definition
from hysteresis.compare import figures
from hysteresis.compare.designs import compare_figure
from hysteresis.compare.figures import Shared, compare_figures
from hysteresis.compare.results import FORECAST_DOUBT, Beyond, RunValue
from hysteresis.compare.runs import OpenedRun
from hysteresis.compare.scale import choose_scale, log_likelihood
from hysteresis.compare.words import notes_on
from hysteresis.metrics import Recovery


def compared(groups, u=0.0, **more):
    return compare_figure(ERROR, "xy", (), values_of(groups, u), level=0.95, **more)


def test_log_scale_gives_ratios_of_geometric_means():
    from scipy.stats import ttest_ind

    a, b = [1.0, 1.2, 0.9, 1.1, 1.05], [2.0, 2.5, 1.8, 2.3, 2.2]
    found = compared({"a": a, "b": b})
    d = found.differences[0]
    theirs = ttest_ind(np.log(a), np.log(b), equal_var=False)
    interval = theirs.confidence_interval(0.95)
    assert found.scale == "log"
    assert d.ratio == pytest.approx(np.exp(np.mean(np.log(a)) - np.mean(np.log(b))))
    assert (d.ratio_low, d.ratio_high) == pytest.approx(np.exp([interval.low, interval.high]))
    assert d.p == pytest.approx(theirs.pvalue) and d.separated and d.more_units == 0
    assert np.isnan(d.low) and np.isnan(d.high)
    one = found.of("a")
    assert one.low < one.mean < one.high and one.between == pytest.approx(
        np.std(np.log(a), ddof=1), rel=1e-4
    )


def test_box_cox_likelihood_is_scipys():
    """scipy.stats.boxcox_llf is the same profile likelihood of one group (divisor n)."""
    from scipy.stats import boxcox_llf

    values = np.random.default_rng(1).lognormal(0.0, 0.7, 20)
    design = np.zeros(20, int)
    for power in (0.0, 1.0):
        mine = log_likelihood(values, design, power)
        assert mine == pytest.approx(boxcox_llf(power, values), rel=1e-9)


def test_scale_follows_the_spreads():
    rng = np.random.default_rng(4)
    design = np.repeat([0, 1, 2], 8)
    noise = rng.standard_normal(24)
    means = np.array([1.0, 10.0, 100.0])[design]
    none = np.zeros(24)
    assert choose_scale(means * np.exp(0.1 * noise), none, design)[0] == "log"
    assert choose_scale(means + 0.05 * noise, none, design)[0] == "plain"
    assert choose_scale(means * np.where(design == 1, -1, 1), none, design)[0] == "plain"
    assert choose_scale(means, 0.5 * means, design)[0] == "plain"


def test_runs_of_one_unit_are_no_replicates():
    """Ten runs of two units leave one degree of freedom."""
    values = [
        RunValue(f"{name}{unit}{k}", name, unit, base + 0.01 * k, 0.0, "measured")
        for name, units in (("a", (("1", 1.0), ("2", 1.4))), ("b", (("1", 1.6), ("2", 1.9))))
        for unit, base in units
        for k in range(5)
    ]
    found = compare_figure(ERROR, "x", (), values, level=0.95)
    one = found.of("a")
    assert one.dof == 1 and one.runs == 10 and len(one.units) == 2
    assert one.within < 0.05 < one.between
    assert not found.differences[0].separated


def test_one_unit_says_nothing_of_a_design():
    found = compared({"a": [1.0], "b": [2.0, 2.1, 2.2]})
    d = found.differences[0]
    assert np.isnan(d.p) and not d.separated and d.more_units is None
    assert "one unit of a" in d.note
    assert np.isnan(found.of("a").low)


def test_three_equal_designs_are_seldom_told_apart():
    """Holm over three pairs: any false separation in at most 5 % of 200 trials, and 3.1 % more
    for two standard errors of that share."""
    rng = np.random.default_rng(8)
    false = 0
    for _ in range(200):
        groups = {name: np.exp(0.2 * rng.standard_normal(4)).tolist() for name in "abc"}
        false += any(d.separated for d in compared(groups).differences)
    assert false / 200 <= 0.081


def test_doubt_that_units_share_is_not_lessened_by_more_of_them():
    few = compare_figure(ERROR, "xy", (), values_of({"a": [1, 1.01, 0.99], "b": [1.3, 1.31, 1.29]},
                         0.3), level=0.95, in_common=True, scale=("log", "asked"))  # fmt: skip
    d = few.differences[0]
    assert not d.separated and d.more_units is None and d.note == FORECAST_DOUBT
    # JCGM 100, 5.1.2: s/√k and the shared doubt add in square
    one = few.of("a")
    logs, shares = np.log([1, 1.01, 0.99]), 0.3 / np.array([1, 1.01, 0.99])
    expected = np.hypot(np.std(logs, ddof=1) / np.sqrt(3), np.sqrt(np.mean(shares**2)))
    assert one.u == pytest.approx(expected, rel=1e-6)


# ---- from runs to figures ------------------------------------------------------------------------


def run(name, unit, pairs, pattern=None):
    from run_on_disk import pattern as usual
    from verify_data import template_bench

    from hysteresis.bench import Bench
    from hysteresis.compare.copies import Marks

    bench = template_bench(Bench).model_copy(update={"suspension": name, "unit": unit})
    nothing = np.empty((0, 2))
    return OpenedRun(None, f"{name} {unit}", bench, pattern or usual(), None, None,
                     Marks("", "", "", nothing, nothing), tuple(pairs))  # fmt: skip


def four(make):
    return [run(n, u, make(n, u)) for n in ("a", "b") for u in ("1", "2")]


def test_both_axes_are_two_figures_of_one_unit_and_one_family():
    shift = {"a": 0.0, "b": 2.0}

    def make(name, unit):
        value = 1.0 + shift[name] + 0.1 * int(unit)
        return [pair(ERROR, "x", value, 0.01), pair(ERROR, "y", value + 0.02, 0.01)]

    found, left = compare_figures(four(make), level=0.95)
    assert [(f.axis, len(f.values)) for f in found] == [("xy", 4), ("x", 4), ("y", 4)]
    both, x, y = found
    assert both.values[0].value == pytest.approx((x.values[0].value + y.values[0].value) / 2)
    assert both.values[0].u == pytest.approx(0.01 / np.sqrt(2))
    assert all(len(d.units) == 2 for d in both.designs)
    # the smaller p of the two axes counts double, that of both together once
    first = min(x.differences[0], y.differences[0], key=lambda d: d.p)
    assert first.p_holm == pytest.approx(min(1.0, 2 * first.p))
    assert both.differences[0].p_holm == pytest.approx(both.differences[0].p)
    assert not left


def test_signed_figures_of_two_axes_do_not_cancel():
    def make(name, unit):
        return [pair(ERROR, "x", -2.0, 0.1), pair(ERROR, "y", 2.0, 0.1)]

    found, _ = compare_figures(four(make), level=0.95)
    assert found[0].values[0].value == pytest.approx(2.0)


def test_a_missing_axis_a_missing_figure_and_another_unit_are_named():
    other = Definition(DRIVE.key, DRIVE.words, "", "", "A", "less")

    def make(name, unit):
        pairs = [pair(ERROR, "x", 1.0 + 0.1 * int(unit), 0.01)]
        if (name, unit) != ("a", "1"):
            pairs.append(pair(ERROR, "y", 1.5, 0.01))
        if (name, unit) != ("a", "2"):
            pairs.append(pair(other if (name, unit) == ("b", "2") else DRIVE, "x", 0.8, 0.01))
        return pairs

    found, left = compare_figures(four(make), level=0.95)
    told = {(out.run, out.what): out.reason for out in left}
    assert told["a 1", "axis y"] == "this axis was not measured"
    assert "'A'" in told["b 2", DRIVE.key] and "another unit" in told["b 2", DRIVE.key]
    assert ("a 2", "Drive for full scale") in told
    both = next(f for f in found if f.axis == "xy")
    assert [v.label for v in both.values] == ["a 2", "b 1", "b 2"]


def test_conditions_that_agree_within_a_frame_are_the_same():
    waits = {("a", "1"): 0.49, ("a", "2"): 0.5, ("b", "1"): 0.51, ("b", "2"): 8.0}

    def make(name, unit):
        at = (Condition("wait_s", waits[name, unit], "s"),)
        return [pair(ERROR, "x", 1.0, 0.01), pair(ERROR, "x", 1.0, 0.01, at)]

    found, _ = compare_figures(four(make), level=0.95)
    shared = [f for f in found if f.conditions]
    assert [len(f.values) for f in shared] == [3]


def test_models_stand_in_where_most_data_carry_no_figure():
    def make(name, unit):
        return [pair(ERROR, "x", 1.0, 0.1, modelled=True)]

    found, _ = compare_figures(four(make), level=0.95)
    assert {v.origin for v in found[0].values} == {"modelled"}


# ---- sizes, and what was not watched long enough -------------------------------------------------


def test_the_interval_of_a_size_ends_at_zero_and_says_so():
    groups = {"a": [0.02, 0.3, 0.1], "b": [1.0, 1.4, 1.2]}
    cut, free = (
        compare_figure(ERROR, "xy", (), values_of(groups, 0.1), level=0.95,
                       scale=("plain", "asked"), size=size).of("a")
        for size in (True, False)
    )  # fmt: skip
    assert free.low < 0.0 and cut.low == 0.0 and cut.cut and not free.cut
    assert (cut.mean, cut.high, cut.u) == (free.mean, free.high, free.u)


@pytest.mark.parametrize(
    ("key", "axis", "values", "size"),
    [
        ("return_to_zero", "x", (0.1, 0.2), True),  # a root of a mean square
        ("zero_drift", "x", (0.1, 0.2), False),  # may go either way
        ("mean_reversal_value", "xy", (0.1, 0.2), False),
        ("dead_band", "x", (-0.1, 0.2), False),  # noise made it negative: no size as measured
        ("zero_return", "xy", (0.1, 0.2), True),  # mean of the sizes of both axes
    ],
)
def test_which_figures_are_sizes(key, axis, values, size):
    told = {str(k): (value, 0.1) for k, value in enumerate(values)}
    assert Shared(DEFINITIONS[key], axis, (), told, "measured").size is size


def test_designs_that_were_not_back_while_watched_are_told_with_the_bound(monkeypatch):
    """Of a's three runs one is not back within 8 s: no mean of the two others, which would be
    too small (censoring; textbook)."""
    fading, time = DEFINITIONS["after_effect_per_decade"], DEFINITIONS["recovery_time"]
    where = (Condition("excursion_fs", 0.8, "FS"), Condition("dwell_s", 5.0, "s"))
    curve = Recovery("g", "x", 0.8, 5.0, np.array([0.1, 8.0]), np.zeros(2), np.zeros(2))
    monkeypatch.setattr(figures, "observations", lambda *_: None)
    monkeypatch.setattr(figures, "recoveries", lambda *_: (curve,))

    def make(name, unit):
        out = [pair(fading, "x", 1.0, 0.1, where)]
        if (name, unit) != ("a", "3"):
            out += [pair(time, "x", 2.0, 0.1, where), pair(time, "x", 2.0, 0.1)]
        return out

    runs = [run(n, u, make(n, u)) for n in ("a", "b") for u in ("1", "2", "3")]
    found, left = compare_figures(runs, level=0.95)
    one = next(f for f in found if f.key == "recovery_time" and not f.conditions)
    assert [d.suspension for d in one.designs] == ["b"]
    assert one.beyond == (Beyond("a", 8.0, 1, 3),)
    assert "in 1 of 3 runs" in notes_on([one])[0] and "more than 8 s" in notes_on([one])[0]
    told = {out.run: out.reason for out in left if out.what == "Recovery time"}
    assert "x not within 8 s" in told["a 3"] and "a mean would mislead" in told["a 1"]
    assert "b 1" not in told
