"""What a run's task is made of, and which files are never written over."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from hysteresis.errors import InputError
from hysteresis.fleet.inputs import fit_task
from hysteresis.fleet.task import Task, sha256

FILES = {"bench.toml": b"bench", "pattern.csv": b"pattern", "camera_log.csv": b"log"}


@pytest.fixture
def run(tmp_path) -> Path:
    for name, data in FILES.items():
        (tmp_path / name).write_bytes(data)
    return tmp_path


def asked(run: Path, made: dict[str, list[str]] | None = None, **options) -> Task:
    usual = {"memory": "auto", "stamp": "", "force": False}
    return fit_task("r", run, made or {}, **usual | options)


def model(run: Path, **inputs: bytes) -> bytes:
    told = {name: {"file": name, "sha256": sha256(data)} for name, data in inputs.items()}
    data = json.dumps({"provenance": {"inputs": told, "recipe": "both"}}).encode()
    (run / "model.json").write_bytes(data)
    return data


def made_of(**files: bytes) -> dict[str, list[str]]:
    return {name.replace("_", "."): [sha256(data)] for name, data in files.items()}


def test_a_log_is_measured_only_where_there_is_no_recording(run) -> None:
    assert asked(run).files == FILES
    (run / "recording.csv").write_bytes(b"of the person's")
    assert sorted(asked(run).files) == ["bench.toml", "pattern.csv", "recording.csv"]


def test_a_recording_made_here_is_measured_anew_from_its_log_until_someone_changes_it(run) -> None:
    (run / "recording.csv").write_bytes(b"made")
    made = made_of(recording_csv=b"made")
    assert asked(run, made).files == FILES  # so that a second start finds the same key
    (run / "camera_log.csv").unlink()
    assert sorted(asked(run, made).files) == ["bench.toml", "pattern.csv", "recording.csv"]
    (run / "camera_log.csv").write_bytes(b"log")
    (run / "recording.csv").write_bytes(b"changed by hand")
    assert "camera_log.csv" not in asked(run, made).files


def test_a_model_fitted_to_these_very_files_is_taken_as_it_is(run) -> None:
    (run / "recording.csv").write_bytes(b"rec")
    data = model(run, bench=b"bench", pattern=b"pattern", recording=b"rec")
    assert asked(run).files["model.json"] == data
    assert "model.json" not in asked(run, force=True).files
    assert "model.json" not in asked(run, {"model.json": [sha256(data)]}).files
    assert asked(run, memory="both").files["model.json"] == data
    with pytest.raises(InputError, match="of both, not of friction, and is kept; add --force"):
        asked(run, memory="friction")


@pytest.mark.parametrize(
    ("inputs", "says"),
    [
        ({"bench": b"other", "pattern": b"pattern", "recording": b"rec"}, "another bench.toml"),
        ({"bench": b"bench", "pattern": b"other", "recording": b"rec"}, "another pattern.csv"),
        ({"bench": b"bench", "pattern": b"pattern", "recording": b"old"}, "another recording.csv"),
        ({"bench": b"bench", "pattern": b"pattern"}, "another recording.csv"),
    ],
)
def test_a_model_of_other_files_is_kept_and_named(run, inputs, says) -> None:
    (run / "recording.csv").write_bytes(b"rec")
    model(run, **inputs)
    with pytest.raises(InputError, match=f"^model.json: .*{says}.*is kept; add --force"):
        asked(run)


def test_what_is_no_model_is_kept_as_well(run) -> None:
    (run / "model.json").write_bytes(b"notes of mine")
    with pytest.raises(InputError, match="no model that says what it was fitted to"):
        asked(run)


def test_a_quality_json_of_the_persons_is_not_written_over(run) -> None:
    (run / "quality.json").write_bytes(b"mine")
    with pytest.raises(InputError, match=r"quality\.json: the file exists and is kept"):
        asked(run)
    assert asked(run, made_of(quality_json=b"mine")).files == FILES


def test_what_is_missing_or_no_file_is_told(run) -> None:
    (run / "camera_log.csv").unlink()
    with pytest.raises(InputError, match=r"neither recording\.csv nor camera_log\.csv nor"):
        asked(run)
    (run / "recording.csv").write_bytes(b"rec")
    (run / "pattern.csv").unlink()
    with pytest.raises(InputError, match=r"^pattern\.csv: there is no such file"):
        asked(run)
    (run / "pattern.csv").mkdir()
    with pytest.raises(InputError, match=r"^pattern\.csv: this is a folder"):
        asked(run)


def test_the_key_goes_with_every_input_every_option_and_the_software(run) -> None:
    software = {"hysteresis": "1"}
    base = asked(run).key(software)
    assert base == asked(run, stamp="another day").key(software)
    keys = {base, asked(run, memory="both").key(software), asked(run).key({"hysteresis": "2"})}
    for name in FILES:
        (run / name).write_bytes(b"changed")
        keys.add(asked(run).key(software))
        (run / name).write_bytes(FILES[name])
    (run / "registration.json").write_bytes(b"{}")
    keys.add(asked(run).key(software))
    assert len(keys) == 3 + len(FILES) + 1
