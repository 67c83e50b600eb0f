"""All outputs of a job are written, or none; a pause has bounds; harm is told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fitted_rigs import bench

from hysteresis.cli.compensate import _harm, _write
from hysteresis.compensate import LONGEST_PAUSE_S, Compensated, compensate_path, state_after_pause
from hysteresis.errors import InputError
from hysteresis.model import Discrepancy
from hysteresis.run_folder import RunFolder

from .models import fitted, one_rig, tile

OUTPUTS = ("drive.wav", "drive_plain.wav", "planned.csv", "job.json")


@pytest.fixture(scope="module")
def made() -> Compensated:
    return compensate_path(fitted(one_rig()), bench(), tile())


def folder_with_inputs(path: Path) -> tuple[RunFolder, Path]:
    (path / "model.json").write_text("{}")
    wanted = path / "tile.csv"
    wanted.write_text("x")
    return RunFolder(path), wanted


def write(path: Path, made: Compensated, target: str = "drive.wav") -> None:
    folder, wanted = folder_with_inputs(path)
    _write(folder, bench(), made, path / target, wanted, 24)


def names(path: Path) -> set[str]:
    return {file.name for file in path.iterdir()}


@pytest.mark.parametrize("target", ["drive.wav", "drive.csv", "DRIVE.WAV"])
def test_every_output_is_there_and_nothing_else(
    tmp_path: Path, made: Compensated, target: str
) -> None:
    write(tmp_path, made, target)
    assert names(tmp_path) == {"model.json", "tile.csv", target, *OUTPUTS[1:]}
    assert all((tmp_path / name).stat().st_size for name in OUTPUTS[1:])


@pytest.mark.parametrize("old", [False, True])
@pytest.mark.parametrize(
    "step", ["hysteresis.paths.drive_out.write_drive", "hysteresis.table_files.write_timed_path",
             "hysteresis.files.write_json"],
)  # fmt: skip
@pytest.mark.parametrize("fault", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_failure_half_way_leaves_everything_as_it_was(
    tmp_path: Path, made: Compensated, monkeypatch: pytest.MonkeyPatch, step: str, old: bool,
    fault: BaseException,
) -> None:  # fmt: skip
    if old:
        for name in OUTPUTS:
            (tmp_path / name).write_text("of the job before")

    def broken(*_: Any, **__: Any) -> None:
        raise fault

    monkeypatch.setattr(step, broken)
    with pytest.raises(type(fault)):
        write(tmp_path, made)
    assert names(tmp_path) == {"model.json", "tile.csv", *(OUTPUTS if old else ())}
    assert all((tmp_path / name).read_text() == "of the job before" for name in OUTPUTS if old)


def test_an_account_that_is_no_json_leaves_no_drive(tmp_path: Path, made: Compensated) -> None:
    broken = replace(made, forecast=replace(made.forecast, after_rms_mm=float("nan")))
    with pytest.raises(ValueError, match="JSON"):
        write(tmp_path, broken)
    assert names(tmp_path) == {"model.json", "tile.csv"}


@pytest.mark.parametrize("gap", [Discrepancy(np.inf, 0.4, 10, 0.0), Discrepancy(0.1, 1e6, 10, 0.0)])
def test_a_forecast_without_numbers_is_refused(gap: Discrepancy) -> None:
    """Of a model made in a program; one that is read is refused before."""
    with pytest.raises(InputError, match="forecast that is not finite"):
        compensate_path(replace(fitted(one_rig()), discrepancy=gap), bench(), tile())


@pytest.mark.parametrize("pause_s", [1e300, np.inf, np.nan, LONGEST_PAUSE_S * 1.001])
def test_a_pause_without_end_is_refused(pause_s: float) -> None:
    model = one_rig()
    with pytest.raises(InputError, match="give at most 2592000 seconds"):
        state_after_pause(model, model.rest(), pause_s)


@pytest.mark.parametrize("pause_s", [0.0, 5e-324, 1e-300, 1e-6, LONGEST_PAUSE_S])
def test_any_other_pause_can_be_waited(pause_s: float) -> None:
    model = one_rig()
    *_, state = model.spots(np.full(50, 0.3), np.full(50, 0.3), 0.01)
    after = state_after_pause(model, state, pause_s)
    assert np.all(np.isfinite(after.x)) and np.all(np.isfinite(after.y))


def told(made: Compensated, before_mm: float, after_mm: float, **changed: Any) -> list[str]:
    f = replace(made.forecast, before_rms_mm=before_mm, after_rms_mm=after_mm)
    return _harm(replace(made, forecast=f, **changed), bench())


def test_harm_is_told_in_a_sentence(made: Compensated) -> None:
    allowed = bench().tolerance.target_mm
    assert told(made, 2.0 * allowed, 0.5 * allowed) == []
    assert told(made, 2.0 * allowed, allowed) == []
    (one,) = told(made, 0.4 * allowed, 0.5 * allowed)
    assert "not foretold to help" in one and "play drive_plain.wav, or fit again" in one
    (one,) = told(made, 9.0 * allowed, 2.0 * allowed)
    assert "above the tolerance" in one and f"{2.0 * allowed:.3f} mm" in one
    assert len(told(made, 2.0 * allowed, 2.0 * allowed)) == 2
    (one,) = told(made, 0.4 * allowed, 0.5 * allowed, plain_excesses=("a limit",))
    assert one.endswith("; fit again") and "drive_plain" not in one
