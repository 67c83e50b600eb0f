"""Toolpaths as tables: a polyline with a feed, or positions against time.

x_mm,y_mm,beam,feed_mm_s[,dwell_s]      beam and feed of the move that ends at the row;
                                        dwell_s, where the column is there, is the wait after
t_s,x_mm,y_mm,beam                      beam holds from the row to the next
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np

from hysteresis.errors import InputError
from hysteresis.files import line_of_row, read_table, read_text
from hysteresis.paths.notes import ReadPolyline
from hysteresis.table_files import read_timed_path
from hysteresis.tables import POLYLINE_COLUMNS, Bools, Floats, Ints, Polyline, SpotPath


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
    """Read a polyline; an empty feed means the travel speed, or with the beam on the default.

    The first row is where the path starts: its beam and feed are not used. Raises InputError
    for whatever `files.read_table` refuses, a beam other than 0 or 1, a feed that is not above
    0 with the beam on, a feed or wait below 0, and a path of one row.
    """
    table = read_table(
        path, POLYLINE_COLUMNS, optional=("dwell_s",), empty_ok=("feed_mm_s", "dwell_s")
    )
    beam, feed = table["beam"], table["feed_mm_s"].copy()
    dwell = np.nan_to_num(table.get("dwell_s", np.zeros(len(beam))), nan=0.0)
    moving = np.arange(len(beam)) > 0

    def complain(bad: Bools, column: str, values: Floats, what: str, mend: str) -> None:
        rows = np.flatnonzero(bad)
        if len(rows):
            value = float(values[rows[0]])
            raise InputError(
                what, file=path, row=line_of_row(path, int(rows[0])), column=column,
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
    if len(beam) < 2:
        raise InputError(
            "the path has one row and so goes nowhere", file=path, mend="write two rows or more"
        )
    feed[~(feed > 0)] = np.nan  # 0 with the beam off: at the travel speed
    remarks = []
    if np.any(on & (dwell > 0)):
        first = line_of_row(path, int(np.flatnonzero(on & (dwell > 0))[0]))
        remarks.append(f"the beam is on and stands still during a wait (first in line {first})")
    return ReadPolyline(
        Polyline(table["x_mm"], table["y_mm"], on, feed, dwell),
        lines_of_rows(path, len(beam)),
        remarks=tuple(remarks),
    )


def read_timed_csv(path: Path | str) -> tuple[SpotPath, Ints]:
    """Read positions against time, with the line of each row."""
    spots = read_timed_path(path)
    if len(spots) < 2:
        raise InputError(
            "the path has one row and so goes nowhere", file=path, mend="write two rows or more"
        )
    return spots, lines_of_rows(path, len(spots))
