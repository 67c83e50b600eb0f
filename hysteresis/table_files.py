"""Reading and writing each table of a run: columns by `files`, meaning by the checks here.

The same check runs on both sides, so that nothing is written that could not be read again. A
complaint names the line of the file; on writing, the line the row would have had.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from hysteresis.errors import InputError
from hysteresis.sheet_cells import Places
from hysteresis.sheets import read_sheet
from hysteresis.table_checks import Checks, given, load, save
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

_TYPED_NEEDED = tuple(name for name in TYPED_COLUMNS if name not in ("t_s", "note"))
SEGMENT_NAME = re.compile(r"[a-z][a-z_-]*/\d+(/[a-z0-9_-]+)?")


# ---- pattern ---------------------------------------------------------------------------------


def _check_pattern(checks: Checks) -> None:
    given(checks, "t_s", "drive_x", "drive_y")
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
    table, checks = load(path, PATTERN_COLUMNS, text=("segment",))
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
    save(path, pattern, PATTERN_COLUMNS, _check_pattern, decimals, overwrite)


# ---- typed sheet -----------------------------------------------------------------------------


def _check_typed(checks: Checks) -> None:
    given(checks, "drive_x", "drive_y")
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
        _check_typed(Checks(path, table, lambda row: places.row[row]))
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
    save(path, sheet, columns, _check_typed, decimals, overwrite)


# ---- camera log ------------------------------------------------------------------------------


def _check_camera_log(checks: Checks) -> None:
    given(checks, "t_s", "weight")
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
    table, checks = load(
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
    save(path, log, columns, _check_camera_log, rounded, overwrite)


# ---- recording -------------------------------------------------------------------------------


def _check_recording(checks: Checks) -> None:
    given(checks, "exposure_s")
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
    table, checks = load(path, RECORDING_COLUMNS, text=("reason", "segment"), empty_ok=gaps)
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
    save(path, recording, RECORDING_COLUMNS, _check_recording, decimals, overwrite)


# ---- timed path and drive signal -------------------------------------------------------------


def _check_timed_path(checks: Checks) -> None:
    given(checks, "t_s", "x_mm", "y_mm")
    checks.rises()
    checks.switch("beam")


def read_timed_path(path: Path | str) -> SpotPath:
    """Read a path with a clock: spot in mm against time."""
    table, checks = load(path, TIMED_PATH_COLUMNS)
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
    save(path, spots, TIMED_PATH_COLUMNS, _check_timed_path, decimals, overwrite)


def _check_drive(checks: Checks) -> None:
    given(checks, "t_s", "drive_x", "drive_y")
    checks.rises()
    checks.drive()
    checks.switch("beam")


def read_drive_csv(path: Path | str) -> DriveSignal:
    """Read a drive signal: fractions of full scale against time."""
    table, checks = load(path, DRIVE_COLUMNS)
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
    save(path, signal, DRIVE_COLUMNS, _check_drive, decimals, overwrite)
