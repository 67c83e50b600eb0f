"""`hysteresis measure --video` as a person runs it: films in, log and recording out, refusals."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from command_line import COMMAND, call, done, in_process, refused
from PIL import Image

from hysteresis.bench_template import TEMPLATE
from hysteresis.homography import fit_homography
from hysteresis.table_files import (
    read_camera_log,
    read_recording,
    write_camera_log,
    write_pattern,
)
from hysteresis.tables import CameraLog

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


class _OnTarget(Scene):
    """A spot on the printed target, as OpenCV sees the page through a bent lens."""

    def ground(self) -> np.ndarray:
        return 0.45 * _PAGE


def _look():
    from measure.target_pictures import camera

    return camera(np.random.default_rng(3), tilt_deg=12, turn_deg=5, distance_mm=175, focal_px=400,
                  size=(400, 300), distortion=(-0.1, 0.02, 0, 0))  # fmt: skip


_PAGE = np.zeros((300, 400))


@pytest.fixture(scope="module")
def on_target(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run without fiducials; films with the target in the picture, upright and mirrored."""
    pytest.importorskip("cv2")
    from measure.target_pictures import photograph

    folder = tmp_path_factory.mktemp("on_target")
    (folder / "run").mkdir()
    before, rest = TEMPLATE.split("fiducials = [", 1)
    text = before + rest.split("\n]", 1)[1]
    (folder / "run" / "bench.toml").write_text(text, encoding="utf-8")
    pattern = make_pattern(1, 12.0, rise_s=0.3)
    write_pattern(folder / "run" / "pattern.csv", pattern)
    t = np.arange(int((pattern.t_s[-1] + LEAD_S) * RATE) + 1) / RATE - LEAD_S
    mm = 40.0 * np.column_stack(
        [np.interp(t, pattern.t_s, drive) for drive in (pattern.drive_x, pattern.drive_y)]
    )
    _PAGE[:] = photograph(_look(), noise=0, rng=np.random.default_rng(0))
    scene = _OnTarget(_look().sees(mm), height=300, width=400, exposure=0.008 * RATE, sigma=2.0)
    film(folder / "film.mp4", scene)
    _PAGE[:] = _PAGE[:, ::-1].copy()
    mirrored = replace(scene, path=np.array([399.0, 0.0]) + [-1.0, 1.0] * scene.path[:120])
    film(folder / "mirrored.mp4", mirrored)
    np.save(folder / "mm.npy", mm)
    return folder


def test_the_target_in_the_film_places_it(on_target: Path, tmp_path: Path) -> None:
    """No fiducials, no registration: the page in the picture tells both, and is kept."""
    run = copied(on_target / "run", tmp_path / "run")
    finished = in_process("measure", run, "--video", on_target / "film.mp4")
    assert finished.returncode == 0, finished.stderr
    assert "Found the printed target in the film" in finished.stdout
    log, recording = read_camera_log(run / "camera_log.csv"), read_recording(run / "recording.csv")
    mm = np.load(on_target / "mm.npy")
    still = np.all(mm[1:] == mm[:-1], axis=1)
    still[1:] &= still[:-1].copy()  # the whole exposure at rest
    frame = log.frame[np.argsort(log.t_s, kind="stable")]
    good = recording.used & still[frame]
    error = np.column_stack([recording.x_mm, recording.y_mm])[good] - mm[frame[good]]
    assert good.sum() > 100
    assert np.sqrt(np.mean(error**2)) < 0.05  # an eighth of a pixel, and the places' own
    # the log alone is enough from now on
    before = (run / "recording.csv").read_bytes()
    again = in_process("measure", run, "--force")
    assert again.returncode == 0, again.stderr
    assert (run / "recording.csv").read_bytes() == before


def test_a_registration_of_another_size_or_form(on_target: Path, tmp_path: Path) -> None:
    """A still twice as fine is scaled, for the film and for its log later; a turned one refused."""
    from measure.target_pictures import photograph

    run = copied(on_target / "run", tmp_path / "run")
    view = _look()
    fine = replace(view, size=(800, 600), focal_px=800.0)
    Image.fromarray(photograph(fine, noise=0, fine=2)).save(tmp_path / "plane.png")
    assert in_process("register", run, "--target", tmp_path / "plane.png").returncode == 0
    finished = in_process("measure", run, "--video", on_target / "film.mp4")
    assert finished.returncode == 0, finished.stderr
    assert "800 by 600 pixels, is scaled to 400" in " ".join(finished.stdout.split())
    first = read_recording(run / "recording.csv")
    assert in_process("measure", run, "--force").returncode == 0
    later = read_recording(run / "recording.csv")
    np.testing.assert_array_equal(first.x_mm, later.x_mm)
    Image.fromarray(np.rot90(photograph(fine, noise=0, fine=2)).copy()).save(
        tmp_path / "turned.png"
    )
    done = in_process("register", run, "--target", tmp_path / "turned.png", "--force")
    assert done.returncode == 0, done.stderr
    (run / "camera_log.csv").unlink()
    (run / "recording.csv").unlink()
    (run / "quality.json").unlink()
    refused = in_process("measure", run, "--video", on_target / "film.mp4")
    assert refused.returncode == 2 and "turned by 90 degrees" in refused.stderr
    assert not (run / "camera_log.csv").exists()


def test_no_target_and_a_mirrored_one(filmed: Path, on_target: Path, tmp_path: Path) -> None:
    """Told before the film is followed, with a picture of what was seen; nothing else is left."""
    run = copied(on_target / "run", tmp_path / "run")
    for film_file, words in ((filmed / "film.mp4", "no target is seen"),
                             (on_target / "mirrored.mp4", "seen mirrored")):  # fmt: skip
        told = in_process("measure", run, "--video", film_file)
        assert told.returncode == 2 and words in told.stderr, told.stderr
        assert "seen.png shows what was seen" in told.stderr and "register" in told.stderr
        assert sorted(p.name for p in run.iterdir()) == ["bench.toml", "pattern.csv", "seen.png"]
    no_camera = TEMPLATE.split("[camera]")[0] + "[tolerance]" + TEMPLATE.rsplit("[tolerance]", 1)[1]
    (run / "bench.toml").write_text(no_camera, encoding="utf-8")
    told = in_process("measure", run, "--video", filmed / "film.mp4")
    assert told.returncode == 2 and "no [camera] section" in told.stderr


def test_without_the_camera_extra(filmed: Path, run: Path, monkeypatch) -> None:
    """Where PyAV or OpenCV is not installed, the sentence says what to install."""
    monkeypatch.setitem(sys.modules, "av", None)
    told = in_process("measure", run, "--video", filmed / "film.mp4")
    assert told.returncode == 2 and "hysteresis[camera]" in told.stderr
    monkeypatch.setitem(sys.modules, "cv2", None)
    Image.new("L", (320, 240), 128).save(run / "plane.png")
    told = in_process("register", run, "--target", run / "plane.png")
    assert told.returncode == 2 and "hysteresis[camera]" in told.stderr


def test_two_runs_in_one_film_and_films_of_something_else(filmed: Path, run: Path) -> None:
    """Takes are chosen by number; a spot that stands still and a damaged film are refused."""
    log = read_camera_log_of_two(filmed, run)
    for take, words in ((None, "take 2 is used"), (1, "take 1 is used")):
        chosen = () if take is None else ("--take", take)
        finished = in_process("measure", run, "--camera", log, "--force", *chosen)
        assert finished.returncode == 0, finished.stderr
        assert words in finished.stdout
    told = in_process("measure", run, "--camera", log, "--force", "--take", 3)
    assert told.returncode == 2 and "choose one from 1 to 2" in told.stderr
    broken = filmed / "broken.mp4"
    broken.write_bytes((filmed / "film.mp4").read_bytes()[:40_000])
    told = in_process("measure", run, "--video", broken, "--force")
    assert told.returncode == 2 and "no end" in told.stderr
    (run / "registration.json").write_text('{"half', encoding="utf-8")
    told = in_process("measure", run, "--video", filmed / "film.mp4", "--force")
    assert told.returncode == 2 and "registration.json" in told.stderr


def read_camera_log_of_two(filmed: Path, run: Path) -> Path:
    """The log of a film in which the pattern is played twice."""
    if not (filmed / "log.csv").exists():
        done("measure", run, "--video", filmed / "film.mp4")
        (filmed / "log.csv").write_bytes((run / "camera_log.csv").read_bytes())
    log = read_camera_log(filmed / "log.csv")
    n, step = int(log.frame[-1]) + 1, 1.0 / RATE
    twice = {name: np.tile(getattr(log, name), 2) for name in ("u_px", "v_px", "weight")}
    frame = np.concatenate([log.frame, log.frame + n])
    write_camera_log(run / "two.csv", CameraLog(frame, frame * step, **twice))
    return run / "two.csv"


def copied(source: Path, folder: Path) -> Path:
    folder.mkdir()
    for file in source.iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    return folder


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
