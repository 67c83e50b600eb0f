"""The cells of a workbook or of a text, as they stand, and where each stands in its file."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from hysteresis.errors import InputError
from hysteresis.files import read_text
from hysteresis.workbook_faults import cells_without_value

LOOKED_AT = 60
"""Rows in which the header must be found."""
_MOST_CELLS = 5_000_000


class PlacedError(InputError):
    """A fault in a workbook: told with its sheet, row and column as the program shows them."""

    def __init__(self, error: InputError, file: Path, sheet: str, letter: str) -> None:
        self.sheet, self.letter = sheet, letter
        super().__init__(
            error.what, file=file, row=error.row, column=error.column, value=error.value,
            mend=error.mend,
        )  # fmt: skip

    def _sentence(self) -> str:
        place = [str(self.file), f"sheet {self.sheet!r}"]
        place += [] if self.row is None else [f"row {self.row}"]
        if self.column is not None:
            named = f'column {self.letter} "{self.column}"' if self.letter else self.column
            place.append(named)
        bare = InputError(self.what, value=self.value, mend=self.mend)
        text = ", ".join(place) + ": " + str(bare)
        return "".join(sign if sign.isprintable() else "?" for sign in text)


@dataclass(frozen=True)
class Places:
    """Where the rows and columns of a table stand in their file.

    `row` (n,) numbers as the program or editor shows them, `letter` of each column, `sheet` its
    name ('' for a text, whose rows are lines and whose columns have names only).
    """

    path: Path
    row: tuple[int, ...]
    sheet: str = ""
    letter: Mapping[str, str] = field(default_factory=dict)

    def told(self, error: InputError, row: int | None = None) -> InputError:
        """The same fault with file and sheet; `row` counts from 0 among the rows of the table."""
        if isinstance(error, PlacedError):
            return error
        shown = error.row if row is None else self.row[row]
        placed = InputError(
            error.what, file=self.path, row=shown, column=error.column, value=error.value,
            mend=error.mend,
        )  # fmt: skip
        if not self.sheet:
            return placed
        return PlacedError(placed, self.path, self.sheet, self.letter.get(error.column or "", ""))


@dataclass(frozen=True)
class Grid:
    """Cells as they stand: `rows` of values, `row` their numbers as shown.

    `mark` parts the fields of a text ('' in a workbook). `void` cells (row, column from 0) hold
    an error or a formula that was never worked out.
    """

    path: Path
    rows: list[list[object]]
    row: list[int]
    sheet: str = ""
    mark: str = ""
    void: Mapping[tuple[int, int], str] = field(default_factory=dict)


def workbook(path: Path) -> list[Grid]:
    from python_calamine import CalamineError, CalamineWorkbook

    grids = []
    try:
        with CalamineWorkbook.from_path(str(path)) as book:
            for name in book.sheet_names:
                sheet = book.get_sheet_by_name(name)
                if sheet.total_height * sheet.total_width > _MOST_CELLS:
                    raise InputError(
                        f"the sheet {name!r} has too many cells for a reading sheet", file=path,
                        mend="save the readings in a file of their own",
                    )  # fmt: skip
                rows: list[list[object]] = [
                    list(row) for row in sheet.to_python(skip_empty_area=False)
                ]
                grids.append(Grid(path, rows, list(range(1, len(rows) + 1)), name))
    except (CalamineError, OSError, ValueError) as error:
        raise InputError(
            f"the workbook cannot be read: {' '.join(str(error).split())[:120]}", file=path,
            mend="save it again, without a password, as .xlsx or .ods",
        ) from error  # fmt: skip
    void = cells_without_value(path)
    return [
        Grid(path, grid.rows, grid.row, grid.sheet, void=void.get(grid.sheet, {})) for grid in grids
    ]


def _decoded(path: Path) -> str:
    """The text of a file in UTF-8, UTF-16 or, where it is neither, Windows-1252."""
    data = path.read_bytes()
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            text = data.decode("utf-16")
        except UnicodeDecodeError as error:
            raise InputError("the file is not whole UTF-16", file=path, mend="save it again as "
                             "UTF-8") from error  # fmt: skip
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            try:
                text = data.decode("cp1252")
            except UnicodeDecodeError:
                return read_text(path)  # for its complaint, which names the line
    if text.count("\x00") > len(text) // 4:  # UTF-16 without its mark, or no text at all
        raise InputError("the file is no text: it holds zero bytes", file=path,
                         mend="save it as .xlsx, .ods or CSV")  # fmt: skip
    if not text.strip():
        raise InputError("the file holds nothing but blanks", file=path, mend="write it again")
    return text


def text_grid(path: Path, names: Sequence[str], name_of: Callable[[object], str]) -> Grid:
    """A text, split by the mark under which its first rows name the most columns."""
    text = _decoded(path)
    first = [line for line in text.splitlines()[:LOOKED_AT] if line.strip()]

    def named(mark: str) -> int:
        fields = ({name_of(cell.strip('"')) for cell in line.split(mark)} for line in first)
        return max(len(one & set(names)) for one in fields)

    mark = max(",;\t", key=named)
    reader = csv.reader(io.StringIO(text, newline=""), strict=True, delimiter=mark)
    rows: list[list[object]] = []
    row = []
    try:
        for cells in reader:
            rows.append(list(cells))
            row.append(reader.line_num)
    except csv.Error as error:
        raise InputError(
            f"the line cannot be split into fields: {error}", file=path, row=reader.line_num,
            mend="look for a stray or missing quotation mark",
        ) from error  # fmt: skip
    return Grid(path, rows, row, mark=mark)
