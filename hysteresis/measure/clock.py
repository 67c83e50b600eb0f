"""The camera's clock against the pattern's: offset and drift, found from the spot itself.

**Sign.** ``t_camera = offset + (1 + drift) · t_pattern``: `offset_s` is what the camera's clock
shows when the pattern starts, and a camera with positive drift runs fast.

Three steps. *Search*: for every possible lag (and a coarse grid of drifts) the spot is fitted by a
linear mixture of the two drives and a constant, all lags at once by correlation; the lag that
explains most of the spot's motion wins. The sync signature settles it where it was filmed; where
it was not, the rest of the pattern does. *Approach*: Gauss-Newton on offset and drift with the
mixture projected out at every step (variable projection: Golub & Pereyra 1973, with Kaufman's
shorter derivative, from memory) and robust weights. *Refinement* (`clock_refine.py`): the same
with the rig's memory and both mirrors' resonances beside it, since a spot that lags for memory or
damping must not be taken for a clock that is late.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.errors import InputError
from hysteresis.measure import clock_refine
from hysteresis.measure.clock_mirror import fast_creep
from hysteresis.measure.clock_search import LEAST_OVERLAP_S, WIDEST_DRIFT, Track, search
from hysteresis.measure.drive_columns import DriveColumns
from hysteresis.measure.running import running_median
from hysteresis.tables import Floats

__all__ = [
    "LEAST_FRAMES", "LEAST_OVERLAP_S", "LEAST_SCORE", "WIDEST_DRIFT", "Clock", "Track",
    "find_clock", "robust_mixture", "score_at", "search", "stray_stretches",
]  # fmt: skip

LEAST_SCORE = 0.8
"""Explained fraction of the spot's variance below which a log does not follow its pattern."""
LEAST_FRAMES = 60
CREEP_DOUBT, LAG_DOUBT, LEAST_DOUBT_S = 0.2, 0.08, 2e-5
"""Standard uncertainty of the rig's own lag, beside what the scatter of frames leaves: so much of
the lag that unseen creep is given, so much of the mirrors', and at least so much (virtual bench:
`experiments.camera_clock` prints the errors that are left)."""
ROWS_DOUBT_S = 3e-4
"""Standard uncertainty of the read-out over all rows the spot covers: a memory that is not the same
on both sides passes for one (virtual bench, whose rows are read at once: up to 0.5 ms)."""
CLEAR_READOUT = 3.0
"""A read-out of rows counts when it is so many times its standard uncertainty."""
_RIDGE = 1e-6


@dataclass(frozen=True)
class Clock:
    """The camera's clock, with standard uncertainties `u_*`.

    `score` is the fraction of the spot's variance that the drive explains at this clock.
    A constant latency of the rig itself is part of `offset_s`. `readout_s_per_px` is by how much
    later a row is read than the one above it, `middle_px` the row whose time the stamps are.
    `mirrors` are the resonances (Hz) and damping ratios that were found on the way, None when the
    clock was not refined; `lag_s` the lag of both mirrors and of creep that was told from the
    clock, `take` which playing of the pattern it is of how many, `evidence` what decided, in words.
    """

    offset_s: float
    drift: float
    u_offset_s: float
    u_drift: float
    score: float
    readout_s_per_px: float = 0.0
    u_readout_s_per_px: float = float("nan")
    middle_px: float = 0.0
    mirrors: tuple[tuple[float, float], ...] | None = None
    lag_s: float = 0.0
    take: tuple[int, int] = (1, 1)
    evidence: tuple[str, ...] = ()

    def to_pattern(self, t_camera_s: Floats, v_px: Floats | None = None) -> Floats:
        """Times on the pattern's clock; with the rows `v_px`, when each was read."""
        late = 0.0 if v_px is None else self.readout_s_per_px * (v_px - self.middle_px)
        return (t_camera_s + late - self.offset_s) / (1.0 + self.drift)

    def to_camera(self, t_pattern_s: Floats) -> Floats:
        """Times on the camera's clock."""
        return self.offset_s + (1.0 + self.drift) * t_pattern_s


def find_clock(
    track: Track, drive: DriveColumns, memory: DriveColumns, take: int | None = None
) -> Clock:
    """Find the clock of a log that follows the pattern; see `Clock.score` for how well it does.

    `drive` holds the two plain columns of the pattern, `memory` the same with memory columns whose
    relaxation times are `clock_mirror.CREEP_S`. `take` chooses among several playings (from 1);
    None: the last whole one, or the one that is covered best. Raises InputError when there is no
    such take.
    """
    found = [
        (score_at(track, drive, offset, drift), offset, drift)
        for offset, drift in _approached(track, drive)
    ]
    (score, offset, drift), which = _chosen_take(track, drive, found, take)
    if score < LEAST_SCORE - 0.2:  # nothing to refine
        return Clock(offset, drift, float("inf"), float("inf"), score)
    offset, drift, _, _ = _refine(track, drive, offset, drift, _LAST)
    return _refined(track, drive, memory, offset, drift, which)


def _approached(track: Track, drive: DriveColumns) -> list[tuple[float, float]]:
    """Offset and drift of what the search found, each brought near its best."""
    starts = search(track, drive)
    one = float(track.t_s[-1] - track.t_s[0]) < 1.2 * float(drive.t_s[-1])
    if one and len(starts) > 1 and starts[0][0] > starts[1][0] + _CLEAR_LEAD:
        starts = starts[:1]
    found = []
    for _, offset, drift in starts:
        offset, drift = _refine(track, drive, offset, drift, _NEARING)[:2]
        found.append((offset, drift))
    return found


def _chosen_take(
    track: Track, drive: DriveColumns, found: list[tuple[float, float, float]], take: int | None
) -> tuple[tuple[float, float, float], tuple[int, int]]:
    """The playing of the pattern to use, and its number of how many."""
    length = float(drive.t_s[-1])
    takes: list[tuple[float, float, float]] = []
    for one in sorted(found, reverse=True):
        clear = all(abs(one[1] - other[1]) > 0.9 * length for other in takes)
        if one[0] >= LEAST_SCORE and clear and covered(track, drive, one[1], one[2]) > 0.05:
            takes.append(one)
    takes.sort(key=lambda one: one[1])
    if take is not None and not 1 <= take <= max(len(takes), 1):
        raise InputError(
            "the log does not hold so many takes of the pattern",
            value=take,
            mend=f"choose one from 1 to {max(len(takes), 1)}, or leave it out",
        )
    if not takes:
        return max(found), (1, 1)
    if take is None:
        part = [covered(track, drive, offset, drift) for _, offset, drift in takes]
        whole = [k for k, share in enumerate(part) if share > max(part) - 0.02]
        take = whole[-1] + 1
    return takes[take - 1], (take, len(takes))


def covered(track: Track, drive: DriveColumns, offset: float, drift: float) -> float:
    """Part of the pattern's seconds in which there is a frame."""
    t = (track.t_s - offset) / (1.0 + drift)
    seconds = np.unique(np.floor(t[(t >= 0.0) & (t < drive.t_s[-1])]))
    return len(seconds) / max(float(np.ceil(drive.t_s[-1])), 1.0)


def _refined(
    track: Track,
    drive: DriveColumns,
    memory: DriveColumns,
    offset: float,
    drift: float,
    which: tuple[int, int],
) -> Clock:
    """Offset, drift and read-out with memory and mirrors beside them."""
    rows = np.zeros(len(track.t_s)) if track.v_px is None else track.v_px
    middle = float(np.median(rows))
    film = clock_refine.Film(track.t_s, track.spot_mm, rows - middle, track.exposure_s)
    guess = clock_refine.start(offset, drift)
    film = clock_refine.telling(film, memory, guess)
    best = clock_refine.search_mirrors(film, memory, guess)
    readout, u_readout = 0.0, float("nan")
    if track.v_px is not None and np.ptp(film.row_px) > 10.0:
        other = clock_refine.with_readout(film, memory, best)
        low, high = np.percentile(film.row_px, [1.0, 99.0])
        doubt = ROWS_DOUBT_S / max(float(high - low), 1.0)
        u_readout = float(np.hypot(np.sqrt(other.covariance[2, 2]), doubt))
        if (
            abs(other.guess.readout_s_per_px) > CLEAR_READOUT * u_readout
            and other.cost < best.cost - CLEAR_READOUT**2
        ):
            best, readout = other, other.guess.readout_s_per_px
    x, y = best.guess.mirrors
    creep_s = fast_creep(best.mixture)
    lag_s = (x.lag_s + y.lag_s) / 2.0
    doubt_s = float(np.linalg.norm([CREEP_DOUBT * creep_s, LAG_DOUBT * lag_s, LEAST_DOUBT_S]))
    span = min(float(track.t_s[-1] - track.t_s[0]), float(drive.t_s[-1]))
    return Clock(
        offset_s=best.guess.offset_s,
        drift=best.guess.drift,
        u_offset_s=float(np.hypot(np.sqrt(best.covariance[0, 0]), doubt_s)),
        u_drift=float(np.hypot(np.sqrt(best.covariance[1, 1]), doubt_s / span)),
        score=score_at(track, drive, best.guess.offset_s, best.guess.drift),
        readout_s_per_px=readout,
        u_readout_s_per_px=u_readout,
        middle_px=middle,
        mirrors=tuple((m.w / (2.0 * np.pi), m.z) for m in (x, y)),
        lag_s=lag_s + creep_s,
        take=which,
        evidence=(
            f"motion: {len(film.t_s)} frames, mirrors at {x.w / 2 / np.pi:.3g} and "
            f"{y.w / 2 / np.pi:.3g} Hz, lag of mirrors and quick creep "
            f"{1e3 * (lag_s + creep_s):.2f} ms",
            *_rows_told(readout, u_readout),
        ),
    )


def _rows_told(readout: float, u_readout: float) -> tuple[str, ...]:
    """What is known of the rows' read-out, in words."""
    if not np.isfinite(u_readout):
        return ()
    said = f"{1e6 * readout:.3g} ± {1e6 * u_readout:.2g} µs per row"
    if readout == 0.0:
        said = f"not seen, at most {2e6 * u_readout:.2g} µs per row"
    return (f"rows: {said}",)


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
