"""The verification: returns to zero that no fit has seen, to judge a model or a compensation by.

Excursions of 30, 60 and 90 % of full scale, held 1, 10 and 60 s, on both sides; the sizes, their
pairing and their order differ from those of a characterisation.
"""

from __future__ import annotations

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError, LimitError
from hysteresis.plan.assemble import Axes, driven, join, with_rests
from hysteresis.plan.dwells import dwells_that_hold, watch_s
from hysteresis.plan.segments import Block, conditioning, duration_s, ladder_cell
from hysteresis.plan.sync import sync_signature
from hysteresis.tables import Pattern

SIZES = (0.3, 0.6, 0.9)
DWELLS_S = (1.0, 10.0, 60.0)

# (dwell, size of x with its sign, size of y with its sign), by index: every dwell with every
# size on both axes, sizes of x and y always different, order and signs mixed.
_CELLS = (
    (1, 2, 1, -1, +1), (0, 0, 1, +1, +1), (2, 1, 0, +1, -1), (0, 2, 0, +1, -1), (1, 0, 2, -1, -1),
    (2, 2, 1, -1, +1), (0, 1, 2, -1, +1), (1, 1, 0, +1, +1), (2, 0, 2, +1, -1),
)  # fmt: skip


def verification(bench: Bench, axes: Axes = "both", *, minutes: float | None = None) -> Pattern:
    """Lay out a verification; with `minutes`, the longest dwells go until it fits.

    A bench whose `max_drive` is below 0.9 gets 1/3, 2/3 and all of it instead of 30, 60, 90 %.

    Raises
    ------
    InputError for a time of no use; LimitError if even the 1 s dwells do not fit.
    """
    if minutes is not None and not 0.5 <= minutes <= 20.0:
        raise InputError(
            "a verification takes 0.5 to 20 minutes", value=minutes, mend="ask for 6 minutes"
        )
    limits = bench.limits
    unit = min(1.0, limits.max_drive / SIZES[-1])
    dwells = dwells_that_hold(bench, DWELLS_S)
    while True:
        blocks: list[Block] = [
            sync_signature(min(0.25, 0.6 * limits.max_drive), limits),
            conditioning((limits.max_drive, limits.max_drive), limits),
        ]
        for dwell, size_x, size_y, sign_x, sign_y in _CELLS:
            if dwell < len(dwells):
                excursion = unit * np.array([sign_x * SIZES[size_x], sign_y * SIZES[size_y]])
                blocks.append(ladder_cell(excursion, dwells[dwell], watch_s(dwells[dwell]), limits))
        laid = with_rests(driven(blocks, axes), limits)
        length_s = sum(duration_s(block) for block in laid)
        if minutes is None or length_s <= 60.0 * minutes:
            return join(laid, bench)
        if len(dwells) == 1:
            raise LimitError(
                f"a verification within the limits of bench.toml takes at least "
                f"{length_s / 60.0:.1f} minutes, not {minutes:g}; give it more time"
            )
        dwells = dwells[:-1]
