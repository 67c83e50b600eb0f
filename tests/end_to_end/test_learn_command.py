"""`hysteresis learn` as a person calls it: what is written, what is kept, what is refused."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from command_line import COMMAND, content, done, refused
from verify_data import layered_path

from hysteresis.bench import TEMPLATE, read_bench
from hysteresis.compensate.correction import read_correction
from hysteresis.compensate.learn import moved_model
from hysteresis.compensate.played_job import seen_mean
from hysteresis.files import write_atomic, write_json
from hysteresis.model import bench_identity, read_model, write_model
from hysteresis.table_files import write_drive_csv, write_timed_path
from hysteresis.tables import DriveSignal, SpotPath
from tests.compensate.models import fitted, one_rig


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run whose rig has 20 % less friction than its model, played and filmed; invented."""
    run = tmp_path_factory.mktemp("learn") / "run"
    run.mkdir()
    write_atomic(run / "bench.toml", TEMPLATE)
    bench = read_bench(run / "bench.toml")
    own = replace(fitted(one_rig()), bench=bench_identity(bench))
    write_model(run / "model.json", own)
    path = layered_path(6)
    t = np.arange(0.0, path.t_s[-1], 1e-3)
    u = [seen_mean(path.t_s, v, t, 0.05) / 48.0 for v in (path.x_mm, path.y_mm)]
    write_drive_csv(run / "drive.csv", DriveSignal(t, u[0], u[1], np.ones(len(t), bool)))
    by = {"friction": 0.8}
    truth = moved_model(own.model, {"x": by, "y": by})
    spots = truth.spots(u[0], u[1], 1e-3, truth.rest())[:2]
    at = np.arange(0.02, t[-1] - 0.02, 1.0 / 30.0)
    rng = np.random.default_rng(3)
    seen = [seen_mean(t, v, at, 0.008) + 0.015 * rng.standard_normal(len(at)) for v in spots]
    write_timed_path(run / "planned.csv", path)
    write_timed_path(run / "compensated.csv", SpotPath(at, *seen, np.ones(len(at), bool)))
    write_json(run / "job.json", {"drive": "drive.csv", "lead_in_s": 0.0})
    return run


@pytest.fixture
def run(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "run"))


def test_model_and_path_are_learned_and_the_model_in_use_is_kept(run: Path) -> None:
    before = content(run)
    said = done("learn", run, "--pause-s", 0)
    assert "Rms over layers held out, mm" in said and "strength of friction, x" in said
    after = content(run)
    new = set(after) - set(before)
    assert new <= {"model_learned.json", "correction.json"} and "model_learned.json" in new
    assert all(after[name] == before[name] for name in before)
    own, better = read_model(run / "model.json"), read_model(run / "model_learned.json")
    factor = better.model.axis_x.friction.stiffness / own.model.axis_x.friction.stiffness
    # within the standard error that is printed, some 0.02 to 0.05
    np.testing.assert_allclose(factor, 0.8, atol=0.12)
    told = better.provenance["learned"][0]
    assert told["held_after_mm"] < told["held_before_mm"]


def test_accepting_keeps_the_model_as_it_was(run: Path) -> None:
    own = (run / "model.json").read_bytes()
    done("learn", run, "--what", "model", "--accept")
    assert (run / "model_before.json").read_bytes() == own
    first = (run / "model.json").read_bytes()
    assert first != own and not (run / "model_learned.json").exists()
    # what was learned is in the model now; a second time there may be nothing left to learn
    done("learn", run, "--what", "model", "--accept")
    assert (run / "model_before.json").read_bytes() == own
    second = run / "model_before_2.json"
    assert not second.exists() or second.read_bytes() == first


def test_the_path_alone(run: Path) -> None:
    done("learn", run, "--what", "path")
    assert not (run / "model_learned.json").exists()
    one = read_correction(run / "correction.json")
    assert one.held_after_mm < one.held_before_mm and one.plays == 1


def test_what_exists_is_kept_without_force(run: Path) -> None:
    done("learn", run, "--what", "model")
    assert "model_learned.json" in refused(run, "learn", run, "--what", "model")
    done("learn", run, "--what", "model", "--force")


@pytest.mark.parametrize("name", ["planned.csv", "compensated.csv", "drive.csv", "model.json"])
def test_a_missing_file_is_named(run: Path, name: str) -> None:
    (run / name).unlink()
    assert name in refused(run, "learn", run)


def test_words_that_are_not_known(run: Path) -> None:
    assert "--what" in refused(run, "learn", run, "--what", "everything")
    assert "--job" in refused(run, "learn", run, "--job", "yesterday")


def test_a_file_that_is_no_correction(run: Path) -> None:
    said = refused(run, "learn", run, "--correction", run / "model.json")
    assert "not a correction" in said


def test_a_broken_table_is_told_with_its_line(run: Path) -> None:
    lines = (run / "compensated.csv").read_text().splitlines()
    lines[7] = lines[7].replace(",", ",oops", 1)
    (run / "compensated.csv").write_text("\n".join(lines) + "\n")
    said = refused(run, "learn", run)
    assert "compensated.csv" in said and "8" in said


def test_an_account_that_is_none(run: Path) -> None:
    (run / "job.json").write_text(json.dumps([1, 2]))
    assert "job.json" in refused(run, "learn", run)


def test_too_few_spots(run: Path) -> None:
    lines = (run / "compensated.csv").read_text().splitlines()[:20]
    (run / "compensated.csv").write_text("\n".join(lines) + "\n")
    assert "spots were seen" in refused(run, "learn", run)


def test_stopped_half_way_nothing_is_left(run: Path) -> None:
    before = content(run)
    going = subprocess.Popen(
        [*COMMAND, "learn", str(run)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert going.stderr is not None
    assert "Learning" in going.stderr.readline()
    time.sleep(0.05)
    going.send_signal(signal.SIGINT)
    _, said = going.communicate(timeout=60)
    if going.returncode == 130:
        assert "stopped" in said and "Traceback" not in said
        assert content(run) == before
    else:  # it was faster than the hand
        assert going.returncode == 0
