"""Drive signals as WAV files: channels x, y, beam, so that any audio output can play them.

Drive +1 and -1 are the full scale of the file. Nothing is ever clipped: a value beyond it is a
`LimitError` with its place. Past 4 GB, where the sizes of a WAV header end, the file is RF64 (EBU
Tech 3306), which has the same head in 64 bits.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from hysteresis.carrier import Carrier, envelope, margin, modulated
from hysteresis.errors import InputError, LimitError
from hysteresis.files import check_readable, writing
from hysteresis.tables import DriveSignal, Floats

_SUBTYPES = {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}
_LOWEST_RATE_HZ, _HIGHEST_RATE_HZ = 1000, 192_000
_BLOCK = 65_536
_MAX_WAV_BYTES = 2**32 - 4096  # sizes in a WAV header are 32-bit numbers

Layout = Literal["xyb", "xy", "x", "y"]
_CHANNELS: dict[str, tuple[int, ...]] = {"xyb": (0, 1, 2), "xy": (0, 1), "x": (0,), "y": (1,)}


@dataclass(frozen=True)
class WavForm:
    """How a drive signal is written.

    `bits`: 16 or 24 (whole numbers) or 32 (floating point). `layout`: which channels, in order;
    b is the beam. `dither`: 16 bits only, triangular noise of two steps from peak to peak before
    rounding, which makes the rounding error white, of a quarter of a step squared, and the same
    for every signal (Lipshitz, Wannamaker & Vanderkooy, J. Audio Eng. Soc. 40 (1992) 355, from
    memory); none where it could pass full scale. `carrier`: for outputs that pass no constant
    voltage. `long`: RF64 instead of WAV, for more than 4 GB.
    """

    bits: int = 24
    layout: Layout = "xyb"
    dither: bool = False
    carrier: Carrier | None = None
    long: bool = False

    def check(self) -> None:
        """Raise `InputError` for what cannot be written."""
        if self.bits not in _SUBTYPES:
            raise InputError(
                "a WAV sample has 16, 24 or 32 bits", value=self.bits, mend="choose one"
            )
        if self.layout not in _CHANNELS:
            raise InputError(
                "these channels are not known", value=self.layout, mend="choose xyb, xy, x or y"
            )
        if self.dither and self.bits != 16:
            raise InputError(
                "dither is for 16 bits; at more, the output's own noise does it",
                value=self.bits, mend="leave it out, or write 16 bits",
            )  # fmt: skip

    def bytes_per_s(self, sample_rate_hz: float) -> float:
        """Size of the file per second of output."""
        return sample_rate_hz * len(_CHANNELS[self.layout]) * self.bits / 8


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
    form: WavForm | None = None,
    overwrite: bool = True,
) -> None:
    """Write a drive signal as WAV, as `form` says; else in `bits` with channels x, y, beam.

    Parameters
    ----------
    signal : a drive signal, or blocks of shape (n, 3) already at the sample rate, as they come.

    Raises
    ------
    LimitError when a drive is outside -1 to +1 or not finite, or a WAV would pass 4 GB.
    """
    form = WavForm(bits) if form is None else form
    form.check()
    rate = checked_rate(sample_rate_hz)
    blocks = sampled_blocks(signal, rate) if isinstance(signal, DriveSignal) else signal
    with writing(path, overwrite=overwrite) as part:
        write_samples(part, blocks, rate, form, named=path)


def checked_rate(sample_rate_hz: float) -> int:
    """The sample rate as a whole number; `InputError` for one that no output has."""
    rate = round(sample_rate_hz)
    if not (_LOWEST_RATE_HZ <= rate <= _HIGHEST_RATE_HZ and rate == sample_rate_hz):
        raise InputError(
            "the sample rate of a WAV is a whole number from 1000 to 192000 Hz",
            value=sample_rate_hz,
            mend="change sample_rate_hz in bench.toml",
        )
    return rate


def write_samples(
    part: Path, blocks: Iterable[Floats], rate: int, form: WavForm, *, named: Path | str
) -> int:
    """Write blocks (n, 3) to the file `part`, which complaints call `named`; the samples written.

    Raises as `write_drive_wav`; what was written by then stays in `part`.
    """
    import soundfile

    channels = _CHANNELS[form.layout]
    most = _MAX_WAV_BYTES // (len(channels) * form.bits // 8)
    noise = np.random.default_rng(0) if form.dither else None  # the same job, the same file
    done = 0

    def checked() -> Iterator[Floats]:
        nonlocal done
        for block in blocks:
            block = np.ascontiguousarray(block, dtype=np.float64)
            _check_block(named, block, done, rate)
            done += len(block)
            if done > most and not form.long:
                raise LimitError(
                    f"{named}: a WAV of {form.bits} bits at {rate} Hz holds at most "
                    f"{most / rate:.0f} s; write a shorter signal or fewer bits."
                )
            yield block

    ready = checked() if form.carrier is None else modulated(checked(), form.carrier, rate)
    with (
        _told_by_disk(part),
        soundfile.SoundFile(
            part, "w", samplerate=rate, channels=len(channels), subtype=_SUBTYPES[form.bits],
            format="RF64" if form.long else "WAV",
        ) as out,
    ):  # fmt: skip
        for block in ready:
            picked = block if len(channels) == 3 else block[:, list(channels)]
            out.write(_codes(picked, form.bits, noise))
    if not done:
        raise LimitError(f"{named}: the drive signal is empty, so there is nothing to write.")
    return done


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


def _codes(
    block: Floats, bits: int, noise: np.random.Generator | None = None
) -> npt.NDArray[np.int16 | np.int32 | np.float32]:
    """The numbers that stand in the file. Our own rounding, so that ±1 is the same both ways."""
    if bits == 32:
        return block.astype(np.float32)
    codes = block * (2 ** (bits - 1) - 1)
    if noise is not None:
        # one draw per sample and channel, in order: blocks of any size give the same file
        two = noise.random((*block.shape, 2))
        codes += np.where(np.abs(codes) <= 2 ** (bits - 1) - 2, two[..., 0] - two[..., 1], 0.0)
    codes = np.rint(codes)
    # soundfile takes 24 bits as the upper ones of 32.
    return codes.astype(np.int16) if bits == 16 else codes.astype(np.int32) << 8


def read_drive_wav(path: Path | str, carrier: Carrier | None = None) -> tuple[DriveSignal, float]:
    """Read a WAV with channels x, y, beam; return the drive signal and the sample rate in Hz.

    Two channels are taken as x, y with the beam always on. The beam is on from half of full
    scale. With `carrier` the channels are the envelopes of what is in the file; the ends, which
    the smoothing needs, hold the first and last drive. Raises `InputError` for anything else.
    """
    import soundfile

    path = Path(path)
    check_readable(path)
    try:
        with soundfile.SoundFile(path) as source:
            bits = {"PCM_16": 16, "PCM_24": 24, "FLOAT": 32}.get(source.subtype)
            rate, channels, kind = source.samplerate, source.channels, source.format
            if kind not in {"WAV", "WAVEX", "RF64"} or bits is None:
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
    if carrier is not None:
        edge = margin(carrier, rate)
        if len(drive) <= 2 * edge:
            raise InputError("the WAV is shorter than the carrier's detector needs", file=path)
        inner = np.concatenate(list(envelope([drive], carrier, rate)))
        drive = np.pad(inner, ((edge, edge), (0, 0)), mode="edge")
    beam = drive[:, 2] >= 0.5 if channels == 3 else np.ones(len(drive), dtype=bool)
    t_s = np.arange(len(drive)) / rate
    return DriveSignal(t_s, drive[:, 0].copy(), drive[:, 1].copy(), beam), float(rate)
