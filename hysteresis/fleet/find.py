"""Which folders below a folder are runs: those with a bench.toml, links followed once."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from hysteresis.errors import InputError

BENCH, MARK = "bench.toml", "fleet.json"
"""What makes a folder a run, and what makes it a store of results."""
DEEPEST = 40


@dataclass(frozen=True)
class Found:
    """Runs by name (the way below the folder, with '/'), sorted, and folders that gave trouble."""

    runs: tuple[tuple[str, Path], ...]
    troubles: tuple[tuple[str, str], ...]


def find_runs(folder: Path, keep_out: Path) -> Found:
    """Find every run in `folder` and below it, at any depth, also within other runs.

    A folder is looked at once, by whichever name comes first; so links may go in circles. Hidden
    folders, stores of results and `keep_out` are passed over. Raises InputError for a folder that
    cannot be looked at and for one without any run.
    """
    if folder.is_file():
        raise InputError("this is a file, not a folder of runs", file=folder)
    if not folder.is_dir():
        raise InputError("there is no such folder", file=folder, mend="check its name")
    runs: list[tuple[str, Path]] = []
    troubles: list[tuple[str, str]] = []
    seen: set[tuple[int, int]] = set()
    out = _identity(keep_out)

    def look(path: Path, depth: int) -> None:
        name = path.relative_to(folder).as_posix()
        identity = _identity(path)
        if identity is not None and (identity in seen or identity == out):
            return
        try:
            with os.scandir(path) as entries:
                inside = sorted(entries, key=lambda entry: entry.name)
            below = [path / e.name for e in inside if not e.name.startswith(".") and _is_folder(e)]
        except OSError as error:
            if depth == 0:
                raise InputError(
                    f"this folder cannot be read: {(error.strerror or 'no reason told').lower()}",
                    file=folder, mend="change its rights, or name another",
                ) from error  # fmt: skip
            troubles.append((name, f"cannot be read: {(error.strerror or str(error)).lower()}"))
            return
        names = {entry.name for entry in inside}
        if MARK in names and BENCH not in names:
            return
        if identity is not None:
            seen.add(identity)
        if BENCH in names:
            runs.append((name, path))
        if depth == DEEPEST:
            troubles.append((name, f"lies {DEEPEST} folders deep; deeper ones are not looked at"))
            return
        for each in below:
            look(each, depth + 1)

    look(folder, 0)
    if not runs and not troubles:
        raise InputError(
            "no run was found here or in any folder below: none holds a bench.toml", file=folder,
            mend=f"name the folder of the runs, or make one with: hysteresis new {folder}/my-rig",
        )  # fmt: skip
    return Found(tuple(sorted(runs)), tuple(sorted(troubles)))


def _identity(path: Path) -> tuple[int, int] | None:
    """What tells one folder from another, whatever its name; None where it cannot be told."""
    try:
        about = path.stat()
    except OSError:
        return None
    return about.st_dev, about.st_ino


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a link that leads to itself
        return False
