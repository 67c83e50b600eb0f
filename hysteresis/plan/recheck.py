"""The recheck: in 30 seconds, is the model of this rig still right?

Conditioning, then three returns to zero from excursions of different size and sign, held 2 s,
each read early and late in its watch, and the first one once more. Enough to test a model, not
to fit one.
"""

from __future__ import annotations

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import LimitError
from hysteresis.plan.assemble import Axes, driven, join, with_rests
from hysteresis.plan.segments import (
    Block,
    conditioning,
    duration_s,
    ladder_cell,
    repeated,
)
from hysteresis.plan.sync import sync_signature
from hysteresis.tables import Pattern

LONGEST_S = 30.0
_EXCURSIONS = np.array([(0.9, -0.6), (-0.6, 0.3), (0.35, 0.9)])
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
