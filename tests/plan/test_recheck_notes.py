"""A recheck only tests a model, so nothing is said of forecasts that would rest on it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hysteresis.plan import plan, preview
from tests.plan.conftest import bench_with


@pytest.mark.parametrize("kind", ["recheck", "recheck-readings"])
def test_a_recheck_says_nothing_of_forecasts(kind):
    assert not [n for n in preview(plan(kind, bench_with()), bench_with()).notes if "forecast" in n]


def test_a_longer_pattern_of_short_holds_still_does():
    """The same played at half the speed: a minute, from which a model might be fitted."""
    pattern = plan("recheck", bench_with())
    slow = replace(pattern, t_s=2.0 * pattern.t_s)
    notes = preview(slow, bench_with()).notes
    assert any("forecasts for longer ones" in n for n in notes)
