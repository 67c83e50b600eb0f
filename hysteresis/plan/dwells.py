"""How long to hold and how long to watch: rules that several patterns share."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from hysteresis.bench import Bench


def watch_s(dwell_s: float) -> float:
    """Time to watch the recovery after a dwell: about as long, within 2 … 20 s."""
    return float(np.clip(1.5 + 0.7 * dwell_s, 2.0, 20.0))


def dwells_that_hold(bench: Bench, dwells_s: Sequence[float]) -> tuple[float, ...]:
    """The dwells during which the output still drives the coil.

    An AC-coupled output droops as exp(−t/τ), τ = 1/(2π corner): after ten τ nothing is held any
    more, and a longer hold would only cost time. Dwells of up to 3 s always stay.
    """
    if bench.drive.coupling == "dc" or bench.drive.corner_hz is None:
        return tuple(dwells_s)
    longest = max(3.0, 10.0 / (2.0 * math.pi * bench.drive.corner_hz))
    return tuple(d for d in dwells_s if d <= longest)
