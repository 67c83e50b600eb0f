"""From a run's folder to its task: which of its files are given, and which were made here."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from hysteresis.errors import InputError
from hysteresis.files import check_readable
from hysteresis.fleet.task import Task, sha256

Made = dict[str, list[str]]
_LOGS = ("camera_log.csv", "typed.csv")
_BESIDE = ("camera_log.json", "registration.json")
_MEASURED = ("recording.csv", "quality.json")
_FORCE = "add --force to write it anew, or take it out of the run"


def fit_task(
    run: str, folder: Path, made: Made, *, memory: str, stamp: str, force: bool
) -> Task:  # fmt: skip
    """The task of measuring and fitting one run.

    A file that was made here and not changed since is no input: a changed log is measured anew. A
    model of the person's that belongs to the very files of the run is taken as it is. Raises
    InputError for what is missing or cannot be read, and for a file of the person's that would
    have to be written over (unless `force`).
    """
    found = {name: _content(folder / name) for name in (
        "bench.toml", "pattern.csv", *_LOGS, *_BESIDE, *_MEASURED, "model.json",
    )}  # fmt: skip
    there = {name: data for name, data in found.items() if data is not None}
    if "bench.toml" not in there:
        raise InputError("there is no such file", file="bench.toml")
    own = {name for name, data in there.items() if sha256(data) in made.get(name, [])}
    logs = [name for name in _LOGS if name in there]
    if not logs and "recording.csv" not in there:
        raise InputError(
            "the run holds neither recording.csv nor camera_log.csv nor typed.csv",
            mend="measure it first: hysteresis measure RUN",
        )
    measure = bool(logs) and ("recording.csv" not in there or "recording.csv" in own)
    taken = ["bench.toml", "registration.json"]
    if measure:
        taken += [*logs, "camera_log.json"]
        taken += [] if "pattern.csv" in own else ["pattern.csv"]
        _refuse_foreign(("quality.json",), there, own, force)
    else:
        taken += ["pattern.csv", "recording.csv"]
        if "pattern.csv" not in there:
            raise InputError(
                "there is no such file", file="pattern.csv", mend="put the pattern there that "
                "was played",
            )  # fmt: skip
    files = {name: there[name] for name in taken if name in there}
    if "model.json" in there and "model.json" not in own and not force:
        _refuse_other_model(there, measure, memory)
        files["model.json"] = there["model.json"]
    return Task("fit", run, files, memory=memory, stamp=stamp)


def _content(path: Path) -> bytes | None:
    """A file's content, None where there is none of this name."""
    try:
        if not path.exists() and not path.is_symlink():
            return None
        check_readable(path, empty_ok=True)
        return path.read_bytes()
    except InputError as error:
        raise InputError(error.what, file=path.name, mend=error.mend) from error
    except OSError as error:
        what = f"this file cannot be read: {(error.strerror or str(error)).lower()}"
        raise InputError(what, file=path.name, mend="change its rights") from error


def _refuse_foreign(
    names: tuple[str, ...], there: dict[str, bytes], own: set[str], force: bool
) -> None:
    for name in names:
        if name in there and name not in own and not force:
            raise InputError("the file exists and is kept", file=name, mend=_FORCE)


def _refuse_other_model(there: dict[str, bytes], measure: bool, memory: str) -> None:
    """InputError unless model.json was fitted to the files of the run, with the memory asked."""
    try:
        provenance: Any = json.loads(there["model.json"])["provenance"]
        told = {name: about["sha256"] for name, about in provenance["inputs"].items()}
        recipe = provenance.get("recipe")
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
        raise InputError(
            "the file is no model that says what it was fitted to, and is kept",
            file="model.json", mend=_FORCE,
        ) from None  # fmt: skip
    names = {"bench": "bench.toml", "pattern": "pattern.csv", "recording": "recording.csv"}
    for what, name in names.items():
        here = there.get(name)
        if measure or here is None or told.get(what) != sha256(here):
            raise InputError(
                f"the model was fitted to another {name} than that of the run, and is kept",
                file="model.json", mend=_FORCE,
            )  # fmt: skip
    if memory not in ("auto", recipe):
        raise InputError(
            f"the model is one of {recipe}, not of {memory}, and is kept",
            file="model.json", mend=_FORCE,
        )  # fmt: skip
