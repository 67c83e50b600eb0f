"""Drive signals as WAV files: three channels x, y, beam, so that any audio output can play them.

Drive +1 and -1 are the full scale of the file. Nothing is ever clipped: a value beyond it is a
`LimitError` with its place.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from hysteresis.errors import InputError, LimitError
from hysteresis.files import check_readable, writing
from hysteresis.tables import DriveSignal, Floats

_SUBTYPES = {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}
_LOWEST_RATE_HZ, _HIGHEST_RATE_HZ = 1000, 192_000
_BLOCK = 65_536
_MAX_WAV_BYTES = 2**32 - 4096  # sizes in a WAV header are 32-bit numbers


def sampled_blocks(signal: DriveSignal, sample_rate_hz: float) -> Iterator[Floats]:
    """Sample a piecewise-linear drive at a constant rate, in blocks of shape (n, 3): x, y, beam.

    The first sample is at the first vertex. The beam of a sample is that of the vertex before.
    """
    start, span = float(signal.t_s[0]), float(signal.t_s[-1] - signal.t_s[0])
    # The small allowance keeps a last vertex that falls on a sample but for rounding.
    count = int(np.floor(span * sample_rate_hz + 1e-6)) + 1
    for first in range(0, count, _BLOCK):
        t_s = start + np.arange(first, min(first + _BLOCK, count)) / sample_rate_hz
        row = np.searchsorted(signal.t_s, t_s + 1e-9 / sample_rate_hz, side="right") - 1
        yield np.column_stack(
            [
                np.interp(t_s, signal.t_s, signal.drive_x),
                np.interp(t_s, signal.t_s, signal.drive_y),
                signal.beam[row].astype(np.float64),
            ]
        )


def write_drive_wav(
    path: Path | str,
    signal: DriveSignal | Iterable[Floats],
    sample_rate_hz: float,
    *,
    bits: int = 24,
    overwrite: bool = True,
) -> None:
    """Write a drive signal as WAV with channels x, y, beam.

    Parameters
    ----------
    signal : a drive signal, or blocks of shape (n, 3) already at the sample rate, as they come.
    bits : 16 or 24 (whole numbers) or 32 (floating point).

    Raises
    ------
    LimitError when a drive is outside -1 to +1 or not finite, or the file would pass 4 GB.
    """
    import soundfile

    if bits not in _SUBTYPES:
        raise InputError("a WAV sample has 16, 24 or 32 bits", value=bits, mend="choose one")
    rate = round(sample_rate_hz)
    if not (_LOWEST_RATE_HZ <= rate <= _HIGHEST_RATE_HZ and rate == sample_rate_hz):
        raise InputError(
            "the sample rate of a WAV is a whole number from 1000 to 192000 Hz",
            value=sample_rate_hz,
            mend="change sample_rate_hz in bench.toml",
        )
    blocks = sampled_blocks(signal, rate) if isinstance(signal, DriveSignal) else signal
    most = _MAX_WAV_BYTES // (3 * bits // 8)
    done = 0
    with writing(path, overwrite=overwrite) as part, _told_by_disk(part):
        with soundfile.SoundFile(
            part, "w", samplerate=rate, channels=3, subtype=_SUBTYPES[bits], format="WAV"
        ) as out:
            for block in blocks:
                block = np.ascontiguousarray(block, dtype=np.float64)
                _check_block(path, block, done, rate)
                done += len(block)
                if done > most:
                    raise LimitError(
                        f"{path}: a WAV of {bits} bits at {rate} Hz holds at most "
                        f"{most / rate:.0f} s; write a shorter signal or fewer bits."
                    )
                out.write(_codes(block, bits))
        if not done:
            raise LimitError(f"{path}: the drive signal is empty, so there is nothing to write.")


@contextlib.contextmanager
def _told_by_disk(part: Path) -> Iterator[None]:
    """Give an `OSError` for a WAV that could not be written: libsndfile forgets the reason."""
    import soundfile

    try:
        yield
    except soundfile.LibsndfileError as error:
        full = shutil.disk_usage(part.parent).free < 2**20
        code = errno.ENOSPC if full else errno.EIO
        raise OSError(code, os.strerror(code), str(part)) from error


def _check_block(path: Path | str, block: Floats, done: int, rate: int) -> None:
    if block.ndim != 2 or block.shape[1] != 3:
        raise ValueError(f"blocks have shape (n, 3), this one {block.shape}")
    bad = ~(np.abs(block) <= 1)  # NaN is bad too
    if bad.any():
        row, channel = (int(i) for i in np.argwhere(bad)[0])
        raise LimitError(
            f"{path}: {('drive x', 'drive y', 'beam')[channel]} is {block[row, channel]:.4g} at "
            f"{(done + row) / rate:.4f} s, outside -1 to +1; nothing was clipped or written."
        )


def _codes(block: Floats, bits: int) -> npt.NDArray[np.int16 | np.int32 | np.float32]:
    """The numbers that stand in the file. Our own rounding, so that ±1 is the same both ways."""
    if bits == 32:
        return block.astype(np.float32)
    codes = np.rint(block * (2 ** (bits - 1) - 1))
    # soundfile takes 24 bits as the upper ones of 32.
    return codes.astype(np.int16) if bits == 16 else codes.astype(np.int32) << 8


def read_drive_wav(path: Path | str) -> tuple[DriveSignal, float]:
    """Read a WAV with channels x, y, beam; return the drive signal and the sample rate in Hz.

    Two channels are taken as x, y with the beam always on. The beam is on from half of full
    scale. Raises `InputError` for anything else.
    """
    import soundfile

    path = Path(path)
    check_readable(path)
    try:
        with soundfile.SoundFile(path) as source:
            bits = {"PCM_16": 16, "PCM_24": 24, "FLOAT": 32}.get(source.subtype)
            rate, channels, kind = source.samplerate, source.channels, source.format
            if kind not in {"WAV", "WAVEX"} or bits is None:
                raise InputError(
                    f"this is {kind} with samples {source.subtype}, not a WAV of 16, 24 or 32 bits",
                    file=path,
                    mend="export it as WAV",
                )
            if channels not in (2, 3):
                raise InputError(
                    f"the WAV has {channels} channel{'s' if channels > 1 else ''}",
                    file=path,
                    mend="export three channels: x, y, beam (or two: x, y)",
                )
            if not _LOWEST_RATE_HZ <= rate <= _HIGHEST_RATE_HZ:
                raise InputError(
                    f"the sample rate is {rate} Hz",
                    file=path,
                    mend=f"export it with {_LOWEST_RATE_HZ} to {_HIGHEST_RATE_HZ} Hz",
                )
            samples = source.read(dtype="float32" if bits == 32 else "int32", always_2d=True)
    except soundfile.LibsndfileError as error:
        raise InputError(
            f"this is not a readable WAV file: {error.error_string.rstrip('.')}", file=path
        ) from error
    if not len(samples):
        raise InputError("the WAV holds no samples", file=path, mend="export it again")
    if bits == 32:
        drive = samples.astype(np.float64)
        bad = ~(np.abs(drive) <= 1)
        if bad.any():
            row, channel = (int(i) for i in np.argwhere(bad)[0])
            raise InputError(
                f"the value at {row / rate:.4f} s is outside -1 to +1",
                file=path,
                row=row + 1,
                column=("x", "y", "beam")[channel],
                value=float(drive[row, channel]),
                mend="scale it to full scale before exporting",
            )
    else:
        codes = samples >> (32 - bits)
        # The lowest code lies one step beyond -1, by the asymmetry of two's complement.
        drive = np.maximum(codes / (2 ** (bits - 1) - 1), -1.0)
    beam = drive[:, 2] >= 0.5 if channels == 3 else np.ones(len(drive), dtype=bool)
    t_s = np.arange(len(drive)) / rate
    return DriveSignal(t_s, drive[:, 0].copy(), drive[:, 1].copy(), beam), float(rate)
