"""Drive signals out: a table or a WAV to play."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from hysteresis.errors import InputError, LimitError
from hysteresis.table_files import write_drive_csv
from hysteresis.tables import DriveSignal
from hysteresis.wav_files import write_drive_wav

DECIMALS = {"t_s": 7, "drive_x": 8, "drive_y": 8}  # 0.1 µs; finer than a 24-bit step


def write_drive(
    path: Path | str,
    signal: DriveSignal,
    sample_rate_hz: float,
    *,
    bits: int = 24,
    csv_rate_hz: float | None = None,
    overwrite: bool = True,
) -> None:
    """Write a drive signal to `path`, whose suffix says how.

    `.wav`: channels x, y, beam at `sample_rate_hz`, piecewise-linear between the rows, in
    `bits` (16, 24, or 32 for floating point), block by block. `.csv`: the rows as they are,
    or at `csv_rate_hz` where that is given (the last row stays).

    Raises InputError for another suffix, LimitError for a drive outside -1 to +1 or not finite
    (nothing is clipped); nothing is written then.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in (".wav", ".csv"):
        raise InputError(
            "a drive signal is written as .wav or .csv", file=path, value=suffix or None,
            mend="give the file one of these endings",
        )  # fmt: skip
    if len(signal) == 0:
        raise LimitError(f"{path}: the drive signal is empty, so there is nothing to write.")
    for axis, drive in (("x", signal.drive_x), ("y", signal.drive_y)):
        bad = np.flatnonzero(~(np.abs(drive) <= 1.0))  # NaN is bad too
        if len(bad):
            raise LimitError(
                f"{path}: drive {axis} is {drive[bad[0]]:.4g} at {signal.t_s[bad[0]]:.4f} s, "
                "outside -1 to +1; nothing was clipped or written."
            )
    if suffix == ".wav":
        write_drive_wav(path, signal, sample_rate_hz, bits=bits, overwrite=overwrite)
        return
    if csv_rate_hz is None:
        write_drive_csv(path, signal, overwrite=overwrite)
    else:
        write_drive_csv(
            path, resampled(signal, csv_rate_hz), decimals=DECIMALS, overwrite=overwrite
        )


def resampled(signal: DriveSignal, rate_hz: float) -> DriveSignal:
    """The signal at an even rate, piecewise-linear between its rows; the last row stays.

    The beam of a row is the one that holds there. Raises InputError for a rate that is not
    above 0 and below 1 MHz.
    """
    if not 0.0 < rate_hz <= 1e6:
        raise InputError(
            "the rate of a table is above 0 and at most 1000000 Hz", value=rate_hz,
            mend="choose another rate",
        )  # fmt: skip
    start, end = float(signal.t_s[0]), float(signal.t_s[-1])
    count = int(np.floor((end - start) * rate_hz + 1e-6)) + 1
    t_s = start + np.arange(count) / rate_hz
    if end - t_s[-1] > 1e-3 / rate_hz:
        t_s = np.append(t_s, end)
    row = np.searchsorted(signal.t_s, t_s + 1e-9 / rate_hz, side="right") - 1
    return DriveSignal(
        t_s,
        np.interp(t_s, signal.t_s, signal.drive_x),
        np.interp(t_s, signal.t_s, signal.drive_y),
        signal.beam[row],
    )
