"""Reading sheets from any spreadsheet: what is read, what is told and where, nothing guessed."""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path

import numpy as np
import pytest
from openpyxl import Workbook

from hysteresis.bench import TEMPLATE, Bench
from hysteresis.errors import InputError
from hysteresis.table_files import read_typed_sheet, write_typed_sheet
from hysteresis.tables import TypedSheet

HEADER = ["reading", "t_s", "drive_x", "drive_y", "x_mm", "y_mm", "note"]
ROWS: list[list[object]] = [
    [1, 15.0, 0, 0, 0.5, -0.25, ""],
    [2, 21.5, 0.9, -0.45, 45.25, -22.5, "blurred; twice"],
    [3, None, 0, 0, None, 1.5, None],
]


def sheet_of(rows: list[list[object]]) -> TypedSheet:
    """The same rows as a table, by other means."""
    nan = float("nan")
    columns = [
        [nan if c is None and k < 6 else ("" if c is None else c) for c in col]
        for k, col in enumerate(zip(*rows, strict=True))
    ]
    numbers = [np.array(column, dtype=float) for column in columns[1:6]]
    return TypedSheet(np.array(columns[0], np.int64), *numbers, np.array(columns[6], dtype=object))


def same(ours: TypedSheet, theirs: TypedSheet) -> None:
    for name in ("reading", "t_s", "drive_x", "drive_y", "x_mm", "y_mm"):
        np.testing.assert_array_equal(getattr(ours, name), getattr(theirs, name), err_msg=name)
    assert ours.note.tolist() == theirs.note.tolist()


def xlsx(path: Path, rows: list[list[object]], *, sheet: str = "Data", top: int = 0, left: int = 0,
         before: bool = False) -> Path:  # fmt: skip
    book = Workbook()
    page = book.active
    if before:
        page.title = "About"
        page["A1"] = "The readings are on the next page."
        page = book.create_sheet(sheet)
    else:
        page.title = sheet
    for r, row in enumerate(rows, start=1 + top):
        for c, value in enumerate(row, start=1 + left):
            page.cell(r, c, value)
    book.save(path)
    return path


def ods(path: Path, rows: list[list[object]]) -> Path:
    from odf.opendocument import OpenDocumentSpreadsheet
    from odf.table import Table, TableCell, TableRow
    from odf.text import P

    book = OpenDocumentSpreadsheet()
    page = Table(name="Blatt 1")
    for row in rows:
        line = TableRow()
        for value in row:
            if value is None or value == "":
                cell = TableCell()
            elif isinstance(value, str):
                cell = TableCell(valuetype="string")
                cell.addElement(P(text=value))
            else:
                cell = TableCell(valuetype="float", value=value)
                cell.addElement(P(text=str(value)))
            line.addElement(cell)
        page.addElement(line)
    book.spreadsheet.addElement(page)
    book.save(str(path))
    return path


def text(rows: list[list[object]], mark: str, decimal: str = ".") -> str:
    def cell(value: object) -> str:
        shown = "" if value is None else str(value)
        if not isinstance(value, str):
            shown = shown.replace(".", decimal)
        return f'"{shown}"' if mark in shown else shown

    return "\n".join(mark.join(map(cell, row)) for row in [HEADER, *rows]) + "\n"


# ---- what is read --------------------------------------------------------------------------------


def test_workbooks(tmp_path: Path) -> None:
    same(read_typed_sheet(xlsx(tmp_path / "a.xlsx", [HEADER, *ROWS])), sheet_of(ROWS))
    same(read_typed_sheet(ods(tmp_path / "a.ods", [HEADER, *ROWS])), sheet_of(ROWS))


@pytest.mark.parametrize("mark", [",", ";", "\t"], ids=["comma", "semicolon", "tab"])
@pytest.mark.parametrize("decimal", [".", ","], ids=["point", "decimal comma"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-be-bom"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
def test_texts(tmp_path: Path, mark: str, decimal: str, encoding: str, end: str) -> None:
    rows = [[*row[:6], "größer als üblich"] for row in ROWS]
    said = text(rows, mark, decimal).replace("\n", end)
    data = (
        b"\xfe\xff" + said.encode("utf-16-be") if encoding == "utf-16-be-bom"
        else said.encode(encoding)
    )  # fmt: skip
    path = tmp_path / "typed.csv"
    path.write_bytes(data)
    same(read_typed_sheet(path), sheet_of(rows))


def test_other_columns_orders_places_and_blank_rows(tmp_path: Path) -> None:
    order = [4, 0, 6, 2, 3, 5, 1]
    names = ["X (mm)", "Reading", "note", "drive x", "drive_y", "y in mm", "t / s"]
    rows = [["Sitting of the morning"], [None], ["who", *names, "weather"]]
    for row in ROWS:
        rows += [["Kim", *[row[k] for k in order], "dry"], [None], ["", *[None] * 7, "a remark"]]
    path = xlsx(tmp_path / "a.xlsx", rows, top=2, left=1, before=True)
    same(read_typed_sheet(path), sheet_of(ROWS))
    # without times and notes
    short = [[row[k] for k in (0, 2, 3, 4, 5)] for row in [HEADER, *ROWS]]
    sheet = read_typed_sheet(xlsx(tmp_path / "b.xlsx", short))
    assert np.isnan(sheet.t_s).all() and sheet.note.tolist() == ["", "", ""]
    assert sheet.x_mm[1] == 45.25


def test_numbers_that_are_text(tmp_path: Path) -> None:
    rows = [[1, 15, 0, 0, "12,5", "−0.75"], [2, "21.5", 0, 0, " -3 ", "1e1"]]
    sheet = read_typed_sheet(xlsx(tmp_path / "a.xlsx", [HEADER[:6], *rows]))
    assert sheet.x_mm.tolist() == [12.5, -3.0] and sheet.y_mm.tolist() == [-0.75, 10.0]
    assert sheet.t_s.tolist() == [15.0, 21.5]


def test_formulas_give_the_value_they_were_saved_with(tmp_path: Path) -> None:
    from zipfile import ZipFile

    rows = [[1, 15, 0, 0, 7, "=E2*2"], [2, 21, 0, 0, 1, 1]]
    path = xlsx(tmp_path / "a.xlsx", [HEADER[:6], *rows])
    with pytest.raises(InputError) as caught:
        read_typed_sheet(path)
    assert 'row 2, column F "y_mm": the formula was never worked out' in str(caught.value)
    # as a spreadsheet saves it, with its value beside
    saved = tmp_path / "saved.xlsx"
    with ZipFile(path) as old, ZipFile(saved, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            new.writestr(name, data.replace(b"<f>E2*2</f><v></v>", b"<f>E2*2</f><v>14</v>")
                         .replace(b"<f>E2*2</f><v />", b"<f>E2*2</f><v>14</v>"))  # fmt: skip
    assert read_typed_sheet(saved).y_mm.tolist() == [14.0, 1.0]


def test_the_plans_sheet_filled_in_with_spreadsheets(tmp_path: Path) -> None:
    """The sheet of a plan, opened, filled in and saved by two libraries, is the one filled in."""
    import csv

    from hysteresis.plan.reading_steps import reading_steps
    from hysteresis.plan.sheet import reading_sheet

    bench = Bench.model_validate(tomllib.loads(TEMPLATE))
    planned = reading_sheet(reading_steps(bench, 20))
    write_typed_sheet(tmp_path / "reading_sheet.csv", planned, decimals={"t_s": 1})
    with open(tmp_path / "reading_sheet.csv", encoding="utf-8", newline="") as lines:
        header, *rows = list(csv.reader(lines))
    rng = np.random.default_rng(1)
    places = np.round(rng.uniform(-50, 50, (20, 2)), 1)
    filled: list[list[object]] = [
        [int(row[0]), *map(float, row[1:4]), *map(float, places[k]), row[6]]
        for k, row in enumerate(rows)
    ]
    for path in (
        xlsx(tmp_path / "a.xlsx", [header, *filled]), ods(tmp_path / "a.ods", [header, *filled])
    ):  # fmt: skip
        sheet = read_typed_sheet(path)
        np.testing.assert_array_equal(np.column_stack([sheet.x_mm, sheet.y_mm]), places)
        np.testing.assert_array_equal(sheet.reading, planned.reading)
        np.testing.assert_array_equal(sheet.drive_x, planned.drive_x)
        np.testing.assert_allclose(sheet.t_s, planned.t_s, atol=0.05 + 1e-9)
        assert sheet.note.tolist() == planned.note.tolist()


def test_repeats_are_read_back(tmp_path: Path) -> None:
    sheet = sheet_of(ROWS)
    several = TypedSheet(
        **{n: getattr(sheet, n) for n in HEADER},
        repeats_x=np.array([3.0, 1.0, 0.0]), repeats_y=np.array([2.0, 1.0, 1.0]),
        scatter_x_mm=np.array([0.1, np.nan, np.nan]), scatter_y_mm=np.array([0.0, np.nan, np.nan]),
    )  # fmt: skip
    write_typed_sheet(tmp_path / "typed.csv", several)
    back = read_typed_sheet(tmp_path / "typed.csv")
    for name in ("repeats_x", "repeats_y", "scatter_x_mm", "scatter_y_mm"):
        np.testing.assert_array_equal(getattr(back, name), getattr(several, name))
    write_typed_sheet(tmp_path / "plain.csv", sheet)
    assert "repeats" not in (tmp_path / "plain.csv").read_text()


# ---- what is told --------------------------------------------------------------------------------


def told(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_typed_sheet(path)
    said = str(caught.value)
    assert said.startswith(str(path)) and "\n" not in said and said.endswith(".")
    return said.removeprefix(str(path))


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("about 5", "text where a number is expected ('about 5')"),
        ("12.5 mm", "the unit stands in the name of the column"),
        (datetime.date(2024, 5, 12), "a date where a number is expected ('2024-05-12')"),
        (datetime.time(0, 1, 23), "a time where a number is expected"),
        (True, "true or false where a number is expected"),
        ("1,234", "thousands or of decimals ('1,234'); write 1.234 or 1234"),
        ("#DIV/0!", "the cell shows the error #DIV/0!"),
        ("1.234,5", "text where a number"),
    ],
    ids=lambda v: str(v)[:10],
)
def test_a_cell_of_a_workbook_is_told_with_its_place(
    tmp_path: Path, value: object, words: str
) -> None:
    rows = [HEADER, *ROWS]
    wrong = [*rows[:2], [*rows[2][:4], value, *rows[2][5:]], rows[3]]
    said = told(xlsx(tmp_path / "a.xlsx", wrong, sheet="Mai", top=4, left=1))
    assert said.startswith(", sheet 'Mai', row 7, column F \"x_mm\": ")
    assert words in said
    # the same rows without the fault
    assert len(read_typed_sheet(xlsx(tmp_path / "b.xlsx", rows, sheet="Mai", top=4, left=1))) == 3


def test_faults_of_meaning_are_told_with_their_place(tmp_path: Path) -> None:
    twice = [HEADER, ROWS[0], [1, *ROWS[1][1:]]]
    said = told(xlsx(tmp_path / "a.xlsx", twice))
    assert 'row 3, column A "reading": this number of a reading stands twice (1.0)' in said
    back = [HEADER, ROWS[0], [2, 3.0, *ROWS[1][2:]]]
    assert 'row 3, column B "t_s": time goes back after 15 s' in told(ods(tmp_path / "a.ods", back))
    per_cent = [HEADER, ROWS[0], [2, 21.5, 90, *ROWS[1][3:]]]
    assert "sheet 'Data', row 3, column C \"drive_x\"" in told(xlsx(tmp_path / "b.xlsx", per_cent))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ('reading,drive_x,drive_y,x_mm,y_mm\n1,0,0,"1,234",2\n', "line 2, column x_mm"),
        ("reading;drive_x;drive_y;x_mm;y_mm\n1;0;0;1,234;2.5\n", "line 2, column x_mm"),
        ("reading;drive_x;drive_y;x_mm;y_mm\n1;0;0;1.234;2,5\n", "write 1.234 or 1234"),
        ("reading\tdrive_x\tdrive_y\tx_mm\ty_mm\n1\t0\t0\t1,234\t2\n", "thousands or of decimals"),
    ],
)
def test_thousands_or_decimals_is_asked(tmp_path: Path, content: str, words: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(content)
    said = told(path)
    assert words in said and "thousands or of decimals" in said


@pytest.mark.parametrize(
    ("content", "value"),
    [
        ("reading;drive_x;drive_y;x_mm;y_mm\n1;0;0;1,234;2\n", 1.234),
        ("reading\tdrive_x\tdrive_y\tx_mm\ty_mm\n1\t0\t0\t1,234\t2,5\n", 1.234),
        ('reading,drive_x,drive_y,x_mm,y_mm\n1,0,0,"12,5",2\n', 12.5),
        ("reading,drive_x,drive_y,x_mm,y_mm\n1,0,0,1.234,2\n", 1.234),
        ('reading,drive_x,drive_y,x_mm,y_mm\n1,0,0,"0,234",2\n', 0.234),
    ],
)
def test_clear_commas_are_decimals(tmp_path: Path, content: str, value: float) -> None:
    path = tmp_path / "a.csv"
    path.write_text(content)
    assert read_typed_sheet(path).x_mm.tolist() == [value]


def test_headers_that_do_not_fit(tmp_path: Path) -> None:
    names = [name if name != "x_mm" else "x_cm" for name in HEADER]
    said = told(xlsx(tmp_path / "a.xlsx", [names, *ROWS]))
    assert "row 1, x_mm: the column is missing" in said
    assert "give x in mm and call the column x_mm, not x_cm" in said
    said = told(xlsx(tmp_path / "b.xlsx", [["hello"], ["there"]]))
    assert "no row names its columns" in said
    said = told(xlsx(tmp_path / "c.xlsx", [[*HEADER, "x_mm"], *[[*row, 1] for row in ROWS]]))
    assert 'row 1, column H "x_mm": the column stands twice' in said
    assert "no filled-in cell" in told(xlsx(tmp_path / "d.xlsx", []))
    assert "header but no rows" in told(xlsx(tmp_path / "e.xlsx", [HEADER, [None] * 7]))


def test_files_that_are_no_workbooks(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    path.write_text("reading,x_mm\n")
    assert "not a workbook, whatever its name says" in told(path)
    whole = xlsx(tmp_path / "b.xlsx", [HEADER, *ROWS]).read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    assert "the workbook cannot be read" in told(path)
    path.write_bytes(b"")
    assert "the file is empty" in told(path)


def test_a_torn_or_muddled_workbook_is_told_or_read(tmp_path: Path) -> None:
    """Bytes of a workbook changed at random: one sentence, or the readings, never a traceback."""
    whole = bytearray(xlsx(tmp_path / "a.xlsx", [HEADER, *ROWS]).read_bytes())
    rng = np.random.default_rng(3)
    path = tmp_path / "b.xlsx"
    for _ in range(60):
        data = whole.copy()
        for at in rng.integers(4, len(data), 5):
            data[at] = rng.integers(256)
        path.write_bytes(bytes(data))
        try:
            assert len(read_typed_sheet(path)) >= 1
        except InputError as error:
            assert "\n" not in str(error)
