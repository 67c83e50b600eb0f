"""The path of an output in pieces: blocks as they come, stretches with the beam off whole."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from hysteresis.paths.stream import TimedBlock
from hysteresis.tables import Bools, Floats, Ints

SHIFT = ("shift_x_mm", "shift_y_mm")


@dataclass(frozen=True)
class ShiftedBlock(TimedBlock):
    """A block of a path that a correction has shifted by `shift_*_mm` (n,), for the drive.

    What is wanted stays `x_mm` - `shift_x_mm`, `y_mm` - `shift_y_mm`.
    """

    shift_x_mm: Floats
    shift_y_mm: Floats


def shift_of(block: TimedBlock) -> tuple[Floats | None, Floats | None]:
    """What a correction put on a block; None for a block without one."""
    return (block.shift_x_mm, block.shift_y_mm) if isinstance(block, ShiftedBlock) else (None, None)


class Samples(NamedTuple):
    """Columns of a piece of path; `switch_at` counts from its first sample. `shift_*_mm`: what a
    correction put on the path, part of `x_mm`, `y_mm`; None without one.
    """

    x_mm: Floats
    y_mm: Floats
    beam: Bools
    line: Ints
    layer: Ints
    switch_at: Floats
    switch_on: Bools
    smoothing_mm: float = 0.0
    shift_x_mm: Floats | None = None
    shift_y_mm: Floats | None = None

    @staticmethod
    def still(x: Floats, y: Floats, line: int, layer: int) -> Samples:
        """Samples with the beam off."""
        n = len(x)
        return Samples(
            x, y, np.zeros(n, dtype=bool), np.full(n, line), np.full(n, layer),
            np.zeros(0), np.zeros(0, dtype=bool),
        )  # fmt: skip

    @staticmethod
    def of(block: TimedBlock, last: bool) -> Samples:
        """A block; at the very end of the path the beam has nothing left to hold for."""
        beam, at, on = block.beam, block.switch_at, block.switch_on
        if last and beam[-1]:
            beam = np.append(beam[:-1], False)
            kept = at < len(beam) - 1
            at, on = np.append(at[kept], len(beam) - 1.0), np.append(on[kept], False)
        return Samples(
            block.x_mm, block.y_mm, beam, block.line_of_row, block.layer, at, on,
            block.smoothing_mm, *shift_of(block),
        )  # fmt: skip

    def part(self, begin: int, end: int) -> Samples:
        """Samples from `begin` to below `end`, with the switches before sample `end`."""
        inside = (self.switch_at >= begin) & (self.switch_at < end)
        if end == len(self.x_mm):
            inside |= self.switch_at >= end
        cut = slice(begin, end)
        return Samples(
            self.x_mm[cut], self.y_mm[cut], self.beam[cut], self.line[cut], self.layer[cut],
            self.switch_at[inside] - begin, self.switch_on[inside], self.smoothing_mm,
            *(None if v is None else v[cut] for v in (self.shift_x_mm, self.shift_y_mm)),
        )  # fmt: skip

    def held(self, extra: int) -> Samples:
        """The same with the last place held for so many samples more; the beam goes on later."""
        late = self.switch_at > len(self.x_mm) - 1
        columns: dict[str, Any] = {v: getattr(self, v) for v in (*self._fields[:5], *SHIFT)}
        longer: dict[str, Any] = {
            name: None if v is None else np.append(v, np.full(extra, v[-1]))
            for name, v in columns.items()
        }
        return self._replace(switch_at=self.switch_at + late * extra, **longer)


def joined(parts: list[Samples]) -> Samples:
    if len(parts) == 1:
        return parts[0]
    starts = np.cumsum([0, *(len(p.x_mm) for p in parts[:-1])])
    names = (*Samples._fields[:5], "switch_on", *(SHIFT if parts[0].shift_x_mm is not None else ()))
    return parts[0]._replace(
        switch_at=np.concatenate([p.switch_at + s for p, s in zip(parts, starts, strict=True)]),
        smoothing_mm=max(p.smoothing_mm for p in parts),
        **{name: np.concatenate([getattr(p, name) for p in parts]) for name in names},
    )


class Window(NamedTuple):
    """A whole stretch with the beam off, and whether a new layer begins behind it."""

    new_layer: bool


def pieces(
    blocks: Iterable[tuple[TimedBlock, bool]], longest: int
) -> Iterator[tuple[Samples, Window | None]]:
    """The path in pieces: stretches with the beam off whole (with a `Window`), the rest as it
    comes. One of more than `longest` samples, and the last one, come as the rest does.
    """
    held: list[Samples] = []
    count, too_long = 0, False
    for block, last in blocks:
        samples = Samples.of(block, last)
        edges = np.flatnonzero(np.diff(samples.beam)) + 1
        cuts = [0, *edges.tolist(), len(block)]
        for begin, end in pairwise(cuts):
            piece = samples.part(begin, end)
            if piece.beam[0]:
                if held:
                    window = joined(held)
                    yield window, Window(bool(piece.layer[0] > window.layer[0]))
                held, count, too_long = [], 0, False
                yield piece, None
            elif too_long:
                yield piece, None
            else:
                held.append(piece)
                count += end - begin
                if count > longest:
                    yield joined(held), None
                    held, count, too_long = [], 0, True
    if held:
        yield joined(held), None


# ---- blocks in -----------------------------------------------------------------------------------


def checked(blocks: Iterable[TimedBlock], step_s: float) -> Iterator[TimedBlock]:
    for block in blocks:
        if abs(block.step_s / step_s - 1.0) > 1e-9:
            raise ValueError(f"blocks on a grid of {block.step_s} s, not {step_s} s")
        if len(block):
            yield block
