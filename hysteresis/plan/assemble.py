"""Putting blocks in a row: heat of the coils, numbers, one table.

A block that would heat a coil beyond the limit is put off by a rest at zero; where no rest is
long enough, its drive on that axis is lowered. Both show in the preview's notes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from hysteresis.bench import Bench, Limits
from hysteresis.errors import LimitError
from hysteresis.plan.demands import require_within, rolling_rms
from hysteresis.plan.segments import ZERO, Block, chain, duration_s, hold, is_still, scaled
from hysteresis.tables import Floats, Pattern

Axes = Literal["both", "x", "y"]

_HEAT_MARGIN = 0.995
_LEAST_SCALE = 0.1  # a block lowered further than this teaches nothing
_REST_STEP_S = 0.5


@dataclass(frozen=True)
class _Tail:
    """The drive so far (zero before it), as far as the coils still feel it."""

    t_s: Floats
    drive: Floats


def axes_mask(axes: Axes) -> Floats:
    """1 for each axis that is driven, 0 for one that rests; shape (2,)."""
    return {"both": np.ones(2), "x": np.array([1.0, 0.0]), "y": np.array([0.0, 1.0])}[axes]


def driven(blocks: Sequence[Block], axes: Axes) -> list[Block]:
    """The blocks with only these axes driven, without those that then stand still."""
    if axes == "both":
        return list(blocks)
    masked = [scaled(block, axes_mask(axes)) for block in blocks]
    return [block for block in masked if not is_still(block)]


def _vertices(tail: _Tail, rest_s: float, block: Block) -> tuple[Floats, Floats]:
    """The tail, a rest and the block as one row of vertices."""
    whole = chain(block)
    start = tail.t_s[-1] + rest_s
    if rest_s > 0:
        return (
            np.concatenate([tail.t_s, start + whole.t_s]),
            np.vstack([tail.drive, whole.drive]),
        )
    return (
        np.concatenate([tail.t_s, start + whole.t_s[1:]]),
        np.vstack([tail.drive, whole.drive[1:]]),
    )


def _hottest(tail: _Tail, rest_s: float, block: Block, limits: Limits) -> Floats:
    """Largest rms per axis from the end of the tail to the end of the block."""
    t, drive = _vertices(tail, rest_s, block)
    worst = []
    for axis in range(2):
        _, rms = rolling_rms(t, drive[:, axis], limits.coil_window_s, tail.t_s[-1])
        worst.append(float(np.max(rms, initial=0.0)))
    return np.array(worst)


def _cooled(tail: _Tail, block: Block, limits: Limits) -> tuple[float, Block]:
    """The rest (s) that must come before the block, and the block, lowered if it must be.

    Raises `LimitError` if a coil stands less than a tenth of the block.
    """
    most = limits.coil_rms * _HEAT_MARGIN
    if np.all(_hottest(tail, 0.0, block, limits) <= most):
        return 0.0, block
    alone = _hottest(_Tail(np.zeros(1), np.zeros((1, 2))), 0.0, block, limits)
    if np.any(alone > most):
        factors = np.minimum(1.0, most / np.maximum(alone, 1e-12))
        if factors.min() < _LEAST_SCALE:
            axis = "xy"[int(np.argmin(factors))]
            raise LimitError(
                f"a {block[0].kind} of {duration_s(block):.0f} s has an rms drive of "
                f"{alone.max():.2f} on axis {axis}, more than ten times limits.coil_rms = "
                f"{limits.coil_rms:g} over {limits.coil_window_s:g} s: no excursion worth "
                "measuring stays within it; check coil_rms, or shorten coil_window_s if the coils "
                "cool faster than that"
            )
        block = scaled(block, factors)
    low, high = 0.0, limits.coil_window_s
    while high - low > _REST_STEP_S:
        middle = (low + high) / 2.0
        if np.all(_hottest(tail, middle, block, limits) <= most):
            high = middle
        else:
            low = middle
    return (0.0 if np.all(_hottest(tail, 0.0, block, limits) <= most) else high), block


def with_rests(blocks: Sequence[Block], limits: Limits) -> list[Block]:
    """The blocks in this order, with rests put in and excursions lowered as the coils need it."""
    out: list[Block] = []
    tail = _Tail(np.zeros(1), np.zeros((1, 2)))
    for block in blocks:
        rest_s, cool = _cooled(tail, block, limits)
        if rest_s > 0:
            out.append((hold(ZERO, rest_s, "rest"),))
        out.append(cool)
        t, drive = _vertices(tail, rest_s, cool)
        # One vertex before the window is kept, so that every straight piece in it is whole.
        keep = max(0, int(np.searchsorted(t, t[-1] - limits.coil_window_s)) - 2)
        tail = _Tail(t[keep:], drive[keep:])
    return out


def join(blocks: Sequence[Block], bench: Bench) -> Pattern:
    """Number the blocks per kind, put them in a row and check the whole against the limits.

    The beam is on throughout, except in pieces that switch it off, and at the last vertex of a
    rig whose beam can be switched: after the pattern nothing stands still in the light.
    """
    counts: Counter[str] = Counter()
    t, drive, beam, names, at = [], [], [], [], 0.0
    switched = bench.beam.mode == "switched"
    for block in blocks:
        before = counts.copy()
        for piece in block:
            number = before[piece.kind] + piece.number
            counts[piece.kind] = max(counts[piece.kind], number)
            name = f"{piece.kind}/{number:03d}"
            name += f"/{piece.part}" if piece.part else ""
            n = len(piece.t_s) - 1
            t.append(piece.t_s[:-1] + at)
            drive.append(piece.drive[:-1])
            beam.append(np.broadcast_to(piece.beam, n) | (not switched))
            names.extend([name] * n)
            at += piece.duration_s
    # Rounding may carry a product past the limit by a last bit; plus zero leaves no minus zero.
    top = bench.limits.max_drive
    both = np.clip(np.vstack([*drive, ZERO]), -top, top) + 0.0
    pattern = Pattern(
        t_s=np.append(np.concatenate(t), at),
        drive_x=both[:, 0].copy(),
        drive_y=both[:, 1].copy(),
        beam=np.append(np.concatenate(beam), not switched),
        segment=np.array([*names, names[-1]], dtype=object),
    )
    require_within(pattern, bench.limits)
    return pattern


def lengthened(block: Block, index: int, extra_s: float) -> Block:
    """The block with one of its holds made longer."""
    piece = block[index]
    longer = replace(piece, t_s=np.append(piece.t_s[:-1], piece.t_s[-1] + extra_s))
    return (*block[:index], longer, *block[index + 1 :])
