"""The whole job once per test run, through the command line, on simulated rigs."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from command_line import done

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
