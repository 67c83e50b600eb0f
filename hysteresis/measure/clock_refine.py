"""The last steps to the clock: offset, drift, read-out of rows and both resonances at once.

Gauss-Newton with the linear mixture of the columns projected out at every step (variable
projection: Golub & Pereyra 1973, with Kaufman's shorter derivative, from memory) and robust
weights. Weak priors keep a parameter that the frames do not show where it is, with the
uncertainty that it then has: a mirror whose ringing is not seen leaves the clock uncertain by its
possible lag, and the offset's uncertainty says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hysteresis.measure.clock_mirror import Mirror, MirrorColumns, rung
from hysteresis.measure.drive_columns import DriveColumns
from hysteresis.tables import Floats, Ints

NAMES = ("offset", "drift", "readout", "resonance x", "damping x", "resonance y", "damping y")
LIKELY_HZ, LIKELY_LN = 40.0, 1.5
"""Resonance of a small sprung mirror, and the standard deviation of its logarithm, when nothing is
known (common practice, no source)."""
LIKELY_DAMPING, DAMPING_SPREAD = 0.1, 0.3
DAMPING = (1e-3, 0.9)
RANGE_HZ = (1.0, 2000.0)
_LIMIT = (0.01, 1e-3, np.inf, 0.15, 0.05, 0.15, 0.05)  # largest single step of each parameter
_TIME_SCALE_S = 5e-4  # a moving frame may be off by so much in time, for its weight
_SETTLED_S = 5e-6
_BLOCK_S = 2.0  # errors within a second or two are alike (memory, ringing)
_RIDGE = 1e-6
_MOST, _RINGS_S = 4500, 0.4
_TAIL = 3.0  # degrees of freedom of Student's t, which errors follow: reflections lose their pull


@dataclass(frozen=True)
class Film:
    """Frames to refine a clock by: `t_s` (n,) of the camera's clock, `spot_mm` (n, 2), and how far
    down its row lies from the middle one, `row_px` (n,)."""

    t_s: Floats
    spot_mm: Floats
    row_px: Floats
    exposure_s: float


@dataclass(frozen=True)
class Guess:
    """What is sought: the clock of the row `row_px` = 0, s per row, and both mirrors."""

    offset_s: float
    drift: float
    readout_s_per_px: float
    mirrors: tuple[Mirror, Mirror]

    def start_s(self, film: Film) -> Floats:
        """Start of each frame's exposure at its own row, on the pattern's clock."""
        read = film.t_s - self.offset_s + self.readout_s_per_px * film.row_px
        return np.asarray(read / (1.0 + self.drift))

    def values(self) -> Floats:
        """The parameters in the order of `NAMES`; resonances as logarithms."""
        x, y = self.mirrors
        return np.array([self.offset_s, self.drift, self.readout_s_per_px,
                         np.log(x.w), x.z, np.log(y.w), y.z])  # fmt: skip


@dataclass(frozen=True)
class Refined:
    """The best guess, the covariance of its values, its cost and the mixture (1 + m, 2) behind it.

    `cost` is the robust sum of squares over the variance that all guesses share.
    """

    guess: Guess
    covariance: Floats
    cost: float
    mixture: Floats


def of_values(p: Floats) -> Guess:
    """The guess with these values."""
    mirrors = tuple(Mirror(float(np.exp(p[k])), float(np.clip(p[k + 1], *DAMPING))) for k in (3, 5))
    return Guess(float(p[0]), float(p[1]), float(p[2]), (mirrors[0], mirrors[1]))


def prior() -> tuple[Floats, Floats]:
    """Middle and information (1 / variance) of the weak priors; offset and drift have none."""
    middle = np.array([0.0, 0.0, 0.0, *(np.log(2 * np.pi * LIKELY_HZ), LIKELY_DAMPING) * 2])
    information = np.array([0.0, 0.0, 0.0, *(LIKELY_LN**-2, DAMPING_SPREAD**-2) * 2])
    return middle, information


def refine(
    film: Film, columns: DriveColumns, guess: Guess, free: tuple[bool, ...], most: int = 12
) -> Refined:
    """Gauss-Newton from a guess that is near; `free` (7,) says which values may move."""
    moving = np.flatnonzero(free)
    values = guess.values()
    span = max(float(np.ptp(film.row_px)), 1.0)
    limit = np.array(_LIMIT)
    limit[2] = 0.01 / span
    state = _state(film, columns, values)
    for _ in range(most):
        pull, normal, covariance = _equations(film, columns, state, moving)
        size = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
        step = np.zeros(len(values))
        step[moving] = -size * np.linalg.lstsq(normal * np.outer(size, size), size * pull, 1e-11)[0]
        step *= min(1.0, float(np.min(limit / np.maximum(np.abs(step), 1e-300))))
        part = 1.0
        while part > 0.1:
            tried = values + part * step
            tried[[4, 6]] = np.clip(tried[[4, 6]], *DAMPING)
            tried[[3, 5]] = np.clip(tried[[3, 5]], *np.log(2 * np.pi * np.array(RANGE_HZ)))
            after = _state(film, columns, tried, state)
            if after.cost < state.cost:
                break
            part *= 0.4
        else:
            break
        gained = state.cost - after.cost
        values, state = tried, after
        if gained < 0.02 or (abs(step[0]) < _SETTLED_S and np.all(np.abs(step[3:]) < 1e-3)):
            break
    covariance = _equations(film, columns, state, moving)[2]
    return Refined(state.guess, covariance, state.cost, state.mixture)


@dataclass(frozen=True)
class _State:
    guess: Guess
    t_s: Floats
    frames: Ints
    design: Floats
    slopes: Floats
    mixture: Floats
    error: Floats
    weight: Floats
    cost: float


def _state(
    film: Film, columns: DriveColumns, values: Floats, before: _State | None = None
) -> _State:
    """The fit of the linear mixture at these values."""
    now = of_values(values)
    t, spot, frames = near(film, now, columns)
    design, slopes = MirrorColumns(columns, now.mirrors).with_slopes(t, film.exposure_s)
    begin = before.weight if before is not None and len(before.frames) == len(t) else None
    mixture, error, weight, cost = weighted(design, slopes, spot, begin)
    middle, information = prior()
    # frames that leave the pattern leave no cost behind: the mean counts
    cost = cost * len(film.t_s) / max(len(t), 1) + float(information @ (values - middle) ** 2)
    return _State(now, t, frames, design, slopes, mixture, error, weight, cost)


def _equations(
    film: Film, columns: DriveColumns, state: _State, moving: Ints
) -> tuple[Floats, Floats, Floats]:
    """Gradient and normal matrix of the values that move, and the covariance of all (7, 7)."""
    middle, information = prior()
    away = state.guess.values() - middle
    jacobian = derivatives(film, columns, state.guess, state.t_s, state.frames, state.mixture,
                           state.design, state.slopes)[:, :, moving]  # fmt: skip
    root = np.sqrt(state.weight)
    n, _, p = jacobian.shape
    flat = (root[:, None, None] * jacobian).reshape(n, 2 * p)
    scaled = beside(root[:, None] * with_one(state.design), flat).reshape(n, 2, p)
    target = root[:, None] * state.error
    both = scaled.reshape(2 * n, p)
    normal = both.T @ both + np.diag(information[moving])
    pull = both.T @ target.ravel() + (information * away)[moving]
    block = np.floor(state.t_s / _BLOCK_S).astype(int)
    block -= block.min()
    each = (scaled * target[:, :, None]).sum(axis=1)
    pulls = np.column_stack([np.bincount(block, weights=column) for column in each.T])
    size = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal * np.outer(size, size), 1e-11) * np.outer(size, size)
    covariance = np.zeros((len(away), len(away)))
    middle_part = pulls.T @ pulls + np.diag(information[moving])
    covariance[np.ix_(moving, moving)] = inverse @ middle_part @ inverse
    return pull, normal, covariance


def telling(film: Film, columns: DriveColumns, guess: Guess) -> Film:
    """The frames that tell most, at most `_MOST`: two thirds within `_RINGS_S` after a move."""
    t = guess.start_s(film)
    way = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(columns.value[:, :2], axis=0)).sum(1))])
    moved = np.interp(t + film.exposure_s, columns.t_s, way) - np.interp(
        t - _RINGS_S, columns.t_s, way
    )
    chosen = []
    for which, most in ((moved > 1e-6, 2 * _MOST // 3), (moved <= 1e-6, _MOST // 3)):
        there = np.flatnonzero(which)
        # not every n-th: a step that repeats may walk at the same pace
        chosen.append(
            there[np.linspace(0, max(len(there) - 1, 0), min(most, len(there))).astype(int)]
        )
    keep = np.sort(np.concatenate(chosen))
    return Film(film.t_s[keep], film.spot_mm[keep], film.row_px[keep], film.exposure_s)


def near(film: Film, guess: Guess, columns: DriveColumns) -> tuple[Floats, Floats, Ints]:
    """Start times and spots of the frames in and about the pattern, and which ones these are."""
    t = guess.start_s(film)
    frames = np.flatnonzero((t > -0.5) & (t < columns.t_s[-1] + 0.5))
    return t[frames], film.spot_mm[frames], frames


def derivatives(
    film: Film, columns: DriveColumns, guess: Guess, t_s: Floats, frames: Ints,
    mixture: Floats, design: Floats, slopes: Floats,
) -> Floats:  # fmt: skip
    """Derivative of spot less prediction by each of the seven values; (n, 2, 7).

    By the times it is exact; by a mirror it is the difference of the drive's own column, two
    guesses a little apart. That its memories are later, too, is left out: a small part of a part.
    """
    rate = 1.0 + guess.drift
    speed = slopes @ mixture[1:]
    out = np.empty((len(t_s), 2, len(NAMES)))
    out[:, :, 0] = speed / rate
    out[:, :, 1] = speed * (t_s / rate)[:, None]
    out[:, :, 2] = -speed * (film.row_px[frames] / rate)[:, None]
    for axis, mirror in enumerate(guess.mirrors):
        here = design[:, axis]
        for k, (other, apart) in enumerate(
            (
                (replace(mirror, w=mirror.w * np.exp(1e-4)), 1e-4),
                (replace(mirror, z=mirror.z + 1e-5), 1e-5),
            )
        ):
            by = (rung(columns, axis, other, t_s, film.exposure_s)[0] - here) / apart
            out[:, :, 3 + 2 * axis + k] = -by[:, None] * mixture[1 + axis]
    return out


def beside(design: Floats, columns: Floats) -> Floats:
    """What the columns (n, p) hold that the design (n, m) does not: its least-squares residual.

    By the normal equations of unit columns: ten times quicker than an orthogonal basis, and good
    to 1e-10 for columns whose condition number stays below 1e3.
    """
    unit = design / np.maximum(np.sqrt((design**2).sum(axis=0)), 1e-300)
    normal = unit.T @ unit
    normal[np.diag_indices_from(normal)] += 1e-12
    return np.asarray(columns - unit @ np.linalg.solve(normal, unit.T @ columns))


def with_one(design: Floats) -> Floats:
    """The design with a column of ones before it."""
    return np.column_stack([np.ones(len(design)), design])


def weighted(
    design: Floats, slopes: Floats, spot_mm: Floats, begin: Floats | None = None
) -> tuple[Floats, Floats, Floats, float]:
    """Robust mixture (1 + m, 2), error (n, 2), weight (n,) in 1/mm², and the robust cost."""
    full = with_one(design)
    size = np.maximum(np.sqrt((full**2).mean(axis=0)), 1e-9)
    scaled = full / size
    weight = np.ones(len(design)) if begin is None else begin
    for _ in range(6 if begin is None else 3):
        normal = scaled.T @ (weight[:, None] * scaled)
        normal[np.diag_indices_from(normal)] += _RIDGE * weight.sum()
        mixture = np.linalg.solve(normal, (weight[:, None] * scaled).T @ spot_mm) / size[:, None]
        error = spot_mm - full @ mixture
        motion = np.linalg.norm(slopes @ mixture[1:], axis=1) * _TIME_SCALE_S
        length = np.linalg.norm(error, axis=1)
        still = max(float(np.median(length)) / 1.1774, 1e-6)
        variance = still**2 + motion**2
        squared = length**2 / variance
        weight = (_TAIL + 2.0) / (_TAIL + squared) / variance
    # minus twice the logarithm of the density: a wide scale is no good fit
    loss = (_TAIL + 2.0) * np.log1p(squared / _TAIL)
    cost = float((loss + 2.0 * np.log(variance)).sum())
    return mixture, error, weight, cost


# ---- where to start ----------------------------------------------------------------------------

SCANNED_HZ = np.geomspace(3.0, 150.0, 40)
_SCAN_DAMPING = (0.03, 0.2)
QUICK_HZ = 300.0
"""Resonance of a mirror whose ringing no frame shows: always tried, since noise has peaks, too."""
_GLANCE = 3  # steps after which another resonance must have done nearly as well
_HOPE = 20.0  # so much further down, in cost, a few steps more may lead


def scan(film: Film, columns: DriveColumns, guess: Guess) -> list[list[float]]:
    """Resonances (Hz) of each axis that may be, likeliest first, at most three of each.

    At every frequency the drive behind two dampings of it is added to the columns, beside the
    axis' own speed (a free clock); what it explains more of the error is its score.
    """
    t, spot, _ = near(film, guess, columns)
    design, slopes = MirrorColumns(columns, guess.mirrors).with_slopes(t, film.exposure_s)
    mixture, error, weight, _ = weighted(design, slopes, spot)
    plain = columns.only(slice(0, 2)).averaged(t, film.exposure_s)
    error = error + (design[:, :2] - plain) @ mixture[1:3]  # what a mirror that rings not leaves
    design[:, :2] = plain
    root = np.sqrt(weight)[:, None]
    found = []
    for axis in range(2):
        known = root * np.column_stack([with_one(design), slopes[:, axis]])
        answers = np.column_stack(
            [
                rung(columns, axis, Mirror(2 * np.pi * hz, z), t, film.exposure_s)[0]
                for hz in SCANNED_HZ
                for z in _SCAN_DAMPING
            ]
        )
        left = beside(known, root * (answers - plain[:, [axis]]))
        along = left.T @ (root * error)
        score = np.zeros(len(SCANNED_HZ))
        for k in range(len(SCANNED_HZ)):
            pair = slice(2 * k, 2 * k + 2)
            square = left[:, pair].T @ left[:, pair]
            score[k] = float((along[pair] * np.linalg.lstsq(square, along[pair], 1e-9)[0]).sum())
        padded = np.concatenate([[-1.0], score, [-1.0]])
        peak = np.flatnonzero((score >= padded[:-2]) & (score >= padded[2:]))
        peak = peak[np.argsort(-score[peak])]
        peak = peak[score[peak] > 0.5 * score[peak[0]]][:3]
        # an axis that is not driven explains nothing anywhere
        found.append([float(SCANNED_HZ[k]) for k in peak] or [LIKELY_HZ])
    return found


def start(offset_s: float, drift: float) -> Guess:
    """A guess with likely mirrors at a clock that is near."""
    mirror = Mirror(2 * np.pi * LIKELY_HZ, 0.05)
    return Guess(offset_s, drift, 0.0, (mirror, mirror))


def search_mirrors(film: Film, columns: DriveColumns, guess: Guess) -> Refined:
    """Refine the clock with both mirrors from each likely resonance; the best fit is kept."""
    places = scan(film, columns, guess)
    free = (True, True, False, True, True, True, True)
    first = [hz[0] for hz in places]
    best = refine(film, columns, _with(guess, first), free)
    others = [[QUICK_HZ, QUICK_HZ]]
    for axis in range(2):
        others += [[*first[:axis], hz, *first[axis + 1 :]] for hz in places[axis][1:]]
    for hz in others:
        tried = refine(film, columns, _with(guess, hz), free, _GLANCE)
        if tried.cost < best.cost + _HOPE:
            tried = refine(film, columns, tried.guess, free)
        if tried.cost < best.cost:
            best = tried
    return best


def _with(guess: Guess, hz: list[float]) -> Guess:
    x, y = (Mirror(2 * np.pi * f, 0.05) for f in hz)
    return replace(guess, mirrors=(x, y))


def with_readout(film: Film, columns: DriveColumns, found: Refined) -> Refined:
    """The same fit with the read-out of rows free as well."""
    return refine(film, columns, found.guess, (True,) * len(NAMES))
