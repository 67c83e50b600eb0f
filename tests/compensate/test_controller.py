"""Positions for a controller without memory: with them it puts out the compensated drive."""

from pathlib import Path

import numpy as np
import pytest
from fitted_rigs import bench
from hypothesis import given, settings
from hypothesis import strategies as st

from compensate.models import fitted, one_rig, rigs, tile
from hysteresis.compensate import compensate_path
from hysteresis.compensate.controller import Controller, drives_of, positions_for
from hysteresis.model import RigModel
from hysteresis.paths.positions_out import write_positions
from hysteresis.paths.simplified import Samples, simplified
from hysteresis.table_files import read_timed_path

KINDS: tuple[Controller, ...] = ("linear", "calibrated")


@settings(max_examples=40, deadline=None)
@given(rigs(), st.sampled_from(KINDS))
def test_the_controller_puts_out_the_drives(model: RigModel, kind: Controller) -> None:
    t = np.linspace(0, 1, 200)
    drive_x, drive_y = 0.9 * np.sin(9 * t), 0.8 * np.cos(7 * t)
    x, y = positions_for(kind, fitted(model), bench(), drive_x, drive_y)
    back_x, back_y = drives_of(kind, fitted(model), bench(), x, y)
    assert np.abs(back_x - drive_x).max() < 1e-10 and np.abs(back_y - drive_y).max() < 1e-10


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("tolerance_mm", [0.05, 0.005])
def test_a_file_of_positions_equals_the_compensated_drive(
    tmp_path: Path, kind: Controller, tolerance_mm: float
) -> None:
    """Within the tolerance of the simplification, turned into drive by the controller's gain."""
    rig = fitted(one_rig())
    whole = compensate_path(rig, bench(), tile())
    drive = whole.drive
    x, y = positions_for(kind, rig, bench(), drive.drive_x, drive.drive_y)
    samples = Samples(drive.t_s, x, y, drive.beam, np.zeros(len(drive), dtype=np.int64))
    file = tmp_path / "positions.csv"
    rows = write_positions(file, simplified([samples], tolerance_mm))
    assert rows < len(drive) / (2 if tolerance_mm > 0.01 else 1)
    back = read_timed_path(file)
    played_x, played_y = drives_of(
        kind, rig, bench(),
        np.interp(drive.t_s, back.t_s, back.x_mm), np.interp(drive.t_s, back.t_s, back.y_mm),
    )  # fmt: skip
    # the controller's steepest gain on this path, by differences, and the table's last decimals
    # (a millionth of a second, 5e-6 mm)
    gain = 0.0
    for step in ((1e-3, 0.0), (0.0, 1e-3)):
        there = drives_of(kind, rig, bench(), x + step[0], y + step[1])
        gain += max(
            float(np.abs(moved - at).max()) / 1e-3
            for moved, at in zip(there, (drive.drive_x, drive.drive_y), strict=True)
        )
    speed = np.abs(np.diff(x)).max() / np.diff(drive.t_s).min()
    allowed = 1.01 * gain * (tolerance_mm / np.sqrt(2) + 1e-5 + 1e-6 * speed)  # it bends a little
    assert np.abs(played_x - drive.drive_x).max() <= allowed
    assert np.abs(played_y - drive.drive_y).max() <= allowed
