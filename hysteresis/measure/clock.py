"""The camera's clock against the pattern's: offset and drift, found from the spot itself.

**Sign.** ``t_camera = offset + (1 + drift) · t_pattern``: `offset_s` is what the camera's clock
shows when the pattern starts, and a camera with positive drift runs fast.

Two steps. *Search*: for every possible lag (and a coarse grid of drifts) the spot is fitted by a
linear mixture of the two drives and a constant, all lags at once by correlation; the lag that
explains most of the spot's motion wins. The sync signature settles it where it was filmed; where
it was not, the rest of the pattern does. *Refinement*: Gauss-Newton on offset and drift with the
mixture projected out at every step (variable projection: Golub & Pereyra 1973, with Kaufman's
shorter derivative, from memory), robust weights, and columns for the rig's memory, since a
spot that lags for memory must not be taken for a clock that is late.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.measure.drive_columns import DriveColumns
from hysteresis.measure.running import running_median
from hysteresis.tables import Floats

LEAST_SCORE = 0.8
"""Explained fraction of the spot's variance below which a log does not follow its pattern."""
LEAST_FRAMES = 60
LEAST_OVERLAP_S = 3.0
LAG_S = 1e-3
"""Standard uncertainty for a lag that belongs to the rig and not to the clock (virtual bench,
four kinds of memory, 16 units: 0.7 to 1.8 ms; a metal flexure: below 0.1 ms)."""
WIDEST_DRIFT = 3e-3
"""Largest drift that is looked for: frame times counted at 30 instead of 29.97 Hz are 1e-3 off."""
_SEARCH_STEP_S = 1.0 / 30.0
_SMEAR_S = 0.1  # largest misplacement at the ends of the log between two drifts of the search
_RIDGE = 1e-6


@dataclass(frozen=True)
class Clock:
    """The camera's clock, with standard uncertainties `u_*`.

    `score` is the fraction of the spot's variance that the drive explains at this clock.
    A constant latency of the rig itself is part of `offset_s`, and creep within milliseconds
    looks just like one: `u_*` hold, beside the scatter of the frames, `LAG_S` for it.
    """

    offset_s: float
    drift: float
    u_offset_s: float
    u_drift: float
    score: float

    def to_pattern(self, t_camera_s: Floats) -> Floats:
        """Times on the pattern's clock."""
        return (t_camera_s - self.offset_s) / (1.0 + self.drift)

    def to_camera(self, t_pattern_s: Floats) -> Floats:
        """Times on the camera's clock."""
        return self.offset_s + (1.0 + self.drift) * t_pattern_s


@dataclass(frozen=True)
class Track:
    """Frames to find a clock from: `t_s` (n,) rising on the camera's clock, `spot_mm` (n, 2)."""

    t_s: Floats
    spot_mm: Floats
    exposure_s: float


def find_clock(track: Track, drive: DriveColumns, memory: DriveColumns) -> Clock:
    """Find the clock of a log that follows the pattern; see `Clock.score` for how well it does.

    `drive` holds the two plain columns of the pattern, `memory` the same with memory columns.
    """
    starts = search(track, drive)
    if len(starts) > 1 and starts[0][0] > starts[1][0] + _CLEAR_LEAD:
        starts = starts[:1]
    found = []
    for _, offset, drift in starts:
        offset, drift = _refine(track, drive, offset, drift, _NEARING)[:2]
        found.append((score_at(track, drive, offset, drift), offset, drift))
    score, offset, drift = max(found)
    if score < LEAST_SCORE - 0.2:  # nothing to refine
        return Clock(offset, drift, float("inf"), float("inf"), score)
    offset, drift, _, _ = _refine(track, drive, offset, drift, _LAST)
    offset, drift, u_offset, u_drift = _refine(track, memory, offset, drift, _LAST)
    covered = min(float(track.t_s[-1] - track.t_s[0]), float(drive.t_s[-1]))
    return Clock(
        offset_s=offset,
        drift=drift,
        u_offset_s=float(np.hypot(u_offset, LAG_S)),
        u_drift=float(np.hypot(u_drift, LAG_S / covered)),
        score=score_at(track, drive, offset, drift),
    )


# ---- search ------------------------------------------------------------------------------------


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


# ---- refinement --------------------------------------------------------------------------------

# Each pass: the exposure is widened by so much (s), since a wrong start must still see the move;
# moving frames may be off by so much in time (s); at most so many steps.
_NEARING = ((0.25, 0.1, 6), (0.08, 0.03, 6), (0.0, 0.01, 6))
_LAST = ((0.0, 0.01, 10), (0.0, 0.0005, 20))
_SETTLED_S = 1e-5
_BLOCK_S = 2.0
_CLEAR_LEAD = 0.05


def _refine(
    track: Track,
    columns: DriveColumns,
    offset: float,
    drift: float,
    passes: tuple[tuple[float, float, int], ...],
) -> tuple[float, float, float, float]:
    """Gauss-Newton on offset and drift; returns them with their standard uncertainties."""
    spread = np.full(2, np.nan)
    for widened, time_scale, most in passes:
        for _ in range(most):
            step, spread, settled = _step(track, columns, offset, drift, widened, time_scale)
            offset, drift = offset + step[0], drift + step[1]
            drift = float(np.clip(drift, -2 * WIDEST_DRIFT, 2 * WIDEST_DRIFT))
            if settled:
                break
    return float(offset), float(drift), float(spread[0]), float(spread[1])


def _step(
    track: Track, columns: DriveColumns, offset: float, drift: float, widened: float, scale: float
) -> tuple[Floats, Floats, bool]:
    """One step in (offset, drift), its standard uncertainties, and whether it was negligible."""
    rate = 1.0 + drift
    t = (track.t_s - offset) / rate
    near = (t > -0.5) & (t < columns.t_s[-1] + 0.5)
    if int(near.sum()) < LEAST_FRAMES:  # a hopeless start has run away: leave it to its score
        return np.zeros(2), np.full(2, np.inf), True
    t, spot = t[near], track.spot_mm[near]
    exposure = track.exposure_s + widened
    design = columns.averaged(t - widened / 2, exposure)
    slopes = columns.slopes(t - widened / 2, exposure)
    mixture, error, weight = robust_mixture(design, slopes, spot, scale)
    speed = slopes @ mixture[1:]
    # residual = spot - prediction(t); t falls by 1/rate per second of offset, t/rate per drift
    by_offset, by_drift = speed / rate, speed * (t / rate)[:, None]
    root = np.sqrt(weight)[:, None]
    basis = np.linalg.qr(root * _with_one(design))[0]
    free = []
    for slope in (by_offset, by_drift):
        scaled = root * slope
        free.append((scaled - basis @ (basis.T @ scaled)).ravel())
    jacobian = np.column_stack(free)
    normal = jacobian.T @ jacobian
    norm = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal / np.outer(norm, norm), rcond=1e-10) / np.outer(norm, norm)
    target = (root * error).ravel()
    step = -inverse @ (jacobian.T @ target)
    limit = max(widened, scale)
    step *= min(1.0, limit / max(float(np.max(np.abs(step[0] + step[1] * t))), 1e-300))
    # Errors within a second or two are alike (memory, ringing): sums over blocks, not frames.
    block = np.floor(t / _BLOCK_S).astype(int)
    block -= block.min()
    pulls = np.column_stack(
        [np.bincount(np.repeat(block, 2), weights=jacobian[:, k] * target) for k in range(2)]
    )
    spread = np.sqrt(np.diag(inverse @ (pulls.T @ pulls) @ inverse))
    reach = abs(step[0]) + abs(step[1]) * float(np.max(np.abs(t)))
    # a widened pass only has to bring the next one within reach
    return step, spread, reach < max(_SETTLED_S, widened / 40)


def _with_one(design: Floats) -> Floats:
    return np.column_stack([np.ones(len(design)), design])


def robust_mixture(
    design: Floats, slopes: Floats, spot_mm: Floats, time_scale_s: float
) -> tuple[Floats, Floats, Floats]:
    """Fit the spot by the columns with Huber weights; a moving frame may be off in time, too.

    Returns the mixture (1 + m, 2) with the constant first, the residuals (n, 2) in mm and the
    weights (n,) in 1/mm².
    """
    full = _with_one(design)
    size = np.maximum(np.sqrt((full**2).mean(axis=0)), 1e-9)
    scaled = full / size
    weight = np.ones(len(design))
    motion = np.zeros(len(design))
    mixture = np.zeros((full.shape[1], 2))
    for _ in range(8):
        root = np.sqrt(weight)[:, None]
        normal = (root * scaled).T @ (root * scaled)
        normal[np.diag_indices_from(normal)] += _RIDGE * weight.sum()
        mixture = np.linalg.solve(normal, (weight[:, None] * scaled).T @ spot_mm) / size[:, None]
        error = spot_mm - full @ mixture
        motion = np.linalg.norm(slopes @ mixture[1:], axis=1) * time_scale_s
        length = np.linalg.norm(error, axis=1)
        # median of the length of a round two-dimensional scatter of unit sigma: 1.1774
        still = max(float(np.median(length)) / 1.1774, 1e-6)
        variance = still**2 + motion**2
        weight = np.minimum(1.0, 2.5 * np.sqrt(variance) / np.maximum(length, 1e-12)) / variance
    return mixture, error, weight


def score_at(track: Track, drive: DriveColumns, offset: float, drift: float) -> float:
    """Fraction of the spot's variance inside the pattern that the two drives explain.

    Reflections of up to seven frames are smoothed away on both sides of the fraction; nothing
    else is left out, so that a log of another pattern cannot look good by having its misfits
    called outliers.
    """
    t = (track.t_s - offset) / (1.0 + drift)
    inside = (t >= 0.0) & (t + track.exposure_s <= drive.t_s[-1])
    if int(inside.sum()) < LEAST_FRAMES:
        return 0.0
    spot = track.spot_mm[inside]
    design = drive.averaged(t[inside], track.exposure_s)[:, :2]
    slopes = drive.slopes(t[inside], track.exposure_s)[:, :2]
    _, error, _ = robust_mixture(design, slopes, spot, _LAST[0][1])
    total = float((running_median(spot - np.median(spot, axis=0), 15) ** 2).sum())
    left = float((running_median(error, 15) ** 2).sum())
    return 1.0 - left / total if total > 0.0 else 0.0


def stray_stretches(t_s: Floats, spot_mm: Floats, error_mm: Floats) -> list[tuple[float, float]]:
    """Stretches (start, end in s) of `LEAST_OVERLAP_S` or more in which the spot goes its own way.

    There it is off the prediction by more than 0.4 of its own rms excursion, reflections aside:
    no memory does that, but a bumped camera, a stopped output or a changed pattern does.
    """
    rms = float(np.sqrt(((spot_mm - spot_mm.mean(axis=0)) ** 2).sum(axis=1).mean()))
    off = np.linalg.norm(running_median(error_mm, 15), axis=1) > 0.4 * rms
    edges = np.flatnonzero(np.diff(np.concatenate([[0], off.astype(int), [0]])))
    pairs = zip(edges[::2], edges[1::2], strict=True)
    spans = [(float(t_s[first]), float(t_s[behind - 1])) for first, behind in pairs]
    return [span for span in spans if span[1] - span[0] >= LEAST_OVERLAP_S]
