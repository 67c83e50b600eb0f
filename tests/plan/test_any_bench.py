"""For any bench: a pattern respects every limit, or the complaint says which one stands in the way.

The limits are checked here by means of their own (dense sampling, differences), not by the
project's.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.errors import LimitError
from hysteresis.plan import KINDS, plan, preview
from tests.plan.conftest import benches


def _check(pattern, bench):
    limits, t = bench.limits, pattern.t_s
    assert t[0] == 0.0 and np.all(np.diff(t) > 0)
    for u in (pattern.drive_x, pattern.drive_y):
        assert u[0] == u[-1] == 0.0
        assert np.abs(u).max() <= limits.max_drive
        assert np.abs(np.diff(u) / np.diff(t)).max() <= limits.slew_per_s * (1 + 1e-5)
        step = min(0.01, limits.coil_window_s / 200)
        fine = np.arange(0.0, t[-1], step)
        heat = np.concatenate([[0.0], np.cumsum(np.interp(fine, t, u) ** 2) * step])
        back = max(1, round(limits.coil_window_s / step))
        window = heat[back:] - heat[:-back] if len(heat) > back else heat[-1:]
        assert np.sqrt(window.max(initial=0.0) / limits.coil_window_s) <= limits.coil_rms * 1.01
        # From one turn or stop to the next: never less than half a cycle of the bandwidth.
        turns = np.flatnonzero(np.diff(np.sign(np.diff(u)), prepend=9, append=9) != 0)
        still = np.sign(np.diff(u))[turns[:-1]] == 0
        lengths = np.diff(t[turns])[~still]
        assert lengths.min(initial=np.inf) >= 0.5 / limits.bandwidth_hz * (1 - 1e-5)
    names = [name.split("/") for name in pattern.segment]
    assert all(2 <= len(words) <= 3 and words[1].isdigit() for words in names)
    assert pattern.beam[-1] == (bench.beam.mode == "always-on")


@given(benches(), st.sampled_from(KINDS), st.sampled_from(["both", "x", "y"]), st.data())
@settings(max_examples=100, deadline=None)
def test_limits_are_kept_or_named(bench, kind, axes, data):
    minutes = data.draw(st.floats(2.0, 20.0)) if kind == "characterisation" else None
    readings = data.draw(st.integers(10, 60))
    try:
        pattern = plan(kind, bench, minutes=minutes, axes=axes, readings=readings)
    except LimitError as told:
        named = ("slew_per_s", "bandwidth_hz", "coil_rms", "AC-coupled")
        assert any(word in str(told) for word in named)
        assert ";" in str(told)  # a remedy follows
        return
    _check(pattern, bench)
    if minutes is not None:
        assert pattern.t_s[-1] <= 60 * minutes
    if kind == "recheck":
        assert pattern.t_s[-1] <= 30.0
    figures = preview(pattern, bench)
    assert figures.duration_s == pytest.approx(sum(figures.share_s.values()))
