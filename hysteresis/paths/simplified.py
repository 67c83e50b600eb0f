"""Long sampled paths as few vertices, in a stream: place and time within a tolerance."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from hysteresis.kernels import path_swing
from hysteresis.tables import Bools, Floats, Ints


@dataclass(frozen=True)
class Samples:
    """A stretch of a sampled path: (n,) each. `beam` of row k is that of the way to row k + 1;
    `line` is the line of the toolpath that row k belongs to."""

    t_s: Floats
    x_mm: Floats
    y_mm: Floats
    beam: Bools
    line: Ints


@dataclass(frozen=True)
class Carry:
    """What goes from one block to the next: the filter's state, beam and line of the last row."""

    state: Floats
    beam: bool = False
    line: int = 0


def simplified(
    blocks: Iterable[Samples], tolerance_mm: float, *, keep_lines: bool = True
) -> Iterator[Samples]:
    """Turn samples, block by block, into `Samples` of few rows.

    Between two rows the path runs straight and evenly; at every moment it is within
    `tolerance_mm` of the one that came in, also run straight between its rows (each axis within
    a root of two less, which is a little stricter). A row stands at every change of the beam and,
    with `keep_lines`, of the line, so that a file made of it has the lines of the toolpath.
    Blocks of any size give the same rows.
    """
    carry = Carry(np.zeros(path_swing.STATE_SIZE))
    for block in blocks:
        rows, carry = simplify_block(block, tolerance_mm, carry, keep_lines=keep_lines)
        if len(rows.t_s):
            yield rows
    rows = last_row(carry)
    if len(rows.t_s):
        yield rows


def simplify_block(
    block: Samples, tolerance_mm: float, carry: Carry, *, keep_lines: bool = True
) -> tuple[Samples, Carry]:
    """The rows that are final after this block, and what the next one needs."""
    n = len(block.t_s)
    cut = np.diff(block.beam.astype(np.int8), prepend=np.int8(carry.beam)) != 0
    if keep_lines:
        cut |= np.diff(block.line, prepend=carry.line) != 0
    t, x, y = (np.empty(n + 1) for _ in range(3))
    k = np.empty(n + 1, dtype=np.int64)
    state = carry.state.copy()
    count = path_swing.swing(
        block.t_s, block.x_mm, block.y_mm, cut, tolerance_mm / np.sqrt(2.0), state, t, x, y, k
    )
    beam = np.append(carry.beam, block.beam)[k[:count] + 1]
    line = np.append(carry.line, block.line)[k[:count] + 1]
    after = Carry(state, bool(block.beam[-1]), int(block.line[-1])) if n else carry
    return Samples(t[:count], x[:count], y[:count], beam, line), after


def last_row(carry: Carry) -> Samples:
    """The row with which the path ends; none where it ends on a row already."""
    t, x, y = (np.empty(1) for _ in range(3))
    k = np.empty(1, dtype=np.int64)
    count = path_swing.vertex(carry.state.copy(), t, x, y, k, 0, -1)
    return Samples(
        t[:count], x[:count], y[:count],
        np.full(count, carry.beam), np.full(count, carry.line, dtype=np.int64),
    )  # fmt: skip
