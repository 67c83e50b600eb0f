"""Ranking by what the person asks for, the deciding figure, and the answer in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from compare_data import DRIVE, ERROR, values_of

from hysteresis.compare.designs import compare_figure
from hysteresis.compare.on_path import AFTER, PathAsked, compare_on_path
from hysteresis.compare.ranking import criteria_of, rank
from hysteresis.compare.results import PathForecast
from hysteresis.compare.verdict import verdict_of
from hysteresis.compare.words import more_units_words
from hysteresis.compensate.job import PathOptions
from hysteresis.errors import InputError

NEAR = {"a": [1.0, 1.1, 0.9, 1.05], "b": [1.05, 1.15, 0.95, 1.0], "c": [3.0, 3.3, 2.8, 3.1]}
FAR = {"a": [1.0, 1.1, 0.9, 1.05], "b": [1.6, 1.7, 1.5, 1.55], "c": [3.0, 3.3, 2.8, 3.1]}


def figure(groups, definition=ERROR):
    return compare_figure(definition, "xy", (), values_of(groups, 0.01), level=0.95)


def ranked(words, *figures):
    return rank(criteria_of(words, figures), figures, level=0.95, seed=1)


# ---- criteria ------------------------------------------------------------------------------------


def test_criteria_as_the_person_writes_them():
    figures = (figure(FAR), figure(FAR, DRIVE))
    (default,) = criteria_of((), figures)
    assert default.key == "return_to_zero" and default.chosen_by == "default"
    one, two = criteria_of(("return_to_zero:2", "drive_for_full_scale:0.5"), figures)
    assert (one.weight, two.weight) == (2.0, 0.5) and one.chosen_by == "person"
    assert np.isnan(criteria_of(("drive_for_full_scale.xy",), figures)[0].weight)
    with_path = (*figures, figure(FAR, AFTER))
    assert criteria_of((), with_path)[0].key == AFTER.key


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("nothing",), "no figure of this name"),
        (("return_to_zero:0",), "above 0"),
        (("return_to_zero:inf",), "--by is"),
        (("return_to_zero:1", "drive_for_full_scale"), "some have none"),
        (("return_to_zero", "return_to_zero"), "given twice"),
        (("Return to zero",), "--by is"),
        (("resonance",), "neither more nor less"),
    ],
)
def test_criteria_that_make_no_sense_are_refused(words, told):
    neutral = figure(FAR, replace(DRIVE, key="resonance", better="neither"))
    with pytest.raises(InputError, match=told):
        criteria_of(words, (figure(FAR), figure(FAR, DRIVE), neutral))


# ---- ranking -------------------------------------------------------------------------------------


def test_shares_of_places_are_those_of_the_draws():
    """Two designs: the first place is the chance that a Welch-like difference is negative."""
    from scipy.stats import t

    found = figure({k: NEAR[k] for k in "ab"})
    ranking = ranked((), found)
    a, b = found.of("a"), found.of("b")
    rng = np.random.default_rng(9)
    draws = [np.log(d.mean) + d.u * t.rvs(d.dof, size=200_000, random_state=rng) for d in (a, b)]
    expected = np.mean(draws[0] < draws[1])
    by_name = {row.suspension: row for row in ranking.rows}
    # 10 000 draws: a share is known to half a per cent; three times that
    assert by_name["a"].first_share == pytest.approx(expected, abs=0.015)
    assert sum(row.first_share for row in ranking.rows) == pytest.approx(1.0)
    again = ranked((), found)
    assert [r.place_shares for r in again.rows] == [r.place_shares for r in ranking.rows]


def test_an_order_decides_among_those_not_separated():
    other = {"a": [0.9, 0.91, 0.92, 0.9], "b": [0.7, 0.71, 0.72, 0.7], "c": [0.5, 0.51, 0.5, 0.52]}
    first = ranked(("return_to_zero",), figure(NEAR), figure(other, DRIVE))
    assert [r.suspension for r in first.rows] == ["a", "b", "c"]
    both = ranked(("return_to_zero", "drive_for_full_scale"), figure(NEAR), figure(other, DRIVE))
    # a and b are not told apart by the first; b needs less drive; c has least but is far worse
    assert [r.suspension for r in both.rows] == ["b", "a", "c"]


def test_weights_are_a_product_of_ratios():
    other = {"a": [0.9] * 4, "b": [0.3, 0.31, 0.3, 0.29], "c": [0.9, 0.91, 0.9, 0.9]}
    ranking = ranked(("return_to_zero:1", "drive_for_full_scale:3"), figure(FAR),
                     figure(other, DRIVE))  # fmt: skip
    assert ranking.rows[0].suspension == "b"
    a, b = (next(r for r in ranking.rows if r.suspension == n) for n in "ab")
    fa, fb = (np.exp(np.mean(np.log(FAR[n]))) for n in "ab")
    da, db = (np.exp(np.mean(np.log(other[n]))) for n in "ab")
    # units are weighted by what they are known to, which differs by a trifle
    assert a.score / b.score == pytest.approx((fa / fb) ** 0.25 * (da / db) ** 0.75, rel=1e-3)


def test_more_can_be_better():
    more = replace(DRIVE, key="life", better="more")
    assert ranked(("life",), figure(FAR, more)).rows[0].suspension == "c"


# ---- words ---------------------------------------------------------------------------------------


def test_a_separated_design_is_best_and_by_how_much():
    ranking = ranked((), figure(FAR))
    verdict = verdict_of(ranking, None, 0.95, "")
    d = ranking.deciding.between("a", "b")
    assert verdict.kind == "best" and verdict.best == ("a",) and verdict.software == "unasked"
    assert verdict.text.startswith("a is best: return-to-zero error 1.01 % FS (")
    factor = max(d.ratio, 1 / d.ratio)
    assert f"a factor of {factor:.2f}" in verdict.text and "--path" in verdict.text


def test_designs_not_separated_are_named_with_the_units_it_takes():
    ranking = ranked((), figure(NEAR))
    verdict = verdict_of(ranking, None, 0.95, "")
    more = ranking.deciding.between("a", "b").more_units
    assert verdict.kind == "open" and set(verdict.best) == {"a", "b"}
    assert "The data do not separate a and b" in verdict.text
    assert verdict.more_units == more and f"{more} more units of each" in verdict.text
    assert "a is separated from c" in verdict.text


def test_one_unit_asks_for_a_second():
    verdict = verdict_of(ranked((), figure({"a": [1.0], "b": [2.0, 2.1]})), None, 0.95, "")
    assert verdict.kind == "open" and "a second unit of a" in verdict.text


def test_one_unit_of_each_is_no_draw():
    """Without a second unit of any design nothing tells how units scatter: no share is given."""
    ranking = ranked((), figure({"a": [1.0], "b": [2.0]}))
    verdict = verdict_of(ranking, None, 0.95, "")
    assert all(np.isnan(row.first_share) for row in ranking.rows)
    assert "a second unit of a and b" in verdict.text and "comes first" not in verdict.text


def forecasts(before, after, width=0.1, excesses=0):
    return [
        PathForecast(f"{n} {k}", n, str(k), before[n] * f, before[n] * f * (1 - width),
                     before[n] * f * (1 + width), before[n] * f, 0.0, 0.0, after[n] * f,
                     after[n] * f * (1 - width), after[n] * f * (1 + width), before[n] / after[n],
                     before[n] / after[n] * (1 - width), before[n] / after[n] * (1 + width),
                     excesses)
        for n in before
        for k, f in enumerate((0.97, 1.0, 1.02, 1.01))
    ]  # fmt: skip


def on_path(tmp_path, before, after, tolerance=0.1, **more):
    file = tmp_path / "path.csv"
    file.write_text("x")
    asked = PathAsked(file, PathOptions(), 30.0)
    return compare_on_path(forecasts(before, after, **more), asked, tolerance_mm=tolerance,
                           level=0.95)  # fmt: skip


@pytest.mark.parametrize(
    ("after", "software", "words"),
    [
        (0.05, "yes", "Software alone is enough"),
        (0.3, "no", "Software alone is not enough"),
        (0.1, "open", "is open"),
    ],
)
def test_software_against_the_tolerance(tmp_path, after, software, words):
    path = on_path(tmp_path, {"thread": 2.0, "cord": 1.5}, {"thread": after, "cord": 1.5 * after})
    verdict = verdict_of(ranked((), path.after), path, 0.95, "")
    assert verdict.software == software and words in verdict.text
    assert "foretold by the models, not played" in verdict.text


def test_hardware_against_software(tmp_path):
    path = on_path(tmp_path, {"thread": 2.0, "flexure": 0.05}, {"thread": 0.05, "flexure": 0.02})
    verdict = verdict_of(ranked((), path.after), path, 0.95, "")
    assert "thread compensated (0.05 mm) is as good as flexure plain (0.05 mm)" in verdict.text
    assert "even without software" in verdict.text
    worse = on_path(tmp_path, {"thread": 2.0, "flexure": 0.06}, {"thread": 0.3, "flexure": 0.02})
    told = verdict_of(ranked((), worse.after), worse, 0.95, "").text
    assert "thread compensated (0.3 mm) is worse than flexure plain" in told
    better = on_path(tmp_path, {"thread": 2.0, "flexure": 0.5}, {"thread": 0.05, "flexure": 0.02})
    told = verdict_of(ranked((), better.after), better, 0.95, "").text
    assert "thread compensated (0.05 mm) is better than flexure plain" in told


def test_no_gain_shown_is_said_and_plain_may_be_the_better(tmp_path):
    """The rule: the interval of the gain holds 1, or lies below it."""
    path = on_path(tmp_path, {"thread": 2.0, "flexure": 0.041, "cord": 0.05},
                   {"thread": 0.2, "flexure": 0.042, "cord": 0.09}, width=0.2)  # fmt: skip
    told = verdict_of(ranked((), path.after), path, 0.95, "").text
    assert "gains nothing that can be shown on flexure (0.98 times less error, 0.80" in told
    assert "makes it worse on cord (0.56 times less error" in told and "on thread" not in told
    assert [v.words for v in path.variants[:2]] == ["flexure, plain", "flexure, compensated"]


def test_the_gain_of_one_unit_is_that_of_its_forecast(tmp_path):
    file = tmp_path / "path.csv"
    file.write_text("x")
    (one, *_) = forecasts({"flexure": 0.05}, {"flexure": 0.05}, width=0.3)
    path = compare_on_path([one], PathAsked(file, PathOptions(), 30.0), tolerance_mm=0.1,
                           level=0.95)  # fmt: skip
    assert path.shown_gain("flexure") == pytest.approx((1.0, 0.7, 1.3))


def test_a_drive_beyond_the_limits_decides_nothing(tmp_path):
    path = on_path(tmp_path, {"thread": 2.0, "cord": 1.5}, {"thread": 0.05, "cord": 0.06},
                   excesses=2)  # fmt: skip
    verdict = verdict_of(ranked((), path.after), path, 0.95, "")
    assert verdict.software == "open" and "exceeds a limit" in verdict.text


def test_wide_forecasts_are_not_mended_by_units(tmp_path):
    path = on_path(tmp_path, {"thread": 2.0, "cord": 1.5}, {"thread": 0.25, "cord": 0.2},
                   width=0.8)  # fmt: skip
    verdict = verdict_of(ranked((), path.after), path, 0.95, "")
    assert verdict.kind == "open" and verdict.more_units is None
    assert "More units would not settle it" in verdict.text and "verify" in verdict.text
    (d,) = path.after.differences
    assert more_units_words(d) == "no"
    assert more_units_words(replace(d, note="")) == "> 500"


def test_nothing_to_rank_is_said():
    verdict = verdict_of(None, None, 0.95, "no design has a figure for every criterion")
    assert verdict.kind == "none" and "Nothing can be ranked" in verdict.text
    alone = verdict_of(ranked((), figure({"a": [1.0, 1.1]})), None, 0.95, "")
    assert alone.kind == "none" and "One design only (a)" in alone.text
