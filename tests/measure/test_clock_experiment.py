"""The experiment on the virtual bench in short form: one unit, both kinds of beam."""

from __future__ import annotations

import pytest

from experiments.camera_clock import measured_clock


@pytest.mark.parametrize("beam", ["always-on", "switched"])
def test_the_clock_of_a_thread_within_half_a_millisecond(beam: str) -> None:
    row = measured_clock("braided-thread", 4, beam, 2.0)
    assert abs(row.offset_ms) < 0.5 and abs(row.drift_ppm) < 10.0
    assert row.covered and row.u_offset_ms < 0.5
    assert ("beam:" in row.evidence) is (beam == "switched")
