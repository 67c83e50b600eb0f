"""The half-minute recheck and the returns to zero that no fit has seen."""

import numpy as np
import pytest

from hysteresis.errors import InputError, LimitError
from hysteresis.plan import characterisation, preview, recheck, recheck_readings, verification
from hysteresis.plan.readings import reading_moments
from tests.plan.conftest import bench_with, spans


def test_a_recheck_takes_30_s_with_sync_and_conditioning(bench):
    """That a recheck fits in 30 s: common practice, no source."""
    pattern = recheck(bench)
    assert 28.0 < pattern.t_s[-1] <= 30.0
    figures = preview(pattern, bench)
    assert figures.share_s["sync"] > 3.9 and 4.0 < figures.share_s["conditioning"] < 6.0
    holds = spans(pattern, "/hold")
    assert len(holds) == 4 and all(h[2] == pytest.approx(2.0) for h in holds)
    assert len({tuple(np.abs(h[3]).round(6)) for h in holds}) == 3  # the fourth repeats the first
    assert np.array_equal(holds[0][3], holds[3][3]) and holds[3][0].startswith("repeat/")
    assert all(w[2] >= 1.5 for w in spans(pattern, "/watch"))  # time to read early and late


def test_a_bench_too_slow_for_a_recheck_is_told_why():
    with pytest.raises(LimitError, match=r"slew_per_s = 0.5.*not 30; use a verification"):
        recheck(bench_with(limits={"slew_per_s": 0.5}))


def test_a_slower_bench_gets_a_coarser_recheck():
    pattern = recheck(bench_with(limits={"slew_per_s": 6.0, "bandwidth_hz": 12.0}))
    assert pattern.t_s[-1] <= 30.0


def test_the_verification_has_every_size_with_every_dwell_on_both_axes(bench):
    pattern = verification(bench)
    holds = spans(pattern, "/hold")
    for axis in range(2):
        cells = {(round(abs(h[3][axis]), 3), round(h[2], 3)) for h in holds}
        assert cells == {(size, dwell) for size in (0.3, 0.6, 0.9) for dwell in (1, 10, 60)}
        assert 3 <= sum(h[3][axis] > 0 for h in holds) <= 6
    assert all(abs(h[3][0]) != abs(h[3][1]) for h in holds)
    seen = {tuple(h[3].round(2)) for h in spans(characterisation(bench), "/hold")}
    assert not seen & {tuple(h[3].round(2)) for h in holds}


def test_a_shorter_verification_leaves_out_the_long_dwells(bench):
    pattern = verification(bench, minutes=2.0)
    assert pattern.t_s[-1] <= 120
    assert {round(h[2]) for h in spans(pattern, "/hold")} == {1, 10}
    with pytest.raises(InputError, match=r"0\.5 to 20 minutes"):
        verification(bench, minutes=0.1)
    with pytest.raises(LimitError, match="at least"):
        verification(bench_with(limits={"bandwidth_hz": 1.0}), minutes=0.6)


def test_a_small_range_is_scaled(bench):
    small = bench_with(limits={"max_drive": 0.45})
    sizes = {round(abs(h[3][0]), 6) for h in spans(verification(small), "/hold")}
    assert sizes == {0.15, 0.3, 0.45}


def test_six_readings_are_two_excursions_their_returns_and_one_again(bench):
    pattern = recheck_readings(bench)
    names, at = reading_moments(pattern)
    assert names == [f"reading/{k:03d}" for k in range(1, 7)]
    drive = np.column_stack([pattern.drive_x, pattern.drive_y])[at]
    out = np.any(drive != 0.0, axis=1)
    assert out.tolist() == [False, True, False, True, False, False]
    assert np.all(drive[1] * drive[3] < 0.0)  # both axes, both signs
    assert pattern.t_s[-1] < 90.0
    with pytest.raises(LimitError, match="nothing stays in place to be read"):
        recheck_readings(bench_with(drive={"coupling": "ac", "corner_hz": 0.5}))
