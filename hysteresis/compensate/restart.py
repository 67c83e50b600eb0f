"""A long output that can be continued: the part written so far, and what it belongs to.

While a file is made it is called `NAME.part`, and beside it `NAME.part.json` says what it is made
from and how many of its bytes are on disk for sure. Only a whole file gets its own name; the file
that had it before stays until then. To continue, the same bytes are made again from the
beginning (which takes far less than writing them), compared with those that are there, and
written from where the part ends: so the whole file is the same to the last bit.
"""

from __future__ import annotations

import json
import os
import time
import zlib
from pathlib import Path
from typing import Any

from hysteresis.errors import InputError
from hysteresis.files import read_json, write_json

EVERY_S = 5.0  # between two checkpoints
EVERY_BYTES = 64 * 2**20
SCHEMA = "hysteresis part"
Bytes = bytes | memoryview


def part_of(target: Path | str) -> Path:
    """The name under which a file is made."""
    target = Path(os.path.realpath(target))
    return target.with_name(target.name + ".part")


def note_of(target: Path | str) -> Path:
    """The file beside the part that says how far it is."""
    part = part_of(target)
    return part.with_name(part.name + ".json")


def left_behind(target: Path | str) -> bool:
    """Whether there is a part of that file."""
    return part_of(target).exists() or note_of(target).exists()


def discard(target: Path | str) -> None:
    """Remove the part of a file and its note."""
    note_of(target).unlink(missing_ok=True)
    part_of(target).unlink(missing_ok=True)


class PartFile:
    """One output under way. `key` says what makes its bytes (hashes of inputs, options): plain
    JSON content; a part with another key is not continued.

    >>> with PartFile("drive.wav", {"input": "…"}) as out:   # doctest: +SKIP
    ...     out.write(b"…")
    ...     out.finish()

    Left without `finish`, the part stays if a checkpoint of it was made, else it is removed.
    """

    def __init__(
        self, target: Path | str, key: dict[str, Any], *, go_on: bool = False,
        every_s: float = EVERY_S,
    ) -> None:  # fmt: skip
        """Raises InputError where `go_on` is asked for and the part belongs to something else."""
        self.target = Path(os.path.realpath(target))
        self.part, self.note = part_of(target), note_of(target)
        self.key = json.loads(json.dumps(key))
        self.every_s = every_s
        self.state: dict[str, Any] = {}  # goes into the note with the next checkpoint
        self.made = self.sum = 0  # bytes that were given to `write`, and their CRC-32
        self.kept, self.kept_sum = _known(self.part, self.note, self.key) if go_on else (0, 0)
        self.noted = self.kept > 0
        self.checked_at, self.checked_bytes = time.monotonic(), self.kept
        if not self.kept:
            discard(target)
        self.file = open(self.part, "rb+" if self.kept else "wb", buffering=0)  # noqa: SIM115
        self.file.truncate(self.kept)
        self.file.seek(self.kept)

    def __enter__(self) -> PartFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.file.close()
        if not self.noted:
            discard(self.target)

    def write(self, data: Bytes) -> None:
        """Add bytes; those that are there already are only compared."""
        if self.made < self.kept:
            same = min(len(data), self.kept - self.made)
            self._count(data[:same])
            if self.made == self.kept and self.sum != self.kept_sum:
                raise InputError(
                    "the part that is there is not the beginning of this output", file=self.part,
                    mend="leave out --go-on to write it anew",
                )  # fmt: skip
            data = data[same:]
        if len(data):
            self._count(data)
            view = memoryview(data)
            while len(view):  # a disk that fills up takes some, then refuses the rest
                view = view[self.file.write(view) :]
            late = time.monotonic() - self.checked_at > self.every_s
            if late or self.made - self.checked_bytes > EVERY_BYTES:
                self.checkpoint()

    def _count(self, data: Bytes) -> None:
        self.sum = zlib.crc32(data, self.sum)
        self.made += len(data)

    def checkpoint(self) -> None:
        """Make sure of what was written so far."""
        if self.made < self.kept:
            return
        os.fsync(self.file.fileno())
        write_json(self.note, {
            "schema": SCHEMA, "bytes": self.made, "crc32": self.sum, "key": self.key,
            "state": self.state,
        })  # fmt: skip
        self.noted = True
        self.checked_at, self.checked_bytes = time.monotonic(), self.made

    def close_whole(self) -> None:
        """The last byte is written: make sure of it; `rename` comes later."""
        self.file.flush()
        os.fsync(self.file.fileno())
        self.file.close()

    def rename(self) -> None:
        """Give the whole file its name."""
        os.replace(self.part, self.target)
        self.note.unlink(missing_ok=True)
        self.noted = True

    def finish(self) -> None:
        """The last byte is written: give the file its name."""
        self.close_whole()
        self.rename()


def _known(part: Path, note: Path, key: dict[str, Any]) -> tuple[int, int]:
    """Bytes of the part that are known to be there, and their CRC-32; 0 without a part."""
    if not (part.exists() and note.exists()):
        return 0, 0
    found = read_json(note, mend="leave out --go-on to write it anew")
    numbers = [found.get(name) if isinstance(found, dict) else None for name in ("bytes", "crc32")]
    if not all(type(n) is int and n >= 0 for n in numbers) or found.get("schema") != SCHEMA:
        raise InputError(
            "this is not the note of a part", file=note, mend="leave out --go-on to write it anew"
        )
    changed = _changed(key, found.get("key"))
    if changed:
        raise InputError(
            f"the part was made with other settings or files: {changed}", file=part,
            mend="give the command as it was then, or leave out --go-on to write it anew",
        )  # fmt: skip
    if part.stat().st_size < found["bytes"]:
        raise InputError(
            "the part is shorter than its note says", file=part,
            mend="leave out --go-on to write it anew",
        )  # fmt: skip
    return found["bytes"], found["crc32"]


def _changed(now: Any, then: Any) -> str:
    """The first names by which two plain contents differ."""
    if not isinstance(then, dict):
        return "nothing is said of them"
    names = [name for name in {**now, **then} if now.get(name) != then.get(name)]
    return ", ".join(names[:4])
