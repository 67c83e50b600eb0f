"""The whole fit of a recording, on simulated rigs whose physics is not that of the fit."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import bench, camera_fit, filmed, read_by_ruler, typed_fit

from hysteresis import virtual_bench
from hysteresis.errors import DataError
from hysteresis.fit import Fit, fit_recording
from hysteresis.fit.fitted import quality
from hysteresis.measure import measure_camera
from hysteresis.plan.characterise import characterisation
from hysteresis.tables import Pattern, Recording

THREAD, METAL = ("braided-thread", 1), ("metal-flexure", 1)


def chosen(fit: Fit) -> str:
    return next(c.name for c in fit.choices if c.chosen)


def nothing_of(recording: Recording) -> np.ndarray:
    return np.full(len(recording), np.nan)


# ---- typed readings ----------------------------------------------------------------------------


def test_forty_readings_show_the_memory_of_a_thread_and_none_of_a_flexure() -> None:
    thread, metal = typed_fit(*THREAD), typed_fit(*METAL)
    assert chosen(thread) == "both" and chosen(metal) == "none"
    assert thread.converged and len(thread.seen) < 80
    memory = thread.model.axis_x
    assert memory.friction.stiffness.sum() > 0.02 and memory.after_effect.stiffness.sum() > 0.02
    assert not metal.model.axis_x.friction.stiffness.any()
    # about the noise of a ruler read to 0.5 mm, on readings that were not seen
    held = np.concatenate([thread.held.residual_x_mm, thread.held.residual_y_mm])
    assert np.sqrt(np.nanmean(held**2)) < 0.5


def test_the_noise_that_is_claimed_is_that_of_the_ruler() -> None:
    """Rounding to 0.5 mm alone: 0.5/√12 = 0.14 mm (JCGM 100, 4.3.7); a person adds some."""
    fit = typed_fit(*THREAD)
    for noise in (fit.noise_x_mm, fit.noise_y_mm):
        assert 0.14 < noise < 0.5


def test_readings_without_times_still_give_friction() -> None:
    pattern, recording = read_by_ruler(*THREAD)
    fit = fit_recording(pattern, replace(recording, t_s=nothing_of(recording)), bench())
    assert chosen(fit) == "friction" and not fit.model.axis_x.after_effect.stiffness.any()
    assert any("carry no creep" in note for note in fit.notes)


@pytest.mark.parametrize("empty", ["x", "y"])
def test_an_axis_left_empty_stays_nominal_and_the_other_is_fitted_as_before(empty: str) -> None:
    pattern, recording = read_by_ruler(*THREAD)
    hole = {f"{empty}_mm": nothing_of(recording), f"sigma_{empty}_mm": nothing_of(recording)}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_recording(pattern, replace(recording, **hole), bench())
    assert any(f"axis {empty} was not measured" in note for note in fit.notes)
    left = fit.model.axis_x if empty == "x" else fit.model.axis_y
    assert left.elastic.linear == 1.0 and not left.friction.stiffness.any()
    assert left.after_effect.stiffness.sum() < 1e-6
    assert not any(name.startswith(f"{empty}_") for name in fit.names)
    assert np.isfinite(fit.errors[~np.isnan(fit.errors)]).all()
    assert not any(f"_{empty}_" in key or key.endswith(f"_{empty}") for key in quality(fit))
    # the measured axis: its whole stiffness as told by both axes together, within errors
    both = typed_fit(*THREAD)
    own = "y" if empty == "x" else "x"
    here, there = (getattr(f.model, f"axis_{own}") for f in (fit, both))
    assert here.small_signal_stiffness() == pytest.approx(there.small_signal_stiffness(), rel=0.05)
    drive = np.array([0.2, 0.5, 0.8, 0.4, 0.0])
    far = here.deflection(drive, 1.0)[0] - there.deflection(drive, 1.0)[0]
    assert np.abs(far).max() < 0.01


def test_a_forced_memory_is_the_only_one_tried() -> None:
    pattern, recording = read_by_ruler(*THREAD)
    fit = fit_recording(pattern, recording, bench(), memory="none")
    assert [c.name for c in fit.choices] == ["none"]
    with pytest.raises(DataError, match=r"'preisach' cannot be fitted.*camera log"):
        fit_recording(pattern, recording, bench(), memory="preisach")


def test_the_same_recording_gives_the_same_fit_and_progress_only_rises() -> None:
    pattern, recording = read_by_ruler(*THREAD)
    told: list[tuple[str, float]] = []
    fit = fit_recording(pattern, recording, bench(), progress=lambda *news: told.append(news))
    np.testing.assert_array_equal(fit.values, typed_fit(*THREAD).values)
    parts = [part for _, part in told]
    assert 0.0 <= parts[0] < 0.1 and parts[-1] == 1.0 and (np.diff(parts) >= -1e-12).all()
    assert {"both: step 1", "held out, standard errors"} <= {text for text, _ in told}


def test_rows_not_used_do_not_matter() -> None:
    pattern, recording = read_by_ruler(*THREAD)
    unused = np.flatnonzero(~recording.used)
    x = recording.x_mm.copy()
    x[unused] = 1e6
    assert len(unused)
    fit = fit_recording(pattern, replace(recording, x_mm=x), bench())
    np.testing.assert_array_equal(fit.values, typed_fit(*THREAD).values)


# ---- a camera ----------------------------------------------------------------------------------


def test_two_minutes_of_camera_leave_little_more_than_the_noise() -> None:
    fit = camera_fit()
    assert chosen(fit) == "both" and len(fit.seen) > 2500
    figures = quality(fit)
    for axis in "xy":
        assert figures[f"robust_residual_over_noise_{axis}"] < 1.5
        assert figures[f"noise_{axis}_mm"] == pytest.approx(0.018, rel=0.15)  # 0.1 px at 0.18 mm/px
        # invented unit: 35 Hz and 0.08, each within ±10 % of it, and the steps of 1 ms (2 %)
        assert figures[f"resonance_{axis}_hz"] == pytest.approx(35.0, rel=0.13)
        assert figures[f"damping_ratio_{axis}"] == pytest.approx(0.08, rel=0.3)
        # 3.5 % per decade within ±20 % for a memory that is creep alone; friction adds stiffness
        assert 0.02 < figures[f"after_effect_per_decade_{axis}"] < 0.045
    assert any("too short to tell heating" in note for note in fit.notes)


def test_the_resonance_is_that_of_the_unit() -> None:
    """Small free oscillation about zero: ω² = dynamic stiffness over inertia."""
    rig = virtual_bench.make_rig(bench(), "braided-thread", 3)
    fit = camera_fit()
    for true, axis in zip(rig.axes, (fit.model.axis_x, fit.model.axis_y), strict=True):
        w = 2 * np.pi * 35.0
        for _ in range(20):
            x = (w * true.relaxation_s) ** 2
            w = np.sqrt((1 + true.slip_stiffness.sum() + true.branch_stiffness @ (x / (1 + x)))
                        / true.inertia)  # fmt: skip
        found = axis.dynamics.resonance_hz(axis.small_signal_stiffness())
        assert found == pytest.approx(w / (2 * np.pi), rel=0.05)


def test_it_foretells_a_path_that_the_fit_has_not_seen() -> None:
    """Against the simulated rig itself, in the same sitting: the plain model is far worse."""
    fit = camera_fit()
    pattern, _ = filmed("braided-thread", 3)
    t = np.arange(0.0, 8.0, 0.01)
    swing = np.sin(np.pi * np.clip(t / 8.0, 0, 1)) ** 2
    x, y = 0.7 * swing * np.sin(2 * np.pi * 0.4 * t), 0.5 * swing * np.sin(2 * np.pi * 0.27 * t)
    drive = Pattern(t, x, y, np.ones(len(t), bool), np.full(len(t), "rest/001", object))
    rig = virtual_bench.make_rig(bench(), "braided-thread", 3)
    played = virtual_bench.play_after(rig, pattern, 5.0, drive, rate_hz=100.0)
    rest = np.zeros(500)
    *_, start = fit.model.spots(rest, rest, 0.01, fit.end)
    errors = []
    for model, state in ((fit.model, start), (fit.without_memory, None)):
        told_x, told_y, _ = model.spots(x, y, 0.01, state)
        seen_x, seen_y = (np.interp(t, played.t_s, v) for v in (played.x_mm, played.y_mm))
        errors.append(np.hypot(told_x - seen_x, told_y - seen_y))
    remembering, plain = (float(np.sqrt(np.mean(e**2))) for e in errors)
    assert remembering < 0.25 and plain > 5 * remembering


def test_an_empty_axis_of_a_camera_log() -> None:
    pattern, recording = filmed("braided-thread", 3)
    empty = replace(recording, y_mm=nothing_of(recording))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_recording(pattern, empty, bench(), memory="both")
    here, there = fit.model.axis_x, camera_fit().model.axis_x
    assert here.small_signal_stiffness() == pytest.approx(there.small_signal_stiffness(), rel=0.1)
    assert here.dynamics.inertia_s2 > 0 and fit.model.axis_y.dynamics.inertia_s2 == 0


# ---- refused -----------------------------------------------------------------------------------


def test_a_recording_without_usable_rows_is_refused() -> None:
    pattern, recording = read_by_ruler(*THREAD)
    empty = replace(recording, used=np.zeros(len(recording), bool))
    with pytest.raises(DataError, match="no row that can be used"):
        fit_recording(pattern, empty, bench())


def test_a_camera_log_that_ends_with_the_conditioning_is_refused() -> None:
    pattern, recording = filmed("braided-thread", 3)
    early = recording.t_s < pattern.t_s[list(pattern.segment).index("conditioning/001")] + 1.0
    with pytest.raises(DataError, match="after the conditioning at the start"):
        fit_recording(pattern, replace(recording, used=recording.used & early), bench())


def test_an_axis_that_is_filmed_but_never_driven_is_left_out() -> None:
    rig_bench = bench()
    pattern = characterisation(rig_bench, minutes=2.0, axes="x")
    rig = virtual_bench.make_rig(rig_bench, "braided-thread", 4)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    log = virtual_bench.photograph(played, rig_bench, 4)
    fit = fit_recording(pattern, measure_camera(log, pattern, rig_bench).recording, rig_bench)
    assert any("axis y was not measured, or not driven" in note for note in fit.notes)
    assert fit.model.axis_y.friction_share() == 0.0
    assert fit.model.axis_x.friction_share() > 0.05
