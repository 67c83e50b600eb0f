"""Which runs can be compared, and what is said of the others."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from compare_data import write_unit, zero_errors
from verify_data import ladder, pattern_of

from hysteresis.compare import compare_opened
from hysteresis.compare.copies import copies_of
from hysteresis.compare.runs import open_runs
from hysteresis.errors import InputError
from hysteresis.table_files import read_recording, write_recording


@pytest.fixture(scope="module")
def four(tmp_path_factory) -> list[Path]:
    """Two units of two suspensions."""
    home = tmp_path_factory.mktemp("runs")
    return [
        write_unit(home / f"{name}-{unit}", name, unit, radius=radius, seed=10 * k + ord(unit))
        for k, (name, radius) in enumerate((("thread", 0.03), ("flexure", 0.01)))
        for unit in ("A", "B")
    ]


def reasons(opened) -> str:
    return "\n".join(f"{out.run}|{out.what}|{out.reason}|{out.mend}" for out in opened.left_out)


def test_everything_that_fits_is_taken(four):
    opened = open_runs(four)
    assert [run.label for run in opened.runs] == ["thread A", "thread B", "flexure A", "flexure B"]
    # without a model measured figures can still be compared, and it is said
    assert reasons(opened).count("there is no model.json") == 4


def test_a_second_run_of_a_unit_gets_a_number(four, tmp_path):
    again = write_unit(tmp_path / "again", "thread", "A", seed=77)
    assert [r.label for r in open_runs([four[0], again]).runs] == ["thread A", "thread A (2)"]


@pytest.mark.parametrize(
    ("setting", "value", "words"),
    [
        ("full_scale_x_mm", "5.0", "in cm"),
        ("full_scale_x_mm", "40.0", "full_scale_x_mm is 40.0, not 50.0"),
        ("plane_distance_mm", "240.0", "plane_distance_mm is 240.0"),
        ("mirror_gap_mm", "20.0", "mirror_gap_mm is 20.0"),
    ],
)
def test_another_bench_is_left_out(four, tmp_path, setting, value, words):
    other = write_unit(tmp_path / "other", "thread", "C", seed=5, replaced={setting: value})
    opened = open_runs([*four, other])
    assert len(opened.runs) == 4
    assert words in reasons(opened) and "another bench" in reasons(opened)


def test_one_bad_run_does_not_stop_the_rest(four, tmp_path):
    empty = tmp_path / "empty"
    empty.mkdir()
    file = tmp_path / "file"
    file.write_text("x")
    torn = write_unit(tmp_path / "torn", "thread", "D", seed=6)
    (torn / "recording.csv").write_text("t_s,x_mm\n1,2\n")
    bare = write_unit(tmp_path / "bare", "thread", "E", seed=7)
    (bare / "recording.csv").unlink()
    opened = open_runs([*four, empty, file, torn, bare, tmp_path / "nowhere"])
    assert len(opened.runs) == 4
    told = reasons(opened)
    for words in ("holds no bench.toml", "this is a file", "there is no recording.csv",
                  "there is no such run folder"):  # fmt: skip
        assert words in told
    assert f"{torn}|run|" in told


def test_a_model_of_a_newer_version_or_of_another_recording_is_left_out(tmp_path):
    runs = [
        write_unit(tmp_path / u, "thread", u, seed=k, model=True) for k, u in enumerate("AB", 1)
    ]
    content = json.loads((runs[0] / "model.json").read_text())
    (runs[0] / "model.json").write_text(json.dumps(content | {"schema_version": 99}))
    recording = read_recording(runs[1] / "recording.csv")
    recording.x_mm[3] += 0.5
    write_recording(runs[1] / "recording.csv", recording)
    opened = open_runs(runs)
    assert [run.fitted for run in opened.runs] == [None, None]
    assert "schema version 99, newer" in reasons(opened)
    assert "fitted to another recording" in reasons(opened)


# ---- copies --------------------------------------------------------------------------------------


def test_a_copy_of_the_file_counts_once(four, tmp_path):
    copy = write_unit(tmp_path / "copy", "thread", "C", seed=9)
    (copy / "recording.csv").write_bytes((four[0] / "recording.csv").read_bytes())
    opened = open_runs([*four, copy])
    assert len(opened.runs) == 4
    assert "the same recording.csv" in reasons(opened) and "counted once" in reasons(opened)


@pytest.mark.parametrize("how", ["decimals", "shifted clock", "line ends"])
def test_the_same_values_written_otherwise_count_once(four, tmp_path, how):
    copy = write_unit(tmp_path / "copy", "thread", "C", seed=9)
    recording = read_recording(four[0] / "recording.csv")
    if how == "decimals":
        for name in ("x_mm", "y_mm"):
            values = getattr(recording, name)
            values[:] = np.round(values, 3)
    if how == "shifted clock":
        recording.t_s[:] += 0.004
    write_recording(copy / "recording.csv", recording)
    if how == "line ends":
        text = (copy / "recording.csv").read_text()
        (copy / "recording.csv").write_bytes(text.replace("\n", "\r\n").encode())
    opened = open_runs([*four, copy])
    assert len(opened.runs) == 4
    assert "written otherwise" in reasons(opened)


def test_one_camera_log_measured_twice_counts_once(four, tmp_path):
    runs = [write_unit(tmp_path / u, "thread", u, seed=k) for k, u in enumerate("CD", 20)]
    for run in runs:
        (run / "camera_log.csv").write_text("frame,t_s,u_px,v_px\n0,0.0,1.0,2.0\n1,0.1,2.0,3.0\n")
    opened = open_runs([*four, *runs])
    assert len(opened.runs) == 5 and "the same camera log" in reasons(opened)


def test_a_copy_under_another_suspension_is_believed_nowhere(four, tmp_path):
    copy = write_unit(tmp_path / "copy", "cord", "C", seed=9)
    (copy / "recording.csv").write_bytes((four[0] / "recording.csv").read_bytes())
    opened = open_runs([*four, copy])
    assert [run.label for run in opened.runs] == ["thread B", "flexure A", "flexure B"]
    assert "cannot be told" in reasons(opened)


def test_two_measurements_of_one_unit_are_no_copies(tmp_path):
    runs = [write_unit(tmp_path / str(k), "thread", "A", seed=k) for k in (1, 2, 3)]
    opened = open_runs(runs)
    assert len(opened.runs) == 3 and copies_of([run.marks for run in opened.runs]) == []


# ---- refusals ------------------------------------------------------------------------------------


def test_too_few_runs_are_refused(four, tmp_path):
    with pytest.raises(InputError, match="no runs"):
        open_runs([])
    with pytest.raises(InputError, match="one run is nothing to compare"):
        open_runs(four[:1])
    with pytest.raises(InputError, match="given twice"):
        open_runs([four[0], four[0]])
    with pytest.raises(InputError, match="of 2 runs 1 can be compared"):
        open_runs([four[0], tmp_path / "nowhere"])


# ---- names, patterns -----------------------------------------------------------------------------


def test_spelling_of_a_suspension_is_one_design(four, tmp_path):
    other = write_unit(tmp_path / "other", "Thread ", "c", seed=31)
    opened = open_runs([*four, other])
    assert {run.suspension for run in opened.runs} == {"thread", "flexure"}
    assert any("taken for 'thread'" in note for note in opened.notes)


def test_different_patterns_share_their_conditions_alone(four, tmp_path):
    """The other pattern has one of the two excursions: the summing figure is formed over it."""
    pieces = [("conditioning/001", 1.0, (0.0, 0.0)), *ladder(1, (0.8, -0.5), 1.0)]
    pieces += ladder(2, (0.3, -0.2), 1.0)
    other = write_unit(tmp_path / "other", "thread", "C", seed=33, played=pattern_of(pieces))
    found = compare_opened(open_runs([*four, other]), zero_errors)
    assert any("different patterns" in note for note in found.notes)
    conditions = [f.conditions for f in found.figures if f.conditions and f.axis == "x"
                  and len(f.values) == 5]  # fmt: skip
    assert [c[0].value for c in conditions] == [0.8]
    summed = found.figure("return_to_zero", "x")
    alone = next(f for f in found.figures if f.conditions == conditions[0] and f.axis == "x")
    assert [v.value for v in summed.values] == pytest.approx(
        [v.value for v in alone.values], rel=0.01
    )
