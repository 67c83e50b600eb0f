"""Does a number of the model go with the temperature of the room?

A straight line through the rechecks that noted it, by least squares, with Student's t interval of
its slope (textbook; scipy's `linregress` gives the same, see tests). Several figures are looked at,
so one is told only where it stands Holm's step-down test of all of them at 5 % (Scandinavian
Journal of Statistics 6 (1979) 65, from memory); the intervals are those of each alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from hysteresis.recheck.results import TemperatureEffect

LEAST = 5  # rechecks with a temperature
LEAST_SPAN_K = 1.0  # between the coolest and the warmest (common practice, no source)
SHARE = 0.95


def temperature_effect(
    name: str, unit: str, temperature_c: npt.ArrayLike, values: npt.ArrayLike
) -> TemperatureEffect | None:
    """The line's slope with its interval; None for too few rechecks, or all at one temperature."""
    from scipy import stats

    t, y = np.asarray(temperature_c, np.float64), np.asarray(values, np.float64)
    use = np.isfinite(t) & np.isfinite(y)
    t, y = t[use], y[use]
    if len(t) < LEAST or len(np.unique(t)) < 3 or np.ptp(t) < LEAST_SPAN_K:
        return None
    found = stats.linregress(t, y)
    half = float(stats.t.isf((1.0 - SHARE) / 2.0, len(t) - 2) * found.stderr)
    slope = float(found.slope)
    low, high = slope - half, slope + half
    return TemperatureEffect(
        name, unit, slope, low, high, len(t), float(np.ptp(t)), float(found.pvalue),
        bool(low > 0.0 or high < 0.0),
    )  # fmt: skip


def told_together(effects: Sequence[TemperatureEffect]) -> tuple[TemperatureEffect, ...]:
    """The same effects, each told only if it stands Holm's test among all of them."""
    order = sorted(range(len(effects)), key=lambda k: effects[k].p_value)
    stands, told = True, [False] * len(effects)
    for place, k in enumerate(order):
        stands = stands and effects[k].p_value <= (1.0 - SHARE) / (len(effects) - place)
        told[k] = stands
    return tuple(replace(e, told=t) for e, t in zip(effects, told, strict=True))
