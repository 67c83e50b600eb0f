"""A run's own log or sheet measured: files of the run in, recording.csv and quality.json out.

Beside each log of a film a small file keeps the size of its picture: a registration made from
pictures of another size is scaled to it.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from pathlib import Path
from typing import Any, Literal

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.files import line_of_row, read_json, sha256_of
from hysteresis.measure.from_camera import measure_camera
from hysteresis.measure.from_sheet import measure_typed
from hysteresis.measure.measured import Measured
from hysteresis.measure.quality import Quality, write_quality
from hysteresis.measure.registration import Registration
from hysteresis.measure.registration_file import registration_of
from hysteresis.run_folder import RunFolder
from hysteresis.table_files import (
    read_camera_log,
    read_typed_sheet_placed,
    write_pattern,
    write_recording,
)
from hysteresis.tables import CameraLog, Pattern

Source = Literal["camera", "typed"]
FILM_SCHEMA, FILM_SCHEMA_VERSION = "hysteresis film", 1
DECIMALS = {
    "t_s": 6, "exposure_s": 6, "x_mm": 5, "y_mm": 5, "sigma_x_mm": 6, "sigma_y_mm": 6,
}  # fmt: skip
"""Digits behind the point in recording.csv."""


def own_source(folder: RunFolder) -> tuple[Source, Path]:
    """Which of camera_log.csv and typed.csv the run holds; `InputError` for both or neither."""
    found: list[tuple[Source, Path]] = [
        ("camera", folder.camera_log_csv),
        ("typed", folder.typed_csv),
    ]
    found = [(kind, path) for kind, path in found if path.exists()]
    if len(found) > 1:
        raise InputError(
            "the run holds both camera_log.csv and typed.csv",
            file=folder.path,
            mend="say which with --camera FILE or --typed FILE",
        )
    if not found:
        raise InputError(
            "the run holds neither camera_log.csv nor typed.csv",
            file=folder.path,
            mend="name a file with --camera FILE or --typed FILE",
        )
    return found[0]


def no_pattern(folder: RunFolder) -> InputError:
    """What is said where a camera log has no pattern to be aligned to."""
    return InputError(
        "the run has no pattern, so the camera log cannot be aligned to it",
        file=folder.pattern_csv,
        mend="put the pattern that was played there",
    )


def measured_from(
    folder: RunFolder,
    source: Source,
    path: Path,
    pattern: Pattern | None,
    bench: Bench,
    registration: Registration | None = None,
    *,
    keep: AbstractSet[int] = frozenset(),
    kept: AbstractSet[int] = frozenset(),
    keep_all: bool = False,
    take: int | None = None,
) -> Measured:
    """Measure the camera log or the typed sheet in `path`.

    Arguments as in `measure_camera` and `measure_typed`; without a `registration` that of the run.
    Raises their `InputError`, with the file and the line as an editor counts it.
    """
    if source == "camera" and pattern is None:
        raise no_pattern(folder)
    places = None
    try:
        if source == "camera":
            assert pattern is not None
            log = read_camera_log(path)
            if registration is None:
                registration = registration_for_log(folder, bench, path, log)
            return measure_camera(
                log, pattern, bench,
                keep=keep, keep_all=keep_all, registration=registration, take=take,
            )  # fmt: skip
        sheet, places = read_typed_sheet_placed(path)
        return measure_typed(sheet, pattern, bench, keep=keep, kept=kept, keep_all=keep_all)
    except InputError as error:
        if error.file is not None:
            raise
        if places is not None:
            raise places.told(error, None if error.row is None else error.row - 2) from None
        # The stage knows rows of the table, not the file; blank lines are only seen in it.
        row = None if error.row is None else line_of_row(path, error.row - 2)
        raise InputError(
            error.what, file=path, row=row, column=error.column, value=error.value, mend=error.mend
        ) from None


def write_measured(folder: RunFolder, measured: Measured, quality: Quality) -> None:
    """Write recording.csv and quality.json, and the pattern where the sheet made one."""
    if measured.derived:
        write_pattern(folder.pattern_csv, measured.pattern, overwrite=False)
    write_recording(folder.recording_csv, measured.recording, decimals=DECIMALS)
    write_quality(folder.quality_json, quality, sha256_of(folder.recording_csv))


def registration_for_log(
    folder: RunFolder, bench: Bench, path: Path, log: CameraLog
) -> Registration | None:
    """The registration for a log, scaled to its film's picture where that is known.

    None where the bench has no camera. Raises `InputError` as `registration_of` does, and for
    places outside the picture that the registration belongs to.
    """
    if bench.camera is None:
        return None
    size = _size_of_log(path)
    registration = registration_of(folder, bench, size_px=size)
    width, height = registration.width_px, registration.height_px
    u, v = log.u_px[log.weight > 0], log.v_px[log.weight > 0]
    if width and len(u) and (np.median(u) > width or np.median(v) > height):
        raise InputError(
            f"the registration belongs to pictures of {width} by {height} pixels, and most spots "
            "of the log lie outside",
            file=path,
            mend="register again from a picture of the film's size: hysteresis register RUN "
            "--target STILL --force",
        )
    return registration


def _size_of_log(log: Path) -> tuple[int, int] | None:
    """The size of the picture that a log's pixels belong to; None where nothing tells it."""
    beside = log.with_suffix(".json")
    if not beside.exists():
        return None
    mend = "delete it if the registration was made from pictures of the film's size"
    data: Any = read_json(beside, mend=mend)
    if not isinstance(data, dict) or data.get("schema") != FILM_SCHEMA:
        return None  # another file of this name, of somebody's own
    told, size = data.get("log"), data.get("picture_px")
    if (
        not (isinstance(size, list) and len(size) == 2 and isinstance(told, dict))
        or not all(type(n) is int and n > 0 for n in size)
    ):  # fmt: skip
        raise InputError("this does not say how large the film's picture was", file=beside,
                         mend=mend)  # fmt: skip
    if told.get("sha256") != sha256_of(log):
        return None  # the log is another one by now
    return size[0], size[1]
