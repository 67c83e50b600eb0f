"""The whole job once per test run, through the command line, on simulated rigs."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

COMMAND = [sys.executable, "-c", "from hysteresis.cli import main; main()"]


def call(*words: object) -> subprocess.CompletedProcess[str]:
    """`hysteresis WORDS…` as a process of its own."""
    return subprocess.run([*COMMAND, *map(str, words)], capture_output=True, text=True, timeout=300)


def done(*words: object) -> str:
    """What a command says that must succeed."""
    finished = call(*words)
    assert finished.returncode == 0, finished.stderr
    assert "Traceback" not in finished.stderr and "Warning" not in finished.stderr
    return finished.stdout


def content(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def refused(watched: Path, *words: object) -> str:
    """The one sentence of a refused command; nothing below `watched` has changed."""
    before = content(watched)
    finished = call(*words)
    assert finished.returncode == 2, finished.stdout + finished.stderr
    lines = [line for line in finished.stderr.splitlines() if not line.endswith("…")]
    assert len(lines) == 1, finished.stderr  # beside it stand lines of progress only
    assert lines[0].startswith("hysteresis: ") and lines[0].endswith(".")
    assert content(watched) == before
    return lines[0]


TILE = """\
(Invented: two layers of a small tile, parked to one side after each.)
G21 G90 G17 F2400
M5
G0 X-10 Y-10
M3 S1
G1 X10
G1 Y10
G3 X-10 I-10 J0
G1 Y-10
M5
G0 X40 Y0
G4 P3
G0 X-10 Y-10
M3 S1
G1 X10
G1 Y10
G3 X-10 I-10 J0
G1 Y-10
M5
G0 X40 Y0
G4 P1
M2
"""


@pytest.fixture(scope="session")
def tile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("job") / "tile.ngc"
    path.write_text(TILE)
    return path


def fitted_run(folder: Path, suspension: str, *, typed: bool) -> dict[str, str]:
    """A run up to its model; what each command said."""
    said = {"new": done("new", folder)}
    kind = ("--kind", "reading-steps", "--readings", 40) if typed else ("--minutes", 2)
    said["plan"] = done("plan", folder, *kind, "--no-wav")
    simulated = ("--suspension", suspension, "--seed", 3)
    said["virtual"] = done("virtual", folder, *simulated, *(["--typed"] if typed else []))
    said["measure"] = done("measure", folder)
    said["fit"] = done("fit", folder)
    return said


def played_run(folder: Path, tile: Path, suspension: str) -> dict[str, str]:
    """From a fitted run to its report; what each command said."""
    said = {"compensate": done("compensate", folder, tile, "--pause-s", 20)}
    for drive, spots in (("drive_plain.wav", "plain.csv"), ("drive.wav", "compensated.csv")):
        said[spots] = done(
            "virtual", folder, "--suspension", suspension, "--seed", 3, "--pause-s", 20,
            "--play", folder / drive, "--out", folder / spots,
        )  # fmt: skip
    said["verify"] = done("verify", folder, "--note", "Simulated: invented rig and job.")
    return said


@pytest.fixture(scope="session")
def camera_job(tmp_path_factory: pytest.TempPathFactory, tile: Path) -> tuple[Path, dict[str, str]]:
    """The whole job on a thread rig, measured by camera: the run's folder, and what was said."""
    folder = tmp_path_factory.mktemp("camera") / "run"
    said = fitted_run(folder, "braided-thread", typed=False)
    return folder, said | played_run(folder, tile, "braided-thread")


@pytest.fixture(scope="session")
def typed_job(tmp_path_factory: pytest.TempPathFactory, tile: Path) -> tuple[Path, dict[str, str]]:
    """The same on a cord rig, measured by a person with a ruler."""
    folder = tmp_path_factory.mktemp("typed") / "run"
    said = fitted_run(folder, "twisted-cord", typed=True)
    return folder, said | played_run(folder, tile, "twisted-cord")


@pytest.fixture
def run(camera_job: tuple[Path, dict[str, str]], tmp_path: Path) -> Path:
    """A fresh copy of a fitted run, nothing compensated yet."""
    folder = tmp_path / "run"
    folder.mkdir()
    for name in ("bench.toml", "pattern.csv", "camera_log.csv", "recording.csv", "model.json"):
        shutil.copy(camera_job[0] / name, folder / name)
    return folder
