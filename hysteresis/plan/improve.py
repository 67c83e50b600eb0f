"""Segments that tell causes apart, each with its price in seconds, and patterns made of a choice.

Which of them to choose is for the fit to say, which knows what a recording left open; here they
are only built, named and put in a row. What separates which cause: friction memory depends on
the order of reversals and not on time; after-effect on how long was held and watched; heat goes
with the square of the drive, so it has one sign on both sides; a lag shows in fast sweeps; the
optics over the whole field with both axes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError, LimitError
from hysteresis.plan.assemble import Axes, driven, join, with_rests
from hysteresis.plan.characterise import (
    DETAILS,
    FIXED_SHARE,
    NOMINAL_FRAME_S,
    Parts,
    chosen_cells,
    filled_time,
    fixed_parts,
    ladder_pieces,
    shuffled_pieces,
)
from hysteresis.plan.demands import require_within
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
)
from hysteresis.plan.sync import sync_signature
from hysteresis.tables import Floats, Pattern

DWELLS_S = (1.0, 3.0, 10.0, 30.0, 60.0)
_LONG_S, _WIPED_S = 30.0, 10.0  # as in the characterisation: a probe, a conditioning after it
_PLACES = ((1.0, -0.7), (-0.7, 1.0), (-1.0, -0.85), (0.45, 0.22), (-0.22, -0.45))
_FAMILY_PER_S, _QUICK_PER_S = 1.8, 2.5
_HELD_S, _STILL_PER_S = 0.5, 0.02  # a path that moves more slowly than this for so long is held
_MOST_PLACES = 4


@dataclass(frozen=True)
class Extra:
    """One segment that may be added to a pattern: what it is called, and its block."""

    name: str
    block: Block

    @property
    def duration_s(self) -> float:
        """Time it takes, without rests that the coils may need."""
        return duration_s(self.block)


@dataclass(frozen=True)
class Span:
    """Where a block lies in a pattern, s; `cost_s` counts the rest that it made necessary."""

    start_s: float
    end_s: float
    cost_s: float


# ---- what may be added ---------------------------------------------------------------------------


def extras(bench: Bench, axes: Axes = "both") -> tuple[Extra, ...]:
    """Segments worth adding, for any rig: dwells, watches, reversals, sweeps, steps, a repeat."""
    top = bench.limits.max_drive
    out = [
        cell(bench, top * np.array(place), dwell)
        for dwell in dwells_that_hold(bench, DWELLS_S)
        for place in (_PLACES if dwell < _LONG_S else _PLACES[:3])
    ]
    out += [
        cell(bench, top * np.array(_PLACES[0]), dwell, watch)
        for dwell, watch in ((3.0, 20.0), (10.0, 40.0))
    ]
    for share in (1.0, 0.5, 0.2):
        out += families(bench, (share * top, share * top), f"{100 * share:.0f} %")
    for rate in (0.2, 0.7, 5.0):
        out += sweeps(bench, (0.9 * top, -0.7 * top), rate)
    again = tuple(p for b in _early(bench) for p in repeated(b))
    out += [_steps(bench, (0.0, 0.0)), _steps(bench, (0.5 * top, -0.6 * top)), _field(bench),
            Extra("the start once more", again),
            Extra("rest of 30 s at zero", (hold(ZERO, 30.0, "recovery"),))]  # fmt: skip
    return _driven(out, axes)


@dataclass(frozen=True)
class Skeleton:
    """A characterisation of the usual kind, its middle in parts that may take several forms.

    The first form of each part is the usual one; `slots` are in order of worth: as many as the
    time holds are for a pattern. `opening` and `closing` stay as they are.
    """

    opening: tuple[Block, ...]
    slots: tuple[tuple[Extra, ...], ...]
    closing: tuple[Block, ...]


def skeleton_for_path(
    bench: Bench, minutes: float, t_s: Floats, drive_x: Floats, drive_y: Floats,
    axes: Axes = "both", *, seed: int = 1,
) -> Skeleton:  # fmt: skip
    """What the usual characterisation goes through, with the forms its parts may take for a path.

    The path is given as the drive of a rig without memory (fractions of full scale): from it are
    taken the places at which it waits and for how long, and how far it goes to each side. Dwells
    keep their variety, since a path's own would tell friction from creep badly; their excursions
    are free, and so are the amplitudes of reversals.
    """
    top = bench.limits.max_drive
    (parts, cells), holds = usual_parts(bench, minutes, axes, seed), waits(t_s, drive_x, drive_y)
    reach = np.clip([np.quantile(np.abs(d), 0.9) for d in (drive_x, drive_y)], 0.05, top)
    forms: dict[str, list[Extra]] = {"decaying": [], "conditioning": [], "forc": []}
    for peak, words in (((0.5 * top, 0.5 * top), "50 %"), (tuple(reach), "the path's reach")):
        for kind, extra in zip(forms, families(bench, peak, words), strict=True):
            forms[kind].append(extra)
    if holds:
        # from where it waits back into the field in which it draws, and out again
        steps = np.linspace(-1.0, 1.0, 9)[1:-1]
        turns = np.column_stack([reach[0] * steps, reach[1] * steps[::-1]])
        there = np.tile(np.clip(holds[0][0], -top, top), (len(turns), 1))
        block = first_order_reversal_curves(there, turns, _FAMILY_PER_S, bench.limits)
        forms["forc"].append(Extra("reversals from the place where the path waits", block))
    slots = [[Extra(f"the usual {b[-1].kind}", b), *forms.get(b[0].kind, [])] for b in parts.middle]
    places = [top * np.array(place) for place in (*_PLACES, (0.7, 0.45), (-0.22, 0.85))]
    for place, _ in holds:
        places += [np.clip(side * np.array(place), -top, top) for side in (1.0, -1.0)]
    places += [reach * np.array(sign) for sign in ((1.0, -1.0), (-1.0, 1.0))]
    own = holds[0][1] if holds else 0.0
    for dwell, block in cells:
        x, y = block[2].drive[0]
        lengths = [dwell] + [own] * bool(0.5 * dwell <= own <= 2.0 * dwell and own != dwell)
        others = [cell(bench, at, round(s, 2)) for s in lengths for at in places]
        slots.append([Extra(f"usual dwell of {dwell:g} s at {x:+.2f}, {y:+.2f}", block), *others])
    found = tuple(_driven(slot, axes) for slot in slots)
    return Skeleton(tuple(parts.opening), found, tuple(parts.closing))


def usual_parts(
    bench: Bench, minutes: float, axes: Axes, seed: int
) -> tuple[Parts, list[tuple[float, Block]]]:
    """Parts of the usual characterisation of this length, and its dwells in order of worth."""
    budget_s = 60.0 * minutes
    for detail in reversed(DETAILS):
        parts = fixed_parts(bench, detail, axes, seed)
        length = sum(duration_s(b) for b in (*parts.opening, *parts.middle, *parts.closing))
        if length <= FIXED_SHARE * budget_s or detail is DETAILS[0]:
            break
    return parts, chosen_cells(ladder_pieces(bench, axes, minutes), budget_s - length)


def waits(t_s: Floats, drive_x: Floats, drive_y: Floats
          ) -> list[tuple[tuple[float, float], float]]:  # fmt: skip
    """Places away from zero where a path stands still, and how long each time (s, median).

    Places within 0.1 of full scale count as one; those with the longest time in all come first.
    """
    rate = np.maximum(np.abs(np.diff(drive_x)), np.abs(np.diff(drive_y))) / np.diff(t_s)
    still = np.concatenate([[False], rate < _STILL_PER_S, [False]])
    edges = np.flatnonzero(np.diff(still.astype(int)))
    found: dict[tuple[float, float], list[float]] = {}
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        length = float(t_s[last] - t_s[first])
        place = (round(float(drive_x[first]), 1) + 0.0, round(float(drive_y[first]), 1) + 0.0)
        if length >= _HELD_S and max(map(abs, place)) > 0.05:
            found.setdefault(place, []).append(length)
    order = sorted(found, key=lambda place: -sum(found[place]))[:_MOST_PLACES]
    return [(place, float(np.median(found[place]))) for place in order]


def cell(bench: Bench, excursion: Floats, dwell_s: float, watch: float | None = None) -> Extra:
    """One return to zero; after a long dwell a probe of the warm axis, and a conditioning."""
    limits, top = bench.limits, bench.limits.max_drive
    watched = watch_s(dwell_s) if watch is None else watch
    block = ladder_cell(excursion, dwell_s, watched, limits)
    if dwell_s >= _LONG_S:
        block += _probe(bench)
    if dwell_s >= _WIPED_S:
        block += (*conditioning((top, top), limits), hold(ZERO, 1.0, "recovery"))
    x, y = excursion
    return Extra(f"dwell of {dwell_s:g} s at {x:+.2f}, {y:+.2f}, watched {watched:.3g} s", block)


def families(bench: Bench, peak: tuple[float, ...], words: str) -> list[Extra]:
    """Shrinking and growing reversals up to a peak, and curves from alternate sides of it."""
    limits = bench.limits
    wipe = conditioning((limits.max_drive, limits.max_drive), limits)
    turns = np.linspace(1.0, -1.0, 9)[1:]
    turns = np.column_stack([turns, np.roll(turns[::-1], 3)])
    sides = np.where(np.arange(8) % 2, -1.0, 1.0)[:, None] * np.array([1.0, 1.0])
    forc = first_order_reversal_curves(
        sides * np.array(peak), sides * turns * np.array(peak), _FAMILY_PER_S, limits
    )
    down = reversal_family(peak, 8, _FAMILY_PER_S, limits, growing=False)
    up = reversal_family(peak, 8, _FAMILY_PER_S, limits, growing=True)
    return [
        Extra(f"shrinking reversals from {words}", down),
        Extra(f"conditioning and reversals growing to {words}", wipe + up),
        Extra(f"first-order reversal curves from {words}", forc),
    ]


def sweeps(bench: Bench, peak: tuple[float, float], rate_per_s: float) -> list[Extra]:
    """A cycle of both axes at one speed, and of each by itself."""
    limits, cycles = bench.limits, 1 if rate_per_s < 1.0 else 2
    return [
        Extra(f"sweep of {words} at {rate_per_s:.2g}/s",
              sweep(np.array(peak) * mask, rate_per_s, limits, cycles=cycles))
        for words, mask in (("both axes", (1.0, 1.0)), ("x", (1.0, 0.0)), ("y", (0.0, 1.0)))
    ]  # fmt: skip


def _probe(bench: Bench) -> Block:
    top = bench.limits.max_drive
    return sweep((0.5 * top, 0.4 * top), _QUICK_PER_S, bench.limits)


def _steps(bench: Bench, centre: tuple[float, float]) -> Extra:
    limits, top = bench.limits, bench.limits.max_drive
    frame_s = NOMINAL_FRAME_S if bench.camera is None else 1.0 / bench.camera.frame_rate_hz
    wiped = (*conditioning((top, top), limits), hold(ZERO, 1.0, "recovery"))
    block = small_steps(0.06 * top, centre, frame_s, 8, limits) + wiped
    return Extra(f"small steps {'off to a side' if any(centre) else 'at the centre'}", block)


def _field(bench: Bench) -> Extra:
    """Serpentine over the field: every row from the other side, both axes together."""
    at = np.linspace(-1.0, 1.0, 3)
    rows = [np.column_stack([at[:: (-1) ** k], np.full(3, y)]) for k, y in enumerate(at)]
    levels = 0.9 * bench.limits.max_drive * np.vstack(rows)
    return Extra("grid over the field", staircase(levels, 0.25, bench.limits))


def _early(bench: Bench) -> list[Block]:
    """What is measured first and again last, for repeatability and drift."""
    limits, top = bench.limits, bench.limits.max_drive
    up = np.array([0.5, 1.0, 0.5, 0.0, -0.5, -1.0, -0.5])
    levels = top * np.column_stack([up, -np.roll(up, 2)])
    return [
        staircase(levels, 0.3, limits),
        _probe(bench),
        ladder_cell((0.7 * top, -0.85 * top), 1.0, watch_s(1.0), limits),
    ]


def _driven(found: Sequence[Extra], axes: Axes) -> tuple[Extra, ...]:
    """Those that still move with only these axes driven, each drive once."""
    out: list[Extra] = []
    for extra in found:
        masked = driven([extra.block], axes) if axes != "both" else [extra.block]
        still = extra.name.startswith("rest of")
        block = extra.block if still else masked[0] if masked else ()
        if block and all(not _same(block, other.block) for other in out):
            out.append(Extra(extra.name, block))
    return tuple(out)


def _same(a: Block, b: Block) -> bool:
    return len(a) == len(b) and all(
        np.array_equal(p.t_s, q.t_s) and np.array_equal(p.drive, q.drive)
        for p, q in zip(a, b, strict=True)
    )


# ---- patterns of a choice ------------------------------------------------------------------------


def in_a_row(bench: Bench, blocks: Sequence[Block], axes: Axes = "both"
             ) -> tuple[Pattern, tuple[Span, ...]]:  # fmt: skip
    """Sync, conditioning, the blocks with the rests they need, sync; and where each block lies."""
    framed = [*_opening(bench, axes), *blocks, *_sync(bench, axes)]
    laid = with_rests(framed, bench.limits)
    return join(laid, bench), tuple(_spans(laid))[len(_opening(bench, axes)) : -1]


def _spans(laid: Sequence[Block]) -> list[Span]:
    out, at, rest = [], 0.0, 0.0
    for block in laid:
        length = duration_s(block)
        if len(block) == 1 and block[0].kind == "rest":
            rest += length
        else:
            out.append(Span(at, at + length, length + rest))
            rest = 0.0
        at += length
    return out


def _sync(bench: Bench, axes: Axes) -> list[Block]:
    limits = bench.limits
    return driven([sync_signature(min(0.25, 0.6 * limits.max_drive), limits)], axes)


def _opening(bench: Bench, axes: Axes) -> list[Block]:
    top = bench.limits.max_drive
    return [*_sync(bench, axes), *driven([conditioning((top, top), bench.limits)], axes)]


def appended(pattern: Pattern, more: Pattern, bench: Bench) -> Pattern:
    """One pattern after another as one, segments numbered on; a wait between cools the coils.

    Raises LimitError if not even a wait of the coils' whole window is enough.
    """
    last: dict[str, int] = {}
    for name in pattern.segment:
        kind, number, *_ = f"{name}/0".split("/")
        last[kind] = max(last.get(kind, 0), int(number) if number.isdigit() else 0)
    last["recovery"] = last.get("recovery", 0) + 1
    between, names = f"recovery/{last['recovery']:03d}", []
    for name in more.segment:
        kind, _, rest = str(name).partition("/")
        number, _, part = rest.partition("/")
        counted = f"{kind}/{int(number) + last.get(kind, 0):03d}"
        names.append(f"{counted}/{part}" if part else counted)
    for rest_s in np.linspace(2.0, max(2.0, bench.limits.coil_window_s), 9):
        first = float(pattern.t_s[-1] + rest_s)
        segment = np.array([*pattern.segment[:-1], between, *names], dtype=object)
        whole = Pattern(
            np.concatenate([pattern.t_s, first + more.t_s]),
            np.concatenate([pattern.drive_x, more.drive_x]),
            np.concatenate([pattern.drive_y, more.drive_y]),
            np.concatenate([pattern.beam, more.beam]),
            segment,
        )
        try:
            require_within(whole, bench.limits)
        except LimitError:
            if rest_s >= bench.limits.coil_window_s:
                raise
            continue
        return whole
    raise LimitError("the two patterns together heat the coils beyond limits.coil_rms")


def tailored(
    bench: Bench, skeleton: Skeleton, forms: Sequence[int], minutes: float, *, seed: int = 1
) -> tuple[Pattern, tuple[int, ...]]:
    """A characterisation with one form of each part, as many as fit, the first first; and which.

    Raises InputError when not even opening and closing fit.
    """
    budget_s = 60.0 * minutes
    chosen = [slot[form].block for slot, form in zip(skeleton.slots, forms, strict=True)]
    length = sum(duration_s(block) for block in (*skeleton.opening, *skeleton.closing))
    kept: list[int] = []
    for k, block in enumerate(chosen):
        if length + duration_s(block) <= budget_s:
            kept.append(k)
            length += duration_s(block)
    while True:
        row = [chosen[k] for k in _in_order(skeleton, kept, seed)]
        laid = with_rests([*skeleton.opening, *row, *skeleton.closing], bench.limits)
        length = sum(duration_s(block) for block in laid)
        if length <= budget_s:
            return join(filled_time(laid, budget_s - length), bench), tuple(kept)
        if not kept:  # rests of the coils take time too
            break
        kept.pop()
    raise InputError(
        f"the least that a characterisation needs takes {length / 60.0:.1f} minutes on this bench",
        value=minutes, mend="give it more minutes",
    )  # fmt: skip


def _in_order(skeleton: Skeleton, kept: Sequence[int], seed: int) -> list[int]:
    """The parts in the order of the usual pattern, whatever form they have.

    Dwell, excursion and sign must not go with the time there, or they pass for drift and history.
    """
    usual = {k: skeleton.slots[k][0].block for k in kept}
    if not usual:
        return []
    cells = [(b[2].duration_s, b) for b in usual.values() if _is_cell(b)]
    row = shuffled_pieces([b for b in usual.values() if not _is_cell(b)], cells, seed)
    place = {id(block): k for k, block in usual.items()}
    return [place[id(block)] for block in row]


def _is_cell(block: Block) -> bool:
    return block[0].kind == "ladder" and len(block) > 2 and block[2].part == "hold"
