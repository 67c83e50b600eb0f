"""Cells of a workbook that look empty but are not: errors, and formulas never worked out.

Readers give both as blank, and a blank reading means 'not read'. So the XML of the sheets is
looked through for them (Office Open XML, ECMA-376 part 1, 18.3.1.4: cell type `e`, and a formula
`f` without a value `v`; OpenDocument 1.3 part 3, 19.385 and its calcext extension; from memory).
"""

from __future__ import annotations

import re
import zipfile
from pathlib import Path
from xml.etree import ElementTree

_MOST_BYTES = 200 * 1024 * 1024
_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_LINK = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"

Void = dict[tuple[int, int], str]


def cells_without_value(path: Path) -> dict[str, Void]:
    """By sheet, what is wrong with cells (row, column from 0) of an .xlsx file; {} for others.

    A file whose parts cannot be followed has none: the reader itself has taken it.
    """
    try:
        with zipfile.ZipFile(path) as parts:
            if "xl/workbook.xml" not in parts.namelist():
                return {}
            book = _xml(parts, "xl/workbook.xml")
            links = {
                link.get("Id"): str(link.get("Target"))
                for link in _xml(parts, "xl/_rels/workbook.xml.rels")
            }
            found = {}
            for sheet in book.iter(f"{_MAIN}sheet"):
                target = links.get(sheet.get(_LINK), "")
                name = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
                if name in parts.namelist():
                    found[str(sheet.get("name"))] = _void(_xml(parts, name))
            return found
    except (zipfile.BadZipFile, ElementTree.ParseError, KeyError, OSError, ValueError):
        return {}


def _xml(parts: zipfile.ZipFile, name: str) -> ElementTree.Element:
    if parts.getinfo(name).file_size > _MOST_BYTES:
        raise ValueError(name)
    data = parts.read(name)
    if b"<!DOCTYPE" in data[:2000]:  # entities may grow without end
        raise ValueError(name)
    return ElementTree.fromstring(data)


def _void(sheet: ElementTree.Element) -> Void:
    found: Void = {}
    for cell in sheet.iter(f"{_MAIN}c"):
        value = cell.find(f"{_MAIN}v")
        shown = "" if value is None else (value.text or "")
        if cell.get("t") == "e":
            found[_place(str(cell.get("r")))] = f"the cell shows the error {shown or '#?'}"
        elif cell.find(f"{_MAIN}f") is not None and not shown and cell.get("t") != "str":
            found[_place(str(cell.get("r")))] = "the formula was never worked out"
    return found


def _place(reference: str) -> tuple[int, int]:
    """Row and column, from 0, of a reference such as 'D7'."""
    match = re.fullmatch(r"([A-Z]+)(\d+)", reference)
    if match is None:
        raise ValueError(reference)
    column = 0
    for letter in match[1]:
        column = 26 * column + ord(letter) - ord("A") + 1
    return int(match[2]) - 1, column - 1
