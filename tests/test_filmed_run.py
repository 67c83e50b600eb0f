"""The study of films: its figures are held by errors that are put in, and its short form runs."""

import tomllib
from dataclasses import replace

import numpy as np
import pytest

from experiments import filmed_run
from hysteresis import virtual_bench
from hysteresis.measure.measured import Measured
from hysteresis.measure.registration import register_points
from hysteresis.tables import CameraLog, Recording
from hysteresis.virtual_bench.film import film_of, truth_of
from hysteresis.virtual_bench.film_scene import project


@pytest.fixture(scope="module")
def plan():
    text = (filmed_run.HERE / "filmed_run.toml").read_text(encoding="utf-8")
    content = tomllib.loads(text)
    return content | content["short"] | {"no_fit": True}


@pytest.fixture(scope="module")
def bench():
    return filmed_run.example_bench()


@pytest.fixture(scope="module")
def truth(bench, plan):
    """Twenty seconds of random moves."""
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 20.5, 0.5)
    u = rng.uniform(-0.8, 0.8, (2, len(t)))
    played = virtual_bench.play(virtual_bench.make_rig(bench, "braided-thread", 3), t, *u)
    return truth_of(film_of(played, bench, 3, filmed_run.look_of(plan | {"width": 1280}, 600.0)))


def measured_as(truth, log, t_s, used) -> Measured:
    n = len(log)
    reason = np.where(used, "", "outlier").astype(object)
    recording = Recording(
        t_s, np.full(n, 0.008), *np.zeros((2, n)), *np.ones((2, n)), used, reason,
        np.full(n, "a/1", object),
    )  # fmt: skip
    return Measured("camera", recording, log.frame, None, (), ())


def test_errors_that_are_put_in_are_found(truth):
    """A shift of 0.3 px, one wrong spot, a clock 2 ms late and 50 ppm fast, every tenth unused."""
    seen = np.flatnonzero(np.isfinite(truth.u_px))
    u, v = truth.u_px[seen] + 0.3, truth.v_px[seen].copy()
    u[7] += 40.0
    log = CameraLog(truth.number[seen], truth.stamp_s[seen], u, v, np.ones(len(seen)))
    true = truth.spot_start_s[seen]
    used = np.arange(len(seen)) % 10 != 0
    measured = measured_as(truth, log, true + 0.002 + 50e-6 * (true - true[used].mean()), used)
    found = filmed_run.place_errors(log, measured, truth)
    assert found["wrong"] == 1
    assert found["saturated_px"] == pytest.approx(0.3 / np.sqrt(2), rel=1e-6)
    lit = truth.lit > 1 - 1e-6
    missing = np.setdiff1d(np.flatnonzero(lit), seen[used])
    assert found["unused_share"] == pytest.approx(100 * len(missing) / lit.sum())
    clock = filmed_run.clock_errors(measured, truth)
    assert clock["drift_ppm"] == pytest.approx(50.0, rel=1e-6)
    # the middle of the frames that count is not quite that of all used ones
    assert clock["clock_ms"] == pytest.approx(2.0, abs=0.01)


def test_a_registration_that_is_off_is_told(truth):
    line = np.linspace(-50.0, 50.0, 5)
    mm = np.column_stack([a.ravel() for a in np.meshgrid(line, line)])
    straight = replace(truth, lens=replace(truth.lens, k1=0.0, k2=0.0))
    px = np.column_stack(project(straight.mm_to_px, straight.lens, *mm.T))
    one = np.ones(2)
    good = filmed_run.registration_errors(register_points(px, mm), straight, one)
    assert good["registration_worst_mm"] < 1e-6
    moved = filmed_run.registration_errors(
        register_points(px, mm + np.array([0.3, 0.4])), straight, one
    )
    assert moved["registration_mm"] == pytest.approx(0.5)
    stretched = filmed_run.registration_errors(
        register_points(px, mm * [1.01, 1.0]), straight, np.array([1.01, 1.0])
    )
    assert stretched["registration_own_mm"] < 1e-6
    # rms of x over a uniform grid of 21 from -50 to 50 is 50 sqrt(22 / (3 · 20))
    assert stretched["registration_mm"] == pytest.approx(0.5 * np.sqrt(22 / 60))


def test_the_lens_matters(truth):
    """Taken as straight, the same marks leave more than the goal: the study's lens counts."""
    line = np.linspace(-50.0, 50.0, 5)
    mm = np.column_stack([a.ravel() for a in np.meshgrid(line, line)])
    px = np.column_stack(project(truth.mm_to_px, truth.lens, *mm.T))
    bare = filmed_run.registration_errors(register_points(px, mm), truth, np.ones(2))
    assert bare["registration_mm"] > 0.1


def test_short_form(plan, capsys):
    """One small saturated film, measured: the study's own goals hold."""
    (outcome,) = filmed_run.filmed_unit(1, plan, ("saturated",), fit=False)
    filmed_run.report([outcome], plan)
    filmed_run.summary([outcome], plan)
    told = capsys.readouterr().out
    assert "Simulated" in told and "not looked at" in told  # the job was not
    goals = plan["goals"]
    assert outcome.saturated_px <= goals["saturated_px"]
    assert outcome.clock_ms <= goals["clock_ms"]
    assert outcome.drift_ppm <= goals["drift_ppm"]
    assert outcome.registration_own_mm < 0.01
    assert outcome.wrong == 0
    assert np.isnan(outcome.zero_ratio)


@pytest.mark.slow
def test_the_whole_job_from_a_film(plan):
    """The other case with the fit: compensation by a film is as good as by a perfect log."""
    (outcome,) = filmed_run.filmed_unit(1, plan, ("unsaturated",), fit=True)
    assert outcome.unsaturated_px <= plan["goals"]["unsaturated_px"]
    assert outcome.zero_ratio <= plan["goals"]["zero_ratio"]
    assert outcome.zero_film < outcome.zero_plain / 10
