"""Search for the clock: every lag of the pattern behind the first frame, all at once.

For every possible lag (and a coarse grid of drifts) the spot is fitted by a linear mixture of the
two drives and a constant; correlation by Fourier transforms makes that one pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.measure.drive_columns import DriveColumns
from hysteresis.measure.running import running_median
from hysteresis.tables import Floats

LEAST_OVERLAP_S = 3.0
WIDEST_DRIFT = 3e-3
"""Largest drift that is looked for: frame times counted at 30 instead of 29.97 Hz are 1e-3 off."""
_SEARCH_STEP_S = 1.0 / 30.0
_SMEAR_S = 0.1  # largest misplacement at the ends of the log between two drifts of the search


@dataclass(frozen=True)
class Track:
    """Frames to find a clock from: `t_s` (n,) rising on the camera's clock, `spot_mm` (n, 2).

    `v_px` (n,) is the row of each, None where it is not to be looked at.
    """

    t_s: Floats
    spot_mm: Floats
    exposure_s: float
    v_px: Floats | None = None


def search(track: Track, drive: DriveColumns, keep: int = 4) -> list[tuple[float, float, float]]:
    """Best (explained fraction, offset, drift), best first, at most `keep`, half a second apart.

    All frames count at every lag, with the drive at rest outside the pattern: a short overlap
    that happens to fit explains little of the whole and does not win.
    """
    frame_s = float(np.median(np.diff(track.t_s)))
    step = max(_SEARCH_STEP_S, frame_s)
    despiked = running_median(track.spot_mm, 5)
    span = float(track.t_s[-1] - track.t_s[0])
    count = int(np.ceil(WIDEST_DRIFT * min(span, float(drive.t_s[-1])) / (2 * _SMEAR_S)))
    candidates: list[tuple[float, float, float]] = []
    for drift in WIDEST_DRIFT * np.linspace(-1, 1, 2 * count + 1):
        scaled = track.t_s / (1.0 + drift)
        score, lag_s = _scores(scaled, despiked, track.exposure_s, drive, step)
        for _ in range(keep):
            best = int(np.argmax(score))
            offset = (scaled[0] + lag_s[best]) * (1.0 + drift)
            candidates.append((float(score[best]), float(offset), float(drift)))
            score[np.abs(lag_s - lag_s[best]) < 0.5] = -np.inf
    chosen: list[tuple[float, float, float]] = []
    for explained, offset, drift in sorted(candidates, reverse=True):
        if all(abs(offset - other) > 0.5 for _, other, _ in chosen):
            chosen.append((explained, offset, drift))
        if len(chosen) == keep:
            break
    return chosen


def _scores(
    t_s: Floats, spot_mm: Floats, exposure_s: float, drive: DriveColumns, step_s: float
) -> tuple[Floats, Floats]:
    """Explained fraction of variance at every lag of the pattern's start behind the first frame.

    Sums over frames of products with the drive at lag L are correlations: one Fourier transform
    each. Behind them stands an ordinary least-squares fit of the spot to two drives and a
    constant, solved for all lags together.
    """
    cell = np.round((t_s - t_s[0]) / step_s).astype(int)
    frames = int(cell[-1]) + 1
    cells = np.arange(np.ceil(drive.t_s[-1] / step_s).astype(int) + 1) * step_s
    d = drive.averaged(cells, exposure_s)[:, :2]
    d = d - d[-1]
    size = _fast_length(frames + len(cells))
    spot = spot_mm - spot_mm.mean(axis=0)
    hits = np.bincount(cell, minlength=frames).astype(np.float64)
    sums = [np.bincount(cell, weights=spot[:, k], minlength=frames) for k in range(2)]

    def transformed(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return np.fft.rfft(values, size)

    d_x, d_y = (transformed(column).conj() for column in d.T)

    def correlated(frame_side: npt.NDArray[Any], drive_side: npt.NDArray[Any]) -> Floats:
        return np.asarray(np.fft.irfft(frame_side * drive_side, size))

    mask, (s_x, s_y) = transformed(hits), (transformed(s) for s in sums)
    n = len(t_s)
    m_x, m_y = correlated(mask, d_x), correlated(mask, d_y)
    a = correlated(mask, transformed(d[:, 0] ** 2).conj()) - m_x**2 / n
    b = correlated(mask, transformed(d[:, 0] * d[:, 1]).conj()) - m_x * m_y / n
    c = correlated(mask, transformed(d[:, 1] ** 2).conj()) - m_y**2 / n
    # a drive that hardly moves at some lag explains nothing there, whatever rounding says
    floor = 1e-6 * n
    a, c = a + floor, c + floor
    explained = np.zeros(size)
    for s in (s_x, s_y):
        p, q = correlated(s, d_x), correlated(s, d_y)
        explained += (c * p**2 - 2 * b * p * q + a * q**2) / (a * c - b**2)
    total = float((spot**2).sum())
    lag = np.arange(size)
    lag[lag >= frames] -= size  # negative lags: the pattern began before the first frame
    shared = np.minimum(frames, lag + len(cells)) - np.maximum(lag, 0)
    allowed = shared * step_s >= LEAST_OVERLAP_S
    score = np.where(allowed, explained / max(total, 1e-30), -np.inf)
    return score.astype(np.float64), (lag * step_s).astype(np.float64)


def _fast_length(least: int) -> int:
    """Smallest 2^a 3^b 5^c of at least `least`: lengths that a Fourier transform likes."""
    best = 1 << (least - 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            two = three << max(-(-least // three) - 1, 0).bit_length()
            best = min(best, two)
            three *= 3
        five *= 5
    return best
