"""The whole job once per test run, through the command line, on simulated rigs."""

from __future__ import annotations

import shutil
from functools import partial
from pathlib import Path

import pytest
from command_line import done
from shared import once

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


def whole_job(folder: Path, tile: Path, suspension: str, *, typed: bool) -> dict[str, str]:
    """Both; a try that was broken off leaves nothing in the way of the next."""
    shutil.rmtree(folder, ignore_errors=True)
    said = fitted_run(folder, suspension, typed=typed)
    return said | played_run(folder, tile, suspension)


@pytest.fixture(scope="session")
def camera_job(shared_folder: Path, tile: Path) -> tuple[Path, dict[str, str]]:
    """The whole job on a thread rig, measured by camera: the run's folder, and what was said."""
    folder = shared_folder / "camera" / "run"
    make = partial(whole_job, folder, tile, "braided-thread", typed=False)
    return folder, once("camera_job", make)


@pytest.fixture(scope="session")
def typed_job(shared_folder: Path, tile: Path) -> tuple[Path, dict[str, str]]:
    """The same on a cord rig, measured by a person with a ruler."""
    folder = shared_folder / "typed" / "run"
    make = partial(whole_job, folder, tile, "twisted-cord", typed=True)
    return folder, once("typed_job", make)


@pytest.fixture
def run(camera_job: tuple[Path, dict[str, str]], tmp_path: Path) -> Path:
    """A fresh copy of a fitted run, nothing compensated yet."""
    folder = tmp_path / "run"
    folder.mkdir()
    for name in ("bench.toml", "pattern.csv", "camera_log.csv", "recording.csv", "model.json"):
        shutil.copy(camera_job[0] / name, folder / name)
    return folder
