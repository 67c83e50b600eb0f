"""Checks of a run's tables, which name the line that is wrong; reading and writing by them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import numpy.typing as npt

from hysteresis.errors import InputError
from hysteresis.files import line_of_row, read_table, write_table

Columns = Mapping[str, npt.NDArray[Any]]


class Checks:
    """The columns of one table with the means to say on which line one of them is wrong."""

    def __init__(self, path: Path | str, columns: Columns, line_of: Callable[[int], int]) -> None:
        self.path, self.columns, self.line_of = path, columns, line_of

    def complain(self, bad: npt.ArrayLike, column: str, what: str, mend: str) -> None:
        """Raise `InputError` for the first row where `bad` holds; return if there is none."""
        rows = np.flatnonzero(np.asarray(bad))
        if len(rows):
            self._raise(int(rows[0]), column, what, mend)

    def _raise(self, row: int, column: str, what: str, mend: str) -> NoReturn:
        value = self.columns[column][row] if column in self.columns else None
        if isinstance(value, np.generic):
            value = value.item()
        if value != value:  # an empty cell
            value = None
        line = self.line_of(row)
        raise InputError(what, file=self.path, row=line, column=column, value=value, mend=mend)

    def rises(self, column: str = "t_s", *, may_stay: bool = False) -> None:
        """Time rises from row to row, over the rows that have one."""
        given = np.flatnonzero(~np.isnan(self.columns[column]))
        step = np.diff(self.columns[column][given])
        bad = np.flatnonzero(step < 0 if may_stay else step <= 0)
        if len(bad):
            row = int(given[bad[0] + 1])
            before = float(self.columns[column][given[bad[0]]])
            self._raise(
                row,
                column,
                f"time {'stands still' if step[bad[0]] == 0 else 'goes back'} after {before:.9g} s",
                "sort the rows by time and delete repeated ones",
            )

    def drive(self) -> None:
        """Drives are fractions of full scale, -1 to +1."""
        for column in ("drive_x", "drive_y"):
            self.complain(
                np.abs(self.columns[column]) > 1,
                column,
                "the drive is outside -1 to +1",
                "give it as a fraction of full scale, not in per cent or volts",
            )

    def switch(self, column: str) -> None:
        """A column that holds 0 or 1 only."""
        values = self.columns[column]
        self.complain((values != 0) & (values != 1), column, "this is neither 0 nor 1", "write one")

    def not_negative(self, column: str) -> None:
        """Zero or more; rows without a value pass."""
        self.complain(self.columns[column] < 0, column, "this must not be negative", "mend it")

    def whole(self, column: str) -> None:
        """Whole numbers from 0 that a float holds exactly."""
        values = self.columns[column]
        self.complain(
            (values != np.floor(values)) | (values < 0) | (values > 2**53),
            column,
            "this is not a whole number from 0 up",
            "number the rows 1, 2, 3 …",
        )


def load(
    path: Path | str,
    columns: tuple[str, ...],
    *,
    optional: tuple[str, ...] = (),
    text: tuple[str, ...] = (),
    empty_ok: tuple[str, ...] = (),
) -> tuple[dict[str, npt.NDArray[Any]], Checks]:
    table = read_table(path, columns, optional=optional, text=text, empty_ok=empty_ok)
    return table, Checks(path, table, lambda row: line_of_row(path, row))


def save(
    path: Path | str,
    record: Any,
    columns: tuple[str, ...],
    check: Callable[[Checks], None],
    decimals: Mapping[str, int] | None,
    overwrite: bool,
) -> None:
    table = {name: np.asarray(getattr(record, name)) for name in columns}
    for name, digits in (decimals or {}).items():
        table[name] = np.round(table[name], digits)  # first, as it may make two times one
    for name, values in table.items():
        if values.dtype.kind == "f":
            Checks(path, table, lambda row: row + 2).complain(
                np.isinf(values), name, "this is not a finite number", "leave the row out"
            )
    check(Checks(path, table, lambda row: row + 2))
    write_table(path, table, decimals=decimals, overwrite=overwrite)


def given(checks: Checks, *columns: str) -> None:
    """No NaN; on reading `read_table` has seen to it already."""
    for column in columns:
        checks.complain(np.isnan(checks.columns[column]), column, "the cell is empty", "fill it in")
