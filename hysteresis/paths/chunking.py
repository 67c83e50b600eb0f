"""Rows of a toolpath in, chunks out: stretches of bounded length, cut where the rig is at rest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

from hysteresis.errors import InputError
from hysteresis.paths.chunk import Chunk
from hysteresis.tables import Bools, Floats, Ints, Polyline

CHUNK_ROWS = 50_000
MOST_JOINED = 20_000_000  # rows that a path read whole may have


class Rows(NamedTuple):
    """Rows of a toolpath as a reader finds them: the columns of a Polyline and the line of each."""

    x_mm: Floats
    y_mm: Floats
    beam: Bools
    feed_mm_s: Floats
    dwell_s: Floats
    line: Ints


def rows_of(
    x: Floats, y: Floats, *, beam: bool, feed_mm_s: float, line: int, dwell_s: float = 0.0
) -> Rows:
    """Rows that share beam, feed, wait and line."""
    n = len(x)
    return Rows(
        np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64), np.full(n, beam),
        np.full(n, feed_mm_s), np.full(n, dwell_s), np.full(n, line, dtype=np.int64),
    )  # fmt: skip


def start_row(line: int = 0) -> Rows:
    """The row with which programs and drawings start: the field's centre, beam off."""
    return rows_of(np.zeros(1), np.zeros(1), beam=False, feed_mm_s=np.nan, line=line)


def chunks_of(batches: Iterable[Rows], most: int = CHUNK_ROWS) -> Iterator[Chunk]:
    """Gather batches of rows of any length into chunks of at most `most` rows (2 or more).

    `chunk.polyline`: row 0 of the first chunk is the start of the job; row 0 of each later one
    repeats the last row before it with a wait of 0. A chunk ends at the last row within reach
    at which the spot comes to rest (a wait there, or another beam from there on), and only
    where there is none, anywhere. All chunks together, repeated rows left out, are the path.
    """
    held: Rows | None = None
    waiting: list[Rows] = []
    count = 0
    for rows in batches:
        waiting.append(rows)
        count += len(rows.x_mm)
        if count <= most:
            continue
        held = _together(waiting)
        while len(held.x_mm) > most:
            cut = _last_rest(held, most)
            yield _chunk(Rows._make(column[: cut + 1] for column in held))
            held = Rows._make(column[cut:] for column in held)
            held.dwell_s[0] = 0.0  # a view of our own copy; the chunk before has its own
        waiting, count = [held], len(held.x_mm)
    if count:
        yield _chunk(_together(waiting))


def joined(chunks: Iterable[Chunk], file: Path | str | None = None) -> tuple[Polyline, Ints]:
    """One polyline from all chunks, and the line of each row.

    Raises InputError where it would have more than `MOST_JOINED` rows.
    """
    parts: list[Chunk] = []
    total = 0
    for chunk in chunks:
        parts.append(chunk)
        total += len(chunk.polyline)
        if total > MOST_JOINED:
            raise InputError(
                f"the path needs more than {MOST_JOINED} points, too many to hold at once",
                file=file, mend="split it, or give a larger tolerance for curves",
            )  # fmt: skip

    def column(name: str) -> Floats:
        return np.concatenate(
            [getattr(part.polyline, name)[min(i, 1) :] for i, part in enumerate(parts)]
        )

    line = Polyline(
        column("x_mm"), column("y_mm"), column("beam").astype(bool), column("feed_mm_s"),
        column("dwell_s"),
    )  # fmt: skip
    return line, np.concatenate([p.line_of_vertex[min(i, 1) :] for i, p in enumerate(parts)])


def _together(parts: list[Rows]) -> Rows:
    return Rows._make(np.concatenate(columns) for columns in zip(*parts, strict=True))


def _last_rest(rows: Rows, most: int) -> int:
    """Last of the rows 1 to most - 1 at which the spot rests, else row most - 1."""
    rests = (rows.dwell_s[1:most] > 0.0) | (rows.beam[1:most] != rows.beam[2 : most + 1])
    found = np.flatnonzero(rests)
    return int(found[-1]) + 1 if len(found) else most - 1


def _chunk(rows: Rows) -> Chunk:
    # Copies: what a reader hands on shares no memory with what it goes on working with.
    own = Rows._make(column.copy() for column in rows)
    return Chunk(Polyline(own.x_mm, own.y_mm, own.beam, own.feed_mm_s, own.dwell_s), own.line)
