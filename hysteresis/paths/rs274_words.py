"""The words of an RS-274 program: one line in, one list of words out.

Source of the grammar: T. R. Kramer, F. M. Proctor, E. Messina, "The NIST RS274/NGC
Interpreter - Version 3", NISTIR 6556 (2000), sections 3.1 (percent signs), 3.3 (format of a
line: blanks without meaning, either case, block delete, line number) and 3.3.4 (comments).
Comments from a semicolon to the end of the line, and a checksum `*nn` at the end of a line, are
common extensions (common practice, no source), accepted here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from hysteresis.errors import InputError

# N opens a line only. E is no letter of the standard (Table 3): as blanks have no meaning, X1 E3
# and a number with an exponent look the same, and neither must be taken for the other. On request
# an E behind a blank is a word, as programs that feed a material write it.
_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_COMMENT = re.compile(r"\([^()\n]*\)|;[^\n]*")
_WELL_FORMED = re.compile(rf"/?(?:N[0-9]+)?(?:[A-MO-Z]{_NUMBER})*")
_WELL_FORMED_BUT_E = re.compile(rf"/?(?:N[0-9]+)?(?:[A-DF-MO-Z]{_NUMBER})*")
_WORD = re.compile(r"([A-MO-Z])([0-9.+-]+)")
_CHECKSUM = re.compile(r"\*[0-9]+$")

# Upper case for ASCII only: other letters must not turn into valid ones.
_FOLD: dict[int, int | None] = {
    **{ord(c): ord(c.upper()) for c in "abcdefghijklmnopqrstuvwxyz"},
    **{ord(c): None for c in " \t"},
}


class Block(NamedTuple):
    """One line that says something: its number in the file, its words, whether it began with /.

    `summed`: it ended with a checksum, which is not looked at.
    """

    row: int
    words: list[tuple[str, str]]
    slashed: bool
    summed: bool = False


@dataclass
class Grammar:
    """Reads line after line; knows of the `%` lines before. `words_of_e`: E may be a word."""

    file: str | Path | None = None
    words_of_e: bool = False
    opened: bool = False
    ended: bool = False
    first: bool = True

    def block(self, line: str, row: int) -> Block | None:
        """The words of one line, without its end; None for a line that says nothing.

        Words are (letter, number as written); numbers are unsigned or signed decimals. The
        second `%` line sets `ended`. Raises InputError, with the line, for anything that is not
        a word, a comment, a leading `/`, a leading line number, a checksum at the end or a `%`.
        """
        bare = _COMMENT.sub("", line)
        text = bare.translate(_FOLD)
        if not text:
            return None
        summed = _CHECKSUM.search(text)
        if summed:
            text = text[: summed.start()]
        if _WELL_FORMED.fullmatch(text) is None or (
            "E" in text and not (self.words_of_e and _e_behind_blank(bare))
        ):
            if text == "%":
                if self.opened:
                    self.ended = True
                    return None
                if not self.first:
                    raise InputError(
                        "a '%' line in the middle of the program",
                        file=self.file, row=row,
                        mend="let '%' lines stand at the beginning and the end, or leave them out",
                    )  # fmt: skip
                self.opened, self.first = True, False
                return None
            fault = _malformed(text, bare, line.strip()[:60], row, self.file)
            if self.first:
                fault = InputError(
                    fault.what, file=self.file, row=row, value=fault.value,
                    mend=f"{fault.mend}; if this is no RS-274 program, name a toolpath",
                )  # fmt: skip
            raise fault
        self.first = False
        words = _WORD.findall(text)
        if not words and not summed:
            return None
        return Block(row, words, text[:1] == "/", summed is not None)

    def close(self, row: int) -> None:
        """At the end of the file: InputError where a `%` line opened and none closed."""
        if self.opened and not self.ended:
            raise InputError(
                "the program begins with a '%' line but has no '%' line and no M2 or M30 at its "
                "end",
                file=self.file, row=row,
                mend="look whether the file was cut short; end it with M2",
            )  # fmt: skip


def _e_behind_blank(bare: str) -> bool:
    """Whether every E opens the line or follows a blank: else it may belong to an exponent."""
    return all(at == 0 or bare[at - 1] in " \t" for at, c in enumerate(bare) if c in "eE")


def _malformed(
    line: str, bare: str, original: str, row: int, file: str | Path | None
) -> InputError:
    """Say what is wrong with a line that is not made of words alone."""
    good = _WELL_FORMED_BUT_E.match(line)
    rest = line[good.end() :] if good else line
    if rest[:1] in "()":
        what = "a comment that is not closed on its line, or a comment inside a comment"
        mend = "write each comment as ( … ) on one line"
    elif rest[:1] in "#[" or rest[1:2] in ("#", "["):
        what = "parameters (#) and expressions ([ ]) are not read"
        mend = "write plain numbers: let the program that made this file put them in"
    elif rest[:1] == "E":
        what = "the letter E: numbers with an exponent are not read, and words of E are none"
        mend = (
            "use --skip-unknown to leave words of E out and have them counted"
            if _e_behind_blank(bare)
            else "write plain decimals, such as 0.001, and a blank before a word of E"
        )
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
