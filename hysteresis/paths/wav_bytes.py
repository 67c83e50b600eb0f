"""A WAV as bytes in order, its head first: for files whose length is known before they are written.

The samples are those of `wav_files.write_samples`; here nothing goes back to the head when the
last one is written, so that a file cut short can be continued byte by byte. Past 4 GB the head is
that of RF64 (EBU Tech 3306, from memory: `ds64` in the first place, sizes in 64 bits).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from hysteresis.carrier import modulated
from hysteresis.errors import LimitError
from hysteresis.kernels import pcm
from hysteresis.tables import Floats
from hysteresis.wav_files import _CHANNELS, _MAX_WAV_BYTES, WavForm, _check_block, _codes

PCM, FLOATING = 1, 3


def is_long(samples: int, form: WavForm) -> bool:
    """Whether so many samples pass what a WAV can hold."""
    return samples * frame_bytes(form) > _MAX_WAV_BYTES


def frame_bytes(form: WavForm) -> int:
    """Bytes of one sample of all channels."""
    return len(_CHANNELS[form.layout]) * form.bits // 8


def head(samples: int, rate: int, form: WavForm) -> bytes:
    """The bytes before the first sample of a file with so many samples."""
    channels, frame = len(_CHANNELS[form.layout]), frame_bytes(form)
    size = samples * frame
    kind = FLOATING if form.bits == 32 else PCM
    about = struct.pack("<HHIIHH", kind, channels, rate, rate * frame, frame, form.bits)
    chunks = b"fmt " + struct.pack("<I", len(about)) + about
    long = form.long or is_long(samples, form)
    if kind == FLOATING:
        chunks += b"fact" + struct.pack("<II", 4, 0xFFFFFFFF if long else samples)
    padded = size + size % 2
    if not long:
        return (
            b"RIFF" + struct.pack("<I", 4 + len(chunks) + 8 + padded) + b"WAVE" + chunks
            + b"data" + struct.pack("<I", size)
        )  # fmt: skip
    whole = 4 + 36 + len(chunks) + 8 + padded
    return (
        b"RF64" + struct.pack("<I", 0xFFFFFFFF) + b"WAVE"
        + b"ds64" + struct.pack("<IQQQI", 28, whole, size, samples, 0) + chunks
        + b"data" + struct.pack("<I", 0xFFFFFFFF)
    )  # fmt: skip


def wav_bytes(
    blocks: Iterable[Floats], samples: int, rate: int, form: WavForm, *, named: Path | str
) -> Iterator[memoryview]:
    """The whole file in pieces: `head`, then blocks (n, 3) of x, y and beam, at the rate.

    Raises LimitError for a value beyond -1 to +1 or not finite, naming the place (nothing is
    clipped), and ValueError where the blocks do not have `samples` samples.
    """
    yield memoryview(head(samples, rate, form))
    channels = np.array(_CHANNELS[form.layout], dtype=np.int64)
    noise = np.random.default_rng(0) if form.dither else None  # the same job, the same file
    done = 0

    def checked() -> Iterator[Floats]:
        for block in blocks:
            if form.carrier is not None:  # what is written then is no longer the drive
                _check_block(Path(named), block, done, rate)
            yield block

    for block in checked() if form.carrier is None else modulated(checked(), form.carrier, rate):
        rows = np.ascontiguousarray(block, dtype=np.float64)
        if form.bits == 24:
            out = np.empty(3 * len(rows) * len(channels), dtype=np.uint8)
            if pcm.bytes_of_24_bits(rows, channels, out) >= 0:
                _check_block(Path(named), rows, done, rate)
                raise LimitError(f"{named}: a value is outside -1 to +1; nothing was clipped.")
        else:
            _check_block(Path(named), rows, done, rate)
            codes = np.ascontiguousarray(_codes(rows[:, channels], form.bits, noise))
            out = codes.astype(codes.dtype.newbyteorder("<"), copy=False).view(np.uint8)
        done += len(rows)
        yield memoryview(out.reshape(-1))  # type: ignore[arg-type]
    if done != samples:
        raise ValueError(f"{done} samples, not the {samples} that the head says")
    if samples * frame_bytes(form) % 2:
        yield memoryview(b"\0")  # chunks have an even length
