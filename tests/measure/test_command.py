"""`hysteresis measure` from end to end: files in, recording.csv out, one sentence for a fault."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from command_line import in_process
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hysteresis.errors import HysteresisError
from hysteresis.measure import measure_camera
from hysteresis.table_files import (
    read_camera_log,
    read_pattern,
    read_recording,
    write_camera_log,
    write_pattern,
    write_typed_sheet,
)
from hysteresis.tables import CameraLog

from .synthetic import film, make_bench, make_pattern
from .test_typed import invented_sheet, with_value

run = in_process


def refused(*arguments: object) -> str:
    done = run(*arguments)
    assert done.returncode == 2, done.stdout + done.stderr
    lines = [line for line in done.stderr.splitlines() if not line.endswith("…")]
    assert len(lines) == 1 and lines[0].startswith("hysteresis: ") and lines[0].endswith(".")
    assert "Traceback" not in done.stderr
    return lines[0]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A run with a pattern and the camera log of it."""
    bench = make_bench(tmp_path)
    pattern = make_pattern(40)
    write_pattern(tmp_path / "pattern.csv", pattern)
    log = film(pattern, bench, reflected=0.01).log
    decimals = {"t_s": 6, "u_px": 3, "v_px": 3}
    write_camera_log(tmp_path / "camera_log.csv", log, decimals=decimals)
    return tmp_path


def test_from_an_empty_folder_to_a_recording(tmp_path: Path) -> None:
    folder = tmp_path / "rehearsal"
    for step in (
        ("new", folder),
        ("plan", folder, "--minutes", 2, "--no-wav"),
        ("virtual", folder, "--suspension", "twisted-cord", "--seed", 2),
        ("measure", folder),
    ):
        done = run(*step)
        assert done.returncode == 0, done.stderr
    for words in ("frames used", "not used: outlier", "sigma of a spot, x and y", "clock offset",
                  "clock drift", "registration", "In doubt, not used"):  # fmt: skip
        assert words in done.stdout
    recording = read_recording(folder / "recording.csv")
    log = read_camera_log(folder / "camera_log.csv")
    assert len(recording) == len(log)
    assert recording.used.mean() > 0.95
    pattern = read_pattern(folder / "pattern.csv")
    rest = recording.used & np.array([s.endswith("/hold") for s in recording.segment])
    assert rest.any()
    drive = np.interp(recording.t_s[rest], pattern.t_s, pattern.drive_x)
    # the spot lies where nominal optics put it, within the rig's scatter and memory
    assert np.corrcoef(drive, recording.x_mm[rest])[0, 1] > 0.99


def test_a_typed_sheet_without_a_pattern(tmp_path: Path) -> None:
    make_bench(tmp_path)
    sheet = invented_sheet(1)
    row = int(np.argmax(np.abs(sheet.x_mm)))
    write_typed_sheet(tmp_path / "typed.csv", with_value(sheet, row, "x", -sheet.x_mm[row]))
    done = run("measure", tmp_path, "--typed", tmp_path / "typed.csv")
    assert done.returncode == 0, done.stderr
    assert f"{row + 1}  x = {-sheet.x_mm[row]:g} mm, the neighbours suggest about" in done.stdout
    assert "sign?" in done.stdout and "pattern.csv was made from the drives" in done.stdout
    assert len(reading := read_recording(tmp_path / "recording.csv")) == 30
    assert reading.used.sum() == 29
    assert read_pattern(tmp_path / "pattern.csv").segment[0] == "reading/001"
    # the pattern is there now, and the sheet belongs to it
    done = run("measure", tmp_path, "--keep", row + 1, "--force")
    assert done.returncode == 0, done.stderr
    again = read_recording(tmp_path / "recording.csv")
    assert again.used.all() and np.allclose(again.t_s, reading.t_s)
    assert again.segment.tolist() == reading.segment.tolist()


def test_nothing_is_written_over_unasked(folder: Path) -> None:
    (folder / "recording.csv").write_text("mine\n")
    assert "add --force" in refused("measure", folder)
    assert (folder / "recording.csv").read_text() == "mine\n"
    assert run("measure", folder, "--force").returncode == 0
    assert len(read_recording(folder / "recording.csv")) > 1000


def test_a_log_of_another_pattern_leaves_the_recording_alone(folder: Path) -> None:
    (folder / "recording.csv").write_text("mine\n")
    write_pattern(folder / "pattern.csv", make_pattern(41))
    said = refused("measure", folder, "--force")
    assert "camera_log.csv: the log does not follow this pattern: the sync signature" in said
    assert "check that pattern.csv is the one that was played" in said
    assert (folder / "recording.csv").read_text() == "mine\n"


def test_what_to_measure_must_be_clear(folder: Path) -> None:
    write_typed_sheet(folder / "typed.csv", invented_sheet(2))
    assert "both camera_log.csv and typed.csv" in refused("measure", folder)
    assert "one at a time" in refused("measure", folder, "--camera", "a", "--typed", "b")
    assert "there is no such file" in refused("measure", folder, "--camera", folder / "no.csv")
    assert "no numbered readings" in refused("measure", folder, "--typed", folder / "typed.csv")
    (folder / "typed.csv").unlink()
    assert "--keep 3,7" in refused("measure", folder, "--keep", "3,x")
    (folder / "camera_log.csv").unlink()
    assert "neither camera_log.csv nor typed.csv" in refused("measure", folder)
    (folder / "pattern.csv").unlink()
    write_camera_log(folder / "camera_log.csv", CameraLog(*np.arange(10.0).reshape(5, 2)))
    assert "the run has no pattern" in refused("measure", folder)


def test_a_complaint_names_the_line_of_the_file(tmp_path: Path) -> None:
    make_bench(tmp_path)
    sheet = invented_sheet(3)
    write_typed_sheet(tmp_path / "typed.csv", sheet)
    assert run("measure", tmp_path).returncode == 0
    lines = (tmp_path / "typed.csv").read_text().splitlines()
    cells = lines[12].split(",")
    assert cells[0] == "12" and cells[2] != "0.5"
    cells[2] = "0.5"
    lines[12] = ",".join(cells)
    lines.insert(5, "")  # a blank line moves the rest down by one
    (tmp_path / "typed.csv").write_text("\n".join(lines) + "\n")
    said = refused("measure", tmp_path, "--force")
    assert "typed.csv, line 14, column drive_x: the pattern drives reading 12" in said


@given(
    st.lists(
        st.tuples(
            st.integers(0, 400),
            st.floats(-1e3, 1e3),
            st.floats(-1e4, 1e4),
            st.floats(-1e4, 1e4),
            st.sampled_from([0.0, 1.0]),
        ),
        min_size=1,
        max_size=300,
    ),
    st.booleans(),
)
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_log_is_measured_or_refused_in_words(
    tmp_path: Path, frames: list, rising: bool
) -> None:
    bench = make_bench(tmp_path)
    columns = np.array(frames, float)
    if rising:
        columns[:, 0] = np.arange(len(columns))
        columns[:, 1] = np.sort(columns[:, 1])
    log = CameraLog(columns[:, 0].astype(np.int64), *columns[:, 1:].T)
    try:
        measured = measure_camera(log, make_pattern(42, 20.0), bench)
    except HysteresisError as error:
        assert str(error).endswith(".") and "\n" not in str(error)
    else:
        assert len(measured.recording) == len(log)
