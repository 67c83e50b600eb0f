"""`hysteresis measure --video` as a person runs it: films in, log and recording out, refusals."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from command_line import COMMAND, call, done, refused
from PIL import Image

from hysteresis.bench_template import TEMPLATE
from hysteresis.homography import fit_homography
from hysteresis.table_files import read_camera_log, read_recording, write_pattern

sys.path.insert(0, str(Path(__file__).parents[1]))
from measure.clips import Scene, film
from measure.synthetic import make_pattern

SECONDS, LEAD_S, RATE = 24.0, 0.7, 30.0
FIDUCIALS = np.array([(40, 210), (280, 212), (278, 26), (42, 30), (160, 119)], float)
MARKS_MM = np.array([(-50, -50), (50, -50), (50, 50), (-50, 50), (0, 0)], float)


def bench_text() -> str:
    """The template with the marks as a small camera sees them."""
    before, rest = TEMPLATE.split("fiducials = [", 1)
    after = rest.split("\n]", 1)[1]
    rows = "\n".join(
        f"    {{ u_px = {u}, v_px = {v}, x_mm = {x}, y_mm = {y} }},"
        for (u, v), (x, y) in zip(FIDUCIALS, MARKS_MM, strict=True)
    )
    return f"{before}fiducials = [\n{rows}\n]{after}"


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a run and the film of its pattern; the spot goes where the drive says."""
    folder = tmp_path_factory.mktemp("filmed")
    (folder / "run").mkdir()
    (folder / "run" / "bench.toml").write_text(bench_text(), encoding="utf-8")
    pattern = make_pattern(1, SECONDS)
    write_pattern(folder / "run" / "pattern.csv", pattern)
    n = int((pattern.t_s[-1] + LEAD_S) * RATE)
    t = np.arange(n + 1) / RATE - LEAD_S
    mm = 40.0 * np.column_stack(
        [np.interp(t, pattern.t_s, drive) for drive in (pattern.drive_x, pattern.drive_y)]
    )
    u, v = fit_homography(MARKS_MM, FIDUCIALS).apply(*mm.T)
    film(folder / "film.mp4", Scene(np.column_stack((u, v)), exposure=0.008 * RATE, sigma=2.0))
    return folder


@pytest.fixture
def run(filmed: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "run"
    folder.mkdir()
    for file in (filmed / "run").iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    return folder


def test_a_film_becomes_a_recording(filmed: Path, run: Path) -> None:
    said = done("measure", run, "--video", filmed / "film.mp4")
    assert "frame rate" in said and "luma" in said and "camera_log.csv" in said
    log = read_camera_log(run / "camera_log.csv")
    recording = read_recording(run / "recording.csv")
    assert recording.used.sum() > 0.9 * len(log)
    assert np.nanmedian(log.sigma_u_px) < 0.1
    with Image.open(run / "difficult_frames.png") as sheet:
        assert sheet.width > 500
    # the log is kept, so that the film need not be read again
    assert "exists" in refused(run, "measure", run, "--video", filmed / "film.mp4")
    again = done("measure", run, "--force")
    assert "camera_log.csv" in again
    done("measure", run, "--video", filmed / "film.mp4", "--force", "--light", "green")


@pytest.mark.parametrize("other", ["--camera", "--typed"])
def test_one_source_at_a_time(filmed: Path, run: Path, other: str) -> None:
    film_file = filmed / "film.mp4"
    assert "one at a time" in refused(run, "measure", run, "--video", film_file, other, film_file)


def test_what_is_no_film(filmed: Path, run: Path) -> None:
    text = filmed / "no_film.mp4"
    text.write_text("t_s,u_px\n1,2\n" * 300, encoding="utf-8")
    assert "cannot be read as a film" in refused(run, "measure", run, "--video", text)
    assert "no such file" in refused(run, "measure", run, "--video", filmed / "nothing.mp4")
    assert "no such measure of light" in refused(
        run, "measure", run, "--video", filmed / "film.mp4", "--light", "violet"
    )


def test_no_spot_leaves_a_picture_of_what_was_seen(filmed: Path, run: Path) -> None:
    dark = filmed / "dark.mp4"
    film(dark, Scene(np.full((81, 2), np.nan)))
    finished = call("measure", run, "--video", dark)
    assert finished.returncode == 2 and "Traceback" not in finished.stderr
    assert "no moving spot" in finished.stderr and "seen.png" in finished.stderr
    with Image.open(run / "seen.png") as seen:
        assert seen.size == (320, 240)
    assert not (run / "camera_log.csv").exists() and not (run / "recording.csv").exists()


def test_stopped_half_way_leaves_nothing(filmed: Path, run: Path) -> None:
    before = sorted(p.name for p in run.iterdir())
    process = subprocess.Popen(
        [*COMMAND, "measure", str(run), "--video", str(filmed / "film.mp4")],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stderr is not None
    while "Following" not in process.stderr.readline():
        pass
    time.sleep(0.3)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130 and "Traceback" not in said
    assert sorted(p.name for p in run.iterdir()) == before


def test_the_film_of_a_job_needs_its_drive(filmed: Path, run: Path) -> None:
    """The log of a job goes to a file of its own; here nothing was played."""
    finished = call("measure", run, "--video", filmed / "film.mp4", "--job", "plain", "--drive",
                    run / "pattern.csv")  # fmt: skip
    assert "Traceback" not in finished.stderr
    assert (run / "job_log.csv").exists() and not (run / "camera_log.csv").exists()
