"""Registration, order of frames, outliers and sigma of a camera log, with a known truth."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from hysteresis.bench import Fiducial
from hysteresis.errors import DataError, InputError
from hysteresis.measure import measure_camera, rows_by_reason
from hysteresis.measure.camera_log import ordered
from hysteresis.measure.noise import noise_at_rest, still
from hysteresis.measure.registration import register
from hysteresis.plan.characterise import characterisation
from hysteresis.plan.recheck import recheck
from hysteresis.table_files import read_recording, write_recording
from hysteresis.tables import CameraLog, Pattern
from hysteresis.virtual_bench import make_rig, photograph, play

from .synthetic import film, make_bench, make_pattern, rows


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return make_bench(tmp_path_factory.mktemp("bench"))


def log_of(frame, t_s, u=None, v=None, weight=None) -> CameraLog:
    n = len(frame)
    u, v = (np.arange(n) * 1.0 if a is None else np.asarray(a, float) for a in (u, v))
    weight = np.ones(n) if weight is None else np.asarray(weight, float)
    return CameraLog(np.array(frame), np.array(t_s, float), u, v, weight)


# ---- order and repeated frames -----------------------------------------------------------------


def test_frames_in_any_order_with_gaps_and_repeats() -> None:
    log = log_of(
        [5, 1, 2, 2, 4, 7, 7, 8, 9],
        [0.5, 0.1, 0.2, 0.2, 0.4, 0.7, 0.7, 0.8, 0.9],
        u=[5, 1, 2, 2, 4, 7, 7.5, 8, 9],
        v=np.zeros(9),
        weight=[1, 1, 1, 1, 1, 1, 1, 0, 1],
    )
    frames = ordered(log)
    assert frames.frame.tolist() == [1, 2, 2, 4, 5, 7, 7, 8, 9]
    assert frames.reason.tolist() == [
        "", "", "frame repeated", "", "", "frame repeated with another time or place",
        "frame repeated with another time or place", "weight 0 in the log", "",
    ]  # fmt: skip
    assert frames.missing == 2  # 3 and 6
    assert frames.longest_gap_s == pytest.approx(0.2)
    assert frames.frame_s == pytest.approx(0.1)
    assert frames.row.tolist() == [1, 2, 3, 4, 0, 5, 6, 7, 8]


def test_time_that_goes_back_is_named_with_its_line() -> None:
    with pytest.raises(InputError, match="time goes back from frame 2 to frame 3") as caught:
        ordered(log_of([3, 1, 2], [0.15, 0.1, 0.2]))
    assert caught.value.row == 2 and caught.value.column == "t_s"  # the first line below the header


def test_time_that_stands_still() -> None:
    frames = ordered(log_of([1, 2, 3], [0.1, 0.1, 0.2]))
    assert frames.reason.tolist() == ["", "same time as the frame before", ""]
    with pytest.raises(InputError, match="fewer than two frames"):
        ordered(log_of([1, 1], [0.1, 0.1]))
    with pytest.raises(InputError, match="the same time"):
        ordered(log_of([1, 2], [0.1, 0.1]))


def test_every_row_stays_and_shuffling_changes_nothing(bench, tmp_path) -> None:
    pattern = make_pattern(1)
    log = film(pattern, bench, reflected=0.02).log
    straight = measure_camera(log, pattern, bench)
    shuffled = measure_camera(
        rows(log, np.random.default_rng(0).permutation(len(log))), pattern, bench
    )
    assert len(straight.recording) == len(log)
    for field in dataclasses.fields(straight.recording):
        one, other = (getattr(m.recording, field.name) for m in (straight, shuffled))
        assert np.array_equal(one, other)
    write_recording(tmp_path / "recording.csv", straight.recording)
    back = read_recording(tmp_path / "recording.csv")
    assert np.array_equal(back.x_mm, straight.recording.x_mm)
    assert np.array_equal(back.reason, straight.recording.reason)


def test_reasons_before_after_field_and_weight(bench) -> None:
    pattern = make_pattern(2)
    filmed = film(pattern, bench, lead_s=2.0, tail_s=2.0)
    log, t = filmed.log, filmed.t_pattern
    log.weight[400:403] = 0.0
    log.u_px[500] += 5000.0
    log.v_px[501] = -9000.0
    recording = measure_camera(log, pattern, bench).recording
    assert set(recording.reason[t < -0.01]) == {"before the pattern"}
    assert set(recording.reason[t > pattern.t_s[-1]]) == {"after the pattern"}
    assert set(recording.reason[400:403]) == {"weight 0 in the log"}
    assert set(recording.reason[500:502]) == {"out of the field"}
    inside = recording.segment != ""
    asked = np.searchsorted(pattern.t_s, recording.t_s[inside], side="right") - 1
    assert np.array_equal(recording.segment[inside], pattern.segment[asked])
    assert np.array_equal(recording.used, recording.reason == "")


def test_frames_with_the_beam_off_are_set_aside(bench) -> None:
    pattern = make_pattern(3)
    dark = pattern.beam.copy()
    dark[40:44] = False
    blinking = Pattern(pattern.t_s, pattern.drive_x, pattern.drive_y, dark, pattern.segment)
    filmed = film(pattern, bench)
    reason = measure_camera(filmed.log, blinking, bench).recording.reason
    off = reason == "beam off or switched during the exposure"
    t = filmed.t_pattern
    wholly = (t > pattern.t_s[40] + 0.01) & (t < pattern.t_s[44] - 0.02)
    assert off[wholly].all() and not off[(t < pattern.t_s[40] - 0.01) | (t > pattern.t_s[44])].any()
    always = bench.model_copy(update={"beam": bench.beam.model_copy(update={"mode": "always-on"})})
    assert not any(
        "beam" in r for r in measure_camera(filmed.log, blinking, always).recording.reason
    )


# ---- registration ------------------------------------------------------------------------------


def with_fiducials(bench, px: np.ndarray, mm: np.ndarray):
    marks = tuple(
        Fiducial(u_px=u, v_px=v, x_mm=x, y_mm=y)
        for (u, v), (x, y) in zip(px.tolist(), mm.tolist(), strict=True)
    )
    return bench.camera.model_copy(update={"fiducials": marks})


CORNERS = np.array([[-50.0, -50.0], [50.0, -50.0], [50.0, 50.0], [-50.0, 50.0]])


def test_residual_is_the_scatter_of_the_fiducials(bench) -> None:
    rng = np.random.default_rng(3)
    mm = np.vstack([CORNERS, CORNERS / 2, CORNERS / [1, 3], CORNERS / [3, 1]])
    residuals = []
    for _ in range(60):
        px = mm * [6.0, -6.0] + 500 + rng.normal(0, 0.3, mm.shape)
        found = register(with_fiducials(bench, px, mm))
        residuals.append(found.residual_mm)
        assert found.mm_per_px == pytest.approx(1 / 6, rel=1e-2)
    # 24 degrees of freedom each, 60 times: the mean square is known to 4 %
    assert np.sqrt(np.mean(np.square(residuals))) == pytest.approx(0.3 / 6, rel=0.15)


def test_sigma_in_mm_by_hand(bench) -> None:
    # 4 px per mm along u, 8 px per mm along v, v pointing down
    found = register(with_fiducials(bench, CORNERS * [4.0, -8.0] + 500, CORNERS))
    sigma = found.sigma_mm(np.array([500.0]), np.array([430.0]), np.array([0.2, 0.4]))
    np.testing.assert_allclose(sigma, [[0.05, 0.05]], rtol=1e-9)


def test_sigma_in_mm_against_scatter(bench) -> None:
    found = register(bench.camera)
    rng = np.random.default_rng(4)
    sigma_px = np.array([0.1, 0.3])
    cloud = np.array([420.0, 500.0]) + rng.normal(0, 1, (20_000, 2)) * sigma_px
    seen = found.spot_mm(*cloud.T).std(axis=0)
    told = found.sigma_mm(np.array([420.0]), np.array([500.0]), sigma_px)[0]
    np.testing.assert_allclose(told, seen, rtol=0.02)  # 20 000 draws: 0.5 %


def test_a_misplaced_fiducial_is_named(bench) -> None:
    mm = np.vstack([CORNERS, CORNERS / [1, 5], CORNERS / 3])
    px = mm * [6.0, -6.0] + 500 + np.random.default_rng(5).normal(0, 0.1, mm.shape)
    assert register(with_fiducials(bench, px, mm)).notes == ()
    px[6] += [12.0, 0.0]
    (note,) = register(with_fiducials(bench, px, mm)).notes
    assert note.startswith("fiducial 7 lies 2 mm")


def test_fiducials_that_fix_no_plane_are_told(bench) -> None:
    mm = np.array([[0.0, 0.0], [10.0, 0.0], [20.0, 0.0], [5.0, 30.0]])
    with pytest.raises(InputError) as caught:
        register(with_fiducials(bench, CORNERS, mm))
    assert "points 1, 2 and 3 lie on one line on the target" in str(caught.value)
    assert caught.value.file == "bench.toml"
    swapped = CORNERS[[0, 1, 3, 2]]
    with pytest.raises(InputError, match="two positions belong together"):
        register(with_fiducials(bench, CORNERS * 6 + 500, swapped))
    (note,) = register(with_fiducials(bench, CORNERS * 6 + 500, CORNERS)).notes
    assert note.startswith("four fiducials fit any map exactly")


# ---- outliers ----------------------------------------------------------------------------------


def test_reflections_are_caught_and_moves_are_not(bench) -> None:
    caught = there = false = clean = 0
    for seed in range(4):
        pattern = make_pattern(20 + seed)
        filmed = film(pattern, bench, reflected=0.03, memory=0.1, seed=seed)
        measured = measure_camera(filmed.log, pattern, bench)
        recording = measured.recording
        off = np.hypot(recording.x_mm - filmed.spot_mm[:, 0],
                       recording.y_mm - filmed.spot_mm[:, 1])  # fmt: skip
        marked = np.array([r.startswith("outlier") for r in recording.reason])
        judged = recording.used | marked
        assert sorted(d.number for d in measured.doubts) == np.flatnonzero(marked).tolist()
        caught += int((marked & (off > 1.0)).sum())
        there += int((judged & (off > 1.0)).sum())
        false += int((marked & ~filmed.reflected).sum())
        clean += int((judged & ~filmed.reflected).sum())
    assert there > 150
    assert caught >= 0.95 * there
    assert false <= 0.005 * clean


@pytest.mark.parametrize("suspension", ["braided-thread", "polyimide-strip", "metal-flexure"])
def test_outliers_on_the_virtual_bench(bench, suspension: str) -> None:
    """Ringing mirrors and rich memory: reflections are where two films of one motion differ."""
    pattern = characterisation(bench, 2.0)
    played = play(make_rig(bench, suspension, 5), pattern.t_s, pattern.drive_x, pattern.drive_y,
                  beam=pattern.beam)  # fmt: skip
    still = {"dropped": 0.0, "repeated": 0.0}
    clean = photograph(played, bench, 5, reflected=0.0, noise_px=0.0, **still)
    clean_marks = measure_camera(photograph(played, bench, 5, reflected=0.0, **still), pattern,
                                 bench)  # fmt: skip
    assert len(clean_marks.doubts) <= 0.005 * len(clean)

    log = photograph(played, bench, 5, reflected=0.02, **still)
    measured = measure_camera(log, pattern, bench)
    away_px = np.hypot(log.u_px - clean.u_px, log.v_px - clean.v_px)
    away = away_px * measured.registration.mm_per_px > 1.0
    inside = measured.recording.segment != ""
    marked = ~measured.recording.used
    assert (away & inside).sum() > 30
    assert (marked & away & inside).sum() >= 0.95 * (away & inside).sum()


def test_small_ones_are_caught_where_the_spot_rests(bench) -> None:
    pattern = make_pattern(24, 120.0)
    filmed = film(pattern, bench, memory=0.1)
    log, t = filmed.log, filmed.t_pattern
    rest = np.flatnonzero(still(pattern, t - 0.3, t + 0.2) & (t > 1.0) & (t < 119.0))
    rng = np.random.default_rng(1)
    struck = rng.choice(rest, 80, replace=False)
    log.u_px[struck] += rng.choice([-1, 1], 80) * rng.uniform(0.5, 3.0, 80) * 6.0  # px per mm
    reason = measure_camera(log, pattern, bench).recording.reason
    marked = np.array([r.startswith("outlier") for r in reason])
    assert marked[struck].sum() >= 76
    assert marked.sum() - marked[struck].sum() <= 0.005 * len(log)


def test_a_long_reflection_is_caught(bench) -> None:
    pattern = make_pattern(24)
    filmed = film(pattern, bench, memory=0.1)
    log, t = filmed.log, filmed.t_pattern
    longest = int(np.argmax(np.diff(pattern.t_s) * (np.diff(pattern.drive_x) == 0)))
    middle = int(np.searchsorted(t, pattern.t_s[longest : longest + 2].mean()))
    burst = slice(middle - 11, middle + 11)
    assert still(pattern, t[burst] - 0.3, t[burst] + 0.3).all()
    log.u_px[burst] = 400.0
    log.v_px[burst] = 300.0
    reason = measure_camera(log, pattern, bench).recording.reason
    marked = np.array([r.startswith("outlier") for r in reason])
    assert marked[burst].all()
    assert marked.sum() - marked[burst].sum() <= 5


def test_a_ringing_mirror_is_no_outlier(bench) -> None:
    pattern = recheck(bench)
    played = play(make_rig(bench, "polyimide-strip", 34), pattern.t_s, pattern.drive_x,
                  pattern.drive_y, beam=pattern.beam)  # fmt: skip
    log = photograph(played, bench, 34, reflected=0.0)
    assert len(measure_camera(log, pattern, bench).doubts) <= 0.005 * len(log)


def test_keeping_outliers(bench) -> None:
    pattern = make_pattern(25)
    log = film(pattern, bench, reflected=0.01).log
    measured = measure_camera(log, pattern, bench)
    first, second = (doubt.number for doubt in measured.doubts[:2])
    kept = measure_camera(log, pattern, bench, keep={first})
    assert kept.recording.used[kept.number == first].all()
    assert not kept.recording.used[kept.number == second].any()
    assert measure_camera(log, pattern, bench, keep_all=True).doubts == ()
    with pytest.raises(InputError, match=r"no outlier.*\(3\)"):
        measure_camera(log, pattern, bench, keep={3})


# ---- sigma -------------------------------------------------------------------------------------


def test_sigma_from_the_log_is_the_noise_put_in(bench) -> None:
    pattern = make_pattern(26, 120.0)
    for noise_px in (0.03, 0.1, 0.5):
        measured = measure_camera(
            film(pattern, bench, noise_px=noise_px, reflected=0.02, memory=0.1).log, pattern, bench
        )
        np.testing.assert_allclose(measured.sigma_px, noise_px, rtol=0.12)
        recording = measured.recording
        told = np.median(recording.sigma_x_mm[recording.used])
        assert told == pytest.approx(noise_px * measured.registration.mm_per_px, rel=0.15)


def test_sigma_of_whole_pixels_is_that_of_rounding(bench) -> None:
    pattern = make_pattern(27)
    log = film(pattern, bench, noise_px=0.02).log
    rounded = CameraLog(log.frame, log.t_s, np.round(log.u_px), np.round(log.v_px), log.weight)
    measured = measure_camera(rounded, pattern, bench)
    np.testing.assert_allclose(measured.sigma_px, 1 / np.sqrt(12))
    assert any(note.startswith("pixels are rounded to 1") for note in measured.notes)


def test_wrong_stamps_are_told_from_uneven_frames(bench) -> None:
    pattern = make_pattern(28, 120.0)
    uneven = measure_camera(film(pattern, bench, jitter_s=4e-3).log, pattern, bench)
    assert uneven.jitter_s < 2e-4
    wrong = measure_camera(film(pattern, bench, stamp_error_s=2e-3).log, pattern, bench)
    assert wrong.jitter_s == pytest.approx(2e-3, rel=0.3)
    recording = wrong.recording
    fast = np.nanmax(recording.sigma_x_mm) / np.median(recording.sigma_x_mm)
    assert fast > 20  # 2 ms at 1500 mm/s is 3 mm
    assert any("single frame times are wrong by" in note for note in wrong.notes)


def test_a_pattern_without_rest_has_no_sigma() -> None:
    t = np.arange(0, 20, 0.05)
    moving = Pattern(t, np.sin(t), np.cos(t), np.ones(len(t), bool),
                     np.full(len(t), "sweep/001", dtype=object))  # fmt: skip
    frames = np.arange(500)
    with pytest.raises(DataError, match="hardly ever filmed at rest"):
        noise_at_rest(moving, frames, frames / 30, 0.01, np.zeros(500), np.zeros(500))


# ---- what is told ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "matrix, words",
    [
        (np.diag([50.0, 50.0]), None),
        (np.diag([-50.0, 50.0]), "towards negative x"),
        (np.diag([50.0, 20.0]), "about 20 mm along y"),
        (np.array([[0.0, 50.0], [50.0, 0.0]]), "drive x moves the spot along y"),
    ],
)
def test_a_rig_that_is_not_as_the_bench_says(bench, matrix: np.ndarray, words: str | None) -> None:
    pattern = make_pattern(29)
    notes = measure_camera(film(pattern, bench, matrix=matrix).log, pattern, bench).notes
    if words is None:  # how well the rows' times are known may be told, and nothing else
        assert all(note.startswith("whether rows") for note in notes)
    else:
        assert any(words in note for note in notes)


def test_the_log_of_another_frame_rate_is_told(bench, tmp_path) -> None:
    pattern = make_pattern(30)
    quick = make_bench(tmp_path, frame_rate_hz=60.0)
    notes = measure_camera(film(pattern, quick).log, pattern, bench).notes
    assert any("60 frames/s, bench.toml says 30" in note for note in notes)


def test_a_bump_half_way_is_told(bench) -> None:
    pattern = make_pattern(31)
    filmed = film(pattern, bench)
    log, t = filmed.log, filmed.t_pattern
    slipped = (t > 30) & (t < 34)
    log.u_px[slipped] = 700.0  # the tracker sat on something else for four seconds
    log.v_px[slipped] = 200.0
    measured = measure_camera(log, pattern, bench)
    assert any("does not follow the pattern at 30 to 34 s" in note for note in measured.notes)
    long = (t > 30) & (t < 45)
    log.u_px[long], log.v_px[long] = 700.0, 200.0
    with pytest.raises(InputError, match="follow"):
        measure_camera(log, pattern, bench)


def test_what_cannot_be_measured_is_said(bench) -> None:
    pattern = make_pattern(32)
    log = film(pattern, bench).log
    with pytest.raises(InputError, match=r"bench.toml: there is no \[camera\]"):
        measure_camera(log, pattern, bench.model_copy(update={"camera": None}))
    with pytest.raises(InputError, match="too short: 40 frames"):
        measure_camera(rows(log, np.arange(100, 140)), pattern, bench)
    log.weight[:] = 0.0
    with pytest.raises(InputError, match="no frame of the camera log can be used"):
        measure_camera(log, pattern, bench)
    small = bench.model_copy(
        update={
            "optics": bench.optics.model_copy(update={"full_scale_x_mm": 5.0, "full_scale_y_mm": 5})
        }
    )
    with pytest.raises(InputError, match="further out than the drive can take them"):
        measure_camera(film(pattern, bench).log, pattern, small)
    nothing = Pattern(pattern.t_s, 0 * pattern.t_s, 0 * pattern.t_s, pattern.beam, pattern.segment)
    with pytest.raises(InputError, match="never moves the spot"):
        measure_camera(film(pattern, bench).log, nothing, bench)


def test_rows_are_counted_by_reason(bench) -> None:
    pattern = make_pattern(33)
    recording = measure_camera(film(pattern, bench, reflected=0.02).log, pattern, bench).recording
    counts = rows_by_reason(recording)
    assert sum(counts.values()) == int((~recording.used).sum())
    assert set(counts) == {"outlier", "before the pattern", "after the pattern"}
