"""The sync signature by which a recording finds the pattern's clock, and its blinks of the beam."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np

from hysteresis.bench import Limits
from hysteresis.plan.segments import (
    QUICKEST,
    SAME_TIME_S,
    ZERO,
    Block,
    Piece,
    chain,
    hold,
    move,
    rise_s,
    steepest_change,
    together,
)

# Optimal Golomb rulers of nine and ten marks (from memory; the tests check that all distances
# between marks differ, which is the whole of the definition that is used here).
SYNC_MARKS_X = (0, 1, 5, 12, 25, 27, 35, 41, 44)
SYNC_MARKS_Y = (0, 1, 6, 10, 23, 26, 34, 41, 53, 55)
_SYNC_S = 4.0


def sync_signature(size: float, limits: Limits) -> Block:
    """The signature by which a recording finds the pattern's clock: about 4 s, like nothing else.

    Each axis switches between +`size` and −`size` at the marks of a Golomb ruler, a set of
    instants whose distances all differ: shifted by any wrong amount, at most one edge meets
    another. The edges take two frames at 30 frames/s, so that every frame on an edge tells the
    time to a small fraction of a frame.

    A slow bench gets a smaller signature (down to 0.05), then a longer one.
    """
    floor = max(2.0 / 30.0, rise_s(0.0, limits, 1.0))
    size = min(size, max(0.05, steepest_change(floor, limits) / 2.0))
    edge = max(floor, rise_s(2.0 * size, limits, 1.0))
    span = max(_SYNC_S, 1.1 * edge * SYNC_MARKS_Y[-1])
    columns = []
    for axis, marks in enumerate((SYNC_MARKS_X, SYNC_MARKS_Y)):
        at, pieces = ZERO, [hold(ZERO, 0.3, "sync")]
        for k, (mark, following) in enumerate(pairwise(marks)):
            point = np.zeros(2)
            point[axis] = size * (-1.0) ** (k + axis)
            pieces.append(move(at, point, limits, "sync", cycles=QUICKEST, least_s=edge))
            pieces.append(hold(point, span * (following - mark) / marks[-1] - edge, "sync"))
            at = point
        pieces.append(move(at, ZERO, limits, "sync", cycles=QUICKEST, least_s=edge))
        columns.append(chain([*pieces, hold(ZERO, 0.3, "sync")]))
    return (blinking(together(*columns)),)


BLINK_S = 0.036
"""Shortest blink of the sync signature; the longest is a frame longer."""
_FRAME_S = 1.0 / 30.0
_BESIDE_S = 0.01  # between a blink and a move, so that no frame of a move is hidden for long
_GOLDEN, _DIAGONAL = (math.sqrt(5.0) - 1.0) / 2.0, math.sqrt(2.0) - 1.0


def blinking(piece: Piece) -> Piece:
    """The piece with the beam off for a moment in each of its stills that is long enough.

    The blinks give a camera the time without the mirror. Modulo a frame at 30 frames/s, their
    beginnings and ends are multiples of two irrational numbers: they fall on all phases of a frame
    alike (Weyl's equidistribution, textbook), at 60 frames/s as well and nearly so at others.
    A rig whose beam cannot be switched keeps it on (`assemble.join`).
    """
    moves = np.any(np.diff(piece.drive, axis=0) != 0.0, axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[True], moves, [True]]).astype(int)))
    dark: list[float] = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        k = len(dark) // 2 + 1
        off = _next_phase(float(piece.t_s[first]) + _BESIDE_S, k * _GOLDEN)
        on = _next_phase(off + BLINK_S, k * _DIAGONAL)
        if on + _BESIDE_S <= piece.t_s[last]:
            dark += [off, on]
    if not dark:
        return piece
    t = np.union1d(piece.t_s, dark)
    drive = np.column_stack([np.interp(t, piece.t_s, column) for column in piece.drive.T])
    lit = np.searchsorted(dark, t[:-1] + SAME_TIME_S) % 2 == 0
    return replace(piece, t_s=t, drive=drive, beam=lit)


def _next_phase(t_s: float, phase: float) -> float:
    """The first time from `t_s` on that is at this phase of a frame (in frames, modulo one)."""
    return t_s + (phase * _FRAME_S - t_s) % _FRAME_S
