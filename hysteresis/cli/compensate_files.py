"""Which files an output of `compensate` writes, and which of those there now may not be lost.

The job of a run has `planned.csv`, `drive_plain.wav` and `job.json`, by which `measure`, `verify`
and `learn` go. A further output beside it (another `--out` or `--positions`) leaves all of that as
it is: what belongs to it is named after it.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from hysteresis.cli.compensate_asked import Asked
from hysteresis.errors import InputError
from hysteresis.files import read_json
from hysteresis.run_folder import RunFolder, refuse_overwrite

DRIVES = (".wav", ".csv")
POSITIONS = (".csv", ".ngc", ".nc", ".gcode")


@dataclass(frozen=True)
class Outputs:
    """Names of what one output writes.

    `stale`: files of the job that this one replaces, which would be taken for parts of the new
    one. `beside`: the output of the run's own job, which stays; None where this is that job.
    """

    target: Path
    planned_csv: Path
    plain_wav: Path
    job_json: Path
    pictures: tuple[Path, ...]
    stale: tuple[Path, ...]
    beside: Path | None


def outputs_of(folder: RunFolder, asked: Asked) -> Outputs:
    """The files that would be written. Raises InputError for names that cannot be, or clash."""
    target = asked.positions or asked.out or folder.drive_wav
    pictures = tuple(file for file in (asked.preview, asked.map) if file is not None)
    beside = _other_job(folder, target)
    if beside is None:
        names = (folder.planned_csv, folder.drive_plain_wav, folder.job_json)
        stale = [folder.plain_csv, folder.compensated_csv]
        if asked.plain is False:
            stale += names[:2]
    else:
        names = tuple(  # type: ignore[assignment]
            target.with_name(f"{target.name}.{end}")
            for end in ("planned.csv", "plain.wav", "job.json")
        )
        stale = []
    out = Outputs(target, *names, pictures, tuple(f for f in stale if f.exists()), beside)
    _check_names(folder, asked, out)
    return out


def check_kept(out: Outputs, asked: Asked) -> None:
    """Refuse to write over or remove what is there unasked, and what could not be written."""
    comparison = () if asked.plain is False else (out.planned_csv, out.plain_wav)
    files = (out.target, *comparison, out.job_json, *out.pictures)
    for file in files:
        refuse_overwrite(file, asked.force)
    if out.stale and not asked.force:
        raise InputError(
            "the file belongs to the job that was compensated before and is kept",
            file=out.stale[0], mend="add --force to remove it, or work in another run folder",
        )  # fmt: skip
    for file in files:
        if file.is_dir():
            raise InputError("this is a folder", file=file, mend="name a file to write")
        if not file.parent.is_dir():
            raise InputError(
                "the folder to write to does not exist", file=file, mend="make it first"
            )
        if not os.access(file.parent, os.W_OK):
            raise InputError(
                "nothing can be written to this folder", file=file.parent,
                mend="change its rights, or copy the run to another one",
            )  # fmt: skip


def as_seen_from(folder: RunFolder, file: Path) -> str:
    """The name of a file for the run's own: from its folder, if there is a way."""
    try:
        return Path(os.path.relpath(file.resolve(), folder.path.resolve())).as_posix()
    except ValueError:  # on another drive
        return file.name


def _other_job(folder: RunFolder, target: Path) -> Path | None:
    """The output of the run's job, if it is there and another file than `target`."""
    try:
        found = read_json(folder.job_json)
        file = folder.path / str(found["output"]["file"])
    except (InputError, OSError, KeyError, TypeError):
        return None  # no job, or nothing that tells of one
    return file if file.is_file() and file.resolve() != target.resolve() else None


def _check_names(folder: RunFolder, asked: Asked, out: Outputs) -> None:
    """Refuse, even with --force, an output in the place of an input or of another output.

    Likewise one whose name does not say how it is to be written.
    """
    others = {f.resolve() for f in (
        folder.drive_plain_wav, folder.planned_csv, folder.job_json,
        out.plain_wav, out.planned_csv, out.job_json,
    )}  # fmt: skip
    given = [asked.path, asked.model, asked.correction, asked.start_from]
    inputs = {
        f.resolve() for f in (
            folder.bench_toml, folder.pattern_csv, folder.camera_log_csv, folder.typed_csv,
            folder.recording_csv, folder.model_json, folder.registration_json, folder.plain_csv,
            folder.compensated_csv, *(file for file in given if file is not None),
        )
    }  # fmt: skip
    option = "positions" if asked.positions else "out"
    pictures = {"preview": asked.preview, "map": asked.map}
    for name, file in {option: out.target, **pictures}.items():
        if file is not None and file.resolve() in others | inputs:
            raise InputError(
                "this name belongs to another file of the job", file=file,
                mend=f"choose another one with --{name}",
            )  # fmt: skip
    if asked.path.resolve() in others:
        raise InputError(
            "the toolpath would be written over by an output of the same name", file=asked.path,
            mend="copy it to another name first",
        )  # fmt: skip
    endings = POSITIONS if asked.positions else DRIVES
    if out.target.suffix.lower() not in endings:
        what = "positions are" if asked.positions else "a drive signal is"
        raise InputError(
            f"{what} written as {', '.join(endings[:-1])} or {endings[-1]}", file=out.target,
            value=out.target.suffix or None, mend="give the file one of these endings",
        )  # fmt: skip
    named = [file.resolve() for file in (out.target, *out.pictures)]
    if len(set(named)) < len(named):
        raise InputError(
            "two outputs have one name", file=asked.map or asked.preview, mend="name each otherwise"
        )
    for file in out.pictures:
        if file.suffix.lower() != ".png":
            raise InputError("a picture is written as .png", file=file)
