"""Reading and writing each table of a run: columns by `files`, meaning by the checks here.

The same check runs on both sides, so that nothing is written that could not be read again. A
complaint names the line of the file; on writing, the line the row would have had.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import numpy.typing as npt

from hysteresis.errors import InputError
from hysteresis.files import line_of_row, read_table, write_table
from hysteresis.sheet_cells import Places
from hysteresis.sheets import read_sheet
from hysteresis.tables import (
    CAMERA_LOG_COLUMNS,
    DRIVE_COLUMNS,
    PATTERN_COLUMNS,
    RECORDING_COLUMNS,
    REPEAT_COLUMNS,
    SEEN_COLUMNS,
    TIMED_PATH_COLUMNS,
    TYPED_COLUMNS,
    CameraLog,
    DriveSignal,
    Pattern,
    Recording,
    SpotPath,
    TypedSheet,
)

Columns = Mapping[str, npt.NDArray[Any]]
_TYPED_NEEDED = tuple(name for name in TYPED_COLUMNS if name not in ("t_s", "note"))
SEGMENT_NAME = re.compile(r"[a-z][a-z_-]*/\d+(/[a-z0-9_-]+)?")


class _Checks:
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


def _load(
    path: Path | str,
    columns: tuple[str, ...],
    *,
    optional: tuple[str, ...] = (),
    text: tuple[str, ...] = (),
    empty_ok: tuple[str, ...] = (),
) -> tuple[dict[str, npt.NDArray[Any]], _Checks]:
    table = read_table(path, columns, optional=optional, text=text, empty_ok=empty_ok)
    return table, _Checks(path, table, lambda row: line_of_row(path, row))


def _save(
    path: Path | str,
    record: Any,
    columns: tuple[str, ...],
    check: Callable[[_Checks], None],
    decimals: Mapping[str, int] | None,
    overwrite: bool,
) -> None:
    table = {name: np.asarray(getattr(record, name)) for name in columns}
    for name, digits in (decimals or {}).items():
        table[name] = np.round(table[name], digits)  # first, as it may make two times one
    for name, values in table.items():
        if values.dtype.kind == "f":
            _Checks(path, table, lambda row: row + 2).complain(
                np.isinf(values), name, "this is not a finite number", "leave the row out"
            )
    check(_Checks(path, table, lambda row: row + 2))
    write_table(path, table, decimals=decimals, overwrite=overwrite)


def _given(checks: _Checks, *columns: str) -> None:
    """No NaN; on reading `read_table` has seen to it already."""
    for column in columns:
        checks.complain(np.isnan(checks.columns[column]), column, "the cell is empty", "fill it in")


# ---- pattern ---------------------------------------------------------------------------------


def _check_pattern(checks: _Checks) -> None:
    _given(checks, "t_s", "drive_x", "drive_y")
    checks.complain(
        checks.columns["t_s"][:1] != 0,
        "t_s",
        "a pattern starts at time 0",
        "subtract the first time from all",
    )
    checks.rises()
    checks.drive()
    checks.switch("beam")
    names = {name: SEGMENT_NAME.fullmatch(name) is None for name in set(checks.columns["segment"])}
    checks.complain(
        np.array([names[name] for name in checks.columns["segment"]], dtype=bool),
        "segment",
        "this is not the name of a segment",
        "write kind/number or kind/number/part, such as ladder/012/hold",
    )


def read_pattern(path: Path | str) -> Pattern:
    """Read pattern.csv; raises `InputError` when it is not a pattern."""
    table, checks = _load(path, PATTERN_COLUMNS, text=("segment",))
    _check_pattern(checks)
    return Pattern(**(table | {"beam": table["beam"] == 1}))


def write_pattern(
    path: Path | str,
    pattern: Pattern,
    *,
    decimals: Mapping[str, int] | None = None,
    overwrite: bool = True,
) -> None:
    """Write pattern.csv. Without `decimals`, what is read back is the same to the last bit."""
    _save(path, pattern, PATTERN_COLUMNS, _check_pattern, decimals, overwrite)


# ---- typed sheet -----------------------------------------------------------------------------


def _check_typed(checks: _Checks) -> None:
    _given(checks, "drive_x", "drive_y")
    checks.whole("reading")
    numbers = checks.columns["reading"]
    first = np.zeros(len(numbers), dtype=bool)
    first[np.unique(numbers, return_index=True)[1]] = True
    checks.complain(
        ~first, "reading", "this number of a reading stands twice", "number each reading once"
    )
    checks.rises()
    checks.drive()
    for axis in ("x", "y"):
        if f"repeats_{axis}" in checks.columns:
            checks.whole(f"repeats_{axis}")
            checks.complain(
                (checks.columns[f"repeats_{axis}"] == 0) & ~np.isnan(checks.columns[f"{axis}_mm"]),
                f"repeats_{axis}",
                "a place that was read at least once has no reading",
                "write how many readings it is the mean of",
            )
        if f"scatter_{axis}_mm" in checks.columns:
            checks.not_negative(f"scatter_{axis}_mm")


def read_typed_sheet(path: Path | str) -> TypedSheet:
    """Read a filled-in (or still empty) reading sheet; empty times and positions are NaN.

    The file is a workbook (.xlsx, .ods) or a text with commas, semicolons or tabs; see `sheets`.
    """
    return read_typed_sheet_placed(path)[0]


def read_typed_sheet_placed(path: Path | str) -> tuple[TypedSheet, Places]:
    """The same, with the places of its rows, for complaints that come later.

    `t_s` and `note` may be missing as columns; places and times may be empty, a number of
    repeats where there is one reading or none.
    """
    table, places = read_sheet(
        path,
        _TYPED_NEEDED,
        optional=("t_s", "note", *REPEAT_COLUMNS),
        text=("note",),
        empty_ok=("t_s", "x_mm", "y_mm", "note", *REPEAT_COLUMNS),
    )
    n = len(table["reading"])
    table.setdefault("t_s", np.full(n, np.nan))
    table.setdefault("note", np.full(n, "", dtype=object))
    for axis in ("x", "y"):
        if (repeats := table.get(f"repeats_{axis}")) is not None:
            once = (~np.isnan(table[f"{axis}_mm"])).astype(float)
            table[f"repeats_{axis}"] = np.where(np.isnan(repeats), once, repeats)
    try:
        _check_typed(_Checks(path, table, lambda row: places.row[row]))
    except InputError as error:
        raise places.told(error) from None
    return TypedSheet(**(table | {"reading": table["reading"].astype(np.int64)})), places


def write_typed_sheet(
    path: Path | str,
    sheet: TypedSheet,
    *,
    decimals: Mapping[str, int] | None = None,
    overwrite: bool = True,
) -> None:
    """Write a reading sheet; NaN becomes an empty cell to fill in. Repeats, where there are any."""
    repeated = max(sheet.repeats_x.max(initial=0), sheet.repeats_y.max(initial=0)) > 1
    columns = TYPED_COLUMNS + (REPEAT_COLUMNS if repeated else ())
    _save(path, sheet, columns, _check_typed, decimals, overwrite)


# ---- camera log ------------------------------------------------------------------------------


def _check_camera_log(checks: _Checks) -> None:
    _given(checks, "t_s", "weight")
    checks.whole("frame")
    checks.not_negative("weight")
    for column in ("u_px", "v_px"):
        checks.complain(
            np.isnan(checks.columns[column]) & (checks.columns["weight"] != 0),
            column,
            "the cell is empty",
            "fill it in, or write 0 for the weight of a frame without a spot",
        )
    for column in ("sigma_u_px", "sigma_v_px"):
        if column in checks.columns:
            checks.not_negative(column)
    # Rows may come in any order and frames may repeat, but in the order of the frames the
    # camera's clock must not run backwards.
    frame, t_s = checks.columns["frame"], checks.columns["t_s"]
    order = np.lexsort((t_s, frame))
    first = np.ones(len(order), dtype=bool)
    first[1:] = np.diff(frame[order]) != 0
    starts = order[first]
    back = np.flatnonzero(np.diff(t_s[starts]) < 0)
    bad = np.zeros(len(frame), dtype=bool)
    bad[starts[back[:1] + 1]] = True
    checks.complain(
        bad,
        "t_s",
        "time goes back although the frame number rises",
        "export the log again, with the camera's own time of each frame",
    )


def read_camera_log(path: Path | str) -> CameraLog:
    """Read a camera log in the order of its lines; `weight` is 1 where the file has none.

    The columns `SEEN_COLUMNS` may be there or not; a place may be empty where the weight is 0.
    """
    table, checks = _load(
        path,
        CAMERA_LOG_COLUMNS[:4],
        optional=("weight", *SEEN_COLUMNS),
        text=("note",),
        empty_ok=("u_px", "v_px", *SEEN_COLUMNS),
    )
    table.setdefault("weight", np.ones(len(table["frame"])))
    _check_camera_log(checks)
    return CameraLog(**(table | {"frame": table["frame"].astype(np.int64)}))


def write_camera_log(
    path: Path | str,
    log: CameraLog,
    *,
    decimals: Mapping[str, int] | None = None,
    overwrite: bool = True,
) -> None:
    """Write a camera log with its weights, and with whatever of `SEEN_COLUMNS` is known."""
    known = [
        name
        for name in SEEN_COLUMNS
        if (any(log.note) if name == "note" else not np.isnan(getattr(log, name)).all())
    ]
    columns = CAMERA_LOG_COLUMNS + tuple(known)
    rounded = {name: digits for name, digits in (decimals or {}).items() if name in columns}
    _save(path, log, columns, _check_camera_log, rounded, overwrite)


# ---- recording -------------------------------------------------------------------------------


def _check_recording(checks: _Checks) -> None:
    _given(checks, "exposure_s")
    checks.not_negative("exposure_s")
    checks.rises(may_stay=True)
    checks.switch("used")
    used = checks.columns["used"] == 1
    for axis in ("x", "y"):
        position, sigma = checks.columns[f"{axis}_mm"], checks.columns[f"sigma_{axis}_mm"]
        checks.complain(
            used & ~np.isnan(position) & ~(sigma > 0),
            f"sigma_{axis}_mm",
            "a position that is used needs a standard deviation above 0",
            "write it in mm, or set used to 0 and give the reason",
        )
    nothing = np.array([reason == "" for reason in checks.columns["reason"]], dtype=bool)
    checks.complain(~used & nothing, "reason", "a row that is not used needs a reason", "write it")
    nowhere = np.array([name == "" for name in checks.columns["segment"]], dtype=bool)
    checks.complain(
        used & nowhere & np.isnan(checks.columns["t_s"]),
        "segment",
        "a row without a time needs a segment",
        "write the segment of the pattern in which it was read",
    )


def read_recording(path: Path | str) -> Recording:
    """Read recording.csv; what was not measured is NaN."""
    gaps = ("t_s", "x_mm", "y_mm", "sigma_x_mm", "sigma_y_mm", "reason", "segment")
    table, checks = _load(path, RECORDING_COLUMNS, text=("reason", "segment"), empty_ok=gaps)
    _check_recording(checks)
    return Recording(**(table | {"used": table["used"] == 1}))


def write_recording(
    path: Path | str,
    recording: Recording,
    *,
    decimals: Mapping[str, int] | None = None,
    overwrite: bool = True,
) -> None:
    """Write recording.csv. Without `decimals`, what is read back is the same to the last bit."""
    _save(path, recording, RECORDING_COLUMNS, _check_recording, decimals, overwrite)


# ---- timed path and drive signal -------------------------------------------------------------


def _check_timed_path(checks: _Checks) -> None:
    _given(checks, "t_s", "x_mm", "y_mm")
    checks.rises()
    checks.switch("beam")


def read_timed_path(path: Path | str) -> SpotPath:
    """Read a path with a clock: spot in mm against time."""
    table, checks = _load(path, TIMED_PATH_COLUMNS)
    _check_timed_path(checks)
    return SpotPath(**(table | {"beam": table["beam"] == 1}))


def write_timed_path(
    path: Path | str,
    spots: SpotPath,
    *,
    decimals: Mapping[str, int] | None = None,
    overwrite: bool = True,
) -> None:
    """Write a path with a clock."""
    _save(path, spots, TIMED_PATH_COLUMNS, _check_timed_path, decimals, overwrite)


def _check_drive(checks: _Checks) -> None:
    _given(checks, "t_s", "drive_x", "drive_y")
    checks.rises()
    checks.drive()
    checks.switch("beam")


def read_drive_csv(path: Path | str) -> DriveSignal:
    """Read a drive signal: fractions of full scale against time."""
    table, checks = _load(path, DRIVE_COLUMNS)
    _check_drive(checks)
    return DriveSignal(**(table | {"beam": table["beam"] == 1}))


def write_drive_csv(
    path: Path | str,
    signal: DriveSignal,
    *,
    decimals: Mapping[str, int] | None = None,
    overwrite: bool = True,
) -> None:
    """Write a drive signal; one outside -1 to +1 is refused, never clipped."""
    _save(path, signal, DRIVE_COLUMNS, _check_drive, decimals, overwrite)
