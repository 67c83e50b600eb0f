"""A folder of runs through one command: good ones, bad ones, stopped and taken up again."""

from __future__ import annotations

import csv
import os
import shutil
import signal
import subprocess
import time
from pathlib import Path

import psutil
import pytest
from command_line import COMMAND, content, in_process, refused

from experiments.fleet_speed import make_run

QUICK = ("--memory", "both")  # one candidate to fit instead of six
GARBAGE = "t_s,exposure_s\nabc,\x7f\n"


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two invented units of two suspensions, read by ruler; not to be changed."""
    folder = tmp_path_factory.mktemp("two")
    make_run(folder / "cord" / "unit-1", "twisted-cord", 1, 2.0, True)
    make_run(folder / "flexure", "metal-flexure", 1, 2.0, True)
    return folder


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    """The work in this process, which has read everything it needs: starting workers, which
    read it all anew, is tested by the tests of stopping and by tests/fleet."""
    from hysteresis.fleet import here

    monkeypatch.setattr(here, "processes", lambda workers: here.in_process)


@pytest.fixture
def runs(two: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(two, tmp_path / "runs"))


def rows(runs: Path) -> dict[str, dict[str, str]]:
    """The table of runs, by the run."""
    with (runs / "fleet" / "runs.csv").open(newline="") as table:
        return {row["run"]: row for row in csv.DictReader(table)}


def test_bad_runs_are_named_and_the_good_ones_fitted_compared_and_kept(runs: Path, here) -> None:
    good = runs / "flexure"
    for name, file, text in (
        ("a-toml", "bench.toml", 'name = "unfinished\n'),
        ("b-garbage", "recording.csv", GARBAGE),
        ("c-typed", "typed.csv", "reading,t_s,drive_x,drive_y,x_mm,y_mm,note\n1,5,0,0,1,two,\n"),
    ):
        shutil.copytree(good, runs / name)
        (runs / name / file).write_text(text)
    shutil.copytree(good, runs / "d-pattern")
    (runs / "d-pattern" / "typed.csv").rename(runs / "d-pattern" / "camera_log.csv")
    (runs / "d-pattern" / "pattern.csv").unlink()
    shutil.copytree(good, runs / "e-nothing")
    (runs / "e-nothing" / "typed.csv").unlink()
    before = content(runs)

    done = in_process("fleet", runs, "--workers", 1, *QUICK)
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    table = rows(runs)
    assert list(table) == sorted(table) and len(table) == 7
    for name, reason in (
        ("a-toml", "bench.toml, line 1"),
        ("b-garbage", "recording.csv, line 1"),
        ("c-typed", "typed.csv, line 2, column y_mm"),
        ("d-pattern", "pattern.csv: the run has no pattern"),
        ("e-nothing", "neither recording.csv nor camera_log.csv nor typed.csv"),
    ):
        assert table[name]["state"] == "failed" and reason in table[name]["reason"], table[name]
        assert str(runs) not in table[name]["reason"] and "fleet-" not in table[name]["reason"]
        assert name in done.stdout
    for name in ("cord/unit-1", "flexure"):
        assert table[name]["state"] == "done" and float(table[name]["seconds"]) > 0
        for file in ("recording.csv", "quality.json", "model.json"):
            assert (runs / name / file).exists()
    assert "5 of 7 runs have no result" in done.stdout
    after = content(runs)
    assert {name: after[name] for name in before} == before  # nothing of the person's changed
    assert {Path(name).parts[0] for name in after.keys() - before.keys()} == {
        "cord", "flexure", "fleet",
    }  # fmt: skip
    assert (runs / "fleet" / "comparison.csv").exists() and not list(runs.rglob("*.part"))

    for name in ("a-toml", "b-garbage", "c-typed", "d-pattern", "e-nothing"):
        shutil.rmtree(runs / name)
    models = {n: data for n, data in content(runs).items() if n.endswith("model.json")}
    done = in_process("fleet", runs, *QUICK, "--by", "return_to_zero:2",
                      "--by", "drive_for_full_scale:1", "--level", 0.9)  # fmt: skip
    assert done.returncode == 0, done.stderr
    page = (runs / "fleet" / "comparison.html").read_text()
    assert "twisted-cord" in page and "metal-flexure" in page and "90 %" in page
    assert "Rank by your criteria by weights" in done.stdout
    assert [row["state"] for row in rows(runs).values()] == ["as before"] * 2
    assert {n: data for n, data in content(runs).items() if n.endswith("model.json")} == models


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--memory", "sticky"), "there is no memory of that name"),
        (("--workers", 1, "--scheduler", "tcp://a:1"), "both given"),
        (("--path", "nowhere.ngc"), "there is no such file"),
        (("--path", "{runs}/flexure/bench.toml"), "bench.toml"),  # a file, but no path
        (("--path", "{runs}/far.csv"), "far.csv"),
        (("--scale", 2), "--scale is about a path"),
        (("--level", 2), "--level lies between"),
        (("--out", "{runs}/flexure"), "this is a run, so results cannot be kept here"),
        (("--out", "{runs}/flexure/bench.toml"), "stands in the way"),
    ],
)
def test_what_cannot_be_begun_is_refused_before_anything_is_done(runs, words, says) -> None:
    (runs / "far.csv").write_text("x_mm,y_mm,beam,feed_mm_s\n0,0,0,40\n500,0,1,40\n")
    words = [str(word).replace("{runs}", str(runs)) for word in words]
    assert says in refused(runs, "fleet", runs, *words)


@pytest.mark.parametrize("workers", ["0", "-1", "two", "1.5", "99999"])
def test_a_number_of_workers_that_is_none_is_refused(runs, workers) -> None:
    before = content(runs)
    done = in_process("fleet", runs, "--workers", workers)
    assert done.returncode == 2 and "--workers" in done.stderr and content(runs) == before


def test_an_empty_folder_a_file_and_none_are_refused(tmp_path) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("")
    assert "no run was found here" in refused(tmp_path, "fleet", tmp_path / "empty")
    assert "this is a file" in refused(tmp_path, "fleet", tmp_path / "file")
    assert "there is no such folder" in refused(tmp_path, "fleet", tmp_path / "none")


def test_a_job_whose_parts_lie_elsewhere_is_refused(runs, tmp_path) -> None:
    (tmp_path / "tile.ngc").write_text("G21 G90 F200\nM3 S1\nG1 X5\nM5\nM2\n")
    (tmp_path / "jobs").mkdir()
    job = tmp_path / "jobs" / "job.toml"
    job.write_text('name = "gasket"\n[[parts]]\nfile = "../tile.ngc"\n')
    said = refused(runs, "fleet", runs, "--path", job)
    assert "a part of the job lies outside its folder" in said and "tile.ngc" in said


# ---- stopped -------------------------------------------------------------------------------------


def started(runs: Path) -> tuple[subprocess.Popen[str], list[psutil.Process]]:
    """The command in a session of its own, with one worker that is at work; and its processes."""
    process = subprocess.Popen(
        [*COMMAND, "fleet", str(runs), "--workers", "1", *QUICK],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline and process.poll() is None:
        children = psutil.Process(process.pid).children(recursive=True)
        if any("spawn_main" in " ".join(child.cmdline()) for child in children):
            return process, children
        time.sleep(0.02)
    raise AssertionError(process.communicate())


def all_gone(processes: list[psutil.Process]) -> bool:
    return not psutil.wait_procs(processes, timeout=30)[1]


def test_ctrl_c_ends_the_workers_and_says_how_to_go_on(runs: Path) -> None:
    shutil.rmtree(runs / "cord")
    process, children = started(runs)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to all of them
    _, complaints = process.communicate(timeout=60)
    assert process.returncode == 130
    last = complaints.strip().splitlines()[-1]
    assert last.startswith("hysteresis: stopped after 0 of 1 runs; what is finished is kept")
    assert "the same command goes on" in last and "Traceback" not in complaints
    assert all_gone(children) and not list(runs.rglob("*.part"))


def test_a_request_to_end_is_heard_as_ctrl_c() -> None:
    from hysteresis.cli.fleet import _ended_as_by_ctrl_c

    before = signal.getsignal(signal.SIGTERM)
    with pytest.raises(KeyboardInterrupt), _ended_as_by_ctrl_c():
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(5.0)
    assert signal.getsignal(signal.SIGTERM) is before


def test_killed_it_leaves_no_worker_and_the_same_command_goes_on(runs: Path, here) -> None:
    shutil.rmtree(runs / "cord")
    process, children = started(runs)
    process.kill()
    process.communicate(timeout=60)
    assert all_gone(children)
    done = in_process("fleet", runs, "--workers", 1, *QUICK)
    assert done.returncode == 0, done.stderr
    assert [row["state"] for row in rows(runs).values()] == ["done"]
