"""The recheck: in 30 seconds, or by six readings, is the model of this rig still right?

Conditioning, then three returns to zero from excursions of different size and sign, held 2 s,
each read early and late in its watch, and the first one once more. Two of three go as far as the
others' largest: of the layouts tried, this one leaves the smallest standard errors of friction,
after-effect and spring on four fitted models (6 to 25 % less than smaller excursions, and less
than more and shorter holds). Enough to test a model, not
to fit one. The six readings are zero after conditioning, two excursions and the returns from
them, and the first return once more.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import LimitError
from hysteresis.plan.assemble import Axes, driven, join, with_rests
from hysteresis.plan.reading_steps import (
    EARLY_S,
    SHORT_HOLD_S,
    one_axis,
    read_hold,
    require_held,
)
from hysteresis.plan.segments import (
    ZERO,
    Block,
    conditioning,
    duration_s,
    hold,
    ladder_cell,
    move,
    repeated,
)
from hysteresis.plan.sync import sync_signature
from hysteresis.tables import Floats, Pattern

LONGEST_S = 30.0
_EXCURSIONS = np.array([(0.9, -0.9), (-0.9, 0.5), (0.45, 0.9)])
_DWELL_S = 2.0
# From the wanted to the least that still tells something: half cycles, watch (s).
_LAYOUTS = ((20, 2.4), (20, 1.8), (16, 1.8), (12, 1.5))


def _blocks(bench: Bench, half_cycles: int, watch_s: float) -> list[Block]:
    limits, top = bench.limits, bench.limits.max_drive
    cells = [
        ladder_cell(top * excursion, _DWELL_S, watch_s, limits, rest_s=0.3)
        for excursion in _EXCURSIONS
    ]
    return [
        sync_signature(min(0.25, 0.6 * top), limits),
        conditioning((top, top), limits, half_cycles=half_cycles),
        *cells,
        repeated(cells[0]),
    ]


def recheck(bench: Bench, axes: Axes = "both") -> Pattern:
    """Lay out the recheck, at most 30 s with sync signature and conditioning.

    Raises `LimitError` if the bench is too slow, or its coils are too easily heated, for that.
    """
    for half_cycles, watch_s in _LAYOUTS:
        blocks = with_rests(driven(_blocks(bench, half_cycles, watch_s), axes), bench.limits)
        length_s = sum(duration_s(block) for block in blocks)
        if length_s <= LONGEST_S:
            return join(blocks, bench)
    limits = bench.limits
    raise LimitError(
        f"a recheck that respects limits.slew_per_s = {limits.slew_per_s:g}, bandwidth_hz = "
        f"{limits.bandwidth_hz:g} and coil_rms = {limits.coil_rms:g} over "
        f"{limits.coil_window_s:g} s takes {length_s:.0f} s, not {LONGEST_S:g}; use a "
        "verification instead, or check these limits in bench.toml"
    )


def recheck_readings(bench: Bench, axes: Axes = "both") -> Pattern:
    """Lay out six readings for a person with a ruler, numbered like reading steps.

    Raises `LimitError` if the output does not hold a level for as long as a reading takes.
    """
    require_held(bench)
    limits, top = bench.limits, bench.limits.max_drive
    first, second = top * _EXCURSIONS[0], top * _EXCURSIONS[2] * (-2.0, 0.5)
    blocks = [
        conditioning((top, top), limits),
        read_hold(ZERO, SHORT_HOLD_S, 1),
        _out_and_back(bench, first, read_out=True),
        _out_and_back(bench, second, read_out=True),
        _out_and_back(bench, first, read_out=False),
    ]
    return join(with_rests(one_axis(blocks, axes), limits), bench)


def _out_and_back(bench: Bench, excursion: Floats, *, read_out: bool) -> Block:
    """To an excursion and back; a reading soon after the return, and one before it if wanted."""
    limits = bench.limits
    out = (
        read_hold(excursion, SHORT_HOLD_S, 1)
        if read_out
        else (hold(excursion, SHORT_HOLD_S, "reading", "hold"),)
    )
    back = move(excursion, ZERO, limits, "reading", "move")
    number = 2 if read_out else 1
    return (
        move(ZERO, excursion, limits, "reading", "move"),
        *out,
        replace(back, number=number),
        *read_hold(ZERO, EARLY_S, number),
    )
