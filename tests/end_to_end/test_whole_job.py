"""The whole job as a person does it: measure, fit, compensate, play, verify, all by command."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from command_line import done_here as done

from hysteresis.bench import read_bench
from hysteresis.files import sha256_of
from hysteresis.model import read_model
from hysteresis.table_files import read_timed_path
from hysteresis.wav_files import read_drive_wav

Job = tuple[Path, dict[str, str]]


def error_mm(folder: Path, played: str) -> float:
    """Rms distance from the plan over the traced rows; worked out here, not by the toolkit."""
    planned = read_timed_path(folder / "planned.csv")
    spots = read_timed_path(folder / played)
    x = np.interp(planned.t_s, spots.t_s, spots.x_mm) - planned.x_mm
    y = np.interp(planned.t_s, spots.t_s, spots.y_mm) - planned.y_mm
    return float(np.sqrt(np.mean((x**2 + y**2)[planned.beam])))


WRITTEN = {
    "bench.toml", "pattern.csv", "pattern.png", "recording.csv", "model.json", "drive.wav",
    "drive_plain.wav", "planned.csv", "job.json", "plain.csv", "compensated.csv", "report.html",
    "simulated.txt", "quality.json", "fit_report.html",
}  # fmt: skip


def test_by_camera_the_error_falls_many_times(camera_job: Job) -> None:
    """A thread rig's memory is about 1.5 mm on this job and two minutes of camera leave what the
    fit's own held-out error says, some 0.1 mm: a cut of ten or more, of which half is asked."""
    folder, _ = camera_job
    assert {path.name for path in folder.iterdir()} == WRITTEN | {"camera_log.csv"}
    before, after = error_mm(folder, "plain.csv"), error_mm(folder, "compensated.csv")
    print(f"by camera: {before:.3f} mm before, {after:.3f} mm after")
    assert before > 0.5 and before > 5 * after


def test_by_ruler_it_falls_too(typed_job: Job) -> None:
    """40 readings to 0.5 mm: what is left is that of readings, not of memory."""
    folder, _ = typed_job
    sheets = {"typed.csv", "reading_sheet.csv", "reading_sheet.pdf"}
    assert {path.name for path in folder.iterdir()} == WRITTEN | sheets
    before, after = error_mm(folder, "plain.csv"), error_mm(folder, "compensated.csv")
    print(f"by ruler: {before:.3f} mm before, {after:.3f} mm after")
    assert before > 2 * after


@pytest.mark.parametrize("how", ["camera_job", "typed_job"])
def test_what_was_foretold_and_what_was_played_agree(how: str, request) -> None:
    folder, said = request.getfixturevalue(how)
    told = json.loads((folder / "job.json").read_text())["forecast"]
    before, after = error_mm(folder, "plain.csv"), error_mm(folder, "compensated.csv")
    assert told["before_rms_mm"] == pytest.approx(before, rel=0.35)
    assert told["after_low_mm"] <= after <= told["after_high_mm"]
    assert f"{told['before_rms_mm']:.3f}" in said["compensate"]


def test_the_park_to_one_side_shows_as_a_shift_towards_it(camera_job: Job) -> None:
    """Common practice, no source. The second layer, after the park at x = +40 mm."""
    folder, _ = camera_job
    planned, spots = (read_timed_path(folder / f"{n}.csv") for n in ("planned", "plain"))
    off = np.interp(planned.t_s, spots.t_s, spots.x_mm) - planned.x_mm
    edges = np.flatnonzero(np.diff(planned.beam.astype(int)))
    first, second = (slice(edges[k] + 1, edges[k + 1]) for k in (0, 2))
    assert off[second].mean() - off[first].mean() > 0.2


def test_the_report_says_what_verify_said(camera_job: Job) -> None:
    folder, said = camera_job
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>") and "Simulated: invented rig and job." in page
    assert "<img" in page or "<svg" in page
    assert not re.search(r"""(?:src|href)=["']https?://""", page)  # one file, pictures inside
    before, after = error_mm(folder, "plain.csv"), error_mm(folder, "compensated.csv")
    assert f"the spot was {before:.1f}" in said["verify"]
    assert "Missing" not in said["verify"]
    assert f"{before / after:.1f}"[:2] in said["verify"]


def test_each_command_says_what_comes_next(camera_job: Job) -> None:
    folder, said = camera_job
    for command, following in (
        ("new", "plan"), ("measure", "fit"), ("fit", "compensate"), ("compensate", "verify")
    ):  # fmt: skip
        assert f"hysteresis {following} {folder}" in said[command]


def test_commands_that_write_a_signal_give_the_cautions(camera_job: Job) -> None:
    _, said = camera_job
    for command in ("plan", "compensate", "verify"):
        assert "Caution: a beam held still" in said[command] and "60825-1" in said[command]


def test_the_job_file_names_what_it_was_made_from(camera_job: Job, tile: Path) -> None:
    folder, _ = camera_job
    job = json.loads((folder / "job.json").read_text())
    assert job["input"] == {"file": "tile.ngc", "sha256": sha256_of(tile)}
    assert job["model"]["sha256"] == sha256_of(folder / "model.json")
    model = read_model(folder / "model.json", read_bench(folder / "bench.toml"))
    assert len(job["end_state"]["x"]) == len(model.end.x)
    inputs = model.provenance["inputs"]
    assert inputs["recording"]["sha256"] == sha256_of(folder / "recording.csv")


def test_the_signal_is_within_the_limits_of_the_bench(camera_job: Job) -> None:
    folder, said = camera_job
    limits = read_bench(folder / "bench.toml").limits
    for name in ("drive.wav", "drive_plain.wav"):
        drive, rate = read_drive_wav(folder / name)
        planned = read_timed_path(folder / "planned.csv")
        assert rate == 48_000 and drive.t_s[-1] == pytest.approx(planned.t_s[-1], abs=1e-3)
        for u in (drive.drive_x, drive.drive_y):
            assert np.abs(u).max() <= limits.max_drive + 2**-23
            assert abs(u[0]) < 0.01 and u[-1] == 0.0
        # the beam of the WAV is that of the plan
        row = np.searchsorted(planned.t_s, drive.t_s[::97] + 1e-6, side="right") - 1
        assert (drive.beam[::97] == planned.beam[row]).mean() > 0.999
    assert "every limit of the bench is met" in " ".join(said["compensate"].split())


def test_advice_foretells_what_compensation_does(camera_job: Job, tile: Path) -> None:
    """The same rig, path and past: the same error is foretold, to the last digit shown."""
    folder, _ = camera_job
    told = json.loads((folder / "job.json").read_text())["forecast"]
    out = " ".join(done("advise", folder, tile, "--pause-s", 20, "--extra-s", 0).split())
    assert f"as compensate has it: {told['after_rms_mm']:.3f} mm" in out
    assert f"({told['after_low_mm']:.3f} … {told['after_high_mm']:.3f})" in out


def test_the_fit_says_how_far_to_trust_it(camera_job: Job, typed_job: Job) -> None:
    for words in ("residual / noise, robust", "held-out residual", "Error on data held out",
                  "friction memory", "resonance", "Note: 120 s are too short"):  # fmt: skip
        assert words in " ".join(camera_job[1]["fit"].split())
    for words in ("Candidates", "chosen", "not its spectrum"):
        assert words in " ".join(typed_job[1]["fit"].split())
