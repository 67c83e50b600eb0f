"""A stretch of a toolpath, as a reader hands it on: long jobs are never in memory whole."""

from __future__ import annotations

from dataclasses import dataclass

from hysteresis.tables import Ints, Polyline


@dataclass(frozen=True)
class Chunk:
    """One stretch of a toolpath without a clock.

    Row 0 of the very first chunk is where the job starts; row 0 of every later one repeats the
    last row of the chunk before it (same place, its wait 0), so that each chunk is a polyline by
    itself. `line_of_vertex` (rows,) is the line of the file, or the number of the element, that
    each row comes from.
    """

    polyline: Polyline
    line_of_vertex: Ints
