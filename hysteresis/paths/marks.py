"""Marks along a path: trace, travel, park; and the layers that parks divide it into.

Every interval between two rows of a SpotPath is one of

* trace: the beam is on;
* travel: the beam is off;
* park: the beam is off and the spot stands still, for `park_s` or longer.

A layer ends with the park that follows its traces. Parks before the first trace, and further
parks before the next one, open no new layer.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from hysteresis.tables import Bools, Floats, Ints, SpotPath

TRACE, TRAVEL, PARK = 0, 1, 2
KINDS = ("trace", "travel", "park")
PARK_S = 0.2  # a shorter stop with the beam off is a corner of the travel
STILL_MM_S = 1e-3  # slower than this counts as standing still


@dataclass(frozen=True)
class Span:
    """A run of intervals of one kind in one layer: rows `first` to `last`, both included."""

    kind: str
    layer: int
    first: int
    last: int
    start_s: float
    end_s: float

    @property
    def duration_s(self) -> float:
        return self.end_s - self.start_s


@dataclass(frozen=True)
class Marks:
    """Kind (TRACE, TRAVEL, PARK) and layer (from 0) of the interval that starts at each row.

    Shape: rows of the path; the last row repeats the one before it. `layers` counts them.
    """

    kind: Ints
    layer: Ints
    spans: tuple[Span, ...]

    @property
    def layers(self) -> int:
        return int(self.layer[-1]) + 1

    def spans_of(self, kind: str) -> tuple[Span, ...]:
        """The spans of one kind: 'trace', 'travel' or 'park'."""
        return tuple(span for span in self.spans if span.kind == kind)


def mark_path(path: SpotPath, *, park_s: float = PARK_S, still_mm_s: float = STILL_MM_S) -> Marks:
    """Mark every interval of a path of two rows or more."""
    if len(path) < 2:
        raise ValueError("a path to be marked has two rows or more")
    step_s = np.diff(path.t_s)
    still = np.hypot(np.diff(path.x_mm), np.diff(path.y_mm)) <= still_mm_s * step_s
    on = path.beam[:-1]
    kind = np.where(on, TRACE, TRAVEL).astype(np.int64)
    quiet = still & ~on
    first, last = _runs(quiet)
    parked = quiet[first] & (path.t_s[last + 1] - path.t_s[first] >= park_s - 1e-9)  # rounding
    kind[np.repeat(parked, last - first + 1)] = PARK

    first, last = _runs(kind)
    what = kind[first]
    layer = _layers(what)
    spans = tuple(
        Span(KINDS[k], n, a, b + 1, t0, t1)
        for k, n, a, b, t0, t1 in zip(
            what.tolist(), layer.tolist(), first.tolist(), last.tolist(),
            path.t_s[first].tolist(), path.t_s[last + 1].tolist(), strict=True,
        )
    )  # fmt: skip
    layers = np.repeat(layer, last - first + 1)
    return Marks(np.append(kind, kind[-1]), np.append(layers, layers[-1]), spans)


class EvenRows(Protocol):
    """Rows of a path on an even grid, from row `first` on; row k is at k · step_s."""

    @property
    def first(self) -> int: ...
    @property
    def step_s(self) -> float: ...
    @property
    def x_mm(self) -> Floats: ...
    @property
    def y_mm(self) -> Floats: ...
    @property
    def beam(self) -> Bools: ...


def mark_blocks(
    blocks: Iterable[EvenRows], *, park_s: float = PARK_S, still_mm_s: float = STILL_MM_S
) -> Iterator[Span]:
    """The spans of `mark_path`, one by one, for a path that comes in blocks of rows.

    A span is handed on when its layer is certain: what follows the park that ends a layer waits
    for the next trace. Its rows are counted from the start of the path.
    """
    layer, traced = 0, False
    waiting: list[Span] | None = None  # behind a park that ends a layer if a trace follows
    for kind, first, last, start_s, end_s in _kinds(_stretches(blocks, still_mm_s), park_s):
        if kind == TRACE:
            traced = True
            if waiting is not None:
                layer += 1
                yield from (
                    Span(s.kind, layer, s.first, s.last, s.start_s, s.end_s) for s in waiting
                )
                waiting = None
        span = Span(KINDS[kind], layer, first, last, start_s, end_s)
        if waiting is None:
            yield span
        else:
            waiting.append(span)
        if kind == PARK and traced:
            waiting, traced = [], False
    yield from waiting or ()


_Run = tuple[int, int, int, float, float]  # kind, first and last row, start and end in s


def _stretches(blocks: Iterable[EvenRows], still_mm_s: float) -> Iterator[_Run]:
    """Runs of intervals: beam on, off and moving, off and still (PARK, however short)."""
    open_run: _Run | None = None
    x0, y0, on0, first0 = np.empty(0), np.empty(0), np.empty(0, dtype=np.bool_), 0
    for block in blocks:
        if len(x0) == 0:
            first0 = block.first
        x, y = np.append(x0, block.x_mm), np.append(y0, block.y_mm)
        on = np.append(on0, block.beam)
        t = (first0 + np.arange(len(x))) * block.step_s
        if len(x) >= 2:
            still = np.hypot(np.diff(x), np.diff(y)) <= still_mm_s * np.diff(t)
            kind = np.where(on[:-1], TRACE, np.where(still, PARK, TRAVEL))
            first, last = _runs(kind)
            for k, a, b, t0, t1 in zip(
                kind[first].tolist(), (first + first0).tolist(), (last + first0 + 1).tolist(),
                t[first].tolist(), t[last + 1].tolist(), strict=True,
            ):  # fmt: skip
                if open_run is not None and open_run[0] == k:
                    open_run = (k, open_run[1], b, open_run[3], t1)
                    continue
                if open_run is not None:
                    yield open_run
                open_run = (k, a, b, t0, t1)
        first0 += len(x) - 1
        x0, y0, on0 = x[-1:], y[-1:], on[-1:]
    if open_run is not None:
        yield open_run


def _kinds(runs: Iterable[_Run], park_s: float) -> Iterator[_Run]:
    """Short stops with the beam off belong to the travel around them."""
    held: _Run | None = None
    for run in runs:
        kind, first, last, start_s, end_s = run
        if kind == PARK and end_s - start_s < park_s - 1e-9:  # rounding
            kind = TRAVEL
        if held is not None and held[0] == kind:
            held = (kind, held[1], last, held[3], end_s)
            continue
        if held is not None:
            yield held
        held = (kind, first, last, start_s, end_s)
    if held is not None:
        yield held


def _runs(values: Bools | Ints) -> tuple[Ints, Ints]:
    """First and last index of each run of equal values."""
    changes = np.flatnonzero(values[1:] != values[:-1]) + 1
    return np.concatenate([[0], changes]), np.append(changes, len(values)) - 1


def _layers(what: Ints) -> Ints:
    """Layer of each run, given the kinds of the runs: one more behind a park that ends one."""
    order = np.arange(len(what))
    traced = np.maximum.accumulate(np.where(what == TRACE, order, -1))
    parked = np.maximum.accumulate(np.where(what == PARK, order, -1))
    parked_before = np.append([-1], parked[:-1])
    # A park ends its layer when a trace lies between it and the park before, and one follows.
    ends = (what == PARK) & (traced > parked_before) & (order < traced[-1])
    return np.cumsum(np.append([0], ends[:-1]))
