"""Logs from which no clock can be had: said in figures before any is looked for."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from hysteresis.errors import InputError
from hysteresis.tables import Floats, Pattern

STILL_PX, STILL_PART = 5.0, 0.01
"""A spot that ranges over less than so many pixels, and less than so large a part of what the
pattern asks for, stands still."""
UNSEEN_PART = 0.5
"""A log that cannot see this part of the pattern's moving time is refused."""


def refuse_still(spot_mm: Floats, mm_per_px: float, full_scale_mm: Floats, asked: Floats) -> None:
    """Raise `InputError` when the spot hardly moves; `asked` (2,) is the drive's range."""
    low, high = np.percentile(spot_mm, [1.0, 99.0], axis=0)
    moved = float(np.linalg.norm(high - low))
    wanted = float(np.linalg.norm(asked * full_scale_mm))
    if moved < STILL_PX * mm_per_px and moved < STILL_PART * wanted:
        raise InputError(
            f"the spot stands still in this log: it ranges over {moved:.2g} mm, while the pattern "
            f"asks for about {wanted:.3g} mm",
            mend="check that the output was playing and that the tracker followed the moving spot",
        )


def half_cycles(pattern: Pattern) -> list[tuple[str, float, float]]:
    """For each kind of segment: median time from turn to turn of the drive (s), moving time (s).

    A turn is where an axis, having moved one way, next moves the other way.
    """
    kinds = np.array([str(name).split("/")[0] for name in pattern.segment], dtype=object)
    t = pattern.t_s
    moving = (np.diff(pattern.drive_x) != 0) | (np.diff(pattern.drive_y) != 0)
    out = []
    turns: dict[str, list[float]] = {}
    for drive in (pattern.drive_x, pattern.drive_y):
        step = np.diff(drive)
        moves = np.flatnonzero(np.abs(step) > 1e-9)
        if len(moves) < 2:
            continue
        turn = np.flatnonzero(np.sign(step[moves[1:]]) != np.sign(step[moves[:-1]])) + 1
        begin = moves[turn]
        for first, second in pairwise(begin.tolist()):
            if kinds[first] == kinds[second]:
                turns.setdefault(str(kinds[first]), []).append(float(t[second] - t[first]))
    for kind in dict.fromkeys(kinds.tolist()):
        own = (kinds[:-1] == kind) & moving
        if turns.get(kind) and own.any():
            length = float(np.diff(t)[own].sum())
            out.append((str(kind), float(np.median(turns[kind])), length))
    return out


def unseen_segments(pattern: Pattern, frame_s: float) -> tuple[str, ...]:
    """Notes on the segments that turn back within one frame; raises when these are too many.

    One frame between two turns is the least that shows both (the sampling theorem, as a rule of
    thumb: a half cycle per frame).
    """
    cycles = half_cycles(pattern)
    total = sum(length for _, _, length in cycles)
    missed = [(kind, half, length) for kind, half, length in cycles if half < frame_s]
    if not missed:
        return ()
    names = ", ".join(f"{kind} ({half:.2g} s)" for kind, half, _ in missed)
    part = sum(length for _, _, length in missed) / total
    told = f"a frame every {frame_s:.2g} s does not show how the spot turns back in {names}"
    if part > UNSEEN_PART:
        raise InputError(
            f"the camera is too slow for this pattern: {told}, which is {100 * part:.0f} % of its "
            "moving time",
            mend=f"film at {1.0 / min(half for _, half, _ in missed):.2g} frames/s or more, or "
            "plan a slower pattern (lower bandwidth_hz and slew_per_s in bench.toml)",
        )
    return (told,)
