"""`hysteresis report` as a person calls it: which page and files, one sentence for each fault."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_line import done_here, refused
from report_pages import LONG, judgement, small_pictures
from run_on_disk import write_run

from hysteresis.bench import read_bench
from hysteresis.recheck.log import write_log
from hysteresis.recheck.record import Circumstances, read_judgement, record_content
from hysteresis.recheck.results import LogRow
from hysteresis.report import refuse_targets
from hysteresis.run_folder import RunFolder, recheck_folder


@pytest.fixture(autouse=True)
def small() -> Iterator[None]:
    """What pictures look like is told elsewhere."""
    with small_pictures():
        yield


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_run(tmp_path_factory.mktemp("report") / "run")


@pytest.fixture
def run(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "run"))


def only_the_path(run: Path) -> None:
    (run / "recording.csv").unlink()  # fewer pictures to draw


def test_the_latest_question_that_the_run_can_answer(run: Path) -> None:
    only_the_path(run)
    said = done_here("report", run, "--pdf", "--data", run / "figures")
    assert f"Written: {run / 'report.html'}" in said and f"Written: {run / 'report.pdf'}" in said
    assert (run / "figures" / "verify_map.csv").is_file()
    assert "Caution: a beam held still" in said
    page = (run / "report.html").read_text(encoding="utf-8")
    assert "hysteresis report" in page and "--pdf" in page  # how it was made
    before = (run / "figures" / "verify_map.csv").read_bytes()
    done_here("report", run, "--data", run / "figures", "--force")
    after = (run / "figures" / "verify_map.csv").read_bytes()
    # the command is told, all else the same
    assert after.replace(b" --force", b"") == before.replace(b" --pdf", b"") != before


def test_fit_before_anything_was_played(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("planned.csv", "plain.csv", "compensated.csv", "job.json"):
        (run / name).unlink()
    monkeypatch.chdir(run.parent)
    said = done_here("report", "run", "--note", "Simulated.")
    assert f"Written: {Path('run/fit_report.html')}" in said
    assert not (run / "report.html").exists()
    page = (run / "fit_report.html").read_text(encoding="utf-8")
    assert str(run.parent) not in page  # a name stays as short as it was given
    assert "Simulated." in page and "Published figures, from data and from the model" in page


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--question", "everything"), "there is no such question"),
        (("--question", "compare"), "hysteresis compare"),
        (("--question", "recheck"), "nothing was rechecked yet"),
        (("--out", "nowhere/page.html"), "folder to write to does not exist"),
        (("--out", "page.pdf"), "this is the name of the HTML page"),
        (("--data", "bench.toml"), "a file stands where the folder"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(run: Path, words: tuple[str, ...], told: str) -> None:
    only_the_path(run)
    named = [run / w if "." in w else w for w in words]
    assert told in refused(run, "report", run, *named)


def test_a_page_is_kept_unless_forced(run: Path) -> None:
    (run / "report.html").write_text("mine")
    assert "--force" in refused(run, "report", run)
    (run / "report.html").unlink()
    (run / "report.pdf").write_text("mine")
    assert "report.pdf" in refused(run, "report", run, "--pdf")
    (run / "verify_map.csv").write_text("mine")
    assert "verify_map.csv" in refused(run, "report", run, "--data", run)
    (run / "fit_dwell.csv").write_text("mine")
    (run / "model.json").unlink()
    told = refused(run, "fit", run, "--data", run)  # before the long fit, not after it
    assert "fit_dwell.csv" in told and not (run / "model.json").exists()


INPUTS = ("bench.toml", "pattern.csv", "recording.csv", "model.json", "planned.csv", "plain.csv")


@pytest.mark.parametrize("command", ["report", "verify"])
def test_a_report_never_takes_the_place_of_a_file_of_the_run(run: Path, command: str) -> None:
    for name in INPUTS:
        assert "HTML page" in refused(run, command, run, "--out", run / name, "--force")
    (run / "link.html").symlink_to(run / "model.json")
    assert "model.json" in refused(run, command, run, "--out", run / "link.html", "--force")
    (run / "reading_sheet.pdf").write_bytes(b"%PDF-1.4 the sheet")
    sheet = ("--out", run / "reading_sheet.html", "--pdf", "--force")
    assert "reading_sheet.pdf" in refused(run, command, run, *sheet)
    (run / "target.pdf").write_bytes(b"%PDF-1.4 the printed target")
    target = ("--out", run / "target.html", "--pdf", "--force")
    assert "is no report" in refused(run, command, run, *target)
    (run / "folder.html").mkdir()
    assert "folder" in refused(run, command, run, "--out", run / "folder.html", "--force")
    (run / "notes.html").write_text("<p>mine</p>")
    assert "is no report" in refused(run, command, run, "--out", run / "notes.html", "--force")
    (run / "verify_map.csv").write_text("x_mm,y_mm\n1,2\n")
    only = ("--out", run / "page.html", "--data", run, "--force")
    assert "is no report" in refused(run, command, run, *only)


def test_a_fit_s_data_never_take_the_place_of_another_table(run: Path) -> None:
    (run / "fit_dwell.csv").write_text("x_mm,y_mm\n1,2\n")
    assert "is no report" in refused(run, "fit", run, "--data", run, "--force")


def test_a_comparison_s_pages_never_take_the_place_of_another_file(run: Path) -> None:
    out = run / "choice"
    out.mkdir()
    (out / "comparison.html").symlink_to(run / "model.json")
    asked = ("compare", run, run, "--out", out, "--force")
    assert "model.json" in refused(run, *asked)
    (out / "comparison.html").unlink()
    (out / "compare_loops.csv").write_text("x_mm,y_mm\n1,2\n")
    assert "is no report" in refused(run, *asked, "--data", out)


def test_the_log_of_rechecks_is_not_taken_for_data_of_a_figure(tmp_path: Path) -> None:
    (tmp_path / "recheck_log.csv").write_text("mine")
    refuse_targets(tmp_path / "page.html", data=tmp_path, question="recheck")


def test_a_damaged_model_is_one_sentence(run: Path) -> None:
    (run / "model.json").write_text("{")
    assert "model.json" in refused(run, "report", run, "--question", "fit")


def test_a_model_that_records_nonsense_loses_a_table_and_no_more(run: Path) -> None:
    only_the_path(run)
    model = json.loads((run / "model.json").read_text())
    model["provenance"] |= {
        "candidates": [{"name": 3}, "x", {"name": "both", "held_out_ratio": "much"}],
        "causes": [["a", "b"], 4, ["friction", 1.0, "known"]],
    }
    (run / "model.json").write_text(json.dumps(model))
    done_here("report", run, "--question", "fit")
    page = (run / "fit_report.html").read_text(encoding="utf-8")
    assert "Memories compared" not in page and "What the data tell apart" not in page
    model["provenance"] |= {
        "candidates": [
            {"name": n, "held_out_ratio": 1.5, "worse_by": 0.1, "uncertain_by": 0.02,
             "unknowns": 9, "chosen": n == "both"} for n in ("none", "both")
        ],
        "causes": [["friction of x", "2.0 %", "<b>known</b>"]],
    }  # fmt: skip
    (run / "model.json").write_text(json.dumps(model))
    done_here("report", run, "--question", "fit", "--force")
    page = (run / "fit_report.html").read_text(encoding="utf-8")
    assert "both (chosen)" in page and "&lt;b&gt;known" in page and "<b>known" not in page


# ---- recheck ------------------------------------------------------------------------------------


@pytest.fixture
def rechecked(run: Path) -> Path:
    folder = RunFolder(run)
    record = recheck_folder(folder).record("2026-01-14")
    record.path.mkdir(parents=True)
    about = Circumstances("2026-01-14", "2026-01-14", "camera", 21.0, "model.json", "a" * 64,
                          "b" * 64, True)  # fmt: skip
    bench = read_bench(folder.bench_toml)
    record.recheck_json.write_text(json.dumps(record_content(about, judgement(), bench)))
    rows = tuple(
        LogRow(day, day, bench.unit, "a" * 12, "camera", "pass", "", 0.02, 0.05, 0.1, 0.01, 0.4,
               21.0, "", {"friction_x": 0.01}, {"friction_x": 0.02})
        for day in ("2026-01-13", "2026-01-14", "2026-01-15")
    )  # fmt: skip
    write_log(folder.recheck_log_csv, rows)
    return run


def test_the_last_recheck_whose_record_is_there(
    rechecked: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(rechecked.parent)
    done_here("report", "run", "--question", "recheck")
    page = (rechecked / "recheck_report.html").read_text(encoding="utf-8")
    assert str(rechecked.parent) not in page
    for words in ("recheck 2026-01-14", "Something has changed.", LONG, "2026-01-13"):
        assert words in page
    assert "2026-01-15" not in page.replace("made 2026-01-15", "")  # later than this recheck
    record = recheck_folder(RunFolder(rechecked)).record("2026-01-14")
    assert read_judgement(record.recheck_json) == judgement()


@pytest.mark.parametrize(
    ("place", "value", "told"),
    [
        (("schema",), "other", "not the record of a recheck"),
        (("schema_version",), 99, "another schema version"),
        (("judgement", "verdict"), "fine", "judgement.verdict"),
        (("judgement", "on_path", "error_mm"), "wide", "judgement.on_path.error_mm"),
        (("judgement", "shifts", 3, "axis"), "z", "judgement.shifts.4"),
        (("judgement", "shifts", 0), 7, "judgement.shifts.1"),
        (("judgement", "reasons"), "because", "judgement.reasons"),
    ],
)
def test_a_damaged_record_is_told_with_its_place(
    rechecked: Path, place: tuple[object, ...], value: object, told: str
) -> None:
    file = recheck_folder(RunFolder(rechecked)).record("2026-01-14").recheck_json
    content = json.loads(file.read_text())
    at = content
    for key in place[:-1]:
        at = at[key]
    at[place[-1]] = value
    file.write_text(json.dumps(content))
    said = refused(rechecked, "report", rechecked, "--question", "recheck")
    assert told in said and "recheck.json" in said
