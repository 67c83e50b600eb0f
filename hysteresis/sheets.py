"""Tables that people fill in with whatever program they have: workbooks and every kind of CSV.

A workbook (.xlsx, .ods) is read with python-calamine: the first sheet in which a row names the
columns, with the values that formulas had when it was saved. A text may part its fields by
commas, semicolons or tabs, write decimals with a comma, and be UTF-8, UTF-16 or Windows-1252.
Columns come in any order, others may stand beside them, blank rows do no harm.

Nothing is guessed: a cell that can be read in two ways (1,234) is asked about, with its place as
the program shows it.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import numpy.typing as npt

from hysteresis.csv_faults import header_fault, number_fault
from hysteresis.errors import InputError
from hysteresis.files import check_readable
from hysteresis.sheet_cells import LOOKED_AT, Grid, Places, text_grid, workbook

Array = npt.NDArray[Any]
_BLANKS = " \t\u00a0\u202f"
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_COMMA = re.compile(r"[+-]?(?:\d+,\d*|,\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:[,.]\d{3})", re.ASCII)
_DATES = (datetime.date, datetime.datetime, datetime.time, datetime.timedelta)


def read_sheet(
    path: Path | str,
    columns: Sequence[str],
    *,
    optional: Sequence[str] = (),
    text: Sequence[str] = (),
    empty_ok: Sequence[str] = (),
) -> tuple[dict[str, Array], Places]:
    """Read a table from a workbook or a text; the same columns as `files.read_table` takes.

    Returns the columns (float64, or object arrays of str; an optional one that is not there is
    left out) and the places of their rows. Raises `InputError` with the place of the fault.
    """
    path = Path(path)
    check_readable(path)
    with open(path, "rb") as handle:
        start = handle.read(8)
    if start.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        grids = workbook(path)
    elif path.suffix.lower() in (".xlsx", ".xlsm", ".ods", ".xls"):
        raise InputError(
            "this is not a workbook, whatever its name says", file=path,
            mend="save it again as .xlsx or .ods, or rename a text to .csv",
        )  # fmt: skip
    else:
        grids = [text_grid(path, (*columns, *optional), _name)]
    grid, top, where = _headed(grids, columns, optional)
    return _columns(grid, top, where, columns, text, empty_ok)


# ---- header ------------------------------------------------------------------------------------


def _name(cell: object) -> str:
    """A heading as a name of a column: 'x (mm)', 'X in mm' and 'x_mm' are the same."""
    if not isinstance(cell, str):
        return ""
    words = re.sub(r"[\s_/()\[\],.]+|\bin\b", " ", cell.strip().lower().replace("_", " "))
    return "_".join(words.split())


def _headed(
    grids: list[Grid], columns: Sequence[str], optional: Sequence[str]
) -> tuple[Grid, int, dict[str, int]]:
    """The first sheet with the headers, the row they are in, and the place of each column."""
    nearest: tuple[int, Grid, int] | None = None
    for grid in grids:
        for top, cells in enumerate(grid.rows[:LOOKED_AT]):
            names = [_name(cell) for cell in cells]
            found = len(set(names) & set(columns))
            if found == len(columns):
                where = {name: names.index(name) for name in (*columns, *optional) if name in names}
                for name in where:
                    if names.count(name) > 1:
                        fault = InputError(
                            "the column stands twice in the header", row=grid.row[top],
                            column=name, mend="delete one of them",
                        )  # fmt: skip
                        letter = {name: _letter(_last(names, name))}
                        raise Places(grid.path, (), grid.sheet, letter).told(fault)
                return grid, top, where
            if any(cells) and (nearest is None or found > nearest[0]):
                nearest = (found, grid, top)
    if nearest is None:
        path = grids[0].path if grids else Path()
        raise InputError("the file holds no filled-in cell", file=path, mend="fill in the sheet")
    found, grid, top = nearest
    names = [_name(cell) or str(cell).strip() for cell in grid.rows[top]]
    missing = [name for name in columns if name not in names]
    fault = InputError(
        "the table is not there: no row names its columns" if not found else
        "the column is missing" if len(missing) == 1 else "columns are missing",
        row=grid.row[top], column=", ".join(missing) if found else None,
        mend=_renamed(missing, names) or f"write the header {','.join((*columns, *optional))}",
    )  # fmt: skip
    if not found and not grid.sheet:
        header_fault(grid.path, grid.row[top], names, columns, optional)
    raise Places(grid.path, (), grid.sheet).told(fault)


def _renamed(missing: Sequence[str], names: Sequence[str]) -> str:
    """A remedy where a missing column is there without its unit, or with another one."""
    for name in missing:
        stem, _, unit = name.rpartition("_")
        others = [other for other in names if stem and re.fullmatch(rf"{stem}(_[a-z]+)?", other)]
        if others and unit in ("mm", "s"):
            return f"give {stem} in {unit} and call the column {name}, not {others[0]}"
    return ""


def _last(names: Sequence[str], name: str) -> int:
    return len(names) - 1 - list(reversed(names)).index(name)


def _letter(column: int) -> str:
    """The letters of a column, counted from 0, as a spreadsheet shows them: A … Z, AA …"""
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


# ---- cells -------------------------------------------------------------------------------------


def _columns(
    grid: Grid,
    top: int,
    where: Mapping[str, int],
    columns: Sequence[str],
    text: Sequence[str],
    empty_ok: Sequence[str],
) -> tuple[dict[str, Array], Places]:
    letters = {name: _letter(k) for name, k in where.items()} if grid.sheet else {}
    width = len(grid.rows[top])
    kept = []
    for k in range(top + 1, len(grid.rows)):
        cells = grid.rows[k]
        wanted = [cells[i] if i < len(cells) else "" for i in where.values()]
        void = any((grid.row[k] - 1, i) in grid.void for i in where.values())
        if any(not _blank(cell) for cell in wanted) or void:
            kept.append(k)
        if grid.mark and cells and not _all_blank(cells):
            _check_width(grid, k, width)
    places = Places(grid.path, tuple(grid.row[k] for k in kept), grid.sheet, letters)
    if not kept:
        fault = InputError("the table has a header but no rows", mend="fill it in")
        raise places.told(fault)
    table: dict[str, Array] = {}
    sign = _decimal_sign(grid, top, [i for name, i in where.items() if name not in text])

    def complain(error: InputError, row: int) -> NoReturn:
        raise places.told(error, row)

    for name, i in where.items():
        cells = [grid.rows[k][i] if i < len(grid.rows[k]) else "" for k in kept]
        wrong = {n: grid.void.get((grid.row[k] - 1, i), "") for n, k in enumerate(kept)}
        for n, why in ((n, why) for n, why in wrong.items() if why):
            complain(InputError(why, column=name, mend="open the file, let it calculate, save it, "
                                "or write the number itself"), n)  # fmt: skip
        if name in text:
            column = np.empty(len(cells), dtype=object)
            column[:] = ["" if cell is None else str(cell) for cell in cells]
            table[name] = column
        else:
            table[name] = _numbers(cells, name, name in empty_ok, sign, grid.mark, complain)
    return table, places


def _check_width(grid: Grid, k: int, width: int) -> None:
    """A line of a text with more or fewer fields than its header has lost or won a mark."""
    cells = grid.rows[k]
    if len(cells) == width or (len(cells) > width and _all_blank(cells[width:])):
        return
    if len(cells) < width and grid.mark != ",":
        return  # exports leave the empty end of a line away
    mend = "give every line as many fields as the header, also where cells are empty"
    if len(cells) > width:
        mend = "write numbers with a decimal point, and put text that holds a comma in quotes"
        mend = mend if grid.mark == "," else "put text that holds the separator in quotes"
    raise InputError(
        f"the line has {len(cells)} fields, the header {width}", file=grid.path, row=grid.row[k],
        value=grid.mark.join(map(str, cells))[:80], mend=mend,
    )  # fmt: skip


def _blank(cell: object) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip(_BLANKS + "\r\n"))


def _all_blank(cells: Sequence[object]) -> bool:
    return all(_blank(cell) for cell in cells)


def _decimal_sign(grid: Grid, top: int, number_columns: Sequence[int]) -> str:
    """What the numbers written as text use: 'point', 'comma', 'both', or '' where none tells.

    A mark before three digits may part thousands and tells nothing. Where semicolons part the
    fields and no number has a point, the comma is the decimal sign (the custom of the programs
    that write such files; common practice, no source).
    """
    cells = [
        _plain(cell)
        for cells in grid.rows[top + 1 :]
        for i, cell in enumerate(cells)
        if i in number_columns and isinstance(cell, str)
    ]
    unclear = [cell for cell in cells if _THOUSANDS.fullmatch(cell)]
    point = any("." in cell and _NUMBER.fullmatch(cell) for cell in set(cells) - set(unclear))
    comma = any(_COMMA.fullmatch(cell) for cell in set(cells) - set(unclear))
    if point or comma:
        return "both" if point and comma else "point" if point else "comma"
    return "comma" if grid.mark == ";" and not any("." in cell for cell in unclear) else ""


def _plain(cell: str) -> str:
    return cell.strip(_BLANKS + "\r\n").replace("−", "-").replace("–", "-")


def _numbers(
    cells: Sequence[object],
    name: str,
    empty_ok: bool,
    sign: str,
    part: str,
    complain: Callable[[InputError, int], NoReturn],
) -> Array:
    values = np.full(len(cells), np.nan)
    for n, cell in enumerate(cells):
        if _blank(cell):
            if not empty_ok:
                complain(InputError("the cell is empty", column=name, mend="fill it in"), n)
            continue
        if isinstance(cell, bool):
            what = "true or false where a number is expected"
            complain(InputError(what, column=name, value=str(cell), mend="write a number"), n)
        if isinstance(cell, _DATES):
            kind = "a time" if isinstance(cell, (datetime.time, datetime.timedelta)) else "a date"
            mend = "set the cell to a plain number and type it again"
            if name == "t_s":
                mend = "write seconds as a plain number"
            complain(InputError(f"{kind} where a number is expected", column=name,
                                value=str(cell), mend=mend), n)  # fmt: skip
        if isinstance(cell, (int, float)):
            values[n] = float(cell)
        else:
            values[n] = _parsed(str(cell), name, sign, part, partial(_at, complain, n))
        if not math.isfinite(values[n]):
            complain(InputError("this is not a finite number", column=name, value=str(cell),
                                mend="check its exponent"), n)  # fmt: skip
    return values


def _at(complain: Callable[[InputError, int], NoReturn], row: int, error: InputError) -> NoReturn:
    complain(error, row)


def _parsed(
    cell: str, name: str, sign: str, part: str, complain: Callable[[InputError], NoReturn]
) -> float:
    """A number that is written as text, with a point or a comma.

    `sign` as `_decimal_sign` tells it, `part` the mark between the fields ('': workbook).
    """
    text = _plain(cell)
    # in a text with commas between the fields, and in a workbook, a text "1,234" is unusual
    clear = sign == "comma" and part in (";", "\t") if "," in text else sign in ("point", "")
    if _THOUSANDS.fullmatch(text) and not clear:
        whole = text.replace(",", "").replace(".", "")
        complain(InputError("the mark can be of thousands or of decimals", column=name,
                            value=cell[:80],
                            mend=f"write {text.replace(',', '.')} or {whole}"))  # fmt: skip
    if _NUMBER.fullmatch(text):
        return float(text)
    if _COMMA.fullmatch(text):
        return float(text.replace(",", "."))
    try:
        number_fault(Path(), 0, name, cell)
    except InputError as error:
        complain(InputError(error.what, column=name, value=error.value, mend=error.mend))
