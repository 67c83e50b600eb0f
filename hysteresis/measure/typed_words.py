"""What a line typed at the keyboard means: a reading, a command, or a question back.

Numbers come with a point or a comma, with or without a unit (mm if unsaid). Nothing is guessed:
a line that can be read in two ways is asked about.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from hysteresis.errors import InputError

NOT_READ = math.nan
MM_PER_UNIT = {"": 1.0, "mm": 1.0, "cm": 10.0, "in": 25.4, "inch": 25.4, '"': 25.4, "″": 25.4}
"""Exact by definition (the inch since the agreement of 1959)."""

# no comma in front: "12.5,3" is two numbers
_NUMBER = r"[+\-]?(?:\d+(?:[.,]\d+|\.)?|\.\d+)"
_UNIT = r"mm|cm|inch|in|\"|″"
_VALUE = re.compile(
    rf"(?:(?P<axis>[xy])\s*[=:]\s*)?(?:(?P<number>{_NUMBER})\s*(?P<unit>{_UNIT})?|(?P<none>-))"
    r"(?=[\s;,]|$)",
    re.ASCII,
)
_WORDS = {
    "undo": "undo", "u": "undo", "note": "note", "n": "note", "go": "go", "g": "go",
    "list": "list", "l": "list", "help": "help", "h": "help", "?": "help", "quit": "quit",
    "q": "quit", "exit": "quit", "t": "moment", "clear": "clear", "=": "keep",
}  # fmt: skip
_ALONE = {"undo", "list", "help", "quit", "clear", "keep"}
EXAMPLE = "write x and y in mm, such as 12.5 -3"


@dataclass(frozen=True)
class Line:
    """A line that was understood.

    kind : reading, half, empty, undo, note, go, list, help, quit, moment, clear or keep.
    x_mm, y_mm : of a reading; NaN for an axis that was not read ('-').
    axis, value_mm : of a half reading: '' when the line does not say which axis it is.
    again : the reading was marked as a repeat ('+ 12.5 -3').
    words : the text of a note. number : the step to go to. t_s : the moment of reading, s.
    """

    kind: str
    x_mm: float = NOT_READ
    y_mm: float = NOT_READ
    axis: str = ""
    value_mm: float = NOT_READ
    again: bool = False
    words: str = ""
    number: int = 0
    t_s: float = NOT_READ


def understand(line: str) -> Line:
    """Read one typed line; raises `InputError` (without a place) for one that says nothing clear.

    >>> understand("12,5 -3").x_mm
    12.5
    """
    text = line.strip().replace("−", "-").replace("–", "-").replace("\u00a0", " ")
    if not text:
        return Line("empty")
    first, _, rest = text.partition(" ")
    word = _WORDS.get(first.lower())
    if word is None and (match := re.fullmatch(r"([a-zA-Z]+)([0-9].*)", text)):
        word, rest = _WORDS.get(match[1].lower()), match[2]  # go17, t83
    if word is not None:
        return _command(word, rest.strip())
    again = text.startswith("+ ") or re.match(r"\+\s*[xy+\-]", text) is not None
    return _values((text[1:].strip() if again else text).lower(), again)


def _command(word: str, rest: str) -> Line:
    if word in _ALONE:
        if rest:
            raise InputError(f"{word} stands alone on its line", value=rest[:40], mend=EXAMPLE)
        return Line(word)
    if word == "note":
        if not rest:
            raise InputError("the note is empty", mend="write note and then the words")
        return Line("note", words=" ".join(rest.split())[:500])
    if word == "go":
        if not re.fullmatch(r"\d{1,6}", rest):
            raise InputError("go needs the number of a step", value=rest[:40], mend="such as go 17")
        return Line("go", number=int(rest))
    clock = re.fullmatch(r"(?:(\d{1,4}):)?(\d{1,5}(?:[.,]\d*)?)\s*s?", rest)
    if clock is None or (clock[1] and float(clock[2].replace(",", ".")) >= 60.0):
        raise InputError(
            "t needs the seconds since the start, or min:s", value=rest[:40],
            mend="such as t 83 or t 1:23",
        )  # fmt: skip
    return Line("moment", t_s=60.0 * int(clock[1] or 0) + float(clock[2].replace(",", ".")))


def _values(text: str, again: bool) -> Line:
    """One or two values, with or without names and units."""
    fields = list(_VALUE.finditer(text))
    if not fields or _left_over(text, fields):
        raise InputError("this is not a reading", value=text[:60], mend=f"{EXAMPLE}, or help")
    if len(fields) > 2:
        raise InputError(
            f"these are {len(fields)} values, a reading has two", value=text[:60],
            mend="put a blank between x and y, and no blank within a number",
        )  # fmt: skip
    if len(fields) == 1:
        return _one(text, fields[0], again)
    if text[fields[0].end() : fields[1].start()] == "," and any(
        "," in (field["number"] or "") for field in fields
    ):
        raise InputError(
            "the commas can mark decimals or part x from y", value=text[:60],
            mend="put a blank between x and y",
        )  # fmt: skip
    units = [field["unit"] or "" for field in fields if not field["none"]]
    if len(units) == 2 and ("" in units) and units[0] != units[1]:
        raise InputError(
            "one of the values has a unit and the other has none", value=text[:60],
            mend="write the unit behind both, or behind neither (mm)",
        )  # fmt: skip
    names = [field["axis"] or "" for field in fields]
    if "" in names and names != ["", ""]:
        raise InputError(
            "one of the values has a name and the other has none", value=text[:60],
            mend="write x=… y=…, or both without names",
        )  # fmt: skip
    if names[0] and names[0] == names[1]:
        raise InputError(f"{names[0]} is given twice", value=text[:60], mend="write x=… y=…")
    values = [_mm(field) for field in fields]
    if names[0] == "y":
        values.reverse()
    return Line("reading", x_mm=values[0], y_mm=values[1], again=again)


def _one(text: str, field: re.Match[str], again: bool) -> Line:
    if again:
        raise InputError("a repeat needs both x and y", value=text[:60], mend="such as + 12.5 -3")
    return Line("half", axis=field["axis"] or "", value_mm=_mm(field))


def _left_over(text: str, fields: list[re.Match[str]]) -> bool:
    """Whether anything but blanks, and one comma or semicolon between two values, remains."""
    edges = [0, *(edge for field in fields for edge in field.span()), len(text)]
    gaps = [text[a:b].strip() for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return bool(gaps[0] or gaps[-1]) or any(gap not in ("", ",", ";") for gap in gaps[1:-1])


def _mm(field: re.Match[str]) -> float:
    if field["none"]:
        return NOT_READ
    number = field["number"]
    if re.fullmatch(r"[+\-]?[1-9]\d{0,2},\d{3}", number):
        raise InputError(
            "the comma can mark thousands or decimals", value=number,
            mend=f"write {number.replace(',', '.')} or {number.replace(',', '')}",
        )  # fmt: skip
    # 12 digits: what a conversion leaves behind them is no reading
    return round(float(number.replace(",", ".")) * MM_PER_UNIT[field["unit"] or ""], 12)
