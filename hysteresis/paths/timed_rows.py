"""A path that has a clock of its own, smoothed block by block, whatever its length."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from hysteresis.errors import InputError
from hysteresis.paths.chunk import Chunk
from hysteresis.paths.stream import TimedBlock, blocks_of
from hysteresis.paths.timing import Stretch
from hysteresis.tables import Floats, Ints, Polyline, SpotPath


def smoothed_blocks(
    parts: Iterable[tuple[SpotPath, Ints]],
    kernel_s: float,
    *,
    grid_step_s: float | None = None,
) -> Iterator[TimedBlock]:
    """Smooth a path with its own clock, as `read_path` does with a table of times.

    Parameters
    ----------
    parts : rows of the path one behind the other, none twice, and the line of the file of each.
        It starts with its first row, whatever time that has.
    kernel_s, grid_step_s : see `stream.timed_blocks`.

    Raises InputError where a time does not rise, or there is nothing.
    """
    return blocks_of(_moves(parts), kernel_s, grid_step_s=grid_step_s)


def _moves(parts: Iterable[tuple[SpotPath, Ints]]) -> Iterator[tuple[Chunk, Stretch]]:
    """Each row as an even move from the one before, with the beam of that one."""
    before: tuple[SpotPath, Ints] | None = None
    for path, lines in parts:
        if len(path) == 0:
            continue
        start, line = (path, lines) if before is None else before
        t = np.append(start.t_s[:1], path.t_s)
        x, y = np.append(start.x_mm[:1], path.x_mm), np.append(start.y_mm[:1], path.y_mm)
        if before is None:  # stands twice, and takes no time
            t, x, y = t[1:], x[1:], y[1:]
            beam, of_line = np.append(False, path.beam[:-1]), lines
        else:
            beam = np.concatenate([[False], start.beam[:1], path.beam[:-1]])
            of_line = np.append(line[:1], lines)
        lasts = np.diff(t, prepend=t[0])
        late = np.flatnonzero(~(lasts[1:] > 0.0)) + 1
        if len(late):
            raise InputError(
                "the times of a path must rise", row=int(of_line[late[0]]), column="t_s",
                value=float(t[late[0]]), mend="put the rows in order, one for each time",
            )  # fmt: skip
        yield _as_stretch(x, y, beam, of_line, lasts)
        last = slice(-1, None)
        before = (
            SpotPath(path.t_s[last], path.x_mm[last], path.y_mm[last], path.beam[last]),
            lines[last],
        )


def _as_stretch(
    x: Floats, y: Floats, beam: Floats, lines: Ints, lasts: Floats
) -> tuple[Chunk, Stretch]:
    rows = len(x)
    dx, dy = np.diff(x, prepend=x[0]), np.diff(y, prepend=y[0])
    length = np.hypot(dx, dy)
    moving = length > 0.0
    along_x, along_y = np.zeros(rows), np.zeros(rows)
    along_x[moving], along_y[moving] = dx[moving] / length[moving], dy[moving] / length[moving]
    nothing, speed = np.zeros((rows, 1)), np.zeros((rows, 1))
    speed[moving, 0] = length[moving] / lasts[moving]
    line = Polyline(x, y, beam.astype(np.bool_), np.full(rows, np.nan), np.zeros(rows))
    return Chunk(line, lines), Stretch(
        rows, 0, length, along_x, along_y, lasts[:, np.newaxis].copy(), nothing, speed, nothing,
        nothing, 0.0, False,
    )  # fmt: skip
