"""Rows of polylines and chunks, taken out and put one behind the other."""

from __future__ import annotations

import numpy as np

from hysteresis.paths.chunk import Chunk
from hysteresis.tables import Ints, Polyline


def rows_of(line: Polyline, which: Ints | slice) -> Polyline:
    """Some rows of a polyline, in arrays of their own."""
    return Polyline(
        line.x_mm[which].copy(), line.y_mm[which].copy(), line.beam[which].copy(),
        line.feed_mm_s[which].copy(), line.dwell_s[which].copy(),
    )  # fmt: skip


def joined(*lines: Polyline) -> Polyline:
    """Polylines one behind the other, no row left out."""
    return Polyline(
        np.concatenate([line.x_mm for line in lines]),
        np.concatenate([line.y_mm for line in lines]),
        np.concatenate([line.beam for line in lines]),
        np.concatenate([line.feed_mm_s for line in lines]),
        np.concatenate([line.dwell_s for line in lines]),
    )


def part(chunk: Chunk, which: Ints | slice) -> Chunk:
    """Some rows of a chunk."""
    return Chunk(rows_of(chunk.polyline, which), chunk.line_of_vertex[which].copy())


def joined_chunks(*chunks: Chunk) -> Chunk:
    """Rows of chunks one behind the other; no row is left out, repeated ones neither."""
    return Chunk(
        joined(*(chunk.polyline for chunk in chunks)),
        np.concatenate([chunk.line_of_vertex for chunk in chunks]),
    )
