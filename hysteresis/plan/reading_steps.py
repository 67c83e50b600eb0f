"""Reading steps: a pattern for a person with a ruler.

Three readings per step: at the excursion at the end of a hold, then back at zero early and late.
What forty of them must tell apart decides the layout (a linear analysis with play elements,
creep modes, gain, offset and drift, a ruler good to 0.15 mm on a full scale of 50 mm, foresaw
these effects on the predicted return to zero, largest first): a first reading *soon* after the
return, a short and a *long* hold, a late reading, excursions of five sizes. The order hardly
matters, so signs and sizes are mixed. The first steps come again at the end, after conditioning,
for repeatability.

A reading is taken at the end of the hold `reading/NNN`. Where the beam can be switched it blinks
once when the last five seconds begin (after the return at once): now read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from hysteresis.bench import Bench, Limits
from hysteresis.errors import InputError, LimitError
from hysteresis.plan.assemble import Axes, driven, join, with_rests
from hysteresis.plan.readings import READ_S
from hysteresis.plan.segments import (
    ZERO,
    Block,
    Piece,
    conditioning,
    duration_s,
    hold,
    move,
)
from hysteresis.plan.sync import sync_signature
from hysteresis.tables import Floats, Pattern

BLINK_S = 0.3
EARLY_S, SHORT_HOLD_S = 4.0, 6.0
FEWEST, MOST = 10, 400


@dataclass(frozen=True)
class _Times:
    long_hold_s: float = 60.0
    late_s: float = 12.0  # after the early reading


_SHORTEST = _Times(15.0, 6.0)


def read_hold(at: Floats, hold_s: float, number: int) -> Block:
    """A hold that is read at its end, with a blink when the reading time begins."""
    before = hold_s - min(READ_S, hold_s)
    pieces: list[Piece] = [hold(at, before, "reading")] if before > 1e-6 else []
    pieces.append(hold(at, BLINK_S, "reading", beam=False))
    pieces.append(hold(at, hold_s - before - BLINK_S, "reading"))
    return tuple(replace(piece, number=number) for piece in pieces)


def _step(excursion: Floats, hold_s: float, late_s: float, limits: Limits) -> Block:
    """Three readings: at the excursion, back at zero soon, back at zero later."""
    back = replace(move(excursion, ZERO, limits, "reading", "move"), number=2)
    return (
        move(ZERO, excursion, limits, "reading", "move"),
        *read_hold(excursion, hold_s, 1),
        back,
        *read_hold(ZERO, EARLY_S, 2),
        *read_hold(ZERO, late_s, 3),
    )


def _steps(count: int, top: float, long_hold_s: float) -> list[tuple[Floats, float]]:
    """Excursion (2,) and hold (s) of each step.

    Every size 0.2 … 1 of the largest drive comes once with the short and once with the long
    hold; signs go through all four quarters, tied neither to the size nor to the hold.
    """
    half = math.ceil(count / 2)
    sizes = np.linspace(1.0, 0.2, half)
    # A stride without a common divisor with their number mixes large and small sizes.
    stride = next((s for s in range(max(2, (half + 1) // 2), half) if math.gcd(s, half) == 1), 1)
    turn = (np.arange(half) * stride) % half
    steps = []
    for k in range(count):
        x, y = sizes[turn[k % half]], sizes[turn[(k + half // 2) % half]]
        signs = np.array([(-1.0) ** ((k + 1) // 2), (-1.0) ** (k // 2)])
        short = (k % half + k // half) % 2 == 0
        steps.append((top * signs * (x, y), SHORT_HOLD_S if short else long_hold_s))
    return steps


def _blocks(bench: Bench, readings: int, times: _Times) -> list[Block]:
    limits, top = bench.limits, bench.limits.max_drive
    steps, over = divmod(readings - 1, 3)
    again = steps // 5
    again += (steps - again) % 2 if again else 0  # so that each size has both holds
    wipe = conditioning((top, top), limits)
    laid = [
        _step(excursion, hold_s, times.late_s, limits)
        for excursion, hold_s in _steps(steps - again, top, times.long_hold_s)
    ]
    blocks = [
        sync_signature(min(0.25, 0.6 * top), limits),
        wipe,
        read_hold(ZERO, SHORT_HOLD_S, 1),
        *laid,
    ]
    if again:
        blocks += [wipe, *laid[:again]]
    if over == 1:
        blocks += [wipe, read_hold(ZERO, SHORT_HOLD_S, 1)]
    elif over == 2:
        # The corner that no step reaches, and zero once more.
        blocks.append(_step(np.array([-top, -top]), SHORT_HOLD_S, times.late_s, limits)[:-3])
    return blocks


def reading_steps(
    bench: Bench, readings: int = 40, minutes: float | None = None, axes: Axes = "both"
) -> Pattern:
    """Lay out numbered steps for a person with a ruler.

    Parameters
    ----------
    readings : how many readings in all (10 … 400); 28 is the least with two holds, two waits,
        four excursions and a repeat.
    minutes : where given, long holds and late readings are shortened until it fits.

    Raises
    ------
    InputError for a number of readings of no use; LimitError if the time is too short, the
    output does not hold a level for as long as a reading takes, or a limit forbids it.
    """
    if not FEWEST <= readings <= MOST:
        raise InputError(
            f"a sheet has {FEWEST} to {MOST} readings", value=readings, mend="ask for 40"
        )
    require_held(bench)
    share = 1.0
    while True:
        times = _Times(
            _SHORTEST.long_hold_s + share * (_Times.long_hold_s - _SHORTEST.long_hold_s),
            _SHORTEST.late_s + share * (_Times.late_s - _SHORTEST.late_s),
        )
        blocks = _blocks(bench, readings, times)
        blocks = one_axis(blocks, axes)
        blocks = with_rests(blocks, bench.limits)
        length_s = sum(duration_s(block) for block in blocks)
        if minutes is None or length_s <= 60.0 * minutes:
            return join(blocks, bench)
        if share <= 0.0:
            raise LimitError(
                f"{readings} readings take at least {length_s / 60.0:.1f} minutes, not "
                f"{minutes:g}; give them more time or ask for fewer readings"
            )
        share = max(0.0, share - 0.1)


def one_axis(blocks: list[Block], axes: Axes) -> list[Block]:
    """These axes driven; the readings at zero stay although nothing moves in them."""
    if axes == "both":
        return blocks
    out: list[Block] = []
    for block in blocks:
        masked = driven([block], axes)
        out += masked if masked else [block]
    return out


def require_held(bench: Bench) -> None:
    """Refuse an output that lets half of a held drive droop before the shortest hold is read."""
    corner = bench.drive.corner_hz
    if bench.drive.coupling == "dc" or corner is None:
        return
    left = math.exp(-2.0 * math.pi * corner * SHORT_HOLD_S)
    if left < 0.5:
        raise LimitError(
            f"the AC-coupled output (corner {corner:g} Hz) keeps {100 * left:.0f} % of a held "
            f"drive after {SHORT_HOLD_S:g} s, so nothing stays in place to be read with a ruler; "
            "use a DC-coupled output or an amplitude-modulated carrier, or a camera and "
            "--kind characterisation"
        )
