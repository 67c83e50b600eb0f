"""A drive on a carrier: for outputs that pass no constant voltage, ahead of an envelope detector.

Amplitude modulation with the carrier kept (textbook; e.g. Haykin, *Communication Systems*, from
memory): drive u from -1 to +1 becomes

    s(t) = (1 + d u(t)) / (1 + d) · cos(2 pi f t),        0 < d < 1,

whose envelope never reaches zero and never passes 1, so that a diode, a resistor and a capacitor
recover it. The beam channel is the carrier itself, on or off. The carrier is a whole number of Hz
and its phase is counted in whole numbers, so that hours of output stay exact and blocks fit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.errors import InputError
from hysteresis.tables import Floats

LEAST_OVER_BANDWIDTH = 10.0
"""The detector must smooth the carrier but not the drive: common practice, no source."""
MOST_OF_RATE = (
    0.25  # four samples per period and more, so that an output's filter passes both sides
)
CYCLES = 8  # of the carrier that the smoothing of `envelope_blocks` spans


@dataclass(frozen=True)
class Carrier:
    """Frequency in Hz and modulation depth (0 to 1, both excluded)."""

    carrier_hz: int
    depth: float = 0.8

    def check(self, sample_rate_hz: float, bandwidth_hz: float) -> None:
        """Raise `InputError` where the carrier suits neither the output nor the drive."""
        lowest, highest = LEAST_OVER_BANDWIDTH * bandwidth_hz, MOST_OF_RATE * sample_rate_hz
        if self.carrier_hz != round(self.carrier_hz):
            raise InputError(
                "the carrier is a whole number of Hz", value=self.carrier_hz, mend="round it"
            )
        if lowest > highest:
            raise InputError(
                f"at {sample_rate_hz:g} Hz no carrier has four samples per period and ten times "
                f"the bandwidth of {bandwidth_hz:g} Hz",
                mend="raise sample_rate_hz or lower bandwidth_hz in bench.toml",
            )
        if not lowest <= self.carrier_hz <= highest:
            raise InputError(
                "this carrier does not suit the output", value=self.carrier_hz,
                mend=f"choose one from {np.ceil(lowest):.0f} to {np.floor(highest):.0f} Hz",
            )  # fmt: skip
        if not 0.0 < self.depth < 1.0:
            raise InputError(
                "the modulation depth lies between 0 and 1", value=self.depth, mend="0.8 will do"
            )


def cosine(first: int, count: int, carrier: Carrier, rate_hz: int) -> Floats:
    """The carrier at samples `first` to `first + count`, exact for any length of the job."""
    turns = ((first + np.arange(count, dtype=np.int64)) * int(carrier.carrier_hz)) % rate_hz
    return np.asarray(np.cos(2.0 * np.pi * turns / rate_hz))


def modulated(blocks: Iterable[Floats], carrier: Carrier, rate_hz: int) -> Iterator[Floats]:
    """Blocks (n, channels) of drives and, in a third channel, the beam, put on the carrier."""
    done = 0
    for block in blocks:
        wave = cosine(done, len(block), carrier, rate_hz)
        size = np.array(block, dtype=float)
        size[:, :2] = (1.0 + carrier.depth * size[:, :2]) / (1.0 + carrier.depth)
        done += len(block)
        yield size * wave[:, None]


def envelope(
    blocks: Iterable[Floats], carrier: Carrier, rate_hz: int, every: int = 1
) -> Iterator[Floats]:
    """The drives (n, channels) back from the carrier, `margin` samples shorter at either end.

    Mixed down, smoothed by a raised cosine over `CYCLES` periods, which has its zeros at the
    mixing products, and the magnitude taken. No delay: the first row belongs to sample `margin`,
    the next to that plus `every`.
    """

    def mixed() -> Iterator[npt.NDArray[Any]]:
        done = 0
        for block in blocks:
            count = np.arange(len(block), dtype=np.int64)
            turns = ((done + count) * int(carrier.carrier_hz)) % rate_hz
            done += len(block)
            yield 2.0 * block * np.exp(-2j * np.pi * turns / rate_hz)[:, None]

    for smooth in smoothed(mixed(), carrier, rate_hz, every):
        size = np.abs(smooth)
        size[:, :2] = (size[:, :2] * (1.0 + carrier.depth) - 1.0) / carrier.depth
        yield size


def smoothed(
    blocks: Iterable[npt.NDArray[Any]], carrier: Carrier, rate_hz: int, every: int = 1
) -> Iterator[npt.NDArray[Any]]:
    """Columns smoothed as `envelope` smooths them: of the planned drives, what it should give."""
    half = margin(carrier, rate_hz)
    weights = 1.0 + np.cos(np.pi * np.arange(-half, half + 1) / (half + 1))
    weights /= weights.sum()
    held: npt.NDArray[Any] | None = None
    for block in blocks:
        held = block if held is None else np.concatenate([held, block])
        count = len(held) - 2 * half
        if count > 0:
            windows = np.lib.stride_tricks.sliding_window_view(held, 2 * half + 1, axis=0)
            yield windows[::every] @ weights
            held = held[-(-count // every) * every :]


def margin(carrier: Carrier, rate_hz: int) -> int:
    """Samples at either end of a signal that `envelope` needs and does not give back."""
    return round(0.5 * CYCLES * rate_hz / carrier.carrier_hz) - 1
