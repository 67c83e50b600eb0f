"""`hysteresis recheck` from plan to update, and everything that it refuses. Simulated rigs."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
from command_line import content, done_here, in_process, refused

from hysteresis import virtual_bench
from hysteresis.bench import TEMPLATE, read_bench
from hysteresis.model import write_model
from hysteresis.recheck.log import read_log
from hysteresis.table_files import (
    read_pattern,
    read_timed_path,
    write_camera_log,
    write_timed_path,
    write_typed_sheet,
)
from hysteresis.tables import CameraLog, SpotPath
from hysteresis.virtual_bench import Drift, drifted
from tests.recheck.rigs import SEED, log_of, stored_model

WORN = Drift(friction=1.3, spring=0.97)
LOGS = (("first", 1, Drift()), ("same", 2, Drift()), ("worn", 3, WORN), ("later", 4, WORN))


@pytest.fixture(autouse=True)
def pages_only_where_they_are_looked_at(request):
    """A page takes most of the time of a recheck; one test writes them."""
    if request.node.name.startswith("test_a_film_leaves"):
        yield
    else:
        with mock.patch("hysteresis.report.write_recheck", return_value=()):
            yield


@pytest.fixture(scope="module")
def planned(tmp_path_factory) -> Path:
    """A run with a model and both recheck patterns."""
    run = tmp_path_factory.mktemp("recheck") / "run"
    run.mkdir()
    (run / "bench.toml").write_text(TEMPLATE)
    write_model(run / "model.json", stored_model())
    done_here("plan", run, "--kind", "recheck", "--no-wav")
    done_here("plan", run, "--kind", "recheck-readings", "--no-wav")
    for name, sequence, drift in LOGS:
        write_camera_log(run.parent / f"{name}.csv", log_of(sequence, drift))
    return run


@pytest.fixture
def run(planned, tmp_path) -> Path:
    shutil.copytree(planned, tmp_path / "run")
    return tmp_path / "run"


@pytest.fixture(scope="module")
def logs(planned) -> Path:
    return planned.parent


@pytest.fixture(scope="module")
def first(planned, logs, tmp_path_factory) -> Path:
    """A run whose first recheck is its reference."""
    run = tmp_path_factory.mktemp("first") / "run"
    shutil.copytree(planned, run)
    done_here("recheck", run, "--camera", logs / "first.csv", "--date", "2026-03-01")
    return run


@pytest.fixture
def referred(first, tmp_path) -> Path:
    shutil.copytree(first, tmp_path / "referred")
    return tmp_path / "referred"


def test_first_the_reference_then_a_pass_then_a_refit_with_update(run, logs):
    model = (run / "model.json").read_bytes()
    words = ("recheck", run, "--camera")
    said = done_here(*words, logs / "first.csv", "--date", "2026-03-01", "--temperature-c", 21.5)
    assert "Change against the fit" in said and "now the reference" in said
    said = done_here(*words, logs / "same.csv", "--date", "2026-03-08")
    assert "PASS" in said and "against the reference of 2026-03-01" in said
    said = done_here(*words, logs / "worn.csv", "--date", "2026-04-01")
    assert "REFIT" in said and "the same command with --update" in said
    # which is no further recheck: the record and the log stay as they are
    before = (run / "recheck_log.csv").read_bytes()
    said = done_here(*words, logs / "worn.csv", "--update")
    assert (run / "recheck_log.csv").read_bytes() == before
    assert len(list((run / "recheck").glob("2026*"))) == 3 and "that of 2026-04-01" in said
    assert "REFIT" in said and "strength of friction" in said and "spring" in said
    assert "model_rechecked.json" in said and "hysteresis compensate" in said
    assert (run / "model.json").read_bytes() == model
    rows = read_log(run / "recheck_log.csv", "A")
    assert [r.verdict for r in rows][1:] == ["pass", "refit"] and rows[0].temperature_c == 21.5
    told = json.loads((run / "recheck" / "2026-04-01" / "recheck.json").read_text())
    assert told["judgement"]["verdict"] == "refit" and told["temperature_c"] is None
    # the updated model passes another sitting; a second recheck of a day gets a folder of its own
    updated = run / "model_rechecked.json"
    said = done_here(*words, logs / "later.csv", "--date", "2026-04-01", "--model", updated)
    assert "PASS" in said and (run / "recheck" / "2026-04-01-2" / "recheck.json").exists()
    assert "exists and is kept" in refused(run, *words, logs / "worn.csv", "--update")
    # what made it is its reference, and tells nothing of it
    again = refused(run, *words, logs / "worn.csv", "--model", updated)
    assert "is the reference, 2026-04-01" in again


def test_the_same_film_is_no_new_recheck(referred, logs, tmp_path):
    words = ("recheck", referred, "--date", "2026-03-09", "--camera")
    assert "is the reference, 2026-03-01" in refused(referred, *words, logs / "first.csv")
    # nor is it with other decimals
    head, *lines = (logs / "first.csv").read_text().splitlines()
    place = [head.split(",").index(name) for name in ("u_px", "v_px")]
    cells = [line.split(",") for line in lines]
    for row in cells:
        for k in place:
            row[k] = f"{float(row[k]):.3f}" if row[k] else ""
    copied = tmp_path / "copied.csv"
    copied.write_text("\n".join([head, *(",".join(row) for row in cells)]) + "\n")
    assert copied.read_bytes() != (logs / "first.csv").read_bytes()
    assert "is the reference, 2026-03-01" in refused(referred, *words, copied)


def test_a_recheck_dated_before_its_reference_says_so(referred, logs):
    said = done_here("recheck", referred, "--camera", logs / "same.csv", "--date", "2020-01-01")
    assert "dated 2020-01-01, before its reference of 2026-03-01" in " ".join(said.split())


def test_a_film_of_another_rig_is_told_as_such(referred, tmp_path):
    """A third of the spring is another rig: nothing is blamed, and no reference is made of it."""
    write_camera_log(tmp_path / "other.csv", log_of(5, Drift(spring=0.35, friction=3.0)))
    words = ("recheck", referred, "--camera", tmp_path / "other.csv", "--date", "2026-03-09")
    said = done_here(*words, "--update")
    assert "REFIT" in said and "What moved" not in said and "±" not in said
    assert "of another rig" in " ".join(said.split()) and "--update" not in said
    last = read_log(referred / "recheck_log.csv", "A")[-1]
    assert last.values == {} and np.isnan(last.p_value) and not last.moved
    assert not (referred / "model_rechecked.json").exists()
    assert "cannot be a reference" in refused(referred, *words, "--reference")


def test_six_readings_by_ruler(run, tmp_path):
    """A change that a ruler can see: friction doubled."""
    bench = read_bench(run / "bench.toml")
    pattern = read_pattern(run / "recheck" / "readings" / "pattern.csv")
    for sequence, drift, words in ((1, Drift(), "reference"), (2, Drift(friction=2.0), "friction")):
        rig = drifted(virtual_bench.make_rig(bench, "braided-thread", SEED), drift)
        played = virtual_bench.play(
            rig, pattern.t_s, pattern.drive_x, pattern.drive_y, sequence=sequence
        )
        sheet = virtual_bench.read_with_ruler(played, pattern, bench, sequence)
        write_typed_sheet(tmp_path / "typed.csv", sheet)
        said = done_here("recheck", run, "--typed", tmp_path / "typed.csv", "--date",
                         f"2026-03-0{sequence}")  # fmt: skip
        # each of these sheets has one slip of the pen
        assert "5 readings" in said and words in said and "the stored model foretells" in said
    last = read_log(run / "recheck_log.csv", "A")[1]
    assert last.source == "typed" and last.moved.split() == ["friction_y", "friction_x"]


def test_a_half_typed_sheet_stays_for_typing(run, tmp_path):
    """Another recheck of the day leaves its folder alone, and typing goes on there."""
    from hysteresis.cli.recheck import _free_record
    from hysteresis.run_folder import open_run, recheck_folder

    place = recheck_folder(open_run(run), readings=True)
    half = place.record("2026-03-01")
    half.path.mkdir(parents=True)
    half.typing_jsonl.write_text("{}\n")
    assert _free_record(place, "2026-03-01", typing=False).path.name == "2026-03-01-2"
    assert _free_record(place, "2026-03-01", typing=True).path.name == "2026-03-01"


def test_the_last_job_is_what_the_error_is_told_on(referred, logs):
    t = 1e-3 * np.arange(4001)
    path = SpotPath(t, 5.0 * t, 5.0 * t, np.ones(len(t), bool))
    write_timed_path(referred / "planned.csv", path)
    assert len(read_timed_path(referred / "planned.csv")) == len(t)
    said = done_here("recheck", referred, "--camera", logs / "same.csv", "--date", "2026-03-09")
    assert "On the last job" in said


def test_what_is_missing_or_contradicts(run, logs, tmp_path):
    words = ("recheck", run, "--camera", logs / "first.csv")
    assert "there is nothing to judge" in refused(run, "recheck", run)
    both = ("--typed", logs / "first.csv")
    assert "more than one source" in refused(run, *words, *both)
    assert "--date is no day" in refused(run, *words, "--date", "31.3.2026")
    assert "there is no such file" in refused(run, "recheck", run, "--camera", tmp_path / "no.csv")
    (run / "model.json").rename(tmp_path / "model.json")
    assert "there is no model to check" in refused(run, *words)
    shutil.copy(tmp_path / "model.json", run / "model.json")
    (run / "recheck" / "pattern.csv").rename(tmp_path / "pattern.csv")
    said = refused(run, *words)
    assert "no pattern for a recheck" in said and "--kind recheck" in said


def test_another_unit_and_another_pattern(run, logs):
    text = (run / "bench.toml").read_text()
    (run / "bench.toml").write_text(text.replace('unit = "A"', 'unit = "B"'))
    said = refused(run, "recheck", run, "--camera", logs / "first.csv")
    assert "belongs to another bench: its unit is 'A'" in said
    (run / "bench.toml").write_text(text)
    shutil.copy(run / "recheck" / "readings" / "pattern.csv", run / "recheck" / "pattern.csv")
    said = refused(run, "recheck", run, "--camera", logs / "first.csv")
    assert "does not follow this pattern" in said


def test_too_short_a_film_and_too_few_readings(run, tmp_path):
    log = log_of(1)
    keep = log.t_s < log.t_s[0] + 14.0
    short = CameraLog(**{
        name: getattr(log, name)[keep] if getattr(log, name) is not None else None
        for name in log.__dataclass_fields__
    })  # fmt: skip
    write_camera_log(tmp_path / "short.csv", short)
    said = refused(run, "recheck", run, "--camera", tmp_path / "short.csv")
    assert "film it to its end" in said
    sheet = (run / "recheck" / "readings" / "reading_sheet.csv").read_text().splitlines()
    head = sheet[0].split(",")
    rows = [line.split(",") for line in sheet[1:]]
    for row in rows[:3]:
        row[head.index("x_mm")], row[head.index("y_mm")] = "0.5", "0.5"
    lines = [",".join(head), *(",".join(row) for row in rows)]
    (tmp_path / "typed.csv").write_text("\n".join(lines) + "\n")
    said = refused(run, "recheck", run, "--typed", tmp_path / "typed.csv")
    assert "at least 4 are needed" in said


def test_a_damaged_log_is_told_and_kept(referred, logs):
    log = referred / "recheck_log.csv"
    log.write_text(log.read_text().replace(",watch,", ",fine,").replace(",pass,", ",fine,"))
    said = refused(referred, "recheck", referred, "--camera", logs / "same.csv")
    assert "recheck_log.csv, line 2, column verdict" in said


def test_an_update_where_nothing_moved(referred, logs):
    said = done_here("recheck", referred, "--camera", logs / "same.csv", "--update")
    assert "PASS" in said and "nothing to take over" in said
    assert not (referred / "model_rechecked.json").exists()
    assert len(read_log(referred / "recheck_log.csv", "A")) == 2


def test_ctrl_c_leaves_nothing_behind(run, logs):
    before = content(run)
    with mock.patch("hysteresis.recheck.log.write_log", side_effect=KeyboardInterrupt):
        ended = in_process("recheck", run, "--camera", logs / "first.csv")
    assert ended.returncode == 130 and "stopped" in ended.stderr
    assert content(run) == before


def test_a_film_leaves_its_log_in_the_record(referred, logs, tmp_path):
    """Following a spot through a film has tests of its own: here it is stood in for by its log."""
    from hysteresis.measure.registration import register

    bench = read_bench(referred / "bench.toml")
    assert bench.camera is not None

    def followed(folder, film, force, *, light):
        shutil.copy(logs / "same.csv", folder.camera_log_csv)
        return None, folder.camera_log_csv

    film = tmp_path / "film.mp4"
    film.write_bytes(b"not decoded here")
    place, video = "hysteresis.cli.measure_place", "hysteresis.cli.measure_video"
    found = register(bench.camera), (1280, 720), False
    with (
        mock.patch(f"{place}.registration_for_film", return_value=found),
        mock.patch(f"{video}.log_from_video", side_effect=followed),
    ):
        said = done_here("recheck", referred, "--video", film, "--date", "2026-03-20")
    assert "PASS" in said
    kept = {path.name for path in (referred / "recheck" / "2026-03-20").iterdir()}
    assert {"camera_log.csv", "recording.csv", "recheck.json"} <= kept
    page = (referred / "recheck_report.html").read_text()
    assert "Pass: The stored model still holds" in page and "2026-03-20" in page
