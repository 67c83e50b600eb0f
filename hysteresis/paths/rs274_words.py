"""The words of an RS-274 program: text in, one list of words per line out.

Source of the grammar: T. R. Kramer, F. M. Proctor, E. Messina, "The NIST RS274/NGC
Interpreter - Version 3", NISTIR 6556 (2000), sections 3.1 (percent signs), 3.3 (format of a
line: blanks without meaning, either case, block delete, line number) and 3.3.4 (comments).
Comments from a semicolon to the end of the line are a common extension, accepted here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from hysteresis.errors import InputError

# N opens a line only. E is no letter of the standard (Table 3): as blanks have no meaning, X1 E3
# and a number with an exponent look the same, and neither must be taken for the other.
_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_COMMENT = re.compile(r"\([^()\n]*\)|;[^\n]*")
_WELL_FORMED = re.compile(rf"/?(?:N[0-9]+)?(?:[A-DF-MO-Z]{_NUMBER})*")
_WORD = re.compile(r"([A-DF-MO-Z])([0-9.+-]+)")

# Upper case for ASCII only: other letters must not turn into valid ones.
_FOLD: dict[int, int | None] = {
    **{ord(c): ord(c.upper()) for c in "abcdefghijklmnopqrstuvwxyz"},
    **{ord(c): None for c in " \t"},
}


class Block(NamedTuple):
    """One line that says something: its number in the file, its words, whether it began with /."""

    row: int
    words: list[tuple[str, str]]
    slashed: bool


def blocks(text: str, file: str | Path | None = None) -> Iterator[Block]:
    """Yield the lines of an RS-274 program that hold words, in order.

    Reading stops at the second `%` line. Words are (letter, number as written); numbers are
    unsigned or signed decimals. Raises InputError, with the line, for anything that is not a
    word, a comment, a leading `/`, a leading line number or a `%` line.
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    cleaned = _COMMENT.sub("", lines).translate(_FOLD)
    opened = False
    first = True
    for row, line in enumerate(cleaned.split("\n"), start=1):
        if not line:
            continue
        if _WELL_FORMED.fullmatch(line) is None:
            if line == "%":
                if opened:
                    return
                if not first:
                    raise InputError(
                        "a '%' line in the middle of the program",
                        file=file, row=row,
                        mend="let '%' lines stand at the beginning and the end, or leave them out",
                    )  # fmt: skip
                opened, first = True, False
                continue
            raise _malformed(line, lines, row, file)
        first = False
        slashed = line[0] == "/"
        words = _WORD.findall(line)
        if words:
            yield Block(row, words, slashed)
    if opened:
        raise InputError(
            "the program begins with a '%' line but has no '%' line and no M2 or M30 at its end",
            file=file, row=cleaned.count("\n") + 1,
            mend="look whether the file was cut short; end it with M2",
        )  # fmt: skip


def _malformed(line: str, whole: str, row: int, file: str | Path | None) -> InputError:
    """Say what is wrong with a line that is not made of words alone."""
    good = _WELL_FORMED.match(line)
    rest = line[good.end() :] if good else line
    original = whole.split("\n")[row - 1].strip()[:60]
    if rest[:1] in "()":
        what = "a comment that is not closed on its line, or a comment inside a comment"
        mend = "write each comment as ( … ) on one line"
    elif rest[:1] in "#[" or rest[1:2] in ("#", "["):
        what = "parameters (#) and expressions ([ ]) are not read"
        mend = "write plain numbers: let the program that made this file put them in"
    elif rest[:1] == "E":
        what = "the letter E: numbers with an exponent are not read, and words of E are none"
        mend = "write plain decimals, such as 0.001"
    elif rest[:1] == "N":
        what = "a line number that is not a whole number at the beginning of its line"
        mend = "write N and a whole number first, or leave line numbers out"
    elif rest[:1].isalpha() and rest[:1].isascii():
        what = f"the letter {rest[0]} without a number"
        mend = "write a number after it, such as X12.5"
    elif rest[:1] == "/":
        what = "a '/' that does not stand at the beginning of its line"
        mend = "a line to be left out on demand begins with '/'"
    else:
        what = f"text that RS-274 does not know, from {rest[:12]!r} on"
        mend = "write letters with numbers, comments in ( … ) or after ;"
    return InputError(what, file=file, row=row, value=original, mend=mend)
