"""Text, CSV, TOML and JSON in and out, strict on the way in and whole on the way out.

Reading: every complaint is one `InputError` with the file, the line as an editor counts it, the
column, the value and a remedy. Writing: beside the target under a temporary name, flushed,
then renamed, so that a reader never sees half a file and a failure leaves the old one alone.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import json
import os
import re
import secrets
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.csv_faults import header_fault, number_fault, width_fault
from hysteresis.errors import InputError
from hysteresis.toml_lines import lines_of_keys

MAX_BYTES = 512 * 1024 * 1024
_MAX_TOML_BYTES = 1024 * 1024  # settings typed by a person; tomllib takes seconds per MB
_CHUNK_ROWS = 50_000

Array = npt.NDArray[Any]


# ---- text and bytes --------------------------------------------------------------------------


def check_readable(
    path: Path | str, *, empty_ok: bool = False, most_bytes: float = MAX_BYTES
) -> int:
    """Return the size in bytes of an ordinary, readable file, or say in one sentence why not."""
    path = Path(path)
    try:
        if path.is_dir():
            raise InputError("this is a folder", file=path, mend="name a file inside it")
        if not path.exists():
            raise InputError("there is no such file", file=path, mend="check the name and folder")
        if not path.is_file():
            raise InputError("this is not an ordinary file", file=path, mend="name a file on disk")
        size = path.stat().st_size
    except (OSError, ValueError) as error:  # a name too long, a NUL in it, no right to look
        raise InputError(f"this file cannot be reached: {error}", file=path) from error
    if size == 0 and not empty_ok:
        raise InputError("the file is empty", file=path, mend="write it again")
    if size > most_bytes:
        raise InputError(
            f"the file is too large: {size / 2**20:.0f} MB, at most {most_bytes / 2**20:.0f} MB",
            file=path,
            mend="cut the recording into shorter ones",
        )
    return size


def read_text(path: Path | str) -> str:
    """Read a whole UTF-8 file, with or without a byte order mark.

    Raises `InputError` for a folder, a missing, empty, unreadable or wrongly encoded file, and
    for one of more than 512 MB.
    """
    path = Path(path)
    check_readable(path)
    try:
        data = path.read_bytes()
    except PermissionError as error:
        raise InputError("no permission to read this file", file=path) from error
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError("the file is in UTF-16", file=path, row=1, mend="save it as UTF-8")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # Offsets of the error count from behind a byte order mark.
        start = error.start + (3 if data.startswith(b"\xef\xbb\xbf") else 0)
        before = data[:start].replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        raise InputError(
            f"byte {start} (0x{data[start]:02x}) is not UTF-8 text",
            file=path,
            row=before.count(b"\n") + 1,
            mend="save the file as UTF-8",
        ) from error
    if not text.strip():
        raise InputError("the file holds nothing but blanks", file=path, mend="write it again")
    return text


def sha256_of(path: Path | str) -> str:
    """SHA-256 of a file's bytes in hexadecimal, for the provenance of a model."""
    check_readable(path, empty_ok=True)
    with open(path, "rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


@contextlib.contextmanager
def writing(path: Path | str, *, overwrite: bool = True) -> Iterator[Path]:
    """Give a temporary path beside `path`; rename it there at success, remove it at failure.

    The temporary file is flushed to disk before the rename, so that after a power cut there
    is either the old file or the whole new one.
    """
    path = Path(os.path.realpath(path))
    _check_target(path, overwrite)
    part = path.with_name(f".{path.name[:100]}.{secrets.token_hex(4)}.part")
    try:
        yield part
        with open(part, "rb+") as handle:
            os.fsync(handle.fileno())
        _check_target(path, overwrite)
        os.replace(part, path)
    except OSError as error:
        if error.filename not in (None, str(part)):
            raise
        # The person knows the target, not the temporary name.
        raise OSError(error.errno, error.strerror or str(error), str(path)) from error
    finally:
        part.unlink(missing_ok=True)


def _check_target(path: Path, overwrite: bool) -> None:
    if path.is_dir():
        raise InputError("this is a folder", file=path, mend="name a file to write")
    if path.exists() and not path.is_file():
        raise InputError("this is not an ordinary file", file=path, mend="name a file to write")
    if path.exists() and not overwrite:
        raise InputError(
            "the file exists and is kept", file=path, mend="choose another name or add --force"
        )
    if not path.parent.is_dir():
        raise InputError("the folder to write to does not exist", file=path, mend="make it first")


def write_atomic(path: Path | str, data: bytes | str, *, overwrite: bool = True) -> None:
    """Write `data` (text as UTF-8) to `path`, whole or not at all."""
    with writing(path, overwrite=overwrite) as part:
        part.write_bytes(data.encode("utf-8") if isinstance(data, str) else data)


# ---- CSV -------------------------------------------------------------------------------------


def read_table(
    path: Path | str,
    columns: Sequence[str],
    *,
    optional: Sequence[str] = (),
    text: Sequence[str] = (),
    empty_ok: Sequence[str] = (),
) -> dict[str, Array]:
    """Read a comma-separated table with a header, strictly.

    Parameters
    ----------
    columns : the names that must stand in the header, in any order.
    optional : names that may stand there; they are left out of the result when they do not.
    text : which of the names hold text; all others hold finite decimal numbers.
    empty_ok : in which of the names a cell may be empty (read as NaN, or as '' in text).

    Returns
    -------
    One array per column: float64, or object array of str. Blank lines are skipped.

    Raises
    ------
    InputError, naming line and column, for whatever is not as described.
    """
    path = Path(path)
    parts: dict[str, list[Array]] = {}
    shared: dict[str, str] = {}  # one copy of each text: segment names repeat for minutes
    done = 0
    with _csv_rows(path) as reader:
        header = [name.strip() for name in next(row for row in reader if row)]
        header_fault(path, reader.line_num, header, columns, optional)
        parts = {name: [] for name in header}
        while rows := list(islice((row for row in reader if row), _CHUNK_ROWS)):
            if set(map(len, rows)) != {len(header)}:
                bad = next(i for i, row in enumerate(rows) if len(row) != len(header))
                width_fault(path, line_of_row(path, done + bad), rows[bad], header)
            for name, cells in zip(header, zip(*rows, strict=True), strict=True):
                if name in text:
                    column: Array = np.empty(len(cells), dtype=object)
                    column[:] = [shared.setdefault(cell, cell) for cell in cells]
                    bad_cell = -1 if name in empty_ok or "" not in cells else cells.index("")
                else:
                    column, bad_cell = _numbers(cells, name in empty_ok)
                if bad_cell >= 0:
                    line = line_of_row(path, done + bad_cell)
                    number_fault(path, line, name, cells[bad_cell])
                parts[name].append(column)
            done += len(rows)
    if not done:
        raise InputError("the table has a header but no rows", file=path, mend="fill it in")
    return {name: np.concatenate(chunks) for name, chunks in parts.items()}


@contextlib.contextmanager
def _csv_rows(path: Path) -> Iterator[Any]:
    """Give a strict `csv.reader` over a checked file; quoting faults become an `InputError`."""
    read_text(path)  # for its complaints; the text itself would cost four times its size below
    with open(path, encoding="utf-8-sig", newline="") as lines:
        reader = csv.reader(lines, strict=True)
        try:
            yield reader
        except csv.Error as error:
            raise InputError(
                f"the line cannot be split into fields: {error}",
                file=path,
                row=reader.line_num,
                mend="look for a stray or missing quotation mark",
            ) from error


def _numbers(cells: Sequence[str], empty_ok: bool) -> tuple[Array, int]:
    """Convert to finite floats; also the index of the first cell that is none, or -1.

    `float` takes more than a table should hold ('1_000', 'nan', digits of other scripts).
    """
    joined = "".join(cells)
    if joined.isascii() and "_" not in joined:
        with contextlib.suppress(ValueError):
            values = np.array(
                [float(c) if c else np.nan for c in cells] if empty_ok else list(map(float, cells))
            )
            finite = np.isfinite(values)
            if finite.all():
                return values, -1
            if empty_ok and all(not cells[i] for i in np.flatnonzero(~finite).tolist()):
                return values, -1
    values = np.full(len(cells), np.nan)
    for i, cell in enumerate(cells):
        if empty_ok and not cell.strip():
            continue
        try:
            values[i] = float(cell) if cell.isascii() and "_" not in cell else np.nan
        except ValueError:
            return values, i
        if not np.isfinite(values[i]):
            return values, i
    return values, -1


def line_of_row(path: Path | str, row: int) -> int:
    """Editor's line number on which data row `row` (from 0) of a CSV file ends.

    Reads the file again: it is asked for only when there is something to complain about.
    """
    with _csv_rows(Path(path)) as reader:
        rows = (reader.line_num for cells in reader if cells)
        return int(next(islice(rows, row + 1, None)))


def write_table(
    path: Path | str,
    columns: Mapping[str, Array],
    *,
    decimals: Mapping[str, int] | None = None,
    overwrite: bool = True,
) -> None:
    """Write columns of equal length as CSV; NaN becomes an empty cell, True and False 1 and 0.

    Numbers are written with the fewest digits that read back to the same value, or with
    `decimals[name]` digits behind the point.
    """
    lengths = {len(values) for values in columns.values()}
    if len(lengths) != 1:
        raise ValueError(f"columns of unequal length: {lengths}")
    length = lengths.pop()
    with (
        writing(path, overwrite=overwrite) as part,
        open(part, "w", encoding="utf-8", newline="") as out,
    ):
        out.write(",".join(map(_quoted, columns)) + "\n")
        for start in range(0, length, _CHUNK_ROWS):
            cells = [
                _cells(np.asarray(values)[start : start + _CHUNK_ROWS], (decimals or {}).get(name))
                for name, values in columns.items()
            ]
            out.writelines(",".join(row) + "\n" for row in zip(*cells, strict=True))


def _cells(values: Array, decimals: int | None) -> list[str]:
    if values.dtype.kind == "b":
        return ["1" if value else "0" for value in values.tolist()]
    if values.dtype.kind in "iu":
        return list(map(str, values.tolist()))
    if values.dtype.kind == "f":
        if np.isinf(values).any():
            raise ValueError("an infinite number cannot be written to a table")
        show: Callable[[float], str] = repr if decimals is None else f"{{:.{decimals}f}}".format
        return ["" if value != value else show(value) for value in values.tolist()]
    return [_quoted(str(value)) for value in values.tolist()]


def _quoted(text: str) -> str:
    """One field, in quotation marks where a reader would otherwise split or lose it."""
    if any(mark in text for mark in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text


# ---- TOML and JSON ---------------------------------------------------------------------------

KeyPath = tuple[str | int, ...]


def read_toml(path: Path | str) -> tuple[dict[str, Any], Callable[[KeyPath], int | None]]:
    """Read a TOML file; also a function that gives the line on which a key is set.

    ``line_of(("optics", "plane_distance_mm"))`` is a line number as an editor counts it, or
    None when the file does not set that key; members of arrays are counted from 0.
    """
    path = Path(path)
    if _MAX_TOML_BYTES < check_readable(path) <= MAX_BYTES:
        raise InputError(
            "the file is too large for a file of settings: more than 1 MB",
            file=path,
            mend="name the bench.toml of a run",
        )
    text = read_text(path).replace("\r\n", "\n")
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        place = re.search(r"\s*\(at line (\d+), column (\d+)\)", str(error))
        at_end = "(at end of document)" in str(error)
        what = re.sub(r"\s*\(at .*\)$", "", str(error))
        raise InputError(
            f"this is not valid TOML: {what[:1].lower()}{what[1:]}",
            file=path,
            row=int(place[1]) if place else text.rstrip().count("\n") + 1 if at_end else None,
            column=place[2] if place else None,
            mend="close the last quotation mark or bracket"
            if at_end
            else "write settings as key = value below a [section]",
        ) from error
    lines = lines_of_keys(text)
    return content, lines.get


def read_json(
    path: Path | str, *, mend: str = "write the file again with the command that made it"
) -> Any:
    """Read a JSON file strictly: no NaN or Infinity, no key twice in one object.

    Raises InputError, which ends with the remedy `mend`.
    """
    path = Path(path)

    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            names = [name for name, _ in pairs]
            twice = next(name for name in names if names.count(name) > 1)
            raise InputError("a key stands twice in one object", file=path, column=twice, mend=mend)
        return found

    def constant(name: str) -> float:
        line, key = _place_of_constant(text)
        raise InputError(
            "this is not a number of JSON", file=path, row=line, column=key, value=name, mend=mend
        )

    text = read_text(path)
    try:
        return json.loads(text, object_pairs_hook=unique, parse_constant=constant)
    except json.JSONDecodeError as error:
        raise InputError(
            f"this is not valid JSON: {error.msg[:1].lower()}{error.msg[1:]}",
            file=path,
            row=error.lineno,
            column=str(error.colno),
            mend=mend,
        ) from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"this is not usable JSON: {error}", file=path, mend=mend) from error


def _place_of_constant(text: str) -> tuple[int, str | None]:
    """Line of the first NaN or Infinity outside a text of JSON, and the last key before it."""
    key = None
    for found in re.finditer(r'"((?:[^"\\]|\\.)*)"(\s*:)?|NaN|-?Infinity', text):
        if found[1] is None:
            return text.count("\n", 0, found.start()) + 1, key
        key = found[1] if found[2] else key
    return 1, key


def write_json(path: Path | str, content: Any, *, overwrite: bool = True) -> None:
    """Write JSON, indented, keys in the order given. NaN and infinity are refused (ValueError)."""
    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
    write_atomic(path, text + "\n", overwrite=overwrite)
