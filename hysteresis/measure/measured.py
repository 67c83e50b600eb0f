"""The result of measuring: the recording and what is to be said about it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Literal

from hysteresis.measure.clock import Clock
from hysteresis.measure.noise import Noise
from hysteresis.measure.registration import Registration
from hysteresis.tables import Floats, Ints, Pattern, Recording


@dataclass(frozen=True)
class Doubt:
    """One row set aside: `number` of its frame or reading, and why, in words."""

    number: int
    text: str


@dataclass(frozen=True)
class Measured:
    """A recording with its making.

    `number` (n,) is the frame or reading of each row of the recording. `doubts` are the rows
    that are set aside by judgement and can be kept by the person's word (for a camera: its
    outliers). `notes` are sentences for the person. `pattern` is the one the recording belongs
    to, `derived` says that it was made from the typed sheet. Of the rest, what does not apply is
    None: `sigma_px` (2,) of a frame at rest, `jitter_s` of single frame times, `missing` frames,
    `longest_gap_s`, `rounding_mm` of typed values (0: none seen), `noise` of the log at rest,
    `exposure_s` as the drawn-out light shows it, `readout_s_per_px` of the rows (0: none seen),
    both with standard uncertainties `u_*`; `clock_evidence` says in words what the clock rests on.
    """

    source: Literal["camera", "typed"]
    recording: Recording
    number: Ints
    pattern: Pattern
    doubts: tuple[Doubt, ...]
    notes: tuple[str, ...]
    derived: bool = False
    clock: Clock | None = None
    registration: Registration | None = field(default=None, repr=False)
    sigma_px: Floats | None = None
    jitter_s: float | None = None
    missing: int | None = None
    longest_gap_s: float | None = None
    rounding_mm: float | None = None
    noise: Noise | None = field(default=None, repr=False)
    exposure_s: float | None = None
    u_exposure_s: float | None = None
    readout_s_per_px: float | None = None
    u_readout_s_per_px: float | None = None
    clock_evidence: tuple[str, ...] = ()


def rows_by_reason(recording: Recording) -> dict[str, int]:
    """How many rows are set aside for which reason (its part before a colon), most first."""
    kinds = Counter(str(reason).split(":")[0] for reason in recording.reason if reason)
    return dict(kinds.most_common())
