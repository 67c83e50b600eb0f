"""The tables of a run: what each refuses, with line, column and remedy."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from hysteresis import table_files as tf
from hysteresis.errors import InputError
from hysteresis.tables import DriveSignal, Pattern

READERS = {
    "pattern": tf.read_pattern,
    "typed": tf.read_typed_sheet,
    "camera": tf.read_camera_log,
    "recording": tf.read_recording,
    "path": tf.read_timed_path,
    "drive": tf.read_drive_csv,
}

GOOD = {
    "pattern": """\
t_s,drive_x,drive_y,beam,segment
0,0,0,1,sync/000
0.5,0.9,-1,0,ladder/001/hold
1e1,1,0.5,1,rest/000
""",
    "typed": """\
reading,t_s,drive_x,drive_y,x_mm,y_mm,note
1,,0.5,0,25.5,0,
2,12.5,0,0,,-1.5,"blurred, twice"
4,20,-0.5,0,-24,,
""",
    "camera": """\
frame,t_s,u_px,v_px
3,0.1,640.5,360.1
1,0.033,640,360
1,0.033,640,360
9,0.3,-2,360
""",
    "recording": """\
t_s,exposure_s,x_mm,y_mm,sigma_x_mm,sigma_y_mm,used,reason,segment
0.1,0.01,1,2,0.02,0.02,1,,sync/000
0.1,0.01,1,2,,,0,repeated frame,sync/000
,0,1,,0.3,,1,,reading/001
""",
    "path": "t_s,x_mm,y_mm,beam\n-1,0,0,0\n0.5,50,-50,1\n",
    "drive": "t_s,drive_x,drive_y,beam\n0,0,0,0\n0.5,1,-1,1\n",
}

BAD = [
    # (table, replace, by, line, column, value, part of the complaint, part of the remedy)
    ("pattern", "0.5,0.9", "0,0.9", 3, "t_s", 0.0, "stands still after 0 s", "sort the rows"),
    ("pattern", "1e1,", "0.25,", 4, "t_s", 0.25, "goes back after 0.5 s", "sort the rows"),
    ("pattern", "0,0,0,1,sync", "0.1,0,0,1,sync", 2, "t_s", 0.1, "starts at time 0", "subtract"),
    ("pattern", ",-1,0,", ",-1.01,0,", 3, "drive_y", -1.01, "outside -1 to +1", "fraction"),
    ("pattern", "0.9,-1", "90,-1", 3, "drive_x", 90.0, "outside -1 to +1", "not in per cent"),
    ("pattern", "-1,0,", "-1,2,", 3, "beam", 2.0, "neither 0 nor 1", "write one"),
    ("pattern", "ladder/001/hold", "Ladder 1", 3, "segment", "Ladder 1", "name of a seg", "kind/"),
    ("pattern", "0.9", "nan", 3, "drive_x", "nan", "not a finite", "delete the line"),
    ("pattern", "drive_x", "x_mm", 1, "x_mm", None, "not known", "delete it"),
    ("typed", "2,12.5", "1,12.5", 3, "reading", 1.0, "stands twice", "once"),
    ("typed", "2,12.5", "2.5,12.5", 3, "reading", 2.5, "not a whole number", "1, 2, 3"),
    ("typed", "4,20", "4,2", 4, "t_s", 2.0, "goes back after 12.5 s", "sort"),
    ("typed", "25.5,0,", "25.5 mm,0,", 2, "x_mm", "25.5 mm", "text where", "the unit stands"),
    ("typed", ",0.5,0,", ",,0,", 2, "drive_x", None, "empty", "fill it in"),
    ("typed", '"blurred, twice"', "blurred, twice", 3, None, None, "8 fields", "in quotes"),
    ("camera", "9,0.3", "9,0.09", 5, "t_s", 0.09, "frame number rises", "export the log again"),
    ("camera", "3,0.1", "3,0.01", 2, "t_s", 0.01, "frame number rises", "export the log again"),
    ("camera", "9,0.3", "-9,0.3", 5, "frame", -9.0, "not a whole number", "number the rows"),
    ("camera", "9,0.3", "1e17,0.3", 5, "frame", 1e17, "not a whole number", "number the rows"),
    ("camera", "640.5", "", 2, "u_px", None, "empty", "fill it in"),
    ("recording", "0.1,0.01,1,2,,", "0,0.01,1,2,,", 3, "t_s", 0.0, "goes back after 0.1 s", "sort"),
    ("recording", "0.1,0.01,1,2,0", "0.1,-1,1,2,0", 2, "exposure_s", -1.0, "negative", "mend it"),
    ("recording", ",0.02,1,,", ",0,1,,", 2, "sigma_y_mm", 0.0, "above 0", "used to 0"),
    ("recording", ",0.3,,1", ",,,1", 4, "sigma_x_mm", None, "above 0", "used to 0"),
    ("recording", "repeated frame", "", 3, "reason", "", "needs a reason", "write it"),
    ("recording", "reading/001", "", 4, "segment", "", "without a time needs a seg", "write the"),
    ("recording", ",,0,rep", ",,yes,rep", 3, "used", "yes", "text where", "such as"),
    ("path", "-1,0,0", "0.5,0,0", 3, "t_s", 0.5, "stands still after 0.5 s", "delete repeated"),
    ("path", "50,1", "50,on", 3, "beam", "on", "text where", "such as"),
    ("drive", "0.5,1,-1", "0.5,1.2,-1", 3, "drive_x", 1.2, "outside -1 to +1", "fraction"),
    ("drive", "0.5,1,-1", "-0.5,1,-1", 3, "t_s", -0.5, "goes back after 0 s", "sort"),
]


@pytest.mark.parametrize("name", GOOD)
def test_the_good_ones_are_read(name: str, tmp_path: Path) -> None:
    path = tmp_path / f"{name}.csv"
    path.write_text(GOOD[name])
    record = READERS[name](path)
    assert len(record) == GOOD[name].count("\n") - 1


@pytest.mark.parametrize(("name", "old", "new", "line", "column", "value", "what", "mend"), BAD)
def test_each_fault_has_its_line_column_value_and_remedy(
    tmp_path: Path,
    name: str,
    old: str,
    new: str,
    line: int,
    column: str | None,
    value: object,
    what: str,
    mend: str,
) -> None:
    text = GOOD[name].replace(old, new, 1)
    assert text != GOOD[name]
    path = tmp_path / f"{name}.csv"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        READERS[name](path)
    error = caught.value
    assert (error.row, error.column) == (line, column)
    if column is not None:
        assert error.value == value
    assert what in error.what
    assert mend in str(error.mend)
    assert "\n" not in str(error)


def test_a_line_is_counted_as_an_editor_counts(tmp_path: Path) -> None:
    path = tmp_path / "typed.csv"
    text = GOOD["typed"].replace("blurred, twice", "blurred\r\ntwice").replace("\n1,", "\n\n\n1,")
    path.write_bytes(text.replace("4,20,-0.5", "4,20,-5").encode())
    with pytest.raises(InputError) as caught:
        tf.read_typed_sheet(path)
    assert caught.value.row == text.count("\n") == 7


def test_contents_of_the_good_ones(tmp_path: Path) -> None:
    for name, text in GOOD.items():
        (tmp_path / name).write_text(text)
    pattern = tf.read_pattern(tmp_path / "pattern")
    assert pattern.t_s.tolist() == [0, 0.5, 10]
    assert pattern.beam.tolist() == [True, False, True]
    assert pattern.segment.tolist() == ["sync/000", "ladder/001/hold", "rest/000"]
    sheet = tf.read_typed_sheet(tmp_path / "typed")
    assert sheet.reading.dtype == np.int64
    assert np.isnan(sheet.t_s).tolist() == [True, False, False]
    assert np.isnan(sheet.x_mm).tolist() == [False, True, False]
    assert sheet.note.tolist() == ["", "blurred, twice", ""]
    log = tf.read_camera_log(tmp_path / "camera")
    assert log.frame.tolist() == [3, 1, 1, 9]  # as they stand
    assert log.weight.tolist() == [1, 1, 1, 1]
    recording = tf.read_recording(tmp_path / "recording")
    assert recording.used.tolist() == [True, False, True]
    assert recording.reason.tolist() == ["", "repeated frame", ""]


def test_a_camera_log_with_weights(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_text("frame,t_s,u_px,v_px,weight\n0,0,1,2,0\n1,0.1,1,2,0.5\n")
    assert tf.read_camera_log(path).weight.tolist() == [0, 0.5]
    path.write_text("frame,t_s,u_px,v_px,weight\n0,0,1,2,0\n1,0.1,1,2,-0.5\n")
    with pytest.raises(InputError, match=r"line 3, column weight.*negative"):
        tf.read_camera_log(path)


def _signal(**changes: object) -> DriveSignal:
    columns = {
        "t_s": np.array([0.0, 1.0]),
        "drive_x": np.zeros(2),
        "drive_y": np.zeros(2),
        "beam": np.ones(2, dtype=bool),
    }
    return DriveSignal(**(columns | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "column"),
    [
        ({"t_s": np.array([0.0, 0.0])}, "t_s"),
        ({"t_s": np.array([0.0, np.nan])}, "t_s"),
        ({"t_s": np.array([0.0, np.inf])}, "t_s"),
        ({"drive_x": np.array([0.0, np.nan])}, "drive_x"),
        ({"drive_x": np.array([0.0, np.inf])}, "drive_x"),
        ({"drive_y": np.array([0.0, 1.0 + 1e-9])}, "drive_y"),
    ],
)
def test_what_could_not_be_read_is_not_written(
    tmp_path: Path, changes: dict[str, object], column: str
) -> None:
    path = tmp_path / "drive.csv"
    path.write_text("old")
    with pytest.raises(InputError) as caught:
        tf.write_drive_csv(path, _signal(**changes))
    assert (caught.value.row, caught.value.column) == (3, column)
    assert path.read_text() == "old"


def test_times_that_rounding_makes_equal_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    signal = _signal(t_s=np.array([0.0, 1e-5]))
    tf.write_drive_csv(path, signal, decimals={"t_s": 5})
    assert tf.read_drive_csv(path).t_s.tolist() == [0.0, 1e-5]
    with pytest.raises(InputError, match="stands still"):
        tf.write_drive_csv(path, signal, decimals={"t_s": 4})


WRITERS: list[Callable[[Path], None]] = [
    lambda path: tf.write_drive_csv(path, _signal(), overwrite=False),
    lambda path: tf.write_pattern(
        path,
        Pattern(
            np.array([0.0, 1.0]),
            np.zeros(2),
            np.zeros(2),
            np.ones(2, dtype=bool),
            np.array(["rest/000", "rest/000"], dtype=object),
        ),
        overwrite=False,
    ),
]


@pytest.mark.parametrize("write", WRITERS)
def test_nothing_is_overwritten_unasked(tmp_path: Path, write: Callable[[Path], None]) -> None:
    path = tmp_path / "table.csv"
    write(path)
    before = path.read_bytes()
    with pytest.raises(InputError, match="exists and is kept"):
        write(path)
    assert path.read_bytes() == before
