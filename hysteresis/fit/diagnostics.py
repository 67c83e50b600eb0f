"""What the residuals say, in words: of what is left after a fit, which part has a cause.

Each reading asks whether measured minus model follows something known (drive, speed, creep after
moves and dwells, small fast reversals, the clock). It speaks only where
the answer is significant in the statistical sense, with whole seconds as the unit that scatters,
and large enough to matter beside the noise. The reading that explains most is taken out before
the next is asked, so that one cause is not told three times; what is left is tested for whiteness.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.recording import Grid, Observations
from hysteresis.tables import Bools, Floats, Ints, Texts

FALSE_ALARM = 0.05  # of all readings of both axes together (Bonferroni; textbook)
PRACTICAL = 0.5  # of the noise of one frame: less is not spoken of (common practice, no source)
BLOCK_S = 1.0  # residuals within this are taken to belong together
SCATTER_S = 0.3  # their sizes likewise: what shakes the mirror changes faster
CLIP = 20.0  # noise units; a wild frame does not speak for a cause
FAST_S, SLOW_S = (0.2, 2.0), (20.0, 200.0)  # retardation times that creep is looked for with
CLOCK_S = 0.02  # of the creep's own evaluation
REVERSALS, REVERSALS_S = 4, 2.0  # that many turns of the drive in that time, none larger than
SMALL_SWING = 0.5  # of full scale
LAGS = 8

TEXTS = {
    "drift": "the residual drifts over the run: warmth, a camera or a bench that moved",
    "level": "the residual follows the drive level: the spring's curve",
    "other": "the residual follows the other axis' drive: cross-coupling or the optics",
    "speed": "the residual follows the speed: damping or the camera's clock",
    "creep": "the residual fades within seconds of each move: the after-effect's fast branches",
    "dwell": "the residual grows with the dwell and fades over minutes: the after-effect needs "
    "slower branches",
    "reversals": "the residual sits in small fast reversals: friction wears off there, which the "
    "fitted friction does not",
    "colour": "what is left is not noise, neighbouring frames share it: something else that the "
    "model lacks",
}


@dataclass(frozen=True)
class Finding:
    """One thing that the residuals say.

    `kind` is a key of `TEXTS`, `axis` 'x' or 'y'; `size_mm` the rms of the effect where it acts,
    `noise_mm` the noise of one frame beside it; `where` the kinds of segment in which it is
    largest, at most three; `chance` the probability of as much by chance, before allowing for
    how many questions were asked.
    """

    kind: str
    axis: str
    size_mm: float
    noise_mm: float
    where: str
    chance: float

    @property
    def text(self) -> str:
        """The finding as a sentence."""
        return (
            f"axis {self.axis}: {TEXTS[self.kind]} "
            f"({self.size_mm:.2g} mm, noise {self.noise_mm:.2g} mm, most in {self.where})"
        )


@dataclass(frozen=True)
class _Rows:
    """Rows of one axis: residual in units of its noise, and what it might follow."""

    z: Floats
    sigma: Floats
    t_s: Floats
    kind: Texts
    group: Texts
    block: Ints
    short_block: Ints
    own: Floats
    other: Floats
    rate: Floats
    fast: Floats
    slow: Floats
    busy: Bools


@dataclass(frozen=True)
class _Effect:
    fitted: Floats
    acts: Bools
    chance: float


def diagnose(
    seen: Observations,
    residual_x_mm: Floats,
    residual_y_mm: Floats,
    grid: Grid,
    *,
    false_alarm: float = FALSE_ALARM,
) -> tuple[Finding, ...]:
    """Findings of both axes, those with a cause first, largest first; none for noise.

    `residual_*_mm` (f,) is measured minus model (NaN: not measured) for the rows of `seen`;
    `grid` holds the drives that were played.
    """
    axes = [
        (axis, _rows(seen, residual, sigma, grid, axis))
        for axis, residual, sigma in (
            ("x", residual_x_mm, seen.sigma_x_mm), ("y", residual_y_mm, seen.sigma_y_mm),
        )
        if np.isfinite(residual).sum() >= 12
    ]  # fmt: skip
    out: list[Finding] = []
    for axis, rows in axes:
        out += _of_axis(axis, rows, false_alarm / max(len(axes), 1))
    return tuple(sorted(out, key=lambda f: (f.kind == "colour", -f.size_mm)))


def _of_axis(axis: str, rows: _Rows, level: float) -> list[Finding]:
    noise = float(np.median(rows.sigma))
    out: list[Finding] = []
    z = np.clip(rows.z, -CLIP, CLIP)
    names = ["drift", "level", "other", "speed", "creep", "dwell", "reversals"]
    each = 0.5 * level / len(names)
    while names:
        told = {name: _asked(name, rows, z) for name in names}
        best, gain = "", 0.0
        for name, effect in told.items():
            if effect is None or effect.chance > each:
                continue
            size = _rms(effect.fitted[effect.acts] * rows.sigma[effect.acts])
            worth = float(np.sum(effect.fitted**2))
            if size >= PRACTICAL * noise and worth > gain:
                best, gain = name, worth
        if not best:
            break
        effect = told[best]
        assert effect is not None
        out.append(_finding(best, axis, effect.fitted, effect.acts, rows, noise, effect.chance))
        names.remove(best)
        # reversals tell of a scatter, not of a shift: those rows are left out of what follows
        z = np.where(rows.busy, 0.0, z) if best == "reversals" else z - effect.fitted
    out += _colours(axis, rows, z, noise, 0.5 * level)
    return out


def _finding(
    kind: str, axis: str, fitted: Floats, acts: Bools, rows: _Rows, noise: float, chance: float
) -> Finding:
    mm = fitted * rows.sigma
    sizes = {k: _rms(mm[acts & (rows.kind == k)]) for k in dict.fromkeys(rows.kind[acts])}
    largest = sorted(sizes, key=lambda k: -sizes[k])
    where = ", ".join(k for k in largest[:3] if sizes[k] > 0.5 * sizes[largest[0]])
    return Finding(kind, axis, _rms(mm[acts]), noise, where, chance)


# ---- what a residual might follow --------------------------------------------------------------


def _asked(name: str, rows: _Rows, z: Floats) -> _Effect | None:
    """The part of z that follows one thing, where that acts, and the chance of as much."""
    one = 1.0 / rows.sigma
    everywhere = np.ones(len(z), dtype=bool)
    if name == "reversals":
        return _scatter(rows, z)
    if name == "drift":
        return _follows(z, [rows.t_s * one], [one], rows.block, everywhere)
    if name == "level":
        u = rows.own
        return _follows(z, [u * one, u**2 * one, u**3 * one], [one], rows.block, everywhere)
    if name == "other":
        v = rows.other
        return _follows(z, [v * one, v**2 * one, v * rows.own * one], [one], rows.block, everywhere)
    if name == "speed":
        fast = np.abs(rows.rate) > 0.1 * np.abs(rows.rate).max(initial=0.0)
        return _follows(z, [rows.rate * one], [one], rows.block, fast)
    # beside the drive itself: what follows it at once is the spring's
    creep = (rows.fast if name == "creep" else rows.slow) * one[:, None]
    return _follows(z, list(creep.T), [one, rows.own * one], rows.block, everywhere)


def _follows(
    z: Floats, columns: list[Floats], aside: list[Floats], block: Ints, acts: Bools
) -> _Effect | None:
    """Least squares of z by columns, beside others, with a Wald test that blocks share errors.

    Covariance of sums over clusters (Liang & Zeger 1986), times b/(b − 1), against F with
    (q, b − q) degrees of freedom (common small-sample form; both from memory). None where
    there is too little to ask of.
    """
    from scipy.special import fdtrc

    effect, rest = np.column_stack(columns), np.column_stack(aside)
    if acts.sum() < 8:
        return None
    q, _ = np.linalg.qr(rest[:, np.linalg.norm(rest, axis=0) > 0])
    size = np.linalg.norm(effect, axis=0)
    if not (size > 0).all():
        return None
    effect = effect - q @ (q.T @ effect)
    own = np.linalg.norm(effect, axis=0)
    if (own < 1e-6 * size).any():
        return None
    effect = effect / own
    error = z - q @ (q.T @ z)
    weight, *_ = np.linalg.lstsq(effect, error, rcond=1e-8)
    fitted = effect @ weight
    error = error - fitted
    # only blocks in which the thing varies can speak
    count = int(block.max()) + 1
    scores = np.column_stack([np.bincount(block, c * error, count) for c in effect.T])
    reach = np.bincount(block, np.sum(effect**2, axis=1), count)
    blocks = min(int(np.sum(reach > 1e-6)), int(1.0 / np.sum((reach / reach.sum()) ** 2) + 1e-9))
    freedom = blocks - len(weight)
    if freedom < 3:
        return None
    inverse = np.linalg.pinv(effect.T @ effect, rcond=1e-10, hermitian=True)
    spread = inverse @ (scores.T @ scores) @ inverse * blocks / (blocks - 1)
    wald = float(weight @ np.linalg.pinv(spread, rcond=1e-10, hermitian=True) @ weight)
    chance = float(fdtrc(len(weight), freedom, wald / len(weight)))
    return _Effect(fitted, acts, chance)


def _scatter(rows: _Rows, z: Floats) -> _Effect | None:
    """Whether z scatters more in small fast reversals: |z|, whose tails are light, by an indicator.

    The effect told is the root of the excess.
    """
    if not 8 <= rows.busy.sum() <= len(z) - 8:
        return None
    one, busy = np.ones(len(z)), rows.busy.astype(float)
    found = _follows(np.abs(z), [busy], [one], rows.short_block, rows.busy)
    if found is None:
        return None
    square = float(np.mean(z[rows.busy] ** 2))
    excess = square - float(np.mean(z[~rows.busy] ** 2))
    if excess <= 0:  # less scatter is no error
        return None
    told = np.where(rows.busy, z * np.sqrt(excess / square), 0.0)
    return _Effect(told, rows.busy, 0.5 * found.chance)


def _colours(axis: str, rows: _Rows, z: Floats, noise: float, level: float) -> list[Finding]:
    """Per kind of segment: do neighbouring frames share what is left?

    Portmanteau test of the autocorrelations r of `LAGS` lags, Σ n r² against χ² (Ljung & Box
    1978, whose factor (n + 2)/(n − k) is that of the pairs there are; from memory). Size: root
    of the autocovariance of neighbours, the standard deviation of what they share.
    """
    from scipy.special import chdtrc

    shared, chances = np.zeros(len(z)), {}
    kinds = list(dict.fromkeys(rows.kind))
    gap = float(np.median(np.diff(rows.t_s))) if len(rows.t_s) > 1 else np.inf
    for kind in kinds:
        at = np.flatnonzero(rows.kind == kind)
        if len(at) < 3 * LAGS:
            continue
        own = z[at] - z[at].mean()
        square = float(np.mean(own**2))
        total, first, used = 0.0, 0.0, 0
        for lag in range(1, LAGS + 1):
            near = (rows.group[at[lag:]] == rows.group[at[:-lag]]) & (
                rows.t_s[at[lag:]] - rows.t_s[at[:-lag]] < (lag + 0.5) * gap
            )
            pairs = int(near.sum())
            if pairs < 2 * LAGS or square == 0.0:
                continue
            r = float(np.mean(own[lag:][near] * own[:-lag][near])) / square
            total += pairs * r**2
            first = r if lag == 1 else first
            used += 1
        if not used or first <= 0:
            continue
        chance = float(chdtrc(used, total))
        own_mm = np.sqrt(first * square) * rows.sigma[at]
        if chance <= level / len(kinds) and _rms(own_mm) >= PRACTICAL * noise:
            shared[at] = np.sqrt(first * square)
            chances[kind] = chance
    if not chances:
        return []
    return [_finding("colour", axis, shared, shared > 0, rows, noise, min(chances.values()))]


# ---- the rows and what was played before them --------------------------------------------------


def _rows(
    seen: Observations, residual: Floats, sigma: Floats, grid: Grid, axis: str
) -> _Rows:
    ok = np.isfinite(residual) & np.isfinite(sigma) & (sigma > 0)
    own, other = (grid.drive_x, grid.drive_y) if axis == "x" else (grid.drive_y, grid.drive_x)
    begin = seen.start_s[ok]
    length = np.maximum(seen.exposure_s[ok], 1e-3)
    middle = begin + 0.5 * length
    before, after = (np.interp(t, grid.t_s, own) for t in (begin, begin + length))
    fast, slow = (_creep(grid, own, middle, times) for times in (FAST_S, SLOW_S))
    group = seen.group[ok].astype(str)
    return _Rows(
        z=residual[ok] / sigma[ok],
        sigma=sigma[ok],
        t_s=middle - middle.mean(),
        kind=np.array([g.split("/")[0] for g in group], dtype=object),
        group=group,
        block=np.unique(np.floor(begin / BLOCK_S), return_inverse=True)[1],
        short_block=np.unique(np.floor(begin / SCATTER_S), return_inverse=True)[1],
        own=np.interp(middle, grid.t_s, own),
        other=np.interp(middle, grid.t_s, other),
        rate=(after - before) / length,
        fast=fast,
        slow=slow,
        busy=_busy(grid, own, middle),
    )


def _creep(grid: Grid, drive: Floats, at_s: Floats, times_s: tuple[float, ...]) -> Floats:
    """Creep of Kelvin elements under the drive, one column per retardation time: τ s' = u − s."""
    from scipy.signal import lfilter

    t = np.arange(grid.t_s[0], grid.t_s[-1] + CLOCK_S, CLOCK_S)
    u = np.interp(t, grid.t_s, drive)
    out = []
    for tau in times_s:
        keep = np.exp(-CLOCK_S / tau)
        out.append(np.interp(at_s, t, lfilter([1.0 - keep], [1.0, -keep], u)))
    return np.column_stack(out)


def _busy(grid: Grid, drive: Floats, at_s: Floats) -> Bools:
    """Rows about which the drive reverses often and never goes far."""
    step = np.diff(drive)
    moving = np.flatnonzero(step != 0)
    if not moving.size:
        return np.zeros(len(at_s), dtype=bool)
    turn = moving[1:][np.sign(step[moving[1:]]) != np.sign(step[moving[:-1]])]
    turns_s, half = grid.t_s[turn], 0.5 * REVERSALS_S
    count = np.searchsorted(turns_s, at_s + half) - np.searchsorted(turns_s, at_s - half)
    out = count >= REVERSALS
    for row in np.flatnonzero(out):
        a, b = np.searchsorted(grid.t_s, [at_s[row] - half, at_s[row] + half])
        out[row] = np.ptp(drive[a : b + 1]) <= SMALL_SWING
    return np.asarray(out)


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0
