"""Numbered readings in a pattern: when they are taken, and how long there is to take them."""

from __future__ import annotations

import numpy as np

from hysteresis.tables import Ints, Pattern

READ_S = 5.0
"""The last seconds of a hold, in which the spot is read."""


def reading_moments(pattern: Pattern) -> tuple[list[str], Ints]:
    """Name and vertex of each reading: the end of the hold `reading/NNN`."""
    last: dict[str, int] = {}
    for k, name in enumerate(pattern.segment[:-1]):
        if name.startswith("reading/") and name.count("/") == 1:
            last[name] = k + 1
    return list(last), np.array([*last.values()], np.int64)
