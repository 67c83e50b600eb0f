"""What the rig of `compensate` and `advise` is, and what it went through before."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from hysteresis.bench import Bench
from hysteresis.compensate import state_after_pause
from hysteresis.compensate.account import end_of_job
from hysteresis.compensate.correction import Correction
from hysteresis.errors import InputError
from hysteresis.files import sha256_of
from hysteresis.model import FittedModel, RigState
from hysteresis.run_folder import RunFolder
from hysteresis.tables import Pattern


@dataclass(frozen=True)
class Rig:
    """The run, its rig and model, what to put on the path, and what is known of the rig's past."""

    folder: RunFolder
    bench: Bench
    fitted: FittedModel
    model_json: Path
    correction: Correction | None
    start: RigState | None
    history: tuple[Pattern, float] | None


def check_past(start_from: Path | None, pause_s: float | None) -> None:
    """InputError for an account that is not there, or a rest since it that is not told."""
    if start_from is None:
        return
    if not start_from.is_file():
        raise InputError("no such file", file=start_from,
                         mend="name the job.json of the output played before")  # fmt: skip
    if pause_s is None:
        raise InputError(
            "how long has the rig rested since that job?", file=start_from,
            mend="add --pause-s with the seconds",
        )  # fmt: skip


def past(
    folder: RunFolder,
    fitted: FittedModel,
    model_json: Path,
    *,
    pause_s: float | None,
    start_from: Path | None,
) -> tuple[RigState | None, tuple[Pattern, float] | None]:
    """The rig's state at the start, and the pattern before with the pause, where known.

    None where it is not: without `pause_s`. `start_from`: the account of the output played before.
    """
    if pause_s is None:
        return None, None
    if start_from is not None:
        before = end_of_job(start_from, fitted.model, sha256_of(model_json))
        return state_after_pause(fitted.model, before, pause_s), None
    start = state_after_pause(fitted.model, fitted.end, pause_s)
    return start, _history(folder, fitted, pause_s)


def _history(
    folder: RunFolder, fitted: FittedModel, pause_s: float
) -> tuple[Pattern, float] | None:
    """The pattern that the model was fitted to and the pause since, if that pattern is there."""
    from hysteresis.table_files import read_pattern

    source = fitted.provenance.get("inputs", {}).get("pattern", {})
    file = folder.pattern_csv
    if fitted.trust is None or not file.exists() or source.get("sha256") != sha256_of(file):
        return None
    return read_pattern(file), pause_s
