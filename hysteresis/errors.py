"""One family of errors: what is wrong, where, and how to mend it."""

from __future__ import annotations

from pathlib import Path


class HysteresisError(Exception):
    """Base of every complaint the toolkit makes on purpose; the command line exits with 2."""


class InputError(HysteresisError):
    """Bad input, told in one sentence: what is wrong, where, and how to mend it.

    Parameters
    ----------
    what : the fault itself, without the place ("text where a number is expected").
    file, row, column, value : the place, as far as it is known. `row` is the line number
        in the file as an editor counts it (the header is line 1).
    mend : how the person can mend it ("write the number with a decimal point").
    """

    def __init__(
        self,
        what: str,
        *,
        file: str | Path | None = None,
        row: int | None = None,
        column: str | None = None,
        value: object = None,
        mend: str | None = None,
    ) -> None:
        self.what, self.file, self.row = what, None if file is None else str(file), row
        self.column, self.value, self.mend = column, value, mend
        super().__init__(self._sentence())

    def _sentence(self) -> str:
        place = []
        if self.file is not None:
            place.append(self.file)
        if self.row is not None:
            place.append(f"line {self.row}")
        if self.column is not None:
            place.append(f"column {_short(self.column)}")
        text = ", ".join(place) + (": " if place else "") + self.what
        if self.value is not None:
            text += f" ({_short(repr(self.value))})"
        if self.mend:
            text += f"; {self.mend}"
        return text.rstrip(".") + "."


def _short(text: str) -> str:
    """At most some 100 printable characters: one sentence, whatever stands in the file."""
    text = "".join(sign if sign.isprintable() else "?" for sign in text)
    return text if len(text) <= 100 else f"{text[:80]} … {text[-15:]}"


class LimitError(HysteresisError):
    """A signal would exceed what the bench allows; the message names place and amount."""


class DataError(HysteresisError):
    """The data cannot carry what was asked of them; the message says what is missing."""
