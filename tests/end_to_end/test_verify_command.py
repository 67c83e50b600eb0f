"""`hysteresis verify` as a person calls it: the table, the page, one sentence for each fault."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest
from command_line import in_process, refused
from run_on_disk import write_run


def call(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return in_process("verify", *arguments)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_run(tmp_path_factory.mktemp("verify") / "run")


@pytest.fixture
def run(made: Path, tmp_path: Path) -> Path:
    """A fresh copy without the recording, so that few pictures are drawn."""
    target = tmp_path / "run"
    shutil.copytree(made, target)
    (target / "recording.csv").unlink()
    return target


def complaint(run: Path, *arguments: str | Path) -> str:
    """The one sentence of a refused call; nothing is written and exit code is 2."""
    return refused(run, "verify", run, *arguments)


def test_a_whole_run(made: Path, tmp_path: Path) -> None:
    report = tmp_path / "page.html"
    done = call(made, "--out", report, "--note", "Simulated: invented data.")
    assert done.returncode == 0, done.stderr
    text = done.stdout
    assert text.startswith("Simulated: invented data.")
    assert "error on the traced path, rms, mm" in text and "20" in text
    assert "On this path the spot was 1.0 mm off (rms) without and 0.050 mm with compensation" in (
        text
    )
    assert f"Report: {report}" in text
    assert "Caution: a beam held still" in text and "IEC 60825-1" in text
    assert "Missing" not in text and "Mind" not in text
    page = report.read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>") and "Simulated: invented data." in page
    assert "--note" in page  # how it was made


def test_files_named_by_hand_take_the_place_of_the_usual_ones(run: Path, tmp_path: Path) -> None:
    named = {}
    for name in ("planned", "plain", "compensated"):
        named[name] = tmp_path / f"other_{name}.csv"
        (run / f"{name}.csv").rename(named[name])
    arguments = [a for name, path in named.items() for a in (f"--{name}", path)]
    done = call(run, *arguments)
    assert done.returncode == 0, done.stderr
    assert "times less" in done.stdout and (run / "report.html").is_file()
    assert "other_plain.csv" in (run / "report.html").read_text(encoding="utf-8")


def test_before_any_path_was_played(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = tmp_path / "run"
    run.mkdir()
    for name in ("bench.toml", "pattern.csv", "recording.csv"):
        shutil.copy(made / name, run / name)
    monkeypatch.chdir(tmp_path)
    done = call("run")
    assert done.returncode == 0, done.stderr
    assert "No path has been played yet." in done.stdout
    assert "Missing: no model was fitted; hysteresis fit run\n" in done.stdout
    page = (run / "report.html").read_text(encoding="utf-8")
    assert "hysteresis fit run<" in page and str(tmp_path) not in page


def test_a_report_is_kept_unless_forced(run: Path) -> None:
    (run / "report.html").write_text("mine")
    assert "--force" in complaint(run)
    assert call(run, "--force").returncode == 0
    assert (run / "report.html").read_text(encoding="utf-8").startswith("<!doctype html>")


# ---- bad input ---------------------------------------------------------------------------------


def rewrite(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_a_file_named_but_missing(run: Path) -> None:
    said = complaint(run, "--plain", run / "nowhere.csv")
    assert "nowhere.csv" in said and "no such file" in said


@pytest.mark.parametrize("option", ["--planned", "--plain", "--compensated"])
def test_a_faulty_file_is_told_before_anything_was_played(
    made: Path, run: Path, option: str
) -> None:
    """Nothing can be made of it yet, but it was named."""
    shutil.copy(made / "recording.csv", run)
    for name in ("planned", "plain", "compensated"):
        (run / f"{name}.csv").unlink()
    (run / "wrong.csv").write_text("a,b\n1,2\n")
    assert "wrong.csv, line 1" in complaint(run, option, run / "wrong.csv")
    (run / "wrong.csv").write_text("t_s,x_mm,y_mm,beam\n0,1,2,1\n")
    assert "two rows or more" in complaint(run, option, run / "wrong.csv")


def test_a_folder_named_for_a_file(run: Path) -> None:
    assert "this is a folder" in complaint(run, "--compensated", run)


def test_no_run_folder(tmp_path: Path) -> None:
    done = call(tmp_path / "nowhere")
    assert done.returncode == 2 and "there is no such run folder" in done.stderr


def test_nothing_to_report(run: Path) -> None:
    for path in run.iterdir():
        if path.name != "bench.toml":
            path.unlink()
    said = complaint(run)
    assert "nothing to report yet" in said and "hysteresis plan" in said


@pytest.mark.parametrize("name", ["planned", "plain", "compensated"])
def test_a_wrong_column(run: Path, name: str) -> None:
    rewrite(run / f"{name}.csv", "y_mm", "z_mm")
    said = complaint(run)
    assert f"{name}.csv, line 1" in said and "y_mm" in said


def test_text_in_a_number(run: Path) -> None:
    lines = (run / "plain.csv").read_text().splitlines()
    lines[7] = lines[7].replace(lines[7].split(",")[1], "ten")
    (run / "plain.csv").write_text("\n".join(lines) + "\n")
    said = complaint(run)
    assert "plain.csv, line 8, column x_mm" in said and "'ten'" in said


def test_time_that_goes_back(run: Path) -> None:
    lines = (run / "compensated.csv").read_text().splitlines()
    lines[5], lines[6] = lines[6], lines[5]
    (run / "compensated.csv").write_text("\n".join(lines) + "\n")
    assert "compensated.csv, line 7, column t_s" in complaint(run)


def test_an_empty_file(run: Path) -> None:
    (run / "plain.csv").write_bytes(b"")
    assert "the file is empty" in complaint(run)


def test_a_path_of_one_row(run: Path) -> None:
    (run / "plain.csv").write_text("t_s,x_mm,y_mm,beam\n0,1,2,1\n")
    assert "two rows or more" in complaint(run)


def test_a_beam_that_is_never_on(run: Path) -> None:
    text = (run / "planned.csv").read_text()
    (run / "planned.csv").write_text(
        "\n".join(line[:-1] + "0" if line.endswith(",1") else line for line in text.splitlines())
    )
    assert "never has the beam on" in complaint(run)


def test_paths_on_other_clocks(run: Path) -> None:
    lines = (run / "plain.csv").read_text().splitlines()
    late = [f"{float(line.split(',')[0]) + 900},{line.split(',', 1)[1]}" for line in lines[1:]]
    (run / "plain.csv").write_text("\n".join([lines[0], *late]) + "\n")
    assert "one clock" in complaint(run)


def test_a_model_of_another_bench(run: Path) -> None:
    rewrite(run / "bench.toml", 'unit = "A"', 'unit = "B"')
    said = complaint(run)
    assert "model.json" in said and "another bench" in said


def test_a_model_from_the_future(run: Path) -> None:
    model = json.loads((run / "model.json").read_text())
    (run / "model.json").write_text(json.dumps(model | {"schema_version": 99}))
    assert "newer than" in complaint(run)


@pytest.mark.parametrize("content", ["[1, 2]", '{"forecast": {"before_rms_mm": "wide"}}', "{"])
def test_a_job_that_is_none(run: Path, content: str) -> None:
    (run / "job.json").write_text(content)
    assert "job.json" in complaint(run)


def test_a_recording_of_another_pattern(made: Path, tmp_path: Path) -> None:
    run = tmp_path / "run"
    shutil.copytree(made, run)
    lines = (run / "recording.csv").read_text().splitlines()
    # typed rows without a time, in segments that this pattern does not have
    rows = [f",0,1,2,0.3,0.3,1,,reading/{n:03d}" for n in (1, 2)]
    (run / "recording.csv").write_text("\n".join([lines[0], *rows]) + "\n")
    assert "measure again with the right pattern" in complaint(run)


def test_help_shows_an_example() -> None:
    done = call("--help")
    assert done.returncode == 0
    assert "Example:" in done.stdout and "hysteresis verify my-run" in done.stdout
