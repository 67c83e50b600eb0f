"""Marks along a path: trace, travel, park; and the layers that parks divide it into.

Every interval between two rows of a SpotPath is one of

* trace: the beam is on;
* travel: the beam is off;
* park: the beam is off and the spot stands still, for `park_s` or longer.

A layer ends with the park that follows its traces. Parks before the first trace, and further
parks before the next one, open no new layer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.tables import Bools, Ints, SpotPath

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
