"""The study of rechecks in its short form: one unit, three later sittings."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest
from scipy import stats

from experiments import recheck_power, recheck_tables

HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def trials(tmp_path_factory):
    plan = tomllib.loads((recheck_power.HERE / "recheck_power.toml").read_text())
    models = tmp_path_factory.mktemp("models")
    shutil.copy(HERE / "recheck" / "models" / "braided-thread-1-4.json", models)
    return recheck_power.power(recheck_power.shortened(plan), models)


def test_what_changed_is_blamed_and_nothing_else(trials, capsys):
    first, later = trials
    assert [t.case for t in later] == ["nothing", "friction, 10 % more", "spring, 10 % softer"]
    assert not later[0].moved and not first[0].moved
    assert later[1].blamed_rightly and later[2].blamed_rightly
    assert later[2].verdict == "refit"
    recheck_tables.print_power(first, later)
    said = capsys.readouterr().out
    assert "False alarms: 0 of 1" in said and "10 % of spring found: 1 of 1" in said


def test_the_definition_keeps_the_size_that_was_asked_for():
    plan = tomllib.loads((recheck_power.HERE / "recheck_power.toml").read_text())
    assert len(plan["units"]) * sum(case["times"] for case in plan["case"]) >= 200


def test_the_interval_of_a_share_is_clopper_and_pearsons():
    """scipy's exact binomial interval is another route to it."""
    for count, of in ((0, 20), (7, 20), (20, 20)):
        theirs = stats.binomtest(count, of).proportion_ci(0.95, "exact")
        assert recheck_tables.interval(count, of) == pytest.approx((theirs.low, theirs.high))
