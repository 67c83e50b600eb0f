"""The directions found in spots whose making is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from hysteresis.errors import DataError
from hysteresis.fit.directions import by_axis, moved_model
from hysteresis.recheck.estimate import estimated, sight_of
from hysteresis.recording import average, simulation_grid
from hysteresis.tables import Recording

from .rigs import bench, pattern, recording_of, stored_model

FULL = (50.0, 50.0)
SIGMA = 0.02


def spots_by(by: dict[str, dict[str, float]], seed: int | None = None) -> Recording:
    """Frames of a model with directions moved, on the finest grid; noise with a seed."""
    p = pattern()
    grid = simulation_grid(p.t_s, p.drive_x, p.drive_y)
    x, y, _ = moved_model(stored_model().model, by).spots(
        grid.drive_x, grid.drive_y, grid.step_s, None
    )
    start = np.arange(0.0, p.t_s[-1] - 0.05, 1 / 30)
    exposure = np.full(len(start), 0.008)
    seen = average(grid, np.column_stack([x, y]), start, exposure)
    if seed is not None:
        seen = seen + np.random.default_rng(seed).normal(0.0, SIGMA, seen.shape)
    row = np.searchsorted(p.t_s, start, side="right") - 1
    n = len(start)
    return Recording(start, exposure, seen[:, 0], seen[:, 1], np.full(n, SIGMA), np.full(n, SIGMA),
                     np.ones(n, bool), np.full(n, "", object), p.segment[row])  # fmt: skip


def sight(recording: Recording):
    return sight_of(stored_model().model, pattern(), recording, camera_mm=0.05, full_mm=FULL)


def test_directions_come_back_from_spots_without_noise():
    """Known input; the tolerance is a third of the standard error, by which a coarse grid errs."""
    by = {"x": {"friction": 1.1, "spring": 0.97}, "y": {"after_effect_fast": 1.2}}
    one = sight(spots_by(by))
    found = estimated(one)
    want = {("x", "friction"): np.log(1.1), ("x", "spring"): np.log(0.97),
            ("y", "after_effect_fast"): np.log(1.2)}  # fmt: skip
    error = np.sqrt(np.diag(found.noise))
    for k, name in enumerate(found.names):
        assert abs(found.value[k] - want.get(name, 0.0)) < error[k] / 3.0, name


def test_the_scatter_is_as_stated():
    """Chi-square of the estimates over 8 draws of noise, ten directions each."""
    total = 0.0
    for seed in range(8):
        found = estimated(sight(spots_by({}, seed)))
        total += float(found.value @ np.linalg.solve(found.noise, found.value))
    # priors make the covariance a little larger than the scatter, so only the lower tail is wide
    assert 0.2 * 80 < total < stats.chi2.isf(1e-4, 80)


def test_what_is_not_free_stays_and_a_misfit_widens():
    one = sight(spots_by({"x": {"friction": 1.1}}, 1))
    only = [("x", "friction")]
    found = estimated(one, only)
    assert [n for n, v in zip(found.names, found.value, strict=True) if v != 0.0] == only
    wide = estimated(one, misfit_mm=0.1)
    assert np.all(np.diag(wide.noise) >= np.diag(estimated(one).noise) * (1 - 1e-9))


def test_too_few_frames_and_another_pattern_are_refused():
    recording = spots_by({})
    short = replace(recording, used=recording.t_s < 12.0)
    with pytest.raises(DataError, match="film it to its end"):
        sight(short)
    with pytest.raises(DataError, match="belongs to another pattern"):
        sight(replace(recording, segment=np.roll(recording.segment, 200)))


def test_one_axis_alone_has_only_its_own_directions():
    recording = spots_by({}, 2)
    one = sight(replace(recording, y_mm=np.full(len(recording), np.nan)))
    assert {axis for axis, _ in one.names} == {"x"}
    assert np.isfinite(estimated(one).value).all()


def test_nothing_is_left_of_a_factor_by_axis():
    assert by_axis([("x", "friction"), ("y", "zero_mm")], np.array([np.log(2.0), 0.5])) == {
        "x": {"friction": pytest.approx(2.0)}, "y": {"zero_mm": 0.5},
    }  # fmt: skip


def test_frames_of_a_simulated_rig_are_used_where_the_drive_rests():
    one = sight(recording_of(1))
    assert 300 < len(one.seen) < 700 and one.repeat.any() and one.home.any()
    assert bench().camera is not None
