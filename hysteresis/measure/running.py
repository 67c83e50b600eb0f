"""Running statistics over frames in the order of time."""

from __future__ import annotations

import numpy as np

from hysteresis.tables import Floats


def running_median(values: Floats, window: int) -> Floats:
    """Running median of each column (n, k) over `window` (odd) rows; the ends are repeated.

    What lasts less than half the window goes; an edge between two levels stays where it is.
    """
    return np.asarray(np.median(_windows(values, window // 2), axis=-1))


def span_within(place_mm: Floats, reach: int) -> Floats:
    """How far the places (n, 2) range within `reach` rows on either side of each; (n,), mm."""
    windows = _windows(place_mm, reach)
    return np.asarray(np.linalg.norm(windows.max(axis=-1) - windows.min(axis=-1), axis=1))


def _windows(values: Floats, half: int) -> Floats:
    padded = np.pad(values, ((half, half), (0, 0)), mode="edge")
    return np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1, axis=0)
