"""In which order to trace islands, where that is free: short travel, or little memory at starts.

Islands keep their direction. Going through islands in another order is a travelling salesman's
tour that does not return, with ways that differ forth and back; a tour is improved by moving
runs of islands elsewhere (Or-opt: I. Or 1976, from memory), which turns none of them round.
Memory knows the whole past, so that an order is judged as a whole by the model. The order
given is one of those judged: what comes back is never worse by its own measure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from hysteresis.bench import Bench
from hysteresis.compensate.advice import axes_of, parts_of
from hysteresis.compensate.swings import rise
from hysteresis.errors import DataError
from hysteresis.model import RigModel, RigState
from hysteresis.optics import deflection_from_spot
from hysteresis.paths.stream import TimedBlock
from hysteresis.tables import Floats, Ints

By = Literal["travel", "memory"]
SAMPLES = 24  # of each island
TRAVEL_SAMPLES = 8
LEAST_TRAVEL_S = 0.05
EFFORT = 1500  # orders that are tried for memory
MOST_ISLANDS = 2000
RUNS = (1, 2, 3)  # islands that are moved together


@dataclass(frozen=True)
class Island:
    """One stretch that is traced without a break: places (m,) in mm, and how long it takes."""

    x_mm: Floats
    y_mm: Floats
    length_s: float


@dataclass(frozen=True)
class Order:
    """An order of islands and what it is worth, beside the order given.

    `order[k]` is the island, counted from 0, that comes at place k. Travel in mm between islands;
    `memory_mm` as in `advice`, rms over the starts of the islands.
    """

    order: tuple[int, ...]
    travel_given_mm: float
    travel_mm: float
    memory_given_mm: float
    memory_mm: float


def islands_of(blocks: Iterable[TimedBlock], layer: int = 0) -> tuple[Island, ...]:
    """The islands of one layer; DataError where there are more than `MOST_ISLANDS`."""
    out: list[Island] = []
    x: list[Floats] = []
    y: list[Floats] = []
    step = 0.0

    def close() -> None:
        if not x:
            return
        all_x, all_y = np.concatenate(x), np.concatenate(y)
        at = np.linspace(0, len(all_x) - 1, SAMPLES).round().astype(int)
        out.append(Island(all_x[at], all_y[at], len(all_x) * step))
        x.clear()
        y.clear()
        if len(out) > MOST_ISLANDS:
            raise DataError(f"the layer has more than {MOST_ISLANDS} islands: too many to order")

    for block in blocks:
        step = block.step_s
        edges = np.flatnonzero(np.diff(block.beam)) + 1
        for a, b in pairwise([0, *edges.tolist(), len(block)]):
            if block.layer[a] > layer:
                close()
                return tuple(out)
            if block.beam[a] and block.layer[a] == layer:
                x.append(block.x_mm[a:b])
                y.append(block.y_mm[a:b])
            else:
                close()
    close()
    return tuple(out)


def best_order(
    model: RigModel,
    bench: Bench,
    islands: tuple[Island, ...],
    state: RigState,
    *,
    travel_mm_s: float,
    by: By = "memory",
    effort: int = EFFORT,
) -> Order:
    """The best order that is found; the same every time.

    `state` is the rig's before the first island. `by`: travel, or the memory foretold at the
    starts of the islands, for which `effort` orders are tried. DataError for no islands.
    """
    count = len(islands)
    if count == 0:
        raise DataError("there is nothing traced to put in order")
    given = np.arange(count)
    way = _travel(islands)
    memory = _memory_of(model, bench, islands, state, travel_mm_s)
    short = _by_travel(way)
    if by == "travel":
        found = min((given, short), key=lambda order: _length(way, order))
    else:
        cheaper = min((given, short, given[::-1], short[::-1]), key=memory)
        found = _improved(cheaper, memory, effort)
    return Order(
        tuple(int(k) for k in found), _length(way, given), _length(way, found), memory(given),
        memory(found),
    )  # fmt: skip


def _travel(islands: tuple[Island, ...]) -> Floats:
    """(n, n): from the end of each island to the start of each."""
    ends = np.array([(i.x_mm[-1], i.y_mm[-1]) for i in islands])
    starts = np.array([(i.x_mm[0], i.y_mm[0]) for i in islands])
    return np.asarray(np.hypot(*(ends[:, None, :] - starts[None, :, :]).transpose(2, 0, 1)))


def _length(way: Floats, order: Ints) -> float:
    return float(way[order[:-1], order[1:]].sum())


def _by_travel(way: Floats) -> Ints:
    """Nearest neighbour from several islands, then runs moved while that makes it shorter."""
    count = len(way)
    begins = np.unique(np.linspace(0, count - 1, min(count, 8)).astype(int))
    return min((_moved(_nearest(way, int(b)), way) for b in begins),
               key=lambda order: _length(way, order))  # fmt: skip


def _nearest(way: Floats, begin: int) -> Ints:
    left = np.ones(len(way), dtype=bool)
    order = [begin]
    left[begin] = False
    while left.any():
        far = np.where(left, way[order[-1]], np.inf)
        order.append(int(far.argmin()))
        left[order[-1]] = False
    return np.array(order)


def _moved(order: Ints, way: Floats) -> Ints:
    """Or-opt until no move of a run of islands makes the tour shorter."""
    better = True
    while better:
        better = False
        for run in RUNS:
            k = 0
            while k + run <= len(order):
                part = order[k : k + run]
                rest = np.concatenate([order[:k], order[k + run :]])
                if not len(rest):
                    break
                # what it costs to put the run before each of `rest`, and at the end
                cost = np.append(way[part[-1], rest], 0.0)
                cost[1:] += way[rest, part[0]]
                cost[1:-1] -= way[rest[:-1], rest[1:]]
                at = int(cost.argmin())
                if cost[at] < cost[k] - 1e-9:
                    order = np.insert(rest, at, part)
                    better = True
                k += 1
    return order


def _improved(order: Ints, measure: Callable[[Ints], float], effort: int) -> Ints:
    """Runs moved to places drawn at random, each kept where it is better."""
    rng = np.random.default_rng(0)  # the same path gives the same order
    least = measure(order)
    count = len(order)
    for _ in range(effort if count > 1 else 0):
        run = int(rng.integers(1, min(max(RUNS), count - 1) + 1))
        k = int(rng.integers(0, count - run + 1))
        part = order[k : k + run]
        rest = np.concatenate([order[:k], order[k + run :]])
        other = np.insert(rest, int(rng.integers(0, len(rest) + 1)), part)
        size = measure(other)
        if size < least:
            order, least = other, size
    return order


def _memory_of(
    model: RigModel, bench: Bench, islands: tuple[Island, ...], state: RigState, travel_mm_s: float
) -> Callable[[Ints], float]:
    """Root mean square over the starts of the islands of the memory foretold there, in mm."""
    traced = [deflection_from_spot(i.x_mm, i.y_mm, model.optics) for i in islands]
    way = _travel(islands)
    move = rise(TRAVEL_SAMPLES)
    axes = axes_of(model, state, bench)
    whole = TRAVEL_SAMPLES + SAMPLES

    def measure(order: Ints) -> float:
        steps = np.empty((len(order), whole))
        travel_s = np.append(LEAST_TRAVEL_S, way[order[:-1], order[1:]] / travel_mm_s)
        steps[:, :TRAVEL_SAMPLES] = (np.maximum(travel_s, LEAST_TRAVEL_S) / TRAVEL_SAMPLES)[:, None]
        steps[:, TRAVEL_SAMPLES:] = np.array([[islands[k].length_s / SAMPLES] for k in order])
        square = 0.0
        for a, (axis, own, full) in enumerate(axes):
            lines = np.array([traced[k][a] for k in order])
            before = np.append(own[0], lines[:-1, -1])
            travel = before[:, None] + (lines[:, :1] - before[:, None]) * move
            theta = np.concatenate([travel, lines], axis=1).ravel()
            friction, branches = parts_of(axis, own)
            torque = axis.friction.torque(theta, steps.ravel(), friction)[0]
            torque = torque + axis.after_effect.torque(theta, steps.ravel(), branches)[0]
            at = torque.reshape(len(order), whole)[:, TRAVEL_SAMPLES - 1]
            square += float(np.mean((full * at / axis.small_signal_stiffness()) ** 2))
        return float(np.sqrt(square))

    return measure
