"""`hysteresis compare` as a person calls it: what it prints and writes, one sentence per fault."""

from __future__ import annotations

import csv
import json
import os
import shutil
from pathlib import Path

import pytest
from command_line import content, done_here, in_process, refused
from compare_data import write_unit


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two units of two suspensions, each with a model (that knows no memory)."""
    home = tmp_path_factory.mktemp("compare")
    return [
        write_unit(home / f"{name}-{unit}", name, unit, radius=radius * (1 + 0.05 * k),
                   seed=10 * k + ord(unit), model=True)
        for name, radius in (("thread", 0.03), ("flexure", 0.004))
        for k, unit in enumerate("AB")
    ]  # fmt: skip


@pytest.fixture(scope="module")
def square(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("path") / "square.csv"
    path.write_text("x_mm,y_mm,beam,feed_mm_s\n0,0,0,40\n10,0,1,40\n10,10,1,40\n0,0,1,40\n")
    return path


@pytest.fixture(scope="module")
def compared(runs: list[Path], square: Path, tmp_path_factory: pytest.TempPathFactory):
    """The whole command once: what it said, and the folder it wrote."""
    out = tmp_path_factory.mktemp("out") / "choice"
    said = done_here("compare", *runs, "--path", square, "--by", "return_to_zero", "--out", out)
    return said, out


def test_what_it_says(compared) -> None:
    said, out = compared
    first = said.split("\n\n")[0]
    assert first.startswith("flexure is best: return-to-zero error")
    assert "Error on square.csv, foretold" in said and "Foretold for each run" in said
    assert "Rank by your criterion: Return-to-zero error (xy)" in said
    assert "thread: 2 runs of 2 units (A, B)." in said
    assert said.index("is best") < said.index("Differences in") < said.index("All figures")
    assert str(out / "comparison.json") in said
    assert max(map(len, said.splitlines())) <= 100


def test_what_it_writes(compared, runs: list[Path], square: Path) -> None:
    _, out = compared
    found = json.loads((out / "comparison.json").read_text())
    assert found["format"] == "hysteresis comparison 1"
    assert [run["suspension"] for run in found["runs"]] == ["thread"] * 2 + ["flexure"] * 2
    assert found["verdict"]["best"] == ["flexure"] and "compare" in found["command"]
    assert len(found["path"]["forecasts"]) == 4
    assert found["path"]["placement"] == "as in its file"
    assert any(loop["drive"] for loop in found["runs"][0]["loops"])  # for small multiples
    with open(out / "comparison.csv", newline="") as handle:
        rows = list(csv.DictReader(handle))
    mine = [r for r in rows if r["key"] == "return_to_zero" and r["axis"] == "xy"]
    assert [r["suspension"] for r in mine] == ["thread", "flexure"]
    # a play of half width r is left r from the middle, then 2 r from the other side: √2.5 r (rms)
    thread, flexure = (float(row["mean"]) for row in mine)
    assert thread == pytest.approx(100 * 2.5**0.5 * 0.03 * 1.025, rel=0.1)
    assert thread / flexure == pytest.approx(0.03 / 0.004, rel=0.05)
    with open(out / "comparison_differences.csv", newline="") as handle:
        difference = next(
            r for r in csv.DictReader(handle) if r["key"] == "return_to_zero" and r["axis"] == "xy"
        )
    assert difference["separated"] == "1" and float(difference["p_holm"]) < 0.05
    with open(out / "comparison_runs.csv", newline="") as handle:
        assert {r["run"] for r in csv.DictReader(handle)} >= {"thread A", "flexure B"}


def test_page_and_terminal_name_figures_alike(compared) -> None:
    said, out = compared
    page = (out / "comparison.html").read_text()
    for name in ("Return-to-zero error", "Creep after the return to zero"):
        assert name in " ".join(said.split()) and name[1:] in page
    assert "return to zero, % FS" not in page and "path error after" not in page


def test_it_foretells_what_compensate_foretells(compared, runs, square, tmp_path) -> None:
    """One machinery: the same pause, the same figures as those of `compensate` in job.json."""
    _, out = compared
    mine = json.loads((out / "comparison.json").read_text())["path"]["forecasts"][0]
    run = tmp_path / "run"
    shutil.copytree(runs[0], run)
    for name in ("plain.csv", "compensated.csv", "planned.csv", "job.json"):
        (run / name).unlink(missing_ok=True)
    done_here("compensate", run, square, "--pause-s", 30)
    theirs = json.loads((run / "job.json").read_text())["forecast"]
    assert mine["before_mm"] == pytest.approx(theirs["before_rms_mm"], rel=1e-6)
    assert mine["after_mm"] == pytest.approx(theirs["after_rms_mm"], rel=1e-6)
    assert mine["gain_low"] == pytest.approx(theirs["gain_low"], rel=1e-6)
    assert mine["after_high_mm"] == pytest.approx(theirs["after_high_mm"], rel=1e-6)


def test_the_same_seed_gives_the_same_answer(compared, runs, square, tmp_path) -> None:
    said, out = compared
    again = done_here("compare", *runs, "--path", square, "--by", "return_to_zero",
                      "--out", tmp_path / "again")  # fmt: skip
    assert again.split("Written:")[0] == said.split("Written:")[0]
    name = "comparison_differences.csv"
    assert (tmp_path / "again" / name).read_bytes() == (out / name).read_bytes()


def test_one_bad_run_is_named_and_the_rest_compared(runs, tmp_path) -> None:
    torn = write_unit(tmp_path / "torn", "thread", "C", seed=3)
    (torn / "recording.csv").write_text("not a table\n")
    said = done_here("compare", *runs, torn, tmp_path / "gone", "--out", tmp_path / "out")
    told = " ".join(said.split())
    assert "Left out" in told and str(torn) in told and "no such run folder" in told
    assert "is best" in said


def test_help_has_examples() -> None:
    said = done_here("compare", "--help")
    assert "hysteresis compare runs/* --path tile.ngc --out choice" in said
    assert "--by" in said and "KEY[:WEIGHT]" in said


# ---- refusals ------------------------------------------------------------------------------------


def test_too_few_runs(runs, tmp_path) -> None:
    out = ("--out", tmp_path / "out")
    assert "one run is nothing to compare" in refused(tmp_path, "compare", runs[0], *out)
    assert "given twice" in refused(tmp_path, "compare", runs[0], runs[0], *out)
    file = tmp_path / "file"
    file.write_text("x")
    assert "this is a file" in refused(tmp_path, "compare", runs[0], file, *out)
    assert in_process("compare", *out).returncode == 2  # no run at all: typer's own words
    assert not (tmp_path / "out").exists()


def test_lengths_in_other_units(runs, tmp_path) -> None:
    inches = write_unit(tmp_path / "inches", "cord", "A", seed=4,
                        replaced={"plane_distance_mm": "6350.0"})  # fmt: skip
    said = in_process("compare", runs[0], inches, "--out", tmp_path / "out")
    assert said.returncode == 2
    assert "another bench: plane_distance_mm is 6350.0, not 250.0" in said.stderr
    assert "may be in inches" in said.stderr


def test_a_path_without_any_model_or_that_cannot_be_read(runs, square, tmp_path) -> None:
    bare = [write_unit(tmp_path / u, "thread", u, seed=k) for k, u in enumerate("AB", 40)]
    out = ("--out", tmp_path / "out")
    told = refused(tmp_path, "compare", *bare, "--path", square, *out)
    assert "no run has a model" in told and "hysteresis fit" in told
    assert "no such file" in refused(tmp_path, "compare", *runs, "--path", tmp_path / "x.ngc", *out)
    odd = tmp_path / "odd.csv"
    odd.write_text("a,b\n1,2\n")
    assert "odd.csv" in refused(tmp_path, "compare", *runs, "--path", odd, *out)
    far = tmp_path / "far.csv"
    far.write_text("x_mm,y_mm,beam,feed_mm_s\n0,0,0,40\n500,0,1,40\n")
    assert "far.csv" in refused(tmp_path, "compare", *runs, "--path", far, *out)


def test_odd_options(runs, tmp_path) -> None:
    out = ("--out", tmp_path / "out")
    assert "no figure of this name" in refused(tmp_path, "compare", *runs, "--by", "beauty", *out)
    assert "--level" in refused(tmp_path, "compare", *runs, "--level", "2", *out)
    assert "--seed" in refused(tmp_path, "compare", *runs, "--seed", "-1", *out)


@pytest.mark.parametrize("option", ["--scale 2", "--pause-s 5", "--fit", "--x-mm 1"])
def test_options_of_a_path_ask_for_one(runs, tmp_path, option) -> None:
    said = refused(tmp_path, "compare", *runs, *option.split(), "--out", tmp_path / "out")
    assert f"{option.split()[0]} is about a path" in said and "add --path FILE" in said


def test_a_scale_of_nothing_is_told_in_the_words_of_this_command(runs, square, tmp_path) -> None:
    said = refused(tmp_path, "compare", *runs, "--path", square, "--scale", 0,
                   "--out", tmp_path / "out")  # fmt: skip
    assert "--scale lies between" in said and "mirror" not in said


def test_a_cure_is_kept_and_a_name_is_said_once(runs, tmp_path) -> None:
    bare = write_unit(tmp_path / "bare", "thread", "E", seed=7)
    (bare / "recording.csv").unlink()
    out = ("--out", tmp_path / "out")
    assert f"hysteresis measure {bare}" in refused(tmp_path, "compare", runs[0], bare, *out)
    said = refused(tmp_path, "compare", runs[0], tmp_path / "nix", *out)
    assert said.count(f"{tmp_path / 'nix'}: ") == 1 and "hysteresis new" in said


def test_a_run_is_no_place_for_a_comparison(runs, tmp_path) -> None:
    run = write_unit(tmp_path / "own", "thread", "E", seed=7)
    assert "this is a run" in refused(tmp_path, "compare", *runs, "--out", run)


def test_one_design_has_no_places(runs, tmp_path) -> None:
    said = done_here("compare", *runs[:2], "--out", tmp_path / "out")
    assert "there is nothing to rank" in said and "comes first" not in said


def test_nothing_is_written_over(compared, runs, tmp_path) -> None:
    _, out = compared
    before = content(out)
    told = refused(out, "compare", *runs, "--out", out)
    assert "comparison.json" in told and "--force" in told
    done_here("compare", *runs, "--out", out, "--force")
    assert content(out).keys() == before.keys()
    assert content(out)["comparison.json"] != before["comparison.json"]
    stands = tmp_path / "stands"
    stands.write_text("x")
    assert "stands in the way" in refused(tmp_path, "compare", *runs, "--out", stands)
    assert "stands in the way" in refused(tmp_path, "compare", *runs, "--out", stands / "below")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_cannot_be_written(runs, tmp_path) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o500)
    assert "no permission" in refused(tmp_path, "compare", *runs, "--out", closed / "out")
