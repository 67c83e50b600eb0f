"""What is wrong with a table, and how a person with a spreadsheet can mend it.

Each function returns when all is well (or never), and otherwise raises the `InputError` that
names line, column, value and remedy.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from hysteresis.errors import InputError


def header_fault(
    path: Path, line: int, header: Sequence[str], columns: Sequence[str], optional: Sequence[str]
) -> None:
    """Complain about columns that are missing, not known, or there twice."""
    wanted = ",".join(columns)
    if len(header) == 1:
        for mark, name in ((";", "semicolons"), ("\t", "tabs")):
            if mark in header[0]:
                raise InputError(
                    f"the file uses {name}",
                    file=path,
                    row=line,
                    mend="export it with commas between the fields and a point in the numbers",
                )
    known = (*columns, *optional)
    if not set(header) & set(known):
        raise InputError(
            "the first line does not name any of the columns",
            file=path,
            row=line,
            value=",".join(header)[:80],
            mend=f"write the header {wanted}",
        )
    for name in header:
        if header.count(name) > 1:
            raise InputError(
                "the column stands twice in the header",
                file=path,
                row=line,
                column=name or "(no name)",
                mend="delete one of them",
            )
    missing = [name for name in columns if name not in header]
    unknown = [name for name in header if name not in known]
    if unknown:
        near = difflib.get_close_matches(unknown[0], missing or known, 1, 0.6)
        raise InputError(
            "the column is not known" if unknown[0] else "a column has no name",
            file=path,
            row=line,
            column=unknown[0] or str(header.index("") + 1),
            mend=f"did you mean {near[0]}?" if near else f"delete it: the table holds {wanted}",
        )
    if missing:
        raise InputError(
            "the column is missing" if len(missing) == 1 else "columns are missing",
            file=path,
            row=line,
            column=", ".join(missing),
            mend=f"write the header {wanted}",
        )


def width_fault(path: Path, line: int, cells: Sequence[str], header: Sequence[str]) -> NoReturn:
    """Complain about a line with more or fewer fields than the header."""
    mend = "give every line as many fields as the header, also where cells are empty"
    if len(cells) > len(header):
        mend = "write numbers with a decimal point, and put text that holds a comma in quotes"
    raise InputError(
        f"the line has {len(cells)} fields, the header {len(header)}",
        file=path,
        row=line,
        value=",".join(cells)[:80],
        mend=mend,
    )


def number_fault(path: Path, line: int, column: str, cell: str) -> NoReturn:
    """Complain about a cell that is empty or not a finite number."""
    if not cell.strip():
        raise InputError("the cell is empty", file=path, row=line, column=column, mend="fill it in")
    bare = cell.strip().lower().lstrip("+-")
    what, mend = "text where a number is expected", "write a number such as 0.25"
    if bare in {"nan", "n/a", "na", "null", "none", "inf", "infinity", "#n/a", "#div/0!"}:
        what = "this is not a finite number"
        mend = "write a number, or delete the line if there is none"
    elif re.fullmatch(r"[+-]?\d*,\d+", cell.strip()):
        mend = f"write a decimal point: {cell.strip().replace(',', '.')}"
    elif re.match(r"[−–]\s*[\d.]", cell.strip()):
        mend = "write the minus sign as a plain hyphen"
    elif re.fullmatch(r"[+-]?[\d.]+\s*[^\W\d_]+", cell.strip()):
        mend = "write the number alone: the unit stands in the name of the column"
    elif re.fullmatch(r"[+-]?[\d.]+[eE][+-]?\d+", cell.strip()):
        what, mend = "the number is too large", "check its exponent"
    raise InputError(what, file=path, row=line, column=column, value=cell[:80], mend=mend)
