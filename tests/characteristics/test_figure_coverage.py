"""Short form of the study of how often the intervals of published figures hold the truth.

`python -m experiments.figure_coverage` prints the same for more units, and for fitted models.
"""

from __future__ import annotations

import tomllib

import pytest

from experiments import figure_coverage as study


def test_intervals_hold_the_spots_that_were_played(capsys: pytest.CaptureFixture[str]) -> None:
    """Two units, each figure of each axis; figures of one unit share its frames, so the goal of
    90 % is asked of all of them together, not of each. A friction-borne resonance is held against
    the steps that were played, not against the rig's own parameters, which no step shows.
    """
    plan = tomllib.loads((study.HERE / "figure_coverage.toml").read_text(encoding="utf-8"))
    trials = [t for t in study.short_form(plan) if study.OWN not in t.key]
    study.report(trials, plan["goal"])
    said = capsys.readouterr().out
    assert "Truth within the 95 % interval" in said and "return_to_zero" in said
    summed = [t for t in trials if t.summed]
    each = [t for t in trials if not t.summed]
    assert len(summed) > 80 and len(each) > 100
    assert sum(t.held for t in summed) >= plan["goal"] * len(summed)
    assert sum(t.held for t in each) >= plan["goal"] * len(each)
