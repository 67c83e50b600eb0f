"""What a fleet keeps on disk: results by the key of their inputs, and which files it wrote.

A result is written whole before any file of a run is, so that a stop at any moment loses only
what was being worked on. The ledger of a run knows which of its files were made here: those, as
long as nobody has changed them, may be made anew; all others are the person's.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hysteresis.errors import HysteresisError, InputError
from hysteresis.files import read_json, write_json
from hysteresis.fleet.find import BENCH, MARK
from hysteresis.fleet.task import Outcome, Task, sha256

SCHEMA, SCHEMA_VERSION = "hysteresis fleet", 1


@dataclass(frozen=True)
class Store:
    """The folder of results."""

    path: Path

    def read(self, key: str) -> Outcome | None:
        """The result of this key; None where there is none, or none that is whole."""
        path = self._result(key)
        if not path.exists():
            return None
        try:
            content = read_json(path)
            told = content.pop("sha256")
            if told != _digest(content) or content["key"] != key:
                return None
            return Outcome(
                done=content["done"],
                files={name: text.encode() for name, text in content["files"].items()},
                plain=content["plain"],
                seconds=float(content["seconds"]),
                reason=content["reason"],
            )
        except (HysteresisError, LookupError, TypeError, ValueError, AttributeError):
            return None  # damaged: worked out again

    def write(self, key: str, task: Task, outcome: Outcome, software: dict[str, str]) -> None:
        """Keep a result, or a failure that would come again."""
        content = {
            "schema": SCHEMA, "schema_version": SCHEMA_VERSION, "key": key, "run": task.run,
            "kind": task.kind, "memory": task.memory, "stamp": task.stamp,
            "inputs": task.inputs(), "software": software, "done": outcome.done,
            "seconds": round(outcome.seconds, 3), "reason": outcome.reason,
            "files": {name: data.decode() for name, data in outcome.files.items()},
            "plain": outcome.plain,
        }  # fmt: skip
        write_json(self._result(key), content | {"sha256": _digest(content)})

    def made(self, run: str) -> dict[str, list[str]]:
        """SHA-256 of every content that was written to a run, by the name of its file."""
        path = self._ledger(run)
        if not path.exists():
            return {}
        try:
            content = read_json(path)
            made = content["made"]
            return {str(name): [str(one) for one in ones] for name, ones in made.items()}
        except (HysteresisError, LookupError, TypeError, AttributeError):
            return {}  # then all files are taken for the person's

    def note_made(self, run: str, name: str, data: bytes) -> None:
        """Put down that a file is about to be written; before, so that none goes unnoted."""
        made = self.made(run)
        one = sha256(data)
        if one not in made.get(name, []):
            made[name] = [*made.get(name, []), one]
            content = {"schema": SCHEMA, "schema_version": SCHEMA_VERSION, "run": run,
                       "made": made}  # fmt: skip
            write_json(self._ledger(run), content)

    def _result(self, key: str) -> Path:
        return self.path / "results" / f"{key}.json"

    def _ledger(self, run: str) -> Path:
        return self.path / "made" / f"{sha256(run.encode())[:24]}.json"


def open_store(path: Path) -> Store:
    """Open or make the folder of results; InputError where something else stands there."""
    if path.exists() and not path.is_dir():
        raise InputError(
            "a file of this name stands in the way of the folder of results", file=path,
            mend="name another folder with --out DIR",
        )  # fmt: skip
    if (path / BENCH).exists():
        raise InputError(
            "this is a run, so results cannot be kept here", file=path,
            mend="name another folder with --out DIR",
        )  # fmt: skip
    mark = path / MARK
    if mark.exists():
        content = read_json(mark, mend="name another folder with --out DIR")
        version = content.get("schema_version") if isinstance(content, dict) else None
        if not isinstance(content, dict) or content.get("schema") != SCHEMA:
            raise InputError(
                "this file is not one of a fleet's results", file=mark,
                mend="name another folder with --out DIR",
            )  # fmt: skip
        if type(version) is not int or version > SCHEMA_VERSION:
            raise InputError(
                f"the results have schema version {version}, this version of the toolkit reads "
                f"{SCHEMA_VERSION}",
                file=mark, mend="update the toolkit, or name another folder with --out DIR",
            )  # fmt: skip
    for folder in (path, path / "results", path / "made"):
        folder.mkdir(parents=True, exist_ok=True)
    if not mark.exists():
        write_json(mark, {"schema": SCHEMA, "schema_version": SCHEMA_VERSION})
    return Store(path)


def _digest(content: dict[str, Any]) -> str:
    return sha256(json.dumps(content, sort_keys=True).encode())
