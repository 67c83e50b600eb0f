"""What the simulated camera and the simulated person write down."""

import cv2
import numpy as np
import pytest
from scipy.integrate import quad

from hysteresis.errors import InputError
from hysteresis.table_files import (
    read_camera_log,
    read_typed_sheet,
    write_camera_log,
    write_typed_sheet,
)
from hysteresis.tables import Pattern
from hysteresis.virtual_bench import make_rig, photograph, play, read_with_ruler, true_camera
from hysteresis.virtual_bench.averages import mean_between

CLEAN = {
    "noise_px": 0.0, "dropped": 0.0, "repeated": 0.0, "reflected": 0.0, "click_px": 0.0
}  # fmt: skip


@pytest.fixture(scope="module")
def minute(bench):
    """A minute of random moves on a thread unit."""
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 60.5, 0.5)
    u = rng.uniform(-0.8, 0.8, (2, len(t)))
    u[:, [0, -1]] = 0.0
    return play(make_rig(bench, "braided-thread", 3), t, *u)


def test_means_are_exact_integrals():
    """Against adaptive quadrature (scipy.integrate.quad) told where the corners are."""
    rng = np.random.default_rng(2)
    t = np.cumsum(rng.uniform(0.01, 0.3, 40))
    value = rng.normal(size=40)
    start = rng.uniform(t[0] - 1, t[-1] + 0.5, 60)
    end = start + rng.uniform(0.001, 2.0, 60)
    means = mean_between(t, value, start, end)
    for a, b, mean in zip(start, end, means, strict=True):
        corners = t[(t > a) & (t < b)]
        area, _ = quad(np.interp, a, b, args=(t, value), points=corners, limit=200, epsabs=1e-13)
        assert mean == pytest.approx(area / (b - a), abs=1e-11)
    np.testing.assert_array_equal(
        mean_between(t, value, t[3:5], t[3:5]), value[3:5]
    )  # nothing exposed: the value itself


def test_frames_average_the_spot_over_the_exposure(bench, minute):
    """Against OpenCV's projective map of the fiducials and a numeric mean of 400 instants."""
    log = photograph(minute, bench, 3, jitter_s=0.0, **CLEAN)
    camera = true_camera(bench, 3, click_px=0.0)
    marks = bench.camera.fiducials
    matrix, _ = cv2.findHomography(
        np.array([(f.x_mm, f.y_mm) for f in marks]), np.array([(f.u_px, f.v_px) for f in marks])
    )
    opened = (log.t_s - camera.clock_offset_s) / (1 + camera.clock_drift)
    inside = np.flatnonzero((opened > 0) & (opened < 59.9))[::7]
    instants = opened[inside, None] + (np.arange(400) + 0.5) / 400 * bench.camera.exposure_s
    xy = np.stack([np.interp(instants, minute.t_s, a) for a in (minute.x_mm, minute.y_mm)], -1)
    uv = cv2.perspectiveTransform(xy.reshape(1, -1, 2), matrix).reshape(*instants.shape, 2).mean(1)
    # two least-squares maps of five marks weigh them differently: a few hundredths of a pixel
    assert np.abs(uv[:, 0] - log.u_px[inside]).max() < 0.05
    assert np.abs(uv[:, 1] - log.v_px[inside]).max() < 0.05
    # the fast parts differ from an instant reading by far more than that
    at_start = cv2.perspectiveTransform(
        np.stack(
            [np.interp(opened[inside], minute.t_s, a) for a in (minute.x_mm, minute.y_mm)], -1
        )[None],
        matrix,
    )[0]
    assert np.abs(at_start[:, 0] - log.u_px[inside]).max() > 1.0


def test_camera_clock_offset_drift_and_overrun(bench, minute):
    log = photograph(minute, bench, 8, **CLEAN)
    camera = true_camera(bench, 8)
    assert 0.5 <= camera.lead_s <= 1.5
    assert 0.0 < camera.clock_offset_s - camera.lead_s < 0.81
    assert abs(camera.clock_drift) <= 60e-6
    drive_time = (log.t_s - camera.clock_offset_s) / (1 + camera.clock_drift)
    assert drive_time[0] < -0.45 and drive_time[-1] > 60.2
    steps = np.diff(drive_time)
    assert np.abs(steps - 1 / 30).max() <= 6e-4 + 1e-9  # twice ±0.3 ms
    assert steps.std() > 1e-4
    again = true_camera(bench, 8, sequence=1)
    np.testing.assert_array_equal(camera.mm_to_px, again.mm_to_px)  # the tripod stays
    assert camera.clock_offset_s != again.clock_offset_s  # the clock does not


def test_noise_gaps_repeats_and_reflections_are_as_stated(bench, minute):
    plain = photograph(minute, bench, 3, **{**CLEAN, "click_px": 0.2})
    n = len(plain)
    errors, gaps, repeats, gross = [], 0, 0, 0
    runs = 8
    for sequence in range(runs):
        clean = photograph(minute, bench, 3, sequence=sequence, **{**CLEAN, "click_px": 0.2})
        log = photograph(minute, bench, 3, sequence=sequence)
        repeats += len(log) - len(np.unique(log.frame))
        gaps += len(clean) - len(np.unique(log.frame))
        off = np.hypot(log.u_px - clean.u_px[log.frame], log.v_px - clean.v_px[log.frame])
        gross += int((off > 3).sum())
        good = off <= 3
        errors.append((log.u_px - clean.u_px[log.frame])[good])
    noise = np.concatenate(errors)
    assert noise.std() == pytest.approx(0.1, rel=4 / np.sqrt(2 * len(noise)))
    total = n * runs
    assert gaps / total == pytest.approx(0.01, abs=4 * np.sqrt(0.01 / total))
    assert repeats / total == pytest.approx(0.002, abs=4 * np.sqrt(0.002 / total))
    # a burst of b frames counts b times: variance of the count ≈ E[b²]/E[b] ≈ 3.8 times Poisson's
    assert gross / total == pytest.approx(0.004, abs=4 * np.sqrt(3.8 * 0.004 / total))


def test_a_camera_log_is_the_same_again_and_survives_its_file(bench, minute, tmp_path):
    log, again = photograph(minute, bench, 4), photograph(minute, bench, 4)
    np.testing.assert_array_equal(log.u_px, again.u_px)
    assert np.all(log.t_s >= 0)
    write_camera_log(tmp_path / "log.csv", log)
    back = read_camera_log(tmp_path / "log.csv")
    np.testing.assert_array_equal(back.frame, log.frame)
    np.testing.assert_array_equal(back.v_px, log.v_px)


def test_a_dark_beam_is_not_seen(bench):
    rig = make_rig(bench, "metal-flexure", 2)
    t, u = [0.0, 1.0, 2.0, 3.0], np.zeros(4)
    dark = play(rig, t, u, u, beam=[1, 0, 1, 1], history="rested")
    log = photograph(dark, bench, 2, **CLEAN)
    camera = true_camera(bench, 2)
    opened = (log.t_s - camera.clock_offset_s) / (1 + camera.clock_drift)
    assert not np.any((opened > 1.0 - bench.camera.exposure_s) & (opened < 2.0 - 1e-3))
    assert np.any((opened > 0.8) & (opened < 0.99)) and np.any((opened > 2.0) & (opened < 2.1))
    always = bench.model_copy(update={"beam": bench.beam.model_copy(update={"mode": "always-on"})})
    assert len(photograph(dark, always, 2, **CLEAN)) > len(log) + 25


def test_no_camera_is_said(bench, minute):
    with pytest.raises(InputError, match="no camera"):
        photograph(minute, bench.model_copy(update={"camera": None}), 1)


# ---- the person with a ruler ------------------------------------------------------------------


@pytest.fixture(scope="module")
def steps() -> Pattern:
    """Twelve held levels, each a numbered reading after a move."""
    t, ux, names = [0.0], [0.0], ["rest/000"]
    levels = np.random.default_rng(5).uniform(0.3, 0.8, 12) * np.tile([1, -1], 6)
    for i, level in enumerate(levels, start=1):
        start = t[-1] + 2.0
        t += [start, start + 0.2]
        ux += [ux[-1], level]
        names += [f"rest/{i:03d}", f"reading/{i:03d}"]
        t.append(start + 8.0)
        ux.append(level)
        names.append(f"reading/{i:03d}")
    t += [t[-1] + 2.0, t[-1] + 3.0]
    ux += [ux[-1], 0.0]
    names += ["rest/999", "rest/999"]
    return Pattern(
        np.array(t),
        np.array(ux),
        -0.5 * np.array(ux),
        np.ones(len(t), bool),
        np.array(names, object),
    )


@pytest.fixture(scope="module")
def played(bench, steps):
    return play(make_rig(bench, "elastic-band", 6), steps.t_s, steps.drive_x, steps.drive_y)


def test_readings_are_the_settled_spot_to_half_a_millimetre(bench, steps, played, tmp_path):
    sheet = read_with_ruler(played, steps, bench, 1, typo="none", missing=False)
    assert list(sheet.reading) == list(range(1, 13))
    for values, mm, drive in (
        (sheet.x_mm, played.x_mm, steps.drive_x),
        (sheet.y_mm, played.y_mm, steps.drive_y),
    ):
        np.testing.assert_allclose(values * 2, np.round(values * 2), atol=1e-12)
        true = np.interp(sheet.t_s, played.t_s, mm)
        # creep within the half second by which the moment strays is far below 0.05 mm here
        assert np.abs(values - true).max() <= 0.25 + 0.05
        assert np.abs(values - true).max() > 0.1
        np.testing.assert_array_equal(
            np.interp(sheet.t_s, steps.t_s, drive).round(9),
            (sheet.drive_x if drive is steps.drive_x else sheet.drive_y).round(9),
        )
    write_typed_sheet(tmp_path / "typed.csv", sheet)
    np.testing.assert_array_equal(read_typed_sheet(tmp_path / "typed.csv").x_mm, sheet.x_mm)


@pytest.mark.parametrize("kind", ["digit", "sign", "unit"])
def test_one_typo_of_the_stated_kind_and_one_gap(bench, steps, played, kind):
    for seed in range(6):
        right = read_with_ruler(played, steps, bench, seed, typo="none", missing=False)
        wrong = read_with_ruler(played, steps, bench, seed, typo=kind, missing=False)
        a = np.concatenate((right.x_mm, right.y_mm))
        b = np.concatenate((wrong.x_mm, wrong.y_mm))
        (place,) = np.flatnonzero(a != b)
        expected = {"sign": -a[place], "unit": a[place] / 10}.get(kind)
        if expected is None:
            assert abs(b[place] - a[place]) == 10.0
        else:
            assert b[place] == expected
        gap = read_with_ruler(played, steps, bench, seed, typo="none")
        assert np.isnan(np.concatenate((gap.x_mm, gap.y_mm))).sum() == 1


def test_a_pattern_without_readings_is_refused(bench, steps, played):
    bare = Pattern(
        steps.t_s, steps.drive_x, steps.drive_y, steps.beam,
        np.full(len(steps), "rest/001", object),
    )  # fmt: skip
    with pytest.raises(InputError, match="no numbered readings"):
        read_with_ruler(played, bare, bench, 1)
