"""Text of any length, a few whole lines at a time; what is no text is refused by its first block.

Nothing here holds more than one block and one line, so a file may be longer than the memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

from hysteresis.errors import InputError
from hysteresis.files import check_readable

BLOCK_BYTES = 1 << 20
LONGEST_LINE = 1 << 18  # a line beyond 256 kB was written by no program and no hand
FIRST_BYTES = 1 << 16  # enough to tell what a file is

# How files begin that people pick by mistake; the formats' own published signatures.
_SIGNATURES = (
    (b"\x89PNG", "a PNG picture"), (b"\xff\xd8\xff", "a JPEG picture"), (b"GIF8", "a GIF picture"),
    (b"BM", "a BMP picture"), (b"II*\x00", "a TIFF picture"), (b"MM\x00*", "a TIFF picture"),
    (b"%PDF", "a PDF document"), (b"PK\x03\x04", "a ZIP archive"), (b"\x1f\x8b", "a gzip archive"),
    (b"RIFF", "a WAV, AVI or WebP file"), (b"fLaC", "a FLAC sound"), (b"OggS", "an Ogg file"),
    (b"\x7fELF", "a program for the computer"), (b"MZ", "a program for the computer"),
    (b"7z\xbc\xaf", "a 7z archive"), (b"SQLite format 3", "a database"),
)  # fmt: skip
_MEND = "name a toolpath: an RS-274 program, a table, a drawing (SVG, DXF) or a job file"


def check_ordinary(path: Path | str) -> int:
    """Size in bytes of an ordinary file of any length that is not empty, or InputError."""
    return check_readable(path, most_bytes=math.inf)


def first_block(path: Path | str) -> bytes:
    """The beginning of a text file; InputError for whatever is no text or UTF-16."""
    check_ordinary(path)
    try:
        with open(path, "rb") as file:
            block = file.read(FIRST_BYTES)
    except OSError as error:
        raise _unreadable(path, error) from error
    if block.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError("the file is in UTF-16", file=path, row=1, mend="save it as UTF-8")
    if b"\x00" in block or not block.isascii():  # letters may begin as a signature does
        for start, what in _SIGNATURES:
            if block.startswith(start):
                raise InputError(f"this is {what}, not a toolpath", file=path, mend=_MEND)
    if b"\x00" in block:
        raise InputError("this is no text: it holds bytes of 0", file=path, mend=_MEND)
    return block


def line_blocks(path: Path | str, block_bytes: int = BLOCK_BYTES) -> Iterator[tuple[bytes, int]]:
    """Yield whole lines in blocks, each with the line number of its first line.

    Lines end with LF, CR LF or CR; a byte order mark is left out. Raises InputError for a line
    of more than `LONGEST_LINE` bytes, before the rest of it is read.
    """
    check_ordinary(path)
    line, rest = 1, b""
    try:
        with open(path, "rb") as file:
            while block := file.read(block_bytes):
                if line == 1 and not rest:
                    block = block.removeprefix(b"\xef\xbb\xbf")
                block = rest + block
                # A CR at the very end may be half of a CR LF.
                cut = max(block.rfind(b"\n"), block.rfind(b"\r", 0, len(block) - 1)) + 1
                rest = block[cut:]
                if len(rest) > LONGEST_LINE:
                    raise too_long(path, line + lines_in(block[:cut]))
                if cut:
                    yield block[:cut], line
                    line += lines_in(block[:cut])
            if rest:
                yield rest, line
    except OSError as error:
        raise _unreadable(path, error) from error


def too_long(path: Path | str | None, line: int) -> InputError:
    return InputError(
        f"a line of more than {LONGEST_LINE // 1024} kB, so this is no toolpath", file=path,
        row=line, mend=_MEND,
    )  # fmt: skip


def lines_in(block: bytes) -> int:
    """How many ends of lines a block holds."""
    ends = block.count(b"\n")
    return ends + block.count(b"\r") - block.count(b"\r\n") if b"\r" in block else ends


def decoded(raw: bytes, path: Path | str | None, line: int) -> str:
    """One line as text; InputError where it is not UTF-8."""
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(
            f"the text is not UTF-8 (byte {raw[error.start]:#04x})", file=path, row=line,
            mend="save it as UTF-8",
        ) from error  # fmt: skip


def text_lines(path: Path | str) -> Iterator[str]:
    """Yield the lines of a UTF-8 text with their ends, in bounded memory."""
    for block, line in line_blocks(path):
        for each in block.splitlines(keepends=True):
            if len(each) > LONGEST_LINE:
                raise too_long(path, line)
            yield decoded(each, path, line)
            line += 1


def _unreadable(path: Path | str, error: OSError) -> InputError:
    if isinstance(error, PermissionError):
        return InputError("no permission to read this file", file=path)
    return InputError(f"this file cannot be read: {error.strerror}", file=path)
