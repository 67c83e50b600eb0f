"""Waits put into a toolpath: for the beam to settle, and parks after each layer."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from hysteresis.errors import InputError
from hysteresis.kernels import path_parks
from hysteresis.paths.chunk import Chunk
from hysteresis.paths.rows import rows_of
from hysteresis.tables import Ints, Polyline

LAYER_WAIT_S = 0.2  # with the beam off and nothing moving: between two layers (as in marks.py)


def settle(polyline: Polyline, before_s: float, after_s: float) -> tuple[Polyline, Ints]:
    """Waits with the beam off: `before_s` before it goes on, `after_s` after it went off.

    They come on top of waits that the path has. Returns the polyline, and the row of the given
    one that each row belongs to (for a wait put in, the move behind it).
    """
    turn = np.diff(polyline.beam.astype(np.int8))
    wait = np.where(turn > 0, before_s, np.where(turn < 0, after_s, 0.0))
    behind = np.flatnonzero(wait > 0.0) + 1
    order = np.insert(np.arange(len(polyline)), behind, behind)
    if len(behind) == 0:
        return polyline, order
    put_in = behind + np.arange(len(behind))
    line = rows_of(polyline, order)
    line.x_mm[put_in], line.y_mm[put_in] = polyline.x_mm[behind - 1], polyline.y_mm[behind - 1]
    line.beam[put_in], line.feed_mm_s[put_in] = False, np.nan
    line.dwell_s[put_in] = wait[behind - 1]
    return line, order


def with_settling(chunks: Iterable[Chunk], before_s: float, after_s: float) -> Iterator[Chunk]:
    """`settle` for a toolpath in chunks."""
    for chunk in chunks:
        line, row = settle(chunk.polyline, before_s, after_s)
        yield Chunk(line, chunk.line_of_vertex[row])


def with_parks(
    chunks: Iterable[Chunk],
    at: tuple[float, float],
    wait_s: float,
    *,
    layer_wait_s: float = LAYER_WAIT_S,
) -> Iterator[Chunk]:
    """After each layer: travel to `at` (mm), wait there with the beam off, and go on.

    A layer of the job ends with a wait of `layer_wait_s` or more with the beam off, after a
    trace; a job without such waits stays as it is. If the beam is on in the next move, the spot
    travels back before it. Whether `at` lies in the field, `check_in_field` says.

    Raises InputError for a park that is no place, or a wait below 0.
    """
    if not (np.isfinite(at[0]) and np.isfinite(at[1]) and np.isfinite(wait_s) and wait_s >= 0):
        raise InputError(
            "a park is a place in mm and a wait of 0 s or more", value=(*at, wait_s),
            mend="give x, y and the wait",
        )  # fmt: skip
    return _parked(chunks, at, wait_s, layer_wait_s)


def _parked(
    chunks: Iterable[Chunk], at: tuple[float, float], wait_s: float, layer_wait_s: float
) -> Iterator[Chunk]:
    traced, waited = np.zeros(1, dtype=np.int64), np.zeros(1)
    last: Chunk | None = None
    for chunk in chunks:
        line = chunk.polyline
        rows = np.zeros(len(line), dtype=np.int64)
        found = path_parks.ends_of_layers(
            line.x_mm, line.y_mm, line.beam, line.dwell_s, 0 if last is None else 1,
            layer_wait_s, traced, waited, rows,
        )  # fmt: skip
        yield _with_rows(chunk, rows[:found], at, wait_s) if found else chunk
        last = chunk
    if last is not None and traced[0] and waited[0] >= layer_wait_s:
        line, where = last.polyline, last.line_of_vertex[-1:]
        yield Chunk(
            Polyline(
                np.array([line.x_mm[-1], at[0]]), np.array([line.y_mm[-1], at[1]]),
                np.zeros(2, dtype=np.bool_), np.full(2, np.nan), np.array([0.0, wait_s]),
            ),
            np.repeat(where, 2),
        )  # fmt: skip


def _with_rows(chunk: Chunk, before: Ints, at: tuple[float, float], wait_s: float) -> Chunk:
    """A park before each of the rows, and the way back where the beam is on there."""
    line, lines = chunk.polyline, chunk.line_of_vertex
    place = np.repeat(before, 1 + line.beam[before])
    back = np.diff(place, prepend=-1) == 0
    came_from = np.maximum(place - 1, 0)
    return Chunk(
        Polyline(
            np.insert(line.x_mm, place, np.where(back, line.x_mm[came_from], at[0])),
            np.insert(line.y_mm, place, np.where(back, line.y_mm[came_from], at[1])),
            np.insert(line.beam, place, False),
            np.insert(line.feed_mm_s, place, np.nan),
            np.insert(line.dwell_s, place, np.where(back, 0.0, wait_s)),
        ),
        np.insert(lines, place, lines[came_from]),
    )
