"""Causes of what a recording shows: their unknowns, why two look alike, and how they are told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hysteresis.optics import FREE as OPTICS

_KINDS = {"k1": "spring", "k2": "spring", "k3": "spring", "damping": "dynamics",
          "inertia": "dynamics"}  # fmt: skip
_STARTS = {"branch": "after-effect", "creep": "after-effect", "history": "history",
           "heat": "heating", "droop": "drive chain", "lag": "drive chain",
           "saturation": "drive chain"}  # fmt: skip


@dataclass(frozen=True)
class Figure:
    """A figure with its standard error (NaN: nothing is known of it) and unit."""

    words: str
    value: float
    standard_error: float
    unit: str


@dataclass(frozen=True)
class Block:
    """How well one cause is told from all others on one axis ('' : both axes share it).

    `unknowns`, and how many of them are `free` (not at their bound). `figure` decides, `more`
    are further figures. `alone_error`: standard error of the figure if every other cause were
    known; `inflation`: variance over that; `angle_deg`: between its response and all others'.
    `nearest`: the cause whose knowledge would help most, and the share of the variance that would
    go; `prior_share`: part of what is known of it that was assumed beforehand (0 … 1).
    """

    axis: str
    name: str
    unknowns: int
    free: int
    figure: Figure
    more: tuple[Figure, ...]
    alone_error: float
    inflation: float
    angle_deg: float
    nearest: str
    nearest_share: float
    prior_share: float
    verdict: str
    because: str

    @property
    def told(self) -> bool:
        """Whether the verdict is 'told apart'."""
        return self.verdict == "told apart"


def block_of(name: str) -> tuple[str, str]:
    """Axis ('x', 'y' or '' for both) and block of an unknown, by its name."""
    if name.startswith("offset_"):
        return name.split("_")[1], "zero"
    if name in OPTICS:
        return "", "optics"
    if name.startswith("clock"):
        return "", "clock"
    if name.startswith("drift"):
        return name.split("_")[1], "drift"
    axis, _, part = name.partition("_")
    if part in _KINDS:
        return axis, _KINDS[part]
    for start, block in _STARTS.items():
        if part.startswith(start):
            return axis, block
    return axis, "friction memory"  # the unknowns of whichever rate-independent memory was chosen


_REASONS = {
    frozenset(("after-effect", "friction memory")):
        "both leave the spot on the side it came from; only dwells and waits of different length, "
        "or conditioning after a dwell, tell them apart",
    frozenset(("after-effect", "drive chain")):
        "droop of the output and creep fade alike unless dwells of several lengths are each "
        "watched for several lengths of time",
    frozenset(("after-effect", "history")):
        "creep from before the pattern fades as its own does; a rest before the pattern helps",
    frozenset(("after-effect", "heating")):
        "both grow while a drive is held; heat has the same sign on both sides, so long dwells "
        "are needed on both",
    frozenset(("after-effect", "spring")):
        "what relaxes more slowly than the longest dwell acts as a spring",
    frozenset(("after-effect", "dynamics")):
        "damping and the fastest creep both lag by less than a frame",
    frozenset(("after-effect", "zero")):
        "creep that has not faded by the end looks like another zero",
    frozenset(("friction memory", "spring")):
        "elements that never slip act as a spring; larger reversals make them slip",
    frozenset(("friction memory", "drive chain")):
        "sweeps at one speed do not tell a loop of friction from a lag of the output",
    frozenset(("dynamics", "clock")): "the lag of damping looks like a late camera clock",
    frozenset(("drive chain", "clock")): "a late output looks like a late camera clock",
    frozenset(("history", "zero")):
        "creep from before that does not fade within the pattern looks like another zero",
    frozenset(("heating", "spring")): "the coil was never cold, or never warm, for long enough",
    frozenset(("after-effect", "optics")):
        "slow creep, spring and scale of the picture trade with each other; only the bend of the "
        "field tells them apart",
    frozenset(("spring", "optics")):
        "a stiffer spring and a nearer plane shift the spot alike; only the bend of the field "
        "tells them apart",
}  # fmt: skip


def reason(name: str, other: str) -> str:
    """Why two causes look alike, in plain words (see the table of causes in the manual)."""
    return _REASONS.get(
        frozenset((name, other.split(" of ")[0])),
        "their effects on this recording run nearly parallel",
    )


def table_rows(blocks: Sequence[Block]) -> list[tuple[str, str, str, str, str]]:
    """Rows for `hysteresis fit`: cause, figure, angle to the others, verdict, nearest other."""
    return [
        (
            f"{b.name} {b.axis}".strip(),
            "; ".join(_told(f) for f in (b.figure, *b.more)),
            f"{b.angle_deg:.2g}°",
            b.verdict,
            f"{b.nearest} ({100 * b.nearest_share:.0f} %)" if b.nearest_share >= 0.01 else "",
        )
        for b in blocks
    ]


def lines(blocks: Sequence[Block]) -> list[str]:
    """Why causes are not told apart, a sentence per reason; one that says so when all are.

    Figures and verdicts stand in the table; here are the reasons alone, each of them once.
    """
    whose: dict[str, list[str]] = {}
    for b in blocks:
        if not b.because:
            continue
        other, why = b.verdict.partition(" apart from ")[2], b.because
        if b.verdict == "weakly":  # because "from the other: why"
            other, _, why = why.removeprefix("from ").partition(": ")
        label = f"{b.name} {b.axis}".strip()
        whose.setdefault(why, []).append(f"{label} from {other}" if other else label)
    if not whose:
        return ["every cause is told apart from the others"]
    return [f"{', '.join(labels)}: {why}" for why, labels in whose.items()]


def _told(figure: Figure) -> str:
    error = figure.standard_error
    if np.isfinite(error) and error > 0:
        digits = int(np.clip(1 - np.floor(np.log10(error)), 0, 6))  # two of the standard error
        text = f"{figure.value:.{digits}f} ± {error:.{digits}f} {figure.unit}".strip()
    else:
        text = f"{figure.value:.3g} {figure.unit}".strip()
    return f"{figure.words} {text}"
