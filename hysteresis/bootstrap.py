"""Intervals of path figures by drawing whole blocks of a path again and again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.path_error import PathError
from hysteresis.tables import Floats, Ints

COVERAGE = (2.5, 97.5)
_BINS_PER_E_FOLD = 150


@dataclass(frozen=True)
class Estimate:
    """A figure and its 95 % interval; `low` and `high` are NaN where there is none."""

    value: float
    low: float = float("nan")
    high: float = float("nan")

    @property
    def has_interval(self) -> bool:
        """Whether an interval is known."""
        return bool(np.isfinite(self.low) and np.isfinite(self.high))


def estimate(value: float, drawn: Floats | None) -> Estimate:
    if drawn is None or not np.isfinite(drawn).any():
        return Estimate(value)
    low, high = np.percentile(drawn[np.isfinite(drawn)], COVERAGE)
    return Estimate(value, float(low), float(high))


@dataclass(frozen=True)
class _Sums:
    """Per block: what every figure needs. Arrays (blocks,), `histogram` (blocks, bins)."""

    weight: Floats
    square: Floats
    x: Floats
    y: Floats
    outside: Floats
    histogram: Floats


def _sums(
    error: PathError, block: Ints, count: int, edges: Floats, tolerance_mm: float | None
) -> _Sums:
    w, distance = error.weight_s, error.distance_mm
    bins = np.clip(np.searchsorted(edges, distance), 0, len(edges) - 1)
    far = distance > (np.inf if tolerance_mm is None else tolerance_mm)

    def per_block(values: Floats) -> Floats:
        return np.bincount(block, values, minlength=count).astype(float)

    flat = np.bincount(block * len(edges) + bins, w, minlength=count * len(edges)).astype(float)
    return _Sums(
        weight=per_block(w),
        square=per_block(w * distance**2),
        x=per_block(w * error.dx_mm),
        y=per_block(w * error.dy_mm),
        outside=per_block(w * far),
        histogram=flat.reshape(count, len(edges)),
    )


def drawn_figures(
    error: PathError, block: Ints, count: int, draws: Floats, tolerance_mm: float | None
) -> dict[str, Floats]:
    """Every figure of a path error for every draw.

    `block` (n,) is the block of each piece, `draws` (d, count) how often each block was drawn.
    Quantiles come from histograms on a logarithmic grid, 0.7 % wide.
    """
    largest = max(float(error.distance_mm.max()), 1e-9)
    edges = largest * np.exp(-np.arange(1200, -1, -1) / _BINS_PER_E_FOLD)
    sums = _sums(error, block, count, edges, tolerance_mm)
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = draws @ sums.weight
        x, y = draws @ sums.x / weight, draws @ sums.y / weight
        passed = np.cumsum(draws @ sums.histogram, axis=1)
        place = np.argmax(passed >= 0.95 * passed[:, -1:], axis=1)
        return {
            "rms": np.sqrt(draws @ sums.square / weight),
            "q95": edges[place],
            "bias": np.hypot(x, y),
            "bias_x": x,
            "bias_y": y,
            "outside": 100.0 * (draws @ sums.outside) / weight,
        }
