"""Toolpaths as tables: a polyline with a feed, or positions against time.

x_mm,y_mm,beam,feed_mm_s[,dwell_s]      beam and feed of the move that ends at the row;
                                        dwell_s, where the column is there, is the wait after
t_s,x_mm,y_mm,beam                      beam holds from the row to the next
"""

from __future__ import annotations

import contextlib
import csv
import io
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import numpy as np

from hysteresis.csv_faults import header_fault, number_fault, width_fault
from hysteresis.errors import InputError
from hysteresis.files import read_text
from hysteresis.paths.chunking import Rows, chunks_of, joined
from hysteresis.paths.notes import ReadPolyline, Tally
from hysteresis.paths.text_blocks import text_lines
from hysteresis.table_files import read_timed_path
from hysteresis.tables import POLYLINE_COLUMNS, Bools, Floats, Ints, SpotPath

BATCH_ROWS = 10_000
MAY_BE_EMPTY = ("feed_mm_s", "dwell_s")
STILL = "the beam is on and stands still during a wait"


def header_of(text: str) -> list[str]:
    """Names of the first line that is not blank."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    return [name.strip().strip('"') for name in first.split(",")]


def lines_of_rows(path: Path | str, rows: int) -> Ints:
    """Line of the file on which each of `rows` data rows ends, as an editor counts."""
    reader = csv.reader(io.StringIO(read_text(path), newline=""), strict=True)
    lines = np.fromiter((reader.line_num for cells in reader if cells), dtype=np.int64)
    return lines[1 : rows + 1]


def read_polyline_csv(path: Path | str, *, default_feed_mm_s: float | None = None) -> ReadPolyline:
    """Read a polyline whole; see `rows_of_table`."""
    tally = Tally()
    line, lines = joined(
        chunks_of(rows_of_table(path, tally, default_feed_mm_s=default_feed_mm_s)), path
    )
    return ReadPolyline(line, lines, remarks=tally.remarks())


def rows_of_table(
    path: Path | str, tally: Tally, *, default_feed_mm_s: float | None = None
) -> Iterator[Rows]:
    """Rows of a polyline of any length, block by block, with the line on which each ends.

    An empty feed means the travel speed, or with the beam on the default. The first row is where
    the path starts: its beam and feed are not used. Raises InputError for whatever a strict table
    refuses (`files.read_table`), a beam other than 0 or 1, a feed that is not above 0 with the
    beam on, a feed or wait below 0, and a path of one row.
    """
    reader = csv.reader(text_lines(path), strict=True)
    try:
        rows = (cells for cells in reader if cells)
        head = next(rows, None)
        if head is None:
            raise InputError("the file is empty", file=path, mend="write it again")
        header = [name.strip() for name in head]
        if header == [""]:
            raise InputError("the first line is blank", file=path, mend="begin with the header")
        header_fault(Path(path), reader.line_num, header, POLYLINE_COLUMNS, ("dwell_s",))
        done = 0
        while block := [(cells, reader.line_num) for cells in islice(rows, BATCH_ROWS)]:
            yield _checked(path, header, block, done == 0, default_feed_mm_s, tally)
            done += len(block)
    except csv.Error as error:
        raise InputError(
            f"the line cannot be split into fields: {error}",
            file=path,
            row=reader.line_num,
            mend="look for a stray or missing quotation mark",
        ) from error
    if done == 0:
        raise InputError("the table has a header but no rows", file=path, mend="fill it in")
    if done < 2:
        raise InputError(
            "the path has one row and so goes nowhere", file=path, mend="write two rows or more"
        )


def _checked(
    path: Path | str,
    header: list[str],
    block: list[tuple[list[str], int]],
    first: bool,
    default_feed_mm_s: float | None,
    tally: Tally,
) -> Rows:
    """One block of rows as numbers, checked."""
    lines = np.array([line for _, line in block], dtype=np.int64)
    for cells, line in block:
        if len(cells) != len(header):
            width_fault(Path(path), line, cells, header)
    columns = zip(*(cells for cells, _ in block), strict=True)
    table = {
        name: _numbers(path, name, cells, lines)
        for name, cells in zip(header, columns, strict=True)
    }
    beam, feed = table["beam"], table["feed_mm_s"]
    dwell = np.nan_to_num(table.get("dwell_s", np.zeros(len(beam))), nan=0.0)
    moving = np.ones(len(beam), dtype=bool)
    moving[0] = not first

    def complain(bad: Bools, column: str, values: Floats, what: str, mend: str) -> None:
        rows = np.flatnonzero(bad)
        if len(rows):
            value = float(values[rows[0]])
            raise InputError(
                what, file=path, row=int(lines[rows[0]]), column=column,
                value=None if np.isnan(value) else value, mend=mend,
            )  # fmt: skip

    complain((beam != 0) & (beam != 1), "beam", beam, "this is neither 0 nor 1", "write one")
    complain(feed < 0, "feed_mm_s", feed, "a feed below 0", "write the speed in mm/s")
    complain(dwell < 0, "dwell_s", dwell, "a wait below 0", "write the wait in s")
    on = beam == 1
    if default_feed_mm_s is not None:
        feed[on & np.isnan(feed)] = default_feed_mm_s
    complain(
        moving & on & np.isnan(feed), "feed_mm_s", feed, "no feed, and the beam is on",
        "write the speed in mm/s",
    )  # fmt: skip
    complain(
        moving & on & (feed == 0), "feed_mm_s", feed, "a feed of 0, and the beam is on",
        "write a speed above 0 in mm/s",
    )  # fmt: skip
    feed[~(feed > 0)] = np.nan  # 0 with the beam off: at the travel speed
    still = np.flatnonzero(on & (dwell > 0))
    if len(still):
        tally.note(STILL, int(lines[still[0]]), len(still))
    return Rows(table["x_mm"], table["y_mm"], on, feed, dwell, lines)


def _numbers(path: Path | str, name: str, cells: tuple[str, ...], lines: Ints) -> Floats:
    """Finite numbers of one column; NaN for an empty cell where it may be empty."""
    values = np.empty(len(cells))
    joined_cells = "".join(cells)
    # `float` takes more than a table should hold ('1_000', 'nan', digits of other scripts)
    if joined_cells.isascii() and "_" not in joined_cells:
        with contextlib.suppress(ValueError):
            values[:] = list(map(float, cells))
            if np.isfinite(values).all():
                return values
    for i, cell in enumerate(cells):
        value = np.nan
        if not cell.strip() and name in MAY_BE_EMPTY:
            values[i] = value
            continue
        if cell.isascii() and "_" not in cell:
            with contextlib.suppress(ValueError):
                value = float(cell)
        if not np.isfinite(value):
            number_fault(Path(path), int(lines[i]), name, cell)
        values[i] = value
    return values


def read_timed_csv(path: Path | str) -> tuple[SpotPath, Ints]:
    """Read positions against time, with the line of each row."""
    spots = read_timed_path(path)
    if len(spots) < 2:
        raise InputError(
            "the path has one row and so goes nowhere", file=path, mend="write two rows or more"
        )
    return spots, lines_of_rows(path, len(spots))
