"""Offset and drift of the camera's clock, on recordings whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.measure import measure_camera
from hysteresis.measure.clock import Clock, Track, search
from hysteresis.measure.drive_columns import drive_columns
from hysteresis.plan.characterise import characterisation
from hysteresis.plan.recheck import recheck
from hysteresis.tables import CameraLog, Pattern
from hysteresis.virtual_bench import make_rig, photograph, play, true_camera

from .synthetic import film, make_bench, make_pattern, rows

TURN = np.deg2rad(73.0)
TURNED = 45 * np.array([[np.cos(TURN), -np.sin(TURN)], [np.sin(TURN), np.cos(TURN)]])


def errors(clock: Clock, offset_s: float, drift: float) -> tuple[float, float]:
    return 1e3 * (clock.offset_s - offset_s), 1e6 * (clock.drift - drift)


def test_the_sign_of_offset_and_drift_by_hand() -> None:
    # shown 2 s at the start of the pattern, and 103 s after 100 s: one per cent fast
    clock = Clock(offset_s=2.0, drift=0.01, u_offset_s=0, u_drift=0, score=1)
    np.testing.assert_allclose(clock.to_pattern(np.array([2.0, 103.0])), [0.0, 100.0])
    np.testing.assert_allclose(clock.to_camera(np.array([0.0, 100.0])), [2.0, 103.0])


@pytest.mark.parametrize(
    "offset_s, drift", [(0.7, 4e-5), (-312.4, -2e-4), (5000.0, 1e-3), (1.75e9, -1e-3)]
)
def test_the_clock_is_found_without_memory(tmp_path, offset_s: float, drift: float) -> None:
    bench, pattern = make_bench(tmp_path), make_pattern()
    clock = measure_camera(film(pattern, bench, offset_s=offset_s, drift=drift).log, pattern,
                           bench).clock  # fmt: skip
    by_ms, by_ppm = errors(clock, offset_s, drift)
    assert abs(by_ms) < 0.3 and abs(by_ppm) < 8
    assert clock.score > 0.999


@given(
    offset_s=st.floats(-1e4, 1e4),
    drift=st.floats(-1.5e-3, 1.5e-3),
    lead_s=st.floats(0.0, 40.0),
    seed=st.integers(0, 50),
)
@settings(max_examples=10, deadline=None)
def test_any_clock_is_found(bench, offset_s: float, drift: float, lead_s: float, seed: int) -> None:
    pattern = make_pattern(seed, 30.0)
    log = film(pattern, bench, offset_s=offset_s, drift=drift, lead_s=lead_s, seed=seed).log
    by_ms, by_ppm = errors(measure_camera(log, pattern, bench).clock, offset_s, drift)
    assert abs(by_ms) < 0.5 and abs(by_ppm) < 20


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return make_bench(tmp_path_factory.mktemp("bench"))


@pytest.mark.parametrize(
    "change",
    [
        {"matrix": TURNED},
        {"matrix": np.diag([-48.0, 52.0])},
        {"matrix": np.array([[0.0, 50.0], [50.0, 0.0]])},
        {"reflected": 0.06},
        {"noise_px": 1.0},
        {"memory": 0.15},
        {"jitter_s": 3e-3},
        {"tail_s": 30.0, "lead_s": 30.0},
    ],
    ids=str,
)
def test_whatever_the_camera_sees(bench, change: dict) -> None:
    pattern = make_pattern(3)
    log = film(pattern, bench, **change).log
    by_ms, by_ppm = errors(measure_camera(log, pattern, bench).clock, 0.7, 4e-5)
    assert abs(by_ms) < 1.0 and abs(by_ppm) < 20


@pytest.mark.parametrize(
    "rate_hz, exposure_s", [(10.0, 0.05), (15.0, 0.066), (60.0, 0.002), (120.0, 0.008)]
)
def test_any_frame_rate_and_exposure(tmp_path, rate_hz: float, exposure_s: float) -> None:
    bench = make_bench(tmp_path, frame_rate_hz=rate_hz, exposure_s=exposure_s)
    pattern = make_pattern(4)
    by_ms, by_ppm = errors(
        measure_camera(film(pattern, bench).log, pattern, bench).clock, 0.7, 4e-5
    )
    assert abs(by_ms) < 0.5 and abs(by_ppm) < 10


@pytest.mark.parametrize(
    "first_s, last_s", [(12.0, 99.0), (30.0, 99.0), (-9.0, 25.0), (20.0, 35.0)]
)
def test_a_log_of_part_of_the_pattern(bench, first_s: float, last_s: float) -> None:
    pattern = make_pattern(5)
    filmed = film(pattern, bench)
    part = (filmed.t_pattern > first_s) & (filmed.t_pattern < last_s)
    measured = measure_camera(rows(filmed.log, part), pattern, bench)
    assert abs(errors(measured.clock, 0.7, 4e-5)[0]) < 2.0
    said = " ".join(measured.notes)
    assert ("the log starts" in said) == (first_s > 0)
    assert ("before the pattern does" in said) == (last_s < 60)


def test_behind_an_ac_coupled_output(bench) -> None:
    # The output passes v' = u' - v / tau; integrated here by small steps.
    pattern, corner_hz = make_pattern(6), 0.2
    t = np.arange(0, pattern.t_s[-1], 1e-3)
    passed = []
    for drive in (pattern.drive_x, pattern.drive_y):
        u = np.interp(t, pattern.t_s, drive)
        v = np.zeros_like(u)
        keep = np.exp(-2 * np.pi * corner_hz * 1e-3)
        for k in range(1, len(u)):
            v[k] = keep * v[k - 1] + u[k] - u[k - 1]
        passed.append(v)
    drooped = Pattern(t, passed[0], passed[1], np.ones(len(t), bool),
                      np.full(len(t), "rest/001", dtype=object))  # fmt: skip
    log = film(drooped, bench).log
    drive = bench.drive.model_copy(update={"coupling": "ac", "corner_hz": corner_hz})
    measured = measure_camera(log, pattern, bench.model_copy(update={"drive": drive}))
    assert all(note.startswith("whether rows") for note in measured.notes)
    clock = measured.clock
    assert abs(errors(clock, 0.7, 4e-5)[0]) < 0.5 and clock.score > 0.999
    behind = r"only as behind an AC-coupled output \(corner about 0.2 Hz"
    with pytest.raises(InputError, match=behind):
        measure_camera(log, pattern, bench)  # taken for DC-coupled


@pytest.mark.parametrize(
    "suspension, seed, axes",
    [("braided-thread", 7, "both"), ("metal-flexure", 8, "both"), ("braided-thread", 4, "x")],
)
def test_on_the_virtual_bench(bench, suspension: str, seed: int, axes: str) -> None:
    """With a rich memory, an unknown history and reflections: 2 ms and 20 ppm."""
    pattern = characterisation(bench, 2.0, axes=axes)
    played = play(make_rig(bench, suspension, seed), pattern.t_s, pattern.drive_x, pattern.drive_y,
                  beam=pattern.beam)  # fmt: skip
    true = true_camera(bench, seed)
    clock = measure_camera(photograph(played, bench, seed), pattern, bench).clock
    by_ms, by_ppm = errors(clock, true.clock_offset_s, true.clock_drift)
    assert abs(by_ms) < 2.0 and abs(by_ppm) < 20
    assert abs(by_ms) < 2.5 * 1e3 * clock.u_offset_s
    assert clock.score > 0.99


# ---- what is not this pattern ------------------------------------------------------------------


def random_log(kind: str, seed: int, bench, length_s: float = 60.0) -> CameraLog:
    rng = np.random.default_rng(seed)
    n = int(30 * length_s)
    noise = rng.normal(0, 1, (n, 2))
    if kind == "walk":
        spot = np.cumsum(noise, axis=0)
    elif kind == "waves":
        spot = np.sin(np.arange(n)[:, None] / 30 * rng.uniform(0.2, 9, 2) + rng.uniform(0, 6, 2))
        spot = spot + 0.01 * noise
    else:
        spot = noise
    spot = 150 * spot / np.abs(spot).max()
    return CameraLog(np.arange(n), np.arange(n) / 30, 646 + spot[:, 0], 352 + spot[:, 1],
                     np.ones(n))  # fmt: skip


@pytest.mark.parametrize("kind", ["noise", "walk", "waves"])
def test_noise_and_wandering_do_not_follow(bench, kind: str) -> None:
    patterns = [make_pattern(9, 40.0), recheck(bench)]
    for number, pattern in enumerate(patterns):
        for seed in range(2 * number, 2 * number + 2):
            with pytest.raises(InputError, match="the log does not follow this pattern: the sync "):
                measure_camera(random_log(kind, seed, bench), pattern, bench)


def test_another_pattern_does_not_follow(bench) -> None:
    two, three = characterisation(bench, 2.0), characterisation(bench, 3.0)
    short, invented = recheck(bench), make_pattern(10)
    for played, asked in ((two, three), (three, two), (two, short), (short, two),
                          (invented, short), (two, invented)):  # fmt: skip
        with pytest.raises(InputError) as caught:
            measure_camera(film(played, bench, memory=0.1).log, asked, bench)
        said = str(caught.value)
        assert "check that pattern.csv is the one that was played" in said
        assert said.count(". ") == 0 and said.endswith(".")


def test_a_pattern_changed_in_its_last_third(bench) -> None:
    asked = make_pattern(11)
    other = make_pattern(12)
    late = asked.t_s > 40
    x, y = asked.drive_x.copy(), asked.drive_y.copy()
    x[late], y[late] = (np.interp(asked.t_s[late] - 20, other.t_s, d)
                        for d in (other.drive_x, other.drive_y))  # fmt: skip
    played = Pattern(asked.t_s, x, y, asked.beam, asked.segment)
    with pytest.raises(InputError, match="is the one that was played"):
        measure_camera(film(played, bench).log, asked, bench)


def test_the_search_finds_the_lag_among_all(bench) -> None:
    pattern = make_pattern(13)
    filmed = film(pattern, bench, lead_s=25.0)
    track = Track(filmed.log.t_s, filmed.spot_mm, 0.008)
    best = search(track, drive_columns(pattern))
    assert abs(best[0][1] - 0.7) < 0.05
    assert best[0][0] > 0.9 > 0.7 > best[1][0]
