"""An append-only journal: one line of JSON per entry, on disk before the next one is asked for.

Each entry is one `write` of a whole line, flushed to the disk at once. After a kill or a power
cut every entry whose `append` returned is there; only the line that was being written can be
torn. A torn end is kept as an entry of its own (`torn`), so that nothing ever leaves the file.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from hysteresis.errors import InputError
from hysteresis.files import check_readable

Entry = dict[str, Any]
TORN = "torn"
"""`kind` of the entry that keeps what a kill left of a line; its `text` holds the rest."""


class Journal:
    """A journal open for writing; `entries` are those it held when it was opened.

    Use `open_journal`, which closes it and keeps a second writer away.
    """

    def __init__(self, path: Path, handle: int, entries: list[Entry]) -> None:
        self.path, self.entries, self._handle = path, entries, handle

    def append(self, entry: Mapping[str, Any]) -> None:
        """Put one entry behind the others; on return it is on the disk."""
        line = json.dumps(entry, ensure_ascii=False, allow_nan=False) + "\n"
        data = line.encode("utf-8")
        # a full disk may take a part of the line only; the rest must follow or fail aloud
        while data:
            data = data[os.write(self._handle, data) :]
        os.fsync(self._handle)


def read_journal(path: Path | str) -> list[Entry]:
    """The entries of a journal in their order; what a kill left of a last line is one, `torn`.

    Raises `InputError` for a file that is no journal, with the line that is not an entry.
    """
    return _split(Path(path))[0]


def _split(path: Path) -> tuple[list[Entry], int, bool]:
    """Entries, number of bytes in whole lines, and whether the last whole line wants its end."""
    if check_readable(path, empty_ok=True) == 0:
        return [], 0, False
    data = path.read_bytes()
    whole = data.rfind(b"\n") + 1
    entries = [
        _entry(path, number, line)
        for number, line in enumerate(data[:whole].split(b"\n")[:-1], start=1)
        if line.strip()
    ]
    tail = data[whole:]
    if not tail:
        return entries, whole, False
    with contextlib.suppress(ValueError):
        last = json.loads(tail)
        if isinstance(last, dict):  # all of it is there but the end of the line
            return [*entries, last], len(data), True
    return [*entries, {"kind": TORN, "text": tail.decode("utf-8", "replace")}], whole, False


def _entry(path: Path, number: int, line: bytes) -> Entry:
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        entry = None
    if not isinstance(entry, dict):
        raise InputError(
            "this line of the journal cannot be read",
            file=path,
            row=number,
            value=line.decode("utf-8", "replace")[:80],
            mend="delete the line, or move the file away and begin anew",
        )
    return entry


@contextlib.contextmanager
def open_journal(path: Path | str) -> Iterator[Journal]:
    """Open a journal to go on with it, or begin one; mends a torn end first.

    Raises `InputError` when it cannot be read, or when another process has it open.
    """
    path = Path(path)
    existed = path.exists()
    if existed:
        check_readable(path, empty_ok=True)
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
    try:
        _lock(handle, path)
        entries, whole, unended = _split(path)
        journal = Journal(path, handle, entries)
        if unended:
            os.write(handle, b"\n")
        elif entries and os.fstat(handle).st_size > whole:
            os.ftruncate(handle, whole)
            journal.append(entries[-1])
        if not existed:
            _flush_folder(path.parent)
        yield journal
    finally:
        os.close(handle)


def _lock(handle: int, path: Path) -> None:
    """Keep a second writer away where the system can; the lock goes with the process."""
    try:
        import fcntl
    except ImportError:  # a system without such locks
        return
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise InputError(
            "readings are being typed into this run in another window",
            file=path,
            mend="go on there, or leave it first",
        ) from error
    except OSError:  # a network disk without locks
        return


def _flush_folder(folder: Path) -> None:
    """Put the new name itself on the disk."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
