"""`compensate` as a person uses it: kinds of paths and outputs, stopped and continued, refused."""

from __future__ import annotations

import hashlib
import json
import os
import resource
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from command_line import COMMAND, content, refused
from command_line import done_here as done
from command_line import in_process as call
from compensate.models import fitted, one_rig
from fitted_rigs import bench

from hysteresis.bench import TEMPLATE
from hysteresis.carrier import Carrier
from hysteresis.model import bench_identity, write_model
from hysteresis.paths.example_job import layered_tile_job
from hysteresis.table_files import read_timed_path
from hysteresis.tables import DriveSignal
from hysteresis.wav_files import read_drive_wav


def new_run(folder: Path, **text: str) -> Path:
    """A run with a model that no fit made: these tests are about outputs."""
    folder.mkdir()
    settings = TEMPLATE
    for key, value in text.items():
        start = settings.index(f"\n{key} = ") + 1
        end = settings.index("\n", start)
        settings = settings[:start] + f"{key} = {value}" + settings[end:]
    (folder / "bench.toml").write_text(settings)
    write_model(folder / "model.json", replace(fitted(one_rig()), bench=bench_identity(bench())))
    return folder


@pytest.fixture
def made(tmp_path: Path) -> Path:
    return new_run(tmp_path / "run")


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("paths") / "tile.ngc"
    file.write_text(layered_tile_job(2, duration_s=20.0, park_s=2.0))
    return file


# ---- kinds of paths and outputs ------------------------------------------------------------------

SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm" viewBox="0 0 20 20">'
    '<path d="M 2 2 L 18 2 L 18 18 Z" fill="none" stroke="black"/></svg>'
)
JOB = """\
name = "two gaskets"
layers = 2
feed_mm_s = 40.0
[park]
x_mm = 30.0
y_mm = 0.0
wait_s = 1.0
[[parts]]
file = "part.svg"
[parts.grid]
columns = 2
step_x_mm = 15.0
"""


def test_drawings_tables_and_job_files(made: Path, tmp_path: Path) -> None:
    import ezdxf

    (tmp_path / "part.svg").write_text(SVG)
    (tmp_path / "job.toml").write_text(JOB)
    drawing = ezdxf.new(units=4)
    drawing.modelspace().add_circle((0, 0), 8)
    drawing.saveas(tmp_path / "ring.dxf")
    (tmp_path / "way.csv").write_text("x_mm,y_mm,beam,feed_mm_s\n0,0,0,\n10,0,1,20\n10,5,1,20\n")
    t = np.linspace(0, 2, 201)
    rows = "".join(f"{k:.3f},{10 * np.sin(k):.5f},0,1\n" for k in t)
    (tmp_path / "timed.csv").write_text("t_s,x_mm,y_mm,beam\n" + rows)
    for name, words, layers in (
        ("part.svg", ("--feed-mm-s", 30), 1), ("job.toml", (), 2),
        ("ring.dxf", ("--feed-mm-s", 30), 1), ("way.csv", (), 1), ("timed.csv", (), 1),
    ):  # fmt: skip
        done("compensate", made, tmp_path / name, "--force", *words)
        account = json.loads((made / "job.json").read_text())
        assert account["layers"] == layers, name
        planned = read_timed_path(made / "planned.csv")
        assert planned.beam.any() and account["duration_s"] == pytest.approx(planned.t_s[-1])
    said = refused(tmp_path, "compensate", made, tmp_path / "timed.csv", "--force", "--scale", 0.5)
    assert "clock of its own (t_s) is played as it is" in said


def test_the_path_lies_where_it_is_put(made: Path, tmp_path: Path) -> None:
    path = tmp_path / "line.ngc"
    path.write_text("G21 G90\nG0 X0 Y0\nM3 S1\nG1 X10 F1200\nM5\n")
    done("compensate", made, path, "--rotate-deg", 90, "--scale", 2, "--x-mm", -5, "--y-mm", 1,
         "--preview", made / "path.png")  # fmt: skip
    planned = read_timed_path(made / "planned.csv")
    x, y = planned.x_mm[planned.beam], planned.y_mm[planned.beam]
    smoothing_mm = json.loads((made / "job.json").read_text())["smoothing_mm"]
    assert np.abs(x + 5).max() < smoothing_mm + 1e-5 < 0.03 and y.min() < 1.05 and y.max() > 20.95
    assert (made / "path.png").read_bytes().startswith(b"\x89PNG")


def test_forms_of_the_output(made: Path, short: Path) -> None:
    done("compensate", made, short)
    reference, rate = read_drive_wav(made / "drive.wav")
    for words, channels, bits, wanted_rate, allowed in (
        (("--bits", 16, "--dither"), 3, "PCM_16", 48_000, 1.6 / 32767),
        (("--bits", 32, "--channels", "xy"), 2, "FLOAT", 48_000, 1e-6),
        (("--rate-hz", 96_000), 3, "PCM_24", 96_000, 1e-6),
    ):
        done("compensate", made, short, "--force", *words)
        about = soundfile.info(made / "drive.wav")
        assert (about.channels, about.subtype, about.samplerate) == (channels, bits, wanted_rate)
        drive, _ = read_drive_wav(made / "drive.wav")
        every = wanted_rate // 48_000
        apart = np.abs(drive.drive_x[::every][: len(reference)] - reference.drive_x)
        assert apart.max() <= allowed
    assert rate == 48_000


def test_a_carrier_is_demodulated_again(made: Path, short: Path) -> None:
    done("compensate", made, short)
    reference, _ = read_drive_wav(made / "drive.wav")
    out = done("compensate", made, short, "--force", "--carrier-hz", 6000)
    told = float(out.split("off its plan by ")[1].split(" %")[0])
    assert told < 0.001
    drive, _ = read_drive_wav(made / "drive.wav", Carrier(6000))
    inner = slice(2000, -2000)
    assert np.abs(drive.drive_x[inner] - reference.drive_x[inner]).max() < 2e-3  # it smooths
    said = refused(made, "compensate", made, short, "--force", "--carrier-hz", 100)
    assert "does not suit the output" in said


@pytest.mark.parametrize("name", ["pos.csv", "pos.ngc"])
def test_positions_for_a_controller(made: Path, short: Path, name: str) -> None:
    """Read back by the toolkit's own reader; a linear controller's drive is the compensated one."""
    from hysteresis.bench import read_bench
    from hysteresis.paths.rs274 import read_rs274

    done("compensate", made, short)
    drive, _ = read_drive_wav(made / "drive.wav")
    # the grid of the torque balance: between its samples a WAV is curved, positions are straight
    every = slice(None, None, 40)
    on_grid = DriveSignal(drive.t_s[every], drive.drive_x[every], drive.drive_y[every],
                          drive.beam[every])  # fmt: skip
    out = done("compensate", made, short, "--force", "--positions", made / name,
               "--tolerance-mm", 0.02)  # fmt: skip
    assert f"Positions: {made / name}" in out and (made / "drive.wav").exists()
    scale = read_bench(made / "bench.toml").optics.full_scale_x_mm
    if name.endswith(".csv"):
        spots = read_timed_path(made / name)
        played = np.interp(on_grid.t_s, spots.t_s, spots.x_mm) / scale
        assert np.abs(played - on_grid.drive_x).max() * scale < 0.021
    else:
        line = read_rs274((made / name).read_text()).polyline
        assert abs(line.x_mm.max() - on_grid.drive_x.max() * scale) < 0.021
    assert json.loads((made / f"{name}.job.json").read_text())["output"]["controller"] == "linear"


def test_the_next_job_starts_where_this_one_ended(made: Path, short: Path, tmp_path: Path) -> None:
    done("compensate", made, short, "--pause-s", 5)
    first = made / "job.json"
    kept = shutil.copy(first, tmp_path / "first.json")
    said = refused(made, "compensate", made, short, "--force", "--start-from", kept)
    assert "add --pause-s" in said
    done("compensate", made, short, "--force", "--start-from", kept, "--pause-s", 30)
    second = json.loads(first.read_text())
    assert second["started_from"] == {"pause_s": 30.0, "job": "first.json"}
    # creep of the first job is still there: the second one is compensated otherwise
    assert (
        second["largest"]["max_drive"] != json.loads(Path(kept).read_text())["largest"]["max_drive"]
    )
    account = json.loads(Path(kept).read_text())
    for change, words in (
        ({"model": {"sha256": "0"}}, "made with another model"),
        ({"end_state": {"x": [1.0], "y": [1.0]}}, "does not belong to this model"),
        ({"end_state": {"x": "far", "y": []}}, "a list of numbers is expected"),
        ({"end_state": 5}, "not as it should be"),
    ):
        Path(kept).write_text(json.dumps(account | change))
        said = refused(made, "compensate", made, short, "--force", "--start-from", kept,
                       "--pause-s", 30)  # fmt: skip
        assert words in said and "first.json" in said


def test_always_on_can_only_follow(tmp_path: Path, short: Path) -> None:
    run = new_run(tmp_path / "on", mode='"always-on"')
    out = done("compensate", run, short)
    assert "the beam is always on" in out and "mm of travel are drawn too" in out
    said = refused(run, "compensate", run, short, "--force", "--beam-off", "null")
    assert "cannot be switched off" in said


def test_limits_are_met_by_slowing_down_and_it_is_said_by_how_much(
    tmp_path: Path, short: Path
) -> None:
    run = new_run(tmp_path / "slow", slew_per_s="6.0")
    fast = ("--travel-mm-s", 1500)
    said = refused(run, "compensate", run, short, *fast)
    assert "slew of axis" in said and "layer" in said and "(line" in said
    share = said.split("slowed to ")[1].split(" %")[0]
    out = done("compensate", run, short, *fast, "--fit-limits")
    assert f"the path was slowed to {share} % to meet the limits" in out
    assert json.loads((run / "job.json").read_text())["options"]["slowed"] == int(share) / 100


# ---- stopped and continued -----------------------------------------------------------------------

FAST = ("--rate-hz", 192_000, "--no-plain", "--force")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, str]:
    """A run, a job of a minute whose output has 120 MB, and the hash of that output."""
    folder = tmp_path_factory.mktemp("long")
    run, file = new_run(folder / "run"), folder / "long.ngc"
    file.write_text(layered_tile_job(3, duration_s=60.0))
    done("compensate", run, file, *FAST)
    digest = sha256(run / "drive.wav")
    (run / "drive.wav").unlink()
    return run, file, digest


def sha256(file: Path) -> str:
    with open(file, "rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


@pytest.fixture
def before(whole: tuple[Path, Path, str]) -> Iterator[Path]:
    """Outputs of a job before, which must stay until a new one is whole."""
    run = whole[0]
    for name in ("drive.wav", "job.json"):
        (run / name).write_text("of the job before")
    yield run
    for file in run.glob("drive.wav*"):
        file.unlink()


def kept_as_it_was(run: Path) -> None:
    assert (run / "drive.wav").read_text() == "of the job before"
    assert (run / "job.json").read_text() == "of the job before"


def stopped_half_way(words: tuple[object, ...], run: Path, how: int) -> tuple[int, str]:
    """Start a command and send a signal as soon as a checkpoint is there."""
    process = subprocess.Popen(
        [*COMMAND, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    note = run / "drive.wav.part.json"
    until = time.monotonic() + 240
    while not note.exists():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < until
        time.sleep(0.002)
    process.send_signal(how)
    _, said = process.communicate(timeout=120)
    return process.returncode, said


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT], ids=["kill -9", "Ctrl-C"])
def test_a_stopped_output_goes_on_to_the_bit(
    whole: tuple[Path, Path, str], before: Path, how: int
) -> None:
    run, file, digest = whole
    words = ("compensate", run, file, *FAST)
    code, said = stopped_half_way(words, run, how)
    kept_as_it_was(run)
    part = run / "drive.wav.part"
    assert part.exists()
    if how == signal.SIGINT:
        assert code == 130 and "is kept" in said and "--go-on" in said and "Traceback" not in said
    else:
        assert code == -signal.SIGKILL
    other = refused(run, *words, "--go-on", "--bits", 16)
    assert "made with other settings or files" in other and "form" in other
    out = done(*words, "--go-on")
    assert "Went on behind the " in out
    assert sha256(run / "drive.wav") == digest
    assert not part.exists() and not (run / "drive.wav.part.json").exists()


def test_a_full_disk_keeps_the_part_and_what_was_there(
    whole: tuple[Path, Path, str], before: Path
) -> None:
    """A limit on the size of files stands for the disk."""
    run, file, digest = whole
    words = ("compensate", run, file, *FAST)

    def narrow() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (80 * 2**20, resource.RLIM_INFINITY))

    full = subprocess.run(
        [*COMMAND, *map(str, words)], capture_output=True, text=True, preexec_fn=narrow
    )
    assert full.returncode == 2 and "Traceback" not in full.stderr, full.stderr
    assert "no more can be written to this disk" in full.stderr and "--go-on" in full.stderr
    kept_as_it_was(run)
    done(*words, "--go-on")
    assert sha256(run / "drive.wav") == digest


def test_a_part_that_is_not_continued_is_discarded_in_a_sentence(made: Path, short: Path) -> None:
    (made / "drive.wav.part").write_bytes(b"half")
    (made / "drive.wav.part.json").write_text("{}")
    out = " ".join(done("compensate", made, short).split())
    assert f"Discarded {made / 'drive.wav.part'}" in out
    assert not (made / "drive.wav.part").exists()
    assert "no part to go on with" in done("compensate", made, short, "--force", "--go-on")


def test_words_that_make_no_sense(made: Path, short: Path) -> None:
    for words, told in (
        (("--beam-off", "sideways"), "choose follow, condition or null"),
        (("--controller", "magic"), "choose linear or calibrated"),
        (("--positions", made / "p.csv", "--tolerance-mm", 0), "between 0.00001 and 10 mm"),
        (("--positions", made / "p.txt"), ".csv, .ngc, .nc or .gcode"),
        (("--positions", made / "p.csv", "--out", made / "d.wav"), "leave out one of them"),
        (("--mirror", "z"), "mirror is x or y"),
        (("--scale", 0), "a scale that is not between"),
        (("--fit", "--x-mm", 3), "leave one out"),
        (("--corner", "cut"), "rest, bounded or round"),
        (("--corner", "round"), "belong together"),
        (("--corner", "round"), "both --corner round and --corner-tolerance-mm"),
        (("--jerk-mm-s3", 0), "--jerk-mm-s3 must be above 0"),
        (("--settle-s", -1), "--settle-s must be 0 or more"),
        (("--feed-mm-s", 0), "--feed-mm-s must be above 0"),
        (("--extra-s", -1), "between 0 and 600 s"),
        (("--park", "1,2"), "both --park and --park-wait-s"),
        (("--park", "here", "--park-wait-s", 1), "X,Y: 40,-3.5"),
        (("--park", "99,0", "--park-wait-s", 1), "--park lies outside the field"),
        (("--channels", "yx"), "choose xyb, xy, x or y"),
        (("--dither",), "dither is for 16 bits"),
        (("--rate-hz", 44100.5), "whole number from 1000 to 192000 Hz (44100.5); change --rate-hz"),
        # what would change nothing is refused
        (("--out", made / "d.csv", "--bits", 24), "--bits shapes a WAV"),
        (("--out", made / "d.csv", "--channels", "xy"), "--channels shapes a WAV"),
        (("--out", made / "d.csv", "--carrier-hz", 6000), "--carrier-hz shapes a WAV"),
        (("--positions", made / "p.csv", "--rate-hz", 48000), "--rate-hz shapes a WAV"),
        (("--positions", made / "p.csv", "--go-on"), "always written whole"),
        (("--tolerance-mm", 0.01), "--tolerance-mm is for --positions"),
        (("--controller", "linear"), "--controller is for --positions"),
        (("--start-from", made / "none.json"), "no such file"),
        (("--preview", made / "p.jpg"), "written as .png"),
        (("--start-from", made / "none.json", "--pause-s", 3), "no such file"),
    ):  # fmt: skip
        assert told in refused(made, "compensate", made, short, *words), words


def test_what_is_in_vain_for_a_kind_of_path_is_refused(made: Path, tmp_path: Path) -> None:
    (tmp_path / "part.svg").write_text(SVG)
    t = "".join(f"{0.01 * k:.2f},{0.05 * k:.2f},0,1\n" for k in range(200))
    (tmp_path / "timed.csv").write_text("t_s,x_mm,y_mm,beam\n" + t)
    for name, words, told in (
        ("timed.csv", ("--feed-mm-s", 20), "so --feed-mm-s would have no effect"),
        ("timed.csv", ("--corner", "bounded"), "so --corner would have no effect"),
        ("timed.csv", ("--settle-s", 0.1), "so --settle-s would have no effect"),
        ("part.svg", ("--feed-mm-s", 20, "--skip-unknown"), "is for RS-274 programs"),
        ("part.svg", (), "give a feed with --feed-mm-s"),
        ("part.svg", ("--feed-mm-s", 20, "--park", "1,2", "--park-wait-s", 1), "no place for"),
    ):  # fmt: skip
        assert told in refused(tmp_path, "compensate", made, tmp_path / name, *words), words


def test_faults_of_a_job_file_are_told_before_anything_begins(made: Path, tmp_path: Path) -> None:
    (tmp_path / "part.svg").write_text(SVG)
    file = tmp_path / "job.toml"
    for old, new, told in (
        ("layers = 2", "layer = 2", "line 2, column layer: this setting is not known; did you"),
        ("layers = 2", 'layers = "2"', "line 2, column layers: this is not a finite number ('2')"),
        ("part.svg", "none.svg", "there is no such file beside the job file ('none.svg')"),
        ("wait_s = 1.0", "wait_s = -1.0", "line 7, column park.wait_s: this value is not plaus"),
        ('"part.svg"', '"part.svg"\nmirror = "z"', "column parts.1.mirror: this word is not known"),
        ("columns = 2", "colums = 2", "did you mean columns?"),
        ('"part.svg"', '"job.toml"', "a part of a job is a job file itself"),
        (JOB[JOB.index("[[parts"):], "", "column parts: this setting is missing"),
    ):  # fmt: skip
        file.write_text(JOB.replace(old, new))
        assert told in refused(tmp_path, "compensate", made, file), new
    assert "…" not in call("compensate", made, file).stderr


def test_a_folder_that_cannot_be_written_is_told_before_anything_begins(
    made: Path, short: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda file, mode: mode != os.W_OK)  # root may write
    said = refused(made, "compensate", made, short)
    assert f"{made}: nothing can be written to this folder; change its rights" in said


def test_feeds_that_are_kept_or_not_reached_are_told(made: Path, tmp_path: Path) -> None:
    way = tmp_path / "way.csv"
    way.write_text("x_mm,y_mm,beam,feed_mm_s\n0,0,0,\n10,0,1,20\n10,30,1,\n")
    out = flat(done("compensate", made, way, "--feed-mm-s", 2000))
    # 10 of 40 mm; the rig speeds up over millimetres and is far from 2 m/s on 30 mm
    assert "own feeds are kept in 1 moves, 25 % of the trace" in out
    assert "% of the trace is slower than its feed" in out
    way.write_text("x_mm,y_mm,beam,feed_mm_s\n0,0,0,\n30,0,1,20\n")
    out = flat(done("compensate", made, way, "--feed-mm-s", 50, "--extra-s", 1, "--force"))
    assert "--feed-mm-s had no effect: every move" in out
    assert "--extra-s had no effect: the path has one layer" in out
    assert "slower than its feed" not in out


def test_a_park_of_ones_own_after_each_layer(made: Path, short: Path) -> None:
    done("compensate", made, short)
    before = json.loads((made / "job.json").read_text())
    words = ("--force", "--park", "-12.5,7", "--park-wait-s", 1.5)
    done("compensate", made, short, *words)
    after = json.loads((made / "job.json").read_text())
    assert after["options"]["park"] == [-12.5, 7.0, 1.5]
    assert after["layers"] == before["layers"] == 2
    assert after["duration_s"] > before["duration_s"] + 2 * 1.5
    planned = read_timed_path(made / "planned.csv")
    there = np.hypot(planned.x_mm + 12.5, planned.y_mm - 7.0) < 1e-3
    assert not planned.beam[there].any()
    assert there.mean() * after["duration_s"] == pytest.approx(2 * 1.5, abs=0.1)


def test_a_path_outside_the_field_is_moved_and_shrunk_into_it(made: Path, tmp_path: Path) -> None:
    line = tmp_path / "line.ngc"
    line.write_text("G21 G90\nG0 X50 Y0\nM3 S1\nG1 X70 Y5 F1200\nM5\n")
    assert "--fit-limits does" in refused(tmp_path, "compensate", made, line)
    out = flat(done("compensate", made, line, "--fit-limits"))
    assert "the path was shifted by −21.0 mm in x to lie in the field" in out  # reach is 49
    planned = read_timed_path(made / "planned.csv")
    assert planned.x_mm[planned.beam].max() < 49.001
    line.write_text("G21 G90\nG0 X0 Y-60\nM3 S1\nG1 Y90 F1200\nM5\n")
    out = flat(done("compensate", made, line, "--fit-limits", "--force"))
    assert "the path was scaled to 65.3 %" in out  # 2 · (49 - 0.01) of 150 mm
    timed = tmp_path / "timed.csv"
    timed.write_text("t_s,x_mm,y_mm,beam\n0,0,0,1\n1,60,0,1\n")
    said = refused(tmp_path, "compensate", made, timed, "--fit-limits", "--force")
    assert "nothing moves or scales a table with a clock of its own" in said


def test_another_output_leaves_the_job_of_the_run_alone(made: Path, short: Path) -> None:
    done("compensate", made, short)
    (made / "compensated.csv").write_text("filmed")
    kept = content(made)
    for words in (
        ("--out", made / "other.csv", "--no-plain"), ("--out", made / "third.wav"),
        ("--out", made / "third.wav", "--force"), ("--positions", made / "p.ngc", "--force"),
    ):  # fmt: skip
        out = flat(done("compensate", made, short, *words))
        assert "The run's own job (drive.wav) stays as it is" in out
        assert kept.items() <= content(made).items(), words
    new = set(content(made)) - set(kept)
    assert new == {
        "other.csv", "other.csv.job.json", "third.wav", "third.wav.job.json",
        "third.wav.planned.csv", "third.wav.plain.wav", "p.ngc", "p.ngc.job.json",
        "p.ngc.planned.csv", "p.ngc.plain.wav",
    }  # fmt: skip
    assert "other.csv: the file exists" in refused(
        made, "compensate", made, short, "--out", made / "other.csv", "--no-plain"
    )
    account = json.loads((made / "third.wav.job.json").read_text())
    assert account["drive"] == account["output"]["file"] == "third.wav"
    # the job itself, made anew, takes what was filmed of it along
    assert f"Removed {made / 'compensated.csv'}" in flat(done("compensate", made, short, "--force"))


def test_behind_an_output_that_droops_one_sentence_says_so(tmp_path: Path, short: Path) -> None:
    from hysteresis.bench import read_bench
    from hysteresis.operators.drive_chain import DriveChain

    run = new_run(tmp_path / "ac", coupling='"ac"\ncorner_hz = 2.0')
    rig = one_rig()
    axis = replace(rig.axis_x, chain=DriveChain(2 * np.pi * 2.0))
    model = fitted(replace(rig, axis_x=axis, axis_y=axis))
    found = bench_identity(read_bench(run / "bench.toml"))
    write_model(run / "model.json", replace(model, bench=found))
    said = refused(run, "compensate", run, short)
    assert "the output is AC-coupled (corner 2 Hz)" in said and "DC-coupled output" in said
    assert len(said) <= 300


def flat(out: str) -> str:
    """What was said, without its lines."""
    return " ".join(out.split())


def test_long_jobs_leave_out_the_comparison_unless_asked(made: Path, short: Path) -> None:
    assert call("compensate", made, short, "--no-plain").returncode == 0
    assert not (made / "planned.csv").exists() and not (made / "drive_plain.wav").exists()
    names = set(content(made))
    assert names == {"bench.toml", "model.json", "drive.wav", "job.json"}
    assert os.path.getsize(made / "drive.wav") > 1e6
