"""The characterisation: within a given time, everything a fit needs to tell the causes apart.

What separates which cause (the reasons for the parts, in the order of the pattern):

* sync signature at both ends: the camera's clock, offset and drift.
* conditioning: the friction memory starts from a known state; what follows is not contaminated
  by what was before. The after-effect cannot be wiped, hence the long holds come after a while.
* staircase, probe sweep, one return to zero: repeated at the very end after conditioning again,
  for repeatability and drift.
* grid: both axes at once over the whole field, every row from the other side (optics, screen).
* decaying and growing reversals, first-order reversal curves: friction memory, which depends on
  the order of reversals and not on time.
* returns to zero over excursions × dwells × both signs: friction does not ask how long, the
  after-effect goes with the logarithm of the dwell and decays in the watch, AC droop scales
  exactly with the excursion and has the other sign. Long dwells come in both signs per axis: heat
  goes with the square of the drive, so it has the same sign for both.
* a quick probe sweep after each long dwell: the loop of a warm axis against that of a cold one.
* conditioning after dwells of ten seconds and more, and after the small steps (whose many
  reversals wear friction memory off): with friction wiped, what is left is after-effect alone.
* sweeps at two rates, each axis alone at the slow one: rate dependence, cross-coupling; the
  same minor loop after two pasts: are loops congruent.
* small steps whose period walks through the frame interval: resonance and damping, about zero
  and off to a side (the elastic curve bends).

Order and pairing are shuffled by a fixed seed so that dwell, excursion and sign are as good as
uncorrelated with each other, between the axes and with the time in the run.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, cycle, islice, pairwise

import numpy as np

from hysteresis.bench import Bench, Limits
from hysteresis.errors import InputError, LimitError
from hysteresis.plan.assemble import Axes, axes_mask, driven, join, lengthened, with_rests
from hysteresis.plan.dwells import dwells_that_hold, watch_s
from hysteresis.plan.segments import (
    ZERO,
    Block,
    conditioning,
    duration_s,
    first_order_reversal_curves,
    hold,
    ladder_cell,
    repeated,
    reversal_family,
    small_steps,
    staircase,
    sweep,
    sweep_through,
)
from hysteresis.plan.sync import sync_signature
from hysteresis.tables import Floats, Pattern

SHORTEST_MIN, LONGEST_MIN = 2.0, 20.0
NOMINAL_FRAME_S = 1.0 / 30.0
"""Frame interval assumed by the walking steps of a bench without a camera."""
_QUICK_PER_S, _FAMILY_PER_S = 2.5, 1.8
_SHUFFLES = 200
_LONG_S = 30.0  # from here on a dwell warms the coil and is followed by a probe sweep
_WIPED_S = 10.0  # from here on a dwell leaves enough after-effect to be seen without friction
_FEWEST_CELLS = 3
FIXED_SHARE = 0.43  # most of the budget that may go to everything but the ladder

# Fractions of the largest drive, and signs, in the order in which cells of one dwell use them:
# the most telling first, the pairs of x and y spread over the field. All five sizes and both
# signs come up on each axis within ten cells.
_X_LEVELS = (1.0, -0.7, 0.45, -1.0, 0.22, -0.85, 0.7, -0.22, 0.85, -0.45)
_Y_LEVELS = (-0.7, 1.0, 0.22, -0.85, -0.45, -1.0, 0.45, 0.85, -0.22, 0.7)

# Dwells (s) of the ladder in the order in which they are added while the budget lasts; after the
# last one the second line is gone through again and again.
_FIRST_DWELLS_S = (10.0, 1.0, 3.0, 30.0, 60.0, 1.0, 3.0, 1.0, 3.0, 10.0, 1.0, 1.0, 3.0, 3.0)
_MORE_DWELLS_S = (30.0, 3.0, 1.0, 10.0, 60.0, 1.0, 3.0, 30.0, 10.0, 120.0)


@dataclass(frozen=True)
class _Detail:
    """How finely the parts other than the ladder are laid out."""

    stairs: int  # levels per side
    reversals: int
    curves: int
    phases: int
    slow_per_s: float  # rate of the slow sweeps
    early_dwell_s: float  # dwell of the return to zero that is repeated at the end
    aside: bool  # small steps off the centre too


DETAILS = (
    _Detail(2, 4, 3, 4, 0.9, 1.0, False),
    _Detail(3, 6, 5, 6, 0.7, 1.0, False),
    _Detail(4, 8, 8, 8, 0.5, 3.0, True),
    _Detail(5, 12, 12, 12, 0.4, 3.0, True),
    _Detail(6, 16, 16, 16, 0.4, 3.0, True),
    _Detail(8, 20, 20, 24, 0.3, 3.0, True),
)


def _stairs(top: float, levels: int) -> Floats:
    """Up, down through zero and up again on x; y does the same mirrored and a third as far on."""
    up = np.arange(1, levels + 1) / levels
    x = np.concatenate([up, up[::-1][1:], [0.0], -up, -up[::-1][1:]])
    return top * np.column_stack([x, -np.roll(x, len(x) // 3)])


def _grid(top: float, side: int) -> Floats:
    """Serpentine over the field: rows of alternating direction, so each place has both."""
    at = np.linspace(-1.0, 1.0, side)
    rows = [
        np.column_stack([at if k % 2 == 0 else at[::-1], np.full(side, y)])
        for k, y in enumerate(at)
    ]
    return top * np.vstack(rows)


def _curves(top: float, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Peaks and reversals (count, 2) of first-order curves, each axis in an order of its own.

    Half of them start from above and half from below, in all four pairings of x and y.
    """
    turns = np.linspace(1.0, -1.0, count + 1)[1:]
    turns = np.column_stack([rng.permutation(turns), rng.permutation(turns)])
    quarter = np.arange(count) * 4 // count
    sides = np.array([(1.0, 1.0), (1.0, -1.0), (-1.0, -1.0), (-1.0, 1.0)])[quarter]
    return top * sides, top * sides * turns


def _minor_loops(limits: Limits) -> Block:
    """The same small loop twice, reached from above and from below, on y with another middle.

    Memory that sums independent elements gives equal loops (congruency); others do not.
    """
    low, high = np.array([0.25, -0.6]), np.array([0.65, -0.2])
    loop = [low, high, low, high]
    points = np.array([(1.0, 1.0), *loop, (-1.0, -1.0), *loop[::-1], low])
    return sweep_through(limits.max_drive * points, _FAMILY_PER_S, limits, part="minor")


@dataclass(frozen=True)
class Parts:
    opening: list[Block]
    middle: list[Block]
    closing: list[Block]


def fixed_parts(bench: Bench, detail: _Detail, axes: Axes, seed: int) -> Parts:
    """Everything but the ladder."""
    limits, top = bench.limits, bench.limits.max_drive
    rng = np.random.default_rng(seed)
    frame_s = NOMINAL_FRAME_S if bench.camera is None else 1.0 / bench.camera.frame_rate_hz
    sync = sync_signature(min(0.25, 0.6 * top), limits)
    wipe = conditioning((top, top), limits)
    early = [
        staircase(_stairs(top, detail.stairs), 0.3, limits),
        _probe(limits),
        ladder_cell(
            (0.7 * top, -0.85 * top), detail.early_dwell_s, watch_s(detail.early_dwell_s), limits
        ),
    ]
    peak, rate = (top, top), _FAMILY_PER_S
    reversals = detail.reversals
    grid_side = min(max(3, detail.stairs), 5)
    middle = [
        staircase(_grid(0.9 * top, grid_side), 0.25, limits),
        reversal_family(peak, reversals, rate, limits, growing=False),
        wipe + reversal_family(peak, reversals, rate, limits, growing=True),
        first_order_reversal_curves(*_curves(top, detail.curves, rng), rate, limits),
        sweep((0.9 * top, 0.0), detail.slow_per_s, limits),
        sweep((0.0, 0.9 * top), detail.slow_per_s, limits),
        sweep((0.8 * top, -0.6 * top), _QUICK_PER_S, limits, cycles=2),
        small_steps(0.06 * top, (0.0, 0.0), frame_s, detail.phases, limits) + _wiped(limits),
    ]
    if detail.aside:
        aside = (0.5 * top, -0.6 * top)
        middle.append(
            small_steps(0.06 * top, aside, frame_s, detail.phases // 2, limits) + _wiped(limits)
        )
        middle.append(_minor_loops(limits))
    closing = [wipe, *(repeated(block) for block in early), sync]
    return Parts(driven([sync, wipe, *early], axes), driven(middle, axes), driven(closing, axes))


def _probe(limits: Limits) -> Block:
    """One quick cycle to half the drive: what the axis is like just now."""
    top = limits.max_drive
    return sweep((0.5 * top, 0.4 * top), _QUICK_PER_S, limits)


def _wiped(limits: Limits) -> Block:
    """Conditioning and a second to look: what is left then is after-effect alone."""
    top = limits.max_drive
    return (*conditioning((top, top), limits), hold(ZERO, 1.0, "recovery"))


def ladder_pieces(bench: Bench, axes: Axes, minutes: float) -> Iterator[tuple[float, Block]]:
    """Cells (dwell, block) without end, in the order in which a growing budget takes them up."""
    limits, top = bench.limits, bench.limits.max_drive
    longest = 120.0 if minutes >= 12.0 else 60.0 if minutes >= 5.0 else 30.0
    first = [d for d in dwells_that_hold(bench, _FIRST_DWELLS_S) if d <= longest]
    more = [d for d in dwells_that_hold(bench, _MORE_DWELLS_S) if d <= longest]
    used: Counter[float] = Counter()
    for dwell in chain(first, cycle(more)):
        k = (used[dwell] + _START[dwell]) % len(_X_LEVELS)
        used[dwell] += 1
        excursion = top * np.array([_X_LEVELS[k], _Y_LEVELS[k]])
        cell = ladder_cell(excursion * axes_mask(axes), dwell, watch_s(dwell), limits)
        if dwell >= _LONG_S:
            cell += driven([_probe(limits)], axes)[0]
        if dwell >= _WIPED_S:
            cell += driven([_wiped(limits)], axes)[0]
        yield dwell, cell


def chosen_cells(
    candidates: Iterator[tuple[float, Block]], free_s: float
) -> list[tuple[float, Block]]:
    """The cells that fit into the time, in their order; long ones that do not fit are passed by."""
    chosen: list[tuple[float, Block]] = []
    refused = 0
    for dwell, block in candidates:
        if duration_s(block) <= free_s:
            chosen.append((dwell, block))
            free_s -= duration_s(block)
            refused = 0
        else:
            refused += 1
        if refused > len(_MORE_DWELLS_S):
            break
    return chosen


# Where each dwell starts in the list of levels, so that equal sizes meet different dwells and
# the two long ones of a six-minute run take opposite signs on both axes.
_START = {1.0: 3, 3.0: 7, 10.0: 5, 30.0: 1, 60.0: 0, 120.0: 8}


def _order_cost(
    order: Sequence[int], lengths_s: Floats, cells: dict[int, tuple[float, Floats]]
) -> float:
    """How much dwell, excursion and sign go with the time in the run; lower is better."""
    starts = np.concatenate([[0.0], np.cumsum(lengths_s[list(order)])[:-1]])
    when = {item: start for item, start in zip(order, starts, strict=True)}
    keys = [item for item in order if item in cells]
    total = float(lengths_s.sum())
    cost = 0.0
    long_at = [k for k, item in enumerate(order) if item in cells and cells[item][0] >= _LONG_S]
    for position in long_at:
        share = when[order[position]] / total
        # The tail of a long dwell is to be seen in what follows, and the axis met cold before.
        cost += 2.0 * max(0.0, share - 0.65) + 2.0 * max(0.0, 0.1 - share)
    cost += sum(1.0 for a, b in pairwise(long_at) if b - a < 3)
    if len(keys) < 4:
        return cost
    time = np.array([when[k] for k in keys])
    excursions = np.array([cells[k][1] for k in keys])
    columns = [np.log([cells[k][0] for k in keys]), *excursions.T, *np.abs(excursions).T]
    return cost + max(abs(_correlation(time, column)) for column in columns)


def _correlation(a: Floats, b: Floats) -> float:
    a, b = a - a.mean(), b - b.mean()
    scale = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / scale if scale > 0 else 0.0


def shuffled_pieces(fixed: list[Block], cells: list[tuple[float, Block]], seed: int) -> list[Block]:
    """The best of some shuffles of the middle of the pattern."""
    blocks = [*fixed, *(block for _, block in cells)]
    lengths = np.array([duration_s(block) for block in blocks])
    marks = {len(fixed) + k: (dwell, block[2].drive[0]) for k, (dwell, block) in enumerate(cells)}
    rng = np.random.default_rng(seed)
    orders = [rng.permutation(len(blocks)) for _ in range(_SHUFFLES)]
    best = min(orders, key=lambda order: _order_cost(list(order), lengths, marks))
    return [blocks[k] for k in best]


def characterisation(
    bench: Bench, minutes: float = 6.0, axes: Axes = "both", *, seed: int = 1
) -> Pattern:
    """Lay out a characterisation that takes `minutes` (2 … 20), never more.

    Parameters
    ----------
    axes : "both", or the one axis that is driven while the other rests.
    seed : seed of the shuffle; the same arguments always give the same pattern.

    Raises
    ------
    InputError if the time is outside 2 … 20 minutes; LimitError if the bench is so slow, or its
    coils so easily heated, that the least useful pattern does not fit.
    """
    if not SHORTEST_MIN <= minutes <= LONGEST_MIN:
        raise InputError(
            "a characterisation takes 2 to 20 minutes", value=minutes, mend="ask for 6 minutes"
        )
    budget_s = 60.0 * minutes
    for detail in reversed(DETAILS):
        parts = fixed_parts(bench, detail, axes, seed)
        fixed_s = _total_s(_laid(parts, [], bench.limits, seed))
        if fixed_s > FIXED_SHARE * budget_s and detail is not DETAILS[0]:
            continue
        cells = chosen_cells(ladder_pieces(bench, axes, minutes), budget_s - fixed_s)
        blocks = _most_cells(parts, cells, bench.limits, seed, budget_s)
        if blocks is not None:
            spare_s = budget_s - _total_s(blocks)
            return join(filled_time(blocks, spare_s), bench)
    fewest = list(islice(ladder_pieces(bench, axes, minutes), _FEWEST_CELLS))
    needed_s = _total_s(_laid(parts, fewest, bench.limits, seed))
    limits = bench.limits
    raise LimitError(
        f"a characterisation that respects limits.slew_per_s = {limits.slew_per_s:g}, "
        f"bandwidth_hz = {limits.bandwidth_hz:g} and coil_rms = {limits.coil_rms:g} over "
        f"{limits.coil_window_s:g} s takes at least {math.ceil(needed_s / 6.0) / 10.0:.1f} minutes "
        f"on this bench, not {minutes:g}; "
        + ("give it more time, or " if needed_s <= 60.0 * LONGEST_MIN else "")
        + "check these limits in bench.toml"
    )


def _total_s(blocks: Sequence[Block]) -> float:
    return sum(duration_s(block) for block in blocks)


def _laid(parts: Parts, cells: list[tuple[float, Block]], limits: Limits, seed: int) -> list[Block]:
    """All blocks in order, with the rests that the coils need."""
    middle = shuffled_pieces(parts.middle, cells, seed)
    return with_rests([*parts.opening, *middle, *parts.closing], limits)


def _most_cells(
    parts: Parts, cells: list[tuple[float, Block]], limits: Limits, seed: int, budget_s: float
) -> list[Block] | None:
    """The pattern with as many of the first cells as fit with their rests; None if too few do.

    Rests to cool the coils cost time too, and how much depends on the order, so the number is
    found by halving.
    """
    best, low, high = None, _FEWEST_CELLS, len(cells)
    count = high
    while low <= high:
        blocks = _laid(parts, cells[:count], limits, seed)
        if _total_s(blocks) <= budget_s:
            best, low = blocks, count + 1
        else:
            high = count - 1
        count = (low + high) // 2
    return best


def filled_time(blocks: list[Block], spare_s: float) -> list[Block]:
    """The time left over (all but a microsecond) goes to the longest watch of a recovery."""
    watches = [
        (piece.duration_s, k, index)
        for k, block in enumerate(blocks)
        for index, piece in enumerate(block)
        if piece.part == "watch"
    ]
    if spare_s <= 0.01 or not watches:
        return blocks
    _, k, index = max(watches)
    return [*blocks[:k], lengthened(blocks[k], index, spare_s - 1e-6), *blocks[k + 1 :]]
