"""Fit and compensate refuse in one sentence, and stop at Ctrl-C, with every file as it was."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from command_line import COMMAND, content, refused
from command_line import done_here as done
from command_line import in_process as call
from fitted_rigs import bench

from hysteresis.compensate.forecast import Forecast

HEADER = "t_s,exposure_s,x_mm,y_mm,sigma_x_mm,sigma_y_mm,used,reason,segment\n"


def rewrite(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def edit_model(run: Path, change: Callable[[dict], None]) -> None:
    model = json.loads((run / "model.json").read_text())
    change(model)
    (run / "model.json").write_text(json.dumps(model))


# ---- compensate --------------------------------------------------------------------------------


def test_a_model_of_another_bench(run: Path, tile: Path) -> None:
    rewrite(run / "bench.toml", 'unit = "A"', 'unit = "B"')
    said = refused(run, "compensate", run, tile)
    assert "model.json" in said and "belongs to another bench" in said and "fit again" in said


def test_a_model_of_a_newer_schema(run: Path, tile: Path) -> None:
    edit_model(run, lambda model: model.update(schema_version=2))
    said = refused(run, "compensate", run, tile)
    assert "schema version 2, newer than 1" in said and "update" in said


def test_a_model_that_is_broken(run: Path, tile: Path) -> None:
    (run / "model.json").write_text('{"schema": "hysteresis model", ')
    assert "not valid JSON" in refused(run, "compensate", run, tile)
    (run / "model.json").write_text("{}")
    assert "not a model of this toolkit" in refused(run, "compensate", run, tile)
    (run / "model.json").unlink()
    assert "no such file" in refused(run, "compensate", run, tile)


def spoil(place: str, value: object) -> Callable[[dict], None]:
    """Changes one entry of a model: names and places in lists, apart by a stroke."""

    def change(model: dict) -> None:
        *way, last = (int(key) if key.isdigit() else key for key in place.split("/"))
        target = model
        for key in way:
            target = target[key]
        target[last] = value

    return change


@pytest.mark.parametrize(
    ("place", "value", "words"),
    [
        ("trust/moved", [], "trust.moved holds fewer than 2 refits"),
        ("trust/recipe", [], "trust.recipe is []"),
        ("trust/recipe/memory", "wizard", "trust.recipe.memory is 'wizard'"),
        ("trust/recipe/slip_limits", "0.1", "trust.recipe.slip_limits"),
        ("trust/recipe/axes", "z", "trust.recipe.axes is 'z'"),
        ("trust/short/0", 1e300, "trust.short holds 1e+300"),
        ("trust/length_s", 0, "trust.length_s is 0"),
        ("trust", "blindly", "trust is 'blindly'"),
        ("provenance/inputs", [], "provenance.inputs is []"),
        ("discrepancy/typical_mm", 1e300, "discrepancy.typical_mm is 1e+300"),
        ("discrepancy/spread_ln", 1e6, "discrepancy.spread_ln is 1000000.0"),
        ("discrepancy/groups", -3, "discrepancy.groups is -3"),
        ("model/axis_x/elastic/cubic", -50, "model.axis_x does not hold together: the spring"),
        ("model/optics/distance_mm", 1e300, "model.optics.distance_mm holds 1e+300"),
        ("model/optics/full_scale_x_rad", 1e6, "model.optics.full_scale_x_rad is 1000000.0"),
        ("end_state/x/0", 1e300, "end_state.x holds 1e+300"),
        ("model/axis_x/elastic/linear", float("nan"), "column linear: this is not a number of"),
        ("schema_version", True, "no schema version (True)"),
    ],
)
def test_a_model_that_was_edited(
    run: Path, tile: Path, place: str, value: object, words: str
) -> None:
    edit_model(run, spoil(place, value))
    said = refused(run, "compensate", run, tile, "--pause-s", 20)
    assert words in said and "model.json" in said and said.endswith("; fit it again.")


def test_unknowns_that_are_all_zero(run: Path, tile: Path) -> None:
    edit_model(run, lambda model: model["trust"].update(short=[0] * len(model["trust"]["short"])))
    said = refused(run, "compensate", run, tile, "--pause-s", 20)
    assert "trust.short.axis_x does not hold together: stiffness is positive" in said


@pytest.mark.parametrize("name", ["planned.csv", "drive_plain.wav", "job.json"])
def test_one_output_that_cannot_be_written_leaves_none(run: Path, tile: Path, name: str) -> None:
    """Not even another one that was there, and may be written over."""
    (run / "drive.wav").write_text("of the job before")
    (run / name).mkdir()
    said = refused(run, "compensate", run, tile, "--force")
    assert f"{run / name}: this is a folder" in said


def test_compensation_that_is_not_foretold_to_help_says_so(run: Path, tile: Path) -> None:
    edit_model(run, spoil("discrepancy/typical_mm", 40.0))
    out = " ".join(done("compensate", run, tile).split())
    # both drives suffer that doubt alike
    assert "Mind: compensation gains nothing that can be shown here: 1" in out
    assert "is above the tolerance of the bench, 0.100 mm" in out


def test_compensation_that_helps_enough_is_not_minded(run: Path, tile: Path) -> None:
    edit_model(run, spoil("discrepancy/typical_mm", 1e-3))
    edit_model(run, spoil("discrepancy/zero_mm", 1e-3))
    edit_model(run, known_zero)
    assert "Mind:" not in done("compensate", run, tile)


def test_compensation_that_makes_it_worse_says_so() -> None:
    from hysteresis.cli.compensate_words import harm

    told = Forecast(0.10, 0.0, 0.0, 0.12, 0.11, 0.14, 0.09, 0.11, 0.83, 0.7, 0.95, 0.1)
    said = " ".join(harm(told, bench(), plain_exceeds=False))
    assert "compensation is not foretold to help here: 0.120 mm are left with it, 0.100" in said
    assert "play drive_plain.wav, or fit again" in said
    assert "fit again" in " ".join(harm(told, bench(), plain_exceeds=True))


def known_zero(model: dict) -> None:
    """The zero is known to 1 um: from an unknown past its doubt shifts a job."""
    for parameter in model["parameters"]:
        if parameter["name"].startswith("offset_"):
            parameter["standard_error"] = 1e-3


def test_a_path_outside_the_field(run: Path, tmp_path: Path) -> None:
    far = tmp_path / "far.ngc"
    far.write_text("G21 G90\nM3 S1\nG1 X10 Y10 F600\nG1 X80\nM5\n")
    said = refused(tmp_path, "compensate", run, far)
    assert f"{far}, line 4" in said and "x = 80.000 mm" in said
    assert "31.000 mm outside the reachable" in said and "move or scale the path" in said


def test_a_path_that_cannot_be_read(run: Path, tmp_path: Path) -> None:
    path = tmp_path / "path.csv"
    for text, words in (
        ("x_mm,y_mm,beam,feed_mm_s\n0,0,0,10\n1,zero,1,10\n", "line 3, column y_mm"),
        ("x_mm,y_mm,feed_mm_s\n0,0,10\n1,0,10\n", "beam"),
        ("", "empty"),
        ("x_mm,y_mm,beam,feed_mm_s\n", "no rows"),
    ):
        path.write_text(text)
        said = refused(tmp_path, "compensate", run, path)
        assert str(path) in said and words in said
    assert "folder" in refused(tmp_path, "compensate", run, tmp_path)
    assert "no such file" in refused(tmp_path, "compensate", run, tmp_path / "none.ngc")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("coil_rms = 0.95", "coil_rms = 0.02", "coil rms of axis x reaches"),
        ("slew_per_s = 60.0", "slew_per_s = 3.0", "slew of axis"),
    ],
)
def test_limits_exceeded(run: Path, tile: Path, old: str, new: str, words: str) -> None:
    rewrite(run / "bench.toml", old, new)
    # the travel of the path itself is planned within the slew limit: force a fast one
    said = refused(run, "compensate", run, tile, "--travel-mm-s", 2000)
    assert words in said and "(allowed" in said and " s, x = " in said and " mm" in said
    assert "nothing was written" in said and "slow it down" in said


def test_a_drive_beyond_the_limit_is_told_in_mm(run: Path, tmp_path: Path) -> None:
    """A rig stiffer than the bench's full scale says: within the field, yet out of reach."""

    def stiffer(model: dict) -> None:
        model["model"]["axis_x"]["elastic"]["linear"] *= 1.3

    edit_model(run, stiffer)
    edge = tmp_path / "edge.ngc"
    edge.write_text("G21 G90\nM3 S1\nG1 X46 Y0 F6000\nG1 X-10\nM5\nG0 X0\n")
    said = refused(run, "compensate", run, edge)
    assert "drive of axis x reaches 1.0" in said and "(allowed 0.980)" in said
    assert "x = 46.0 mm, y = " in said and " mm short" in said


def test_without_compensation_too_much_is_said_and_not_written(run: Path, tile: Path) -> None:
    def stiffer(model: dict) -> None:
        model["without_memory"]["axis_x"]["elastic"]["linear"] *= 1.35

    edit_model(run, stiffer)
    (run / "drive_plain.wav").write_text("of another job")
    out = " ".join(done("compensate", run, tile, "--force").split())
    assert "there is no drive_plain.wav: drive of axis x reaches" in out
    assert not (run / "drive_plain.wav").exists() and (run / "drive.wav").exists()


@pytest.mark.parametrize("name", ["drive.wav", "drive_plain.wav", "planned.csv", "job.json"])
def test_no_output_is_written_over_unasked(run: Path, tile: Path, name: str) -> None:
    (run / name).write_text("mine")
    assert f"{run / name}: the file exists and is kept; add --force" in refused(
        run, "compensate", run, tile
    )


def test_force_writes_over(run: Path, tile: Path) -> None:
    for name in ("drive.wav", "drive_plain.wav", "planned.csv", "job.json"):
        (run / name).write_text("mine")
    done("compensate", run, tile, "--force")
    assert b"mine" not in {data for name, data in content(run).items() if "model" not in name}


def test_outputs_never_take_the_place_of_other_files(run: Path, tile: Path) -> None:
    for name in ("planned.csv", "recording.csv", "model.json", "pattern.csv"):
        said = refused(run, "compensate", run, tile, "--out", run / name, "--force")
        assert "belongs to another file of the job" in said
    shutil.copy(tile, run / "planned.csv")
    said = refused(run, "compensate", run, run / "planned.csv", "--force")
    assert "would be written over" in said
    said = refused(tile.parent, "compensate", run, tile, "--out", tile, "--force")
    assert "belongs to another file" in said


def test_other_words_that_make_no_sense(run: Path, tile: Path) -> None:
    for words, told in (
        (("--bits", 17), "16, 24 or 32"),
        (("--out", run / "drive.mp3"), ".wav or .csv"),
        (("--out", run / "no" / "drive.wav"), "folder to write to does not exist"),
        (("--pause-s", "inf"), "not a finite time"),
        (("--pause-s", 1e300), "longer than 30 days (1e+300); give at most 2592000 seconds"),
        (("--feed-mm-s", -3), "must be above 0"),
        (("--travel-mm-s", "nan"), "must be above 0"),
    ):
        assert told in refused(run, "compensate", run, tile, *words)
    assert "no such run folder" in refused(run, "compensate", run / "none", tile)


def test_a_word_that_is_not_known_in_a_program(run: Path, tmp_path: Path) -> None:
    odd = tmp_path / "odd.ngc"
    odd.write_text("G21 G90\nM3 S1\nG1 X10 Y0 F600\nM62 P1\nG1 X0\nM5\n")
    said = refused(tmp_path, "compensate", run, odd)
    assert f"{odd}, line 4" in said and "--skip-unknown" in said
    assert "Passed over" in done("compensate", run, odd, "--skip-unknown")


def test_a_drive_as_a_table(run: Path, tile: Path) -> None:
    from hysteresis.table_files import read_drive_csv, read_timed_path

    out = done("compensate", run, tile, "--out", run / "drive.csv")
    drive, planned = read_drive_csv(run / "drive.csv"), read_timed_path(run / "planned.csv")
    assert len(drive) == len(planned) and str(run / "drive.csv") in out
    assert "past is not known" in out  # no --pause-s was given
    assert not (run / "drive.wav").exists()


# ---- fit ---------------------------------------------------------------------------------------


def test_fit_keeps_a_model_unless_forced(run: Path) -> None:
    assert "model.json: the file exists and is kept; add --force" in refused(run, "fit", run)


def test_recordings_that_carry_nothing(run: Path) -> None:
    recording = run / "recording.csv"
    lines = recording.read_text().splitlines()
    segment = lines[2000].split(",")[-1]
    for text, words in (
        ("", "empty"),
        (HEADER, "no rows"),
        (HEADER.replace("sigma_x_mm,", "") + "1,0,1,1,0.1,1,,sync/001\n", "sigma_x_mm"),
        (HEADER + "1,0,nan,1,0.1,0.1,1,,sync/001\n", "line 2, column x_mm"),
        (HEADER + f"50,0,1,1,0.1,0.1,0,stray,{segment}\n", "no row that can be used"),
        (HEADER + f"50,0,1,1,0.1,0.1,1,,{segment}\n", "nothing usable was measured"),
        (HEADER + "".join(f"{80 + k},0,{k},1,0.1,0.1,1,,{segment}\n" for k in range(5)),
         "only 5 usable readings"),
        (HEADER + "".join(f"{80 + k},0,2.5,{k},0.1,0.1,1,,{segment}\n" for k in range(20)),
         "all readings of axis x are equal"),
    ):  # fmt: skip
        recording.write_text(text)
        assert words in refused(run, "fit", run, "--force")
    recording.unlink()
    assert "recording.csv: there is no such file" in refused(run, "fit", run, "--force")


def test_a_memory_that_cannot_be_fitted(run: Path) -> None:
    said = refused(run, "fit", run, "--force", "--memory", "cobweb")
    assert "there is no memory of that name ('cobweb')" in said
    assert "choose one of auto, none, droop, friction" in said


def test_a_camera_log_of_another_pattern(run: Path) -> None:
    done("plan", run, "--kind", "verification", "--minutes", 1, "--no-wav", "--force")
    said = refused(run, "measure", run, "--force")
    assert "camera_log.csv: the log does not follow this pattern" in said


def test_fit_prints_parameters_with_errors(typed_job: tuple[Path, dict[str, str]],
                                           tmp_path: Path) -> None:  # fmt: skip
    run = tmp_path / "run"
    shutil.copytree(typed_job[0], run)
    out = done("fit", run, "--force", "--parameters")
    assert "x_k1:" in out and "+/-" in out and "(" in out


# ---- Ctrl-C ------------------------------------------------------------------------------------


def stopped(first_line: str, *words: object) -> str:
    """What a command says that is stopped as soon as it says that it has begun."""
    process = subprocess.Popen(
        [*COMMAND, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stderr is not None
    assert process.stderr.readline() == first_line
    process.send_signal(signal.SIGINT)
    out, said = process.communicate(timeout=60)
    assert process.returncode == 130, said
    assert out == ""
    return said


@pytest.mark.parametrize(
    ("command", "first_line"), [("fit", "Fitting …\n"), ("compensate", "Compensating …\n")]
)
def test_ctrl_c_half_way(run: Path, tile: Path, command: str, first_line: str) -> None:
    for name in ("drive.wav", "drive_plain.wav", "planned.csv", "job.json"):
        (run / name).write_text("of the job before")
    before = content(run)
    words = [command, run, *([tile] if command == "compensate" else []), "--force"]
    assert stopped(first_line, *words) == "hysteresis: stopped; nothing half-written was kept.\n"
    assert content(run) == before


def test_ctrl_c_in_the_demo_is_answered_on_the_terminal(tmp_path: Path) -> None:
    out = tmp_path / "demo"
    process = subprocess.Popen(
        [*COMMAND, "demo", "--out", str(out)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    while " $ hysteresis measure" not in process.stdout.readline():
        assert process.poll() is None
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130
    assert said.splitlines()[-1] == "hysteresis: stopped; nothing half-written was kept."
    assert not (out / "thread" / "recording.csv").exists()
    assert not [path for path in out.rglob("*") if path.name.startswith(".")]


# ---- demo --------------------------------------------------------------------------------------


def test_the_demo_leaves_a_foreign_folder_alone(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "bench.toml").write_text("mine")
    said = refused(tmp_path, "demo", "--out", tmp_path / "mine")
    assert "not made by the demo and is left alone" in said and "--out" in said
    (tmp_path / "file").write_text("mine")
    assert "left alone" in refused(tmp_path, "demo", "--out", tmp_path / "file")
    assert call("demo", "--seed", -1, "--out", tmp_path / "new").returncode == 2
    assert not (tmp_path / "new").exists()


def test_a_recording_of_the_pattern_before_is_not_fitted(run: Path) -> None:
    model = (run / "model.json").read_bytes()
    done("plan", run, "--minutes", "3", "--no-wav", "--force")
    assert "belongs to another pattern" in refused(run, "fit", run, "--force")
    assert (run / "model.json").read_bytes() == model


def test_spots_of_the_job_before_are_not_taken_for_those_of_the_new_one(
    run: Path, tile: Path
) -> None:
    spots = "t_s,x_mm,y_mm,beam\n0,0,0,1\n1,1,0,1\n"
    for name in ("plain.csv", "compensated.csv"):
        (run / name).write_text(spots)
    assert "belongs to the job that was compensated before" in refused(run, "compensate", run, tile)
    done("compensate", run, tile, "--force")
    assert not (run / "compensated.csv").exists() and not (run / "plain.csv").exists()


def test_a_drive_without_end_is_refused(run: Path, tmp_path: Path) -> None:
    drive = tmp_path / "long.csv"
    drive.write_text("t_s,drive_x,drive_y,beam\n0,0,0,0\n1,0.5,0,1\n1e9,0,0,0\n")
    said = refused(
        run, "virtual", run, "--suspension", "braided-thread", "--play", drive,
        "--out", tmp_path / "spots.csv",
    )  # fmt: skip
    assert "more than can be played" in said
