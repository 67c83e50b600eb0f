"""Sharp corners of a toolpath made round within a tolerance.

A corner is a turn between two moves with the same beam and no wait between them. It is replaced
by the blend of `kernels/path_corners.py`, which begins and ends without curvature, passes the
corner at the tolerance, or nearer where half of a move beside it is too short for that, and is
drawn by chords of at most 4.5° of turn. Turns of more than 135° stay: their blend would be
passed hardly faster than at rest. How fast it is passed, `timing.py` decides as on any fine arc.
There a move beside a turn may speed up and slow down by a part of the limit only; so that this
concerns no more than what the kernel sees together with the turn, longer moves are divided at
the way that half a kernel takes at the feed (`Approach`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from hysteresis.kernels import path_corners
from hysteresis.paths.chunk import Chunk
from hysteresis.paths.rows import joined, rows_of
from hysteresis.tables import Ints, Polyline

CHORD_RAD = np.pi / 40
WIDEST_RAD = 0.75 * np.pi


@dataclass(frozen=True)
class Approach:
    """Half a kernel (s), and the speed (mm/s) of moves without a feed."""

    half_kernel_s: float
    travel_mm_s: float


NONE = Approach(np.inf, 1.0)  # no move is divided


def round_corners(
    polyline: Polyline, blend_mm: float, *, sharper_than_rad: float, approach: Approach = NONE
) -> tuple[Polyline, Ints]:
    """Round the corners of a polyline to within `blend_mm`; also the row each new row is from.

    A chord before the middle of a blend belongs to the move before the corner, one behind it to
    the move behind, with its feed.
    """
    kept = _kept(polyline)
    line = rows_of(polyline, kept)
    if len(line) < 3:
        return line, kept
    inner, source = _blended(line, blend_mm, sharper_than_rad, approach)
    ends = rows_of(line, np.array([0, len(line) - 1]))
    whole = joined(rows_of(ends, slice(0, 1)), inner, rows_of(ends, slice(1, 2)))
    return whole, kept[np.concatenate([[0], source, [len(line) - 1]])]


def with_round_corners(
    chunks: Iterable[Chunk],
    blend_mm: float,
    *,
    sharper_than_rad: float,
    approach: Approach = NONE,
) -> Iterator[Chunk]:
    """`round_corners` for a toolpath in chunks; a row waits for the one behind it."""
    held: Chunk | None = None  # two rows: the last one passed on, as it was, and the next
    out: Chunk | None = None  # the last row passed on, as it is now
    for chunk in chunks:
        kept = _kept(chunk.polyline)
        if held is None:
            line, lines = rows_of(chunk.polyline, kept), chunk.line_of_vertex[kept]
            out = Chunk(rows_of(line, slice(0, 1)), lines[:1])
            first = True
        else:
            line = joined(held.polyline, rows_of(chunk.polyline, kept[1:]))
            lines = np.concatenate([held.line_of_vertex, chunk.line_of_vertex[kept[1:]]])
            first = False
        assert out is not None
        if len(line) > 2:
            inner, source = _blended(line, blend_mm, sharper_than_rad, approach)
            found = lines[source]
            start = out
            out = Chunk(rows_of(inner, slice(-1, None)), found[-1:])
            yield _behind(start, Chunk(inner, found), wait=first)
        elif first:
            yield out
        held = Chunk(rows_of(line, slice(-2, None)), lines[-2:])
    if held is not None and out is not None and len(held.polyline) == 2:
        end = Chunk(rows_of(held.polyline, slice(1, 2)), held.line_of_vertex[1:])
        yield _behind(out, end, wait=False)


def _behind(start: Chunk, rest: Chunk, *, wait: bool) -> Chunk:
    """A chunk that begins with a row already passed on, whose `wait` counts in the very first."""
    line = start.polyline
    if not wait:
        line = Polyline(line.x_mm, line.y_mm, line.beam, line.feed_mm_s, np.zeros(len(line)))
    return Chunk(
        joined(line, rest.polyline),
        np.concatenate([start.line_of_vertex, rest.line_of_vertex]),
    )


def _kept(line: Polyline) -> Ints:
    """Rows that move or wait, and the first: the others would hide a corner."""
    moves = (np.diff(line.x_mm) != 0.0) | (np.diff(line.y_mm) != 0.0)
    return np.flatnonzero(np.concatenate([[True], moves | (line.dwell_s[1:] > 0.0)]))


def _blended(
    line: Polyline, blend_mm: float, sharper_than_rad: float, approach: Approach
) -> tuple[Polyline, Ints]:
    """What all rows but the first and the last become, and the row each is from."""
    feed = np.where(np.isnan(line.feed_mm_s), approach.travel_mm_s, line.feed_mm_s)
    columns = (line.x_mm, line.y_mm, line.beam, line.dwell_s, approach.half_kernel_s * feed)
    limits = (blend_mm, sharper_than_rad, WIDEST_RAD, CHORD_RAD)
    room = path_corners.count_rows(*columns, *limits)
    x, y = np.empty(room), np.empty(room)
    source, waits = np.empty(room, dtype=np.int64), np.empty(room, dtype=np.bool_)
    count = path_corners.blend_rows(*columns, *limits, x, y, source, waits)
    x, y, source, waits = x[:count], y[:count], source[:count], waits[:count]
    dwell = np.where(waits, line.dwell_s[source], 0.0)
    return Polyline(x, y, line.beam[source], line.feed_mm_s[source], dwell), source
