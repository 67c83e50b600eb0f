"""The clock's refinement: columns behind a mirror, exact regressions, rows, takes, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from hysteresis.errors import InputError
from hysteresis.measure import measure_camera
from hysteresis.measure.camera_log import ordered
from hysteresis.measure.clock import Track, search
from hysteresis.measure.clock_mirror import CREEP_S, Mirror, MirrorColumns, rung
from hysteresis.measure.clock_refine import (
    Film,
    Guess,
    beside,
    derivatives,
    near,
    of_values,
    with_one,
)
from hysteresis.measure.clock_stamps import on_the_beat
from hysteresis.measure.drive_columns import drive_columns
from hysteresis.tables import CameraLog, Pattern

from .synthetic import film, make_bench, make_pattern, rows


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return make_bench(tmp_path_factory.mktemp("bench"))


# ---- columns -----------------------------------------------------------------------------------


@pytest.mark.parametrize("hz, z", [(25.0, 0.06), (80.0, 0.005), (8.0, 0.7)])
def test_a_mirror_against_scipy(hz: float, z: float) -> None:
    """Mean over exposures of scipy.signal.lsim's answer; its error falls with the step squared."""
    pattern, step = make_pattern(1, 6.0), 5e-5
    columns = drive_columns(pattern)
    w = 2 * np.pi * hz
    fine = np.arange(0.0, pattern.t_s[-1], step)
    system = signal.TransferFunction([w**2], [1.0, 2 * z * w, w**2])
    start = np.random.default_rng(0).uniform(0.1, pattern.t_s[-1] - 0.1, 200)
    for axis, drive in enumerate((pattern.drive_x, pattern.drive_y)):
        answer = signal.lsim(system, np.interp(fine, pattern.t_s, drive), fine)[1]
        area = np.concatenate([[0.0], np.cumsum((answer[1:] + answer[:-1]) / 2 * step)])
        mean = (np.interp(start + 0.008, fine, area) - np.interp(start, fine, area)) / 0.008
        ours = rung(columns, axis, Mirror(w, z), start, 0.008)[0]
        # lsim holds the drive straight between samples, whose corners may be a step off
        slew = float(np.max(np.abs(np.diff(drive) / np.diff(pattern.t_s))))
        assert np.max(np.abs(ours - mean)) < slew * step + 1e-9


def test_slopes_are_derivatives_of_means() -> None:
    columns = drive_columns(make_pattern(2, 10.0), memory=True, relaxation_s=CREEP_S)
    behind = MirrorColumns(columns, (Mirror(200.0, 0.05), Mirror(150.0, 0.1)))
    start, h = np.random.default_rng(1).uniform(0.2, 9.0, 300), 1e-6
    slope = behind.slopes(start, 0.01)
    apart = (behind.averaged(start + h, 0.01) - behind.averaged(start - h, 0.01)) / (2 * h)
    # a corner within h of an end of the exposure changes the slope there by its own jump
    wrong = np.abs(slope - apart) > 1e-4 * np.maximum(np.abs(slope), 1.0)
    assert wrong.mean() < 1e-3


# ---- the linear core ---------------------------------------------------------------------------


def test_projection_against_lstsq() -> None:
    rng = np.random.default_rng(2)
    design = rng.normal(size=(500, 12)) * np.logspace(-3, 3, 12)
    columns = rng.normal(size=(500, 5))
    exact = columns - design @ np.linalg.lstsq(design, columns, rcond=None)[0]
    np.testing.assert_allclose(beside(design, columns), exact, atol=1e-9)


def test_derivatives_by_finite_differences() -> None:
    """With the mixture held, the prediction's derivative by each of the seven values."""
    pattern = make_pattern(4, 20.0)
    columns = drive_columns(pattern)
    rng = np.random.default_rng(5)
    t = np.sort(rng.uniform(0.5, 19.0, 400))
    seen = Film(t, np.zeros((400, 2)), rng.uniform(-200, 200, 400), 0.008)
    guess = Guess(0.01, 2e-5, 1e-5, (Mirror(200.0, 0.08), Mirror(240.0, 0.12)))
    mixture = np.zeros((1 + 2 + 7, 2))
    mixture[1:3] = [[50.0, 1.0], [-2.0, 48.0]]

    def prediction(values):
        now = of_values(values)
        start, _, _ = near(seen, now, columns)
        design = MirrorColumns(columns, now.mirrors).averaged(start, 0.008)
        return with_one(design) @ mixture

    start, _, frames = near(seen, guess, columns)
    design, slopes = MirrorColumns(columns, guess.mirrors).with_slopes(start, 0.008)
    ours = derivatives(seen, columns, guess, start, frames, mixture, design, slopes)
    step = np.array([1e-6, 1e-7, 1e-9, 1e-5, 1e-6, 1e-5, 1e-6])
    for k, h in enumerate(step):
        values = guess.values()
        up, down = values.copy(), values.copy()
        up[k] += h
        down[k] -= h
        apart = -(prediction(up) - prediction(down)) / (2 * h)
        size = float(np.max(np.abs(apart)))
        # one-sided by 1e-4 in the mirrors' values: an error of that part of the derivative
        off = np.abs(ours[:, :, k] - apart) > 2e-3 * size
        assert size > 0 and off.mean() < 0.01


def test_the_search_against_brute_force() -> None:
    """The explained part at every lag by numpy.linalg.lstsq, one lag at a time."""
    pattern = make_pattern(5, 20.0)
    columns = drive_columns(pattern)
    t = np.arange(0, 24.0, 1 / 30)
    true = 2.0
    spot = 50 * np.column_stack(
        [np.interp(t - true, pattern.t_s, d) for d in (pattern.drive_x, pattern.drive_y)]
    )
    spot += np.random.default_rng(6).normal(0, 0.1, spot.shape)
    best = search(Track(t, spot, 0.0), columns)[0]
    explained = []
    lags = np.arange(-10.0, 20.0, 1 / 30)
    total = float(((spot - spot.mean(axis=0)) ** 2).sum())
    for lag in lags:
        design = with_one(columns.averaged(t - lag, 0.0))
        left = spot - design @ np.linalg.lstsq(design, spot, rcond=None)[0]
        explained.append(1 - float((left**2).sum()) / total)
    brute = float(lags[int(np.argmax(explained))])
    assert abs(best[1] - brute) <= 1.01 / 30
    assert best[0] == pytest.approx(max(explained), abs=0.02)


# ---- rows, takes, notes ------------------------------------------------------------------------


@pytest.mark.parametrize("readout_s", [0.0, 0.02])
def test_rows_that_are_read_one_after_another(bench, readout_s: float) -> None:
    """Each frame opens later by its row's part of the read-out: stamps are moved the other way."""
    pattern = make_pattern(6)
    filmed = film(pattern, bench, jitter_s=1e-3)
    per_px = readout_s / 720
    log = filmed.log
    stamps = log.t_s - per_px * (log.v_px - np.median(log.v_px))
    measured = measure_camera(
        CameraLog(log.frame, stamps, log.u_px, log.v_px, log.weight), pattern, bench
    )
    found, u = measured.readout_s_per_px, measured.u_readout_s_per_px
    if readout_s:
        assert found == pytest.approx(per_px, abs=max(3 * u, 0.1 * per_px))
        assert any("reads its rows one after another" in note for note in measured.notes)
        inside = measured.recording.used
        assert np.abs(measured.recording.t_s - filmed.t_pattern)[inside].max() < 1e-3
    else:
        assert found == 0.0 and u > 0.0


def test_the_later_whole_take_is_used(bench) -> None:
    pattern = make_pattern(7, 30.0)
    one = film(pattern, bench, offset_s=0.0, drift=0.0, tail_s=2.0)
    gap = 40.0
    two = film(pattern, bench, offset_s=gap, drift=0.0, lead_s=2.0, seed=2)
    late = two.log.t_s > one.log.t_s[-1] + 0.02
    n = len(one.log)
    log = CameraLog(
        np.concatenate([one.log.frame, n + np.arange(late.sum())]),
        *(np.concatenate([getattr(one.log, c), getattr(two.log, c)[late]])
          for c in ("t_s", "u_px", "v_px", "weight")),
    )  # fmt: skip
    measured = measure_camera(log, pattern, bench)
    assert measured.clock.offset_s == pytest.approx(gap, abs=2e-3)
    assert any("played 2 times in this log; take 2 is used" in note for note in measured.notes)
    first = measure_camera(log, pattern, bench, take=1)
    assert first.clock.offset_s == pytest.approx(0.0, abs=2e-3)
    with pytest.raises(InputError, match=r"so many takes of the pattern \(3\)"):
        measure_camera(log, pattern, bench, take=3)
    # the second one cut short: the first is covered better
    cut = rows(log, log.t_s < gap + 10.0)
    assert measure_camera(cut, pattern, bench).clock.take == (1, 2)


def test_a_clip_in_which_nothing_moves(bench) -> None:
    pattern = make_pattern(8)
    log = film(pattern, bench, matrix=1e-6 * np.eye(2)).log
    with pytest.raises(InputError, match="the spot stands still in this log: it ranges over 0"):
        measure_camera(log, pattern, bench)


def test_a_camera_too_slow_for_the_pattern(tmp_path) -> None:
    t = np.arange(0.0, 120.0, 0.2)
    x = np.where(np.arange(len(t)) % 2 == 0, 0.5, -0.5)
    quick = Pattern(t, x, -x, np.ones(len(t), bool), np.full(len(t), "sweep/001", dtype=object))
    bench = make_bench(tmp_path, frame_rate_hz=2.0, exposure_s=0.05)
    with pytest.raises(InputError, match=r"too slow for this pattern: .*sweep \(0.2 s\)"):
        measure_camera(film(quick, bench).log, quick, bench)


def test_what_the_tracker_says_of_a_frame_is_kept(bench) -> None:
    pattern = make_pattern(9)
    log = film(pattern, bench).log
    n = len(log)
    note = np.full(n, "", dtype=object)
    note[300] = "two spots"
    weight = np.ones(n)
    weight[300:302] = 0.0
    sigma = np.where(np.arange(n) % 7 == 0, 0.1, 0.05)
    told = CameraLog(log.frame, log.t_s, log.u_px, log.v_px, weight, sigma_u_px=sigma,
                     sigma_v_px=sigma, note=note)  # fmt: skip
    measured = measure_camera(told, pattern, bench)
    assert measured.recording.reason[300] == "two spots"
    assert measured.recording.reason[301] == "weight 0 in the log"
    assert any("times as far along u and v as the tracker's own sigma" in n for n in measured.notes)
    used = measured.recording.used
    plain = measure_camera(log, pattern, bench)
    middle = np.median(measured.recording.sigma_x_mm[used])
    assert middle == pytest.approx(np.median(plain.recording.sigma_x_mm[used]), rel=0.05)
    wide = measured.recording.sigma_x_mm[used & (np.arange(n) % 7 == 0)]
    assert np.median(wide) == pytest.approx(2 * middle, rel=0.05)


@pytest.mark.parametrize("step_s, mended", [(0.01, True), (1e-3, True), (1e-4, False)])
def test_rounded_stamps_are_put_on_the_beat(bench, step_s: float, mended: bool) -> None:
    filmed = film(make_pattern(10), bench)
    log = filmed.log
    rounded = np.round(np.round(log.t_s / step_s) * step_s, 6)
    frames, notes = on_the_beat(
        ordered(CameraLog(log.frame, rounded, log.u_px, log.v_px, log.weight))
    )
    assert bool(notes) is mended
    # 30 frames/s meet a decimal step in three phases, a third of a step apart: their mean is off by
    # up to half of that; an odd frame of the 61 adds a 61st part of half a step
    bound = step_s / 6 + step_s / 122 + 1e-6 if mended else step_s
    assert np.max(np.abs(frames.t_s - log.t_s)) < bound


def test_frames_that_come_unevenly_keep_their_stamps(bench) -> None:
    log = film(make_pattern(11), bench, jitter_s=8e-3).log
    rounded = np.round(log.t_s, 3)
    frames, notes = on_the_beat(
        ordered(CameraLog(log.frame, rounded, log.u_px, log.v_px, log.weight))
    )
    assert notes == () and np.array_equal(frames.t_s, rounded)
