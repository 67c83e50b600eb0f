"""What `compensate` was asked, checked before anything is opened; and what the rig went through."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hysteresis.bench import Bench
from hysteresis.carrier import Carrier
from hysteresis.compensate import state_after_pause
from hysteresis.compensate.account import end_of_job
from hysteresis.compensate.beam_off import OPTIONS
from hysteresis.compensate.correction import Correction
from hysteresis.compensate.job import PathOptions
from hysteresis.errors import InputError
from hysteresis.files import sha256_of
from hysteresis.model import FittedModel, RigState
from hysteresis.paths.placement import Placement
from hysteresis.run_folder import RunFolder
from hysteresis.tables import Pattern
from hysteresis.wav_files import WavForm, checked_rate

CONTROLLERS = ("linear", "calibrated")


@dataclass(frozen=True)
class Asked:
    """The words of the command, as they were given."""

    run: Path
    path: Path
    model: Path | None = None
    correction: Path | None = None
    out: Path | None = None
    positions: Path | None = None
    controller: str = "linear"
    tolerance_mm: float = 0.01
    bits: int = 24
    channels: str = "xyb"
    dither: bool = False
    rate_hz: float | None = None
    carrier_hz: int | None = None
    plain: bool | None = None
    preview: Path | None = None
    map: Path | None = None
    pause_s: float | None = None
    start_from: Path | None = None
    scale: float = 1.0
    rotate_deg: float = 0.0
    x_mm: float = 0.0
    y_mm: float = 0.0
    mirror: Any = None
    fit: bool = False
    feed_mm_s: float | None = None
    travel_mm_s: float | None = None
    corner: Any = "rest"
    corner_tolerance_mm: float | None = None
    jerk_mm_s3: float | None = None
    settle_s: float = 0.0
    beam_off: Any = "follow"
    extra_s: float = 0.0
    fit_limits: bool = False
    layers: list[str] | None = None
    skip_unknown: bool = False
    go_on: bool = False
    force: bool = False

    def path_options(self) -> PathOptions:
        """What concerns the path alone."""
        return PathOptions(
            Placement(self.scale, self.rotate_deg, self.x_mm, self.y_mm, self.mirror, self.fit),
            self.skip_unknown, self.feed_mm_s, self.travel_mm_s, self.corner,
            self.corner_tolerance_mm, self.jerk_mm_s3, self.settle_s,
            layers=tuple(self.layers) if self.layers else None,
        )  # fmt: skip

    def form(self, bench: Bench) -> tuple[WavForm, int]:
        """How a WAV is written, checked, and its rate."""
        carrier = None if self.carrier_hz is None else Carrier(self.carrier_hz)
        form = WavForm(self.bits, self.channels, self.dither, carrier)  # type: ignore[arg-type]
        form.check()
        rate = checked_rate(self.rate_hz or bench.drive.sample_rate_hz)
        if carrier is not None:
            carrier.check(rate, bench.limits.bandwidth_hz)
        return form, rate


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


def check_places(outputs: list[Path]) -> None:
    """Say early which output could not be written."""
    for file in outputs:
        if file.is_dir():
            raise InputError("this is a folder", file=file, mend="name a file to write")
        if not file.parent.is_dir():
            raise InputError(
                "the folder to write to does not exist", file=file, mend="make it first"
            )


def check_words(asked: Asked) -> None:
    if asked.beam_off not in OPTIONS:
        raise InputError(
            "what to do while the beam is off is not known", value=asked.beam_off,
            mend=f"choose {', '.join(OPTIONS)}",
        )  # fmt: skip
    if asked.controller not in CONTROLLERS:
        raise InputError(
            "this controller is not known", value=asked.controller,
            mend=f"choose {' or '.join(CONTROLLERS)}",
        )  # fmt: skip
    if not 1e-5 <= asked.tolerance_mm <= 10.0:
        raise InputError(
            "the tolerance of positions lies between 0.00001 and 10 mm", value=asked.tolerance_mm
        )
    if asked.positions is not None and asked.out is not None:
        raise InputError(
            "a drive and positions at once", value=str(asked.out), mend="leave out one of them"
        )
    if asked.start_from is not None and asked.pause_s is None:
        raise InputError(
            "how long has the rig rested since that job?", file=asked.start_from,
            mend="add --pause-s with the seconds",
        )  # fmt: skip


def past(
    asked: Asked, folder: RunFolder, fitted: FittedModel, model_json: Path
) -> tuple[RigState | None, tuple[Pattern, float] | None]:
    """The rig's state at the start, and the pattern before with the pause, where known."""
    if asked.pause_s is None:
        return None, None
    if asked.start_from is not None:
        before = end_of_job(asked.start_from, fitted.model, sha256_of(model_json))
        return state_after_pause(fitted.model, before, asked.pause_s), None
    start = state_after_pause(fitted.model, fitted.end, asked.pause_s)
    return start, _history(folder, fitted, asked.pause_s)


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


def of_the_job_before(folder: RunFolder, target: Path, force: bool) -> list[Path]:
    """Files there now that would then be taken for parts of the new job."""
    stale = [folder.plain_csv, folder.compensated_csv]
    if target.resolve() != folder.drive_wav.resolve():
        stale.append(folder.drive_wav)
    stale = [file for file in stale if file.exists()]
    if stale and not force:
        raise InputError(
            "the file belongs to the job that was compensated before and is kept", file=stale[0],
            mend="add --force to remove it, or work in another run folder",
        )  # fmt: skip
    return stale


def keep_apart(folder: RunFolder, target: Path, asked: Asked) -> None:
    """Refuse, even with --force, an output in the place of an input or of another output.

    Likewise one whose name does not say how it is to be written.
    """
    others = [folder.drive_plain_wav, folder.planned_csv, folder.job_json]
    inputs = [
        asked.path, folder.bench_toml, folder.pattern_csv, folder.camera_log_csv, folder.typed_csv,
        folder.recording_csv, folder.model_json,
        *(file for file in (asked.model, asked.correction) if file is not None),
    ]  # fmt: skip
    pictures = {"preview": asked.preview, "map": asked.map}
    for name, file in {"out": target, **pictures}.items():
        if file is not None and file.resolve() in {f.resolve() for f in (*others, *inputs)}:
            raise InputError(
                "this name belongs to another file of the job", file=file,
                mend=f"choose another one with --{name}",
            )  # fmt: skip
    if asked.path.resolve() in {file.resolve() for file in others}:
        raise InputError(
            "the toolpath would be written over by an output of the same name", file=asked.path,
            mend="copy it to another name first",
        )  # fmt: skip
    endings = (".csv", ".ngc", ".nc", ".gcode") if asked.positions else (".wav", ".csv")
    if target.suffix.lower() not in endings:
        what = "positions are" if asked.positions else "a drive signal is"
        raise InputError(
            f"{what} written as {', '.join(endings[:-1])} or {endings[-1]}", file=target,
            value=target.suffix or None, mend="give the file one of these endings",
        )  # fmt: skip
    named = [file.resolve() for file in (target, *pictures.values()) if file is not None]
    if len(set(named)) < len(named):
        raise InputError(
            "two outputs have one name", file=asked.map or asked.preview, mend="name each otherwise"
        )
    for file in pictures.values():
        if file is not None and file.suffix.lower() != ".png":
            raise InputError("a picture is written as .png", file=file)
