"""Published figures from a recording, each with its definition, source and uncertainty.

Everything here is measured: no fitted memory enters. Beside it: `settled` (readings step by step)
and `loops` (readings while the drive moves).
Standard uncertainties are of type A of JCGM 100, 4.2 (scatter of the frames of one reading, and
never less than the recording's own standard deviation) and add in square (5.1.2).
Clauses marked 'from memory' were recalled, not looked up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from hysteresis.degrees_of_freedom import effective_dof
from hysteresis.recording import Observations
from hysteresis.tables import Floats, Ints, Pattern, group_of

AXES = ("x", "y")
BEFORE_S = 0.5
"""The reading before an excursion: the mean of at most so much of the rest before it."""
SETTLE_S = 0.1
"""Not read right after the drive has come to rest: the mirror is still on its way (no source)."""
FIRST_WAIT_S, FIRST_HALF_WIDTH_S = 0.5, 0.1
"""The first reading after a return: frames within 0.4 to 0.6 s of arriving at zero drive."""
STILL_S = 0.15
"""A drive that stands still for less than this gives no settled reading."""
LEAST_EXCURSION = 0.02  # of full scale; a smaller one is the other axis' excursion
BINS_PER_DECADE = 8
STRAY_SIGMA = 6.0
"""Frames further off than so many robust standard deviations are strays (no source)."""
SAME_DRIVE = 1e-6


@dataclass(frozen=True)
class Mean:
    """Mean spot of the frames of one reading, with standard uncertainties (mm).

    `dof`: degrees of freedom of each; infinite where the recording's own standard deviation was
    the larger, n − 1 where the scatter of n frames was (JCGM 100, 4.2.6).
    """

    t_s: float
    mm: tuple[float, float]
    u_mm: tuple[float, float]
    frames: int
    dof: tuple[float, float] = (np.inf, np.inf)


def mean_between(seen: Observations, start_s: float, end_s: float) -> Mean | None:
    """Mean of the frames exposed wholly within a stretch of time; None when there are none.

    The standard uncertainty of each mean is s/√n (JCGM 100, 4.2.3) with s the larger of the
    frames' own scatter and the recording's standard deviation: two frames that happen to agree
    do not claim an exact mean. Of five frames or more, single ones further than `STRAY_SIGMA`
    robust standard deviations from the median are left out: a reflection that the measurement
    did not mark is no reading.
    """
    rows = slice(*np.searchsorted(seen.start_s, (start_s - 1e-9, end_s + 1e-9)))
    inside = seen.start_s[rows] + seen.exposure_s[rows] <= end_s + 1e-9
    if not inside.any():
        return None
    told: list[tuple[float, float, float]] = []
    for values, sigmas in ((seen.x_mm, seen.sigma_x_mm), (seen.y_mm, seen.sigma_y_mm)):
        value, sigma = values[rows][inside], sigmas[rows][inside]
        good = np.isfinite(value)
        if good.sum() >= 5 and np.ptp(value[good]) > STRAY_SIGMA * np.min(sigma[good]):
            middle = np.median(value[good])
            spread = 1.4826 * np.median(np.abs(value[good] - middle))
            near = STRAY_SIGMA * np.maximum(spread, sigma)
            good &= np.abs(value - middle) <= near
        n = int(good.sum())
        if n == 0:
            told.append((np.nan, np.nan, np.inf))
            continue
        own = float(np.sqrt(np.mean(sigma[good] ** 2)))
        scatter = float(np.std(value[good], ddof=1)) if n > 1 else 0.0
        dof = n - 1.0 if scatter > own else np.inf
        told.append((float(np.mean(value[good])), float(max(own, scatter) / np.sqrt(n)), dof))
    halfway = seen.start_s[rows][inside] + seen.exposure_s[rows][inside] / 2.0
    mm, u_mm, dofs = zip(*told, strict=True)
    return Mean(float(np.mean(halfway)), mm, u_mm, int(inside.sum()), dofs)


# ---- return to zero ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Residue:
    """One reading less the reading before: `wait_s` after arriving where the drive then stands.

    `own_u_mm`: standard uncertainty of this reading alone, `u_mm` with that of the one before;
    `dof`: degrees of freedom of `u_mm` (Welch-Satterthwaite, JCGM 100, G.4).
    """

    wait_s: float
    error_mm: float
    u_mm: float
    own_u_mm: float = np.nan
    dof: float = np.inf


@dataclass(frozen=True)
class ReturnToZero:
    """Return-to-zero error of one axis after one held excursion.

    Definition: reading at zero drive after the excursion, minus the reading at zero drive before
    it. This is the zero return of force transducers: relative zero error f₀ = (i_f − i₀)/X_N
    (ISO 376:2011, from memory) and minimum dead load output return (OIML R 60-1:2021, 3.5.10).
    Those standards prescribe their times; here the actual dwell and wait stand beside each
    figure, as OIML R 60-2, 2.8.3.2, asks.

    `excursion_fs` is the held drive; `first` and `last` the earliest and the latest reading
    after it, `held` the last reading at it and `held_early` one soon after arriving there (None:
    not read). Percentages are of the full scale of one side.
    """

    group: str
    axis: str
    excursion_fs: float
    dwell_s: float
    first: Residue
    last: Residue | None
    full_scale_mm: float
    held: Residue | None = None
    held_early: Residue | None = None

    def percent_fs(self, residue: Residue) -> float:
        """Error in per cent of full scale."""
        return 100.0 * residue.error_mm / self.full_scale_mm

    @property
    def recovered_mm(self) -> float:
        """Creep at zero: last reading minus first (ISO 376's c in form, with the times given)."""
        return np.nan if self.last is None else self.last.error_mm - self.first.error_mm


@dataclass(frozen=True)
class Recovery:
    """Recovery after a return: error (mm) against the time since zero drive was reached.

    Frames are averaged in bins that are even in the logarithm of time; arrays (n,). `own_u_mm` is
    the standard uncertainty of a bin alone, `u_mm` with that of the reading before.
    """

    group: str
    axis: str
    excursion_fs: float
    dwell_s: float
    after_s: Floats
    error_mm: Floats
    u_mm: Floats
    own_u_mm: Floats = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True)
class _Cell:
    """Times of one excursion and return, with the reading before it."""

    group: str
    drive: tuple[float, float]
    dwell_s: float
    zero_s: float
    end_s: float
    before: Mean
    hold_s: float = np.nan
    held: Mean | None = None
    held_early: Mean | None = None


def returns_to_zero(
    pattern: Pattern, seen: Observations, full_scale_mm: tuple[float, float]
) -> tuple[ReturnToZero, ...]:
    """Return-to-zero errors of every excursion that was read before and after it.

    In a pattern with returns to zero the readings are means of frames: the last half second at
    most before the excursion, the frames about 0.5 s after the return, the last half second of
    the watch. In reading steps each typed reading is one; readings without a time of their own
    are placed by their segment, so their waits are the planned ones.
    """
    found: list[ReturnToZero] = []
    for cell in _cells(pattern, seen):
        first = _soon_after(seen, cell.zero_s)
        last = mean_between(
            seen, max(cell.end_s - BEFORE_S, cell.zero_s + FIRST_WAIT_S), cell.end_s
        )
        found += _by_axis(cell, first or last, last if first else None, full_scale_mm)
    return tuple(found) or tuple(_typed_returns(pattern, seen, full_scale_mm))


def recoveries(pattern: Pattern, seen: Observations) -> tuple[Recovery, ...]:
    """Recovery curves of every return to zero that was filmed (three bins or more)."""
    found = []
    for cell in _cells(pattern, seen):
        rows = slice(*np.searchsorted(seen.start_s, (cell.zero_s, cell.end_s)))
        after_s = seen.start_s[rows] + seen.exposure_s[rows] / 2.0 - cell.zero_s
        if not after_s.size:
            continue
        number = np.floor(np.log10(np.maximum(after_s, 1e-3)) * BINS_PER_DECADE).astype(int)
        for axis, (values, sigmas) in enumerate(
            ((seen.x_mm, seen.sigma_x_mm), (seen.y_mm, seen.sigma_y_mm))
        ):
            if abs(cell.drive[axis]) < LEAST_EXCURSION:
                continue
            good = np.isfinite(values[rows])
            bins, which, count = np.unique(number[good], return_inverse=True, return_counts=True)
            if len(bins) < 3:
                continue
            mean = np.bincount(which, values[rows][good]) / count
            u = np.sqrt(np.bincount(which, sigmas[rows][good] ** 2)) / count
            found.append(
                Recovery(
                    group=cell.group,
                    axis=AXES[axis],
                    excursion_fs=cell.drive[axis],
                    dwell_s=cell.dwell_s,
                    after_s=np.bincount(which, after_s[good]) / count,
                    error_mm=mean - cell.before.mm[axis],
                    u_mm=np.hypot(u, cell.before.u_mm[axis]),
                    own_u_mm=u,
                )
            )
    return tuple(found)


def _cells(pattern: Pattern, seen: Observations) -> Iterator[_Cell]:
    """Groups that go out, hold, come back and watch, and were filmed before the move."""
    for group, rows in groups_of(pattern).items():
        part = {str(name).split("/")[-1]: k for k, name in _last_rows(pattern, rows)}
        if not {"move", "hold", "back", "watch"} <= part.keys():
            continue
        start = {name: _start_of(pattern, rows, name) for name in part}
        moves_s = float(pattern.t_s[start["move"]])
        opens_s = float(pattern.t_s[start.get("rest", start["move"])])
        settled_s = min(opens_s + SETTLE_S, (opens_s + moves_s) / 2.0)
        before = mean_between(seen, max(settled_s, moves_s - BEFORE_S), moves_s)
        if before is None:
            continue
        hold, back_s = start["hold"], float(pattern.t_s[start["back"]])
        hold_s = float(pattern.t_s[hold])
        yield _Cell(
            group=group,
            drive=(float(pattern.drive_x[hold]), float(pattern.drive_y[hold])),
            dwell_s=back_s - hold_s,
            zero_s=float(pattern.t_s[start["watch"]]),
            end_s=float(pattern.t_s[part["watch"] + 1]),
            before=before,
            hold_s=hold_s,
            held=mean_between(seen, max(back_s - BEFORE_S, (hold_s + back_s) / 2.0), back_s),
            held_early=_soon_after(seen, hold_s) if back_s - hold_s >= 2.0 else None,
        )


def _soon_after(seen: Observations, arrived_s: float) -> Mean | None:
    """Reading about half a second after the drive arrived somewhere."""
    at = arrived_s + FIRST_WAIT_S
    return mean_between(seen, at - FIRST_HALF_WIDTH_S, at + FIRST_HALF_WIDTH_S)


def _by_axis(
    cell: _Cell, first: Mean | None, last: Mean | None, full_scale_mm: tuple[float, float]
) -> Iterator[ReturnToZero]:
    if first is None:
        return
    for k, axis in enumerate(AXES):
        if abs(cell.drive[k]) < LEAST_EXCURSION or np.isnan(first.mm[k] - cell.before.mm[k]):
            continue

        def residue(after: Mean | None, k: int = k, since_s: float = cell.zero_s) -> Residue | None:
            if after is None or np.isnan(after.mm[k]):
                return None
            parts = ((after.u_mm[k], after.dof[k]), (cell.before.u_mm[k], cell.before.dof[k]))
            return Residue(
                after.t_s - since_s,
                after.mm[k] - cell.before.mm[k],
                float(np.hypot(parts[0][0], parts[1][0])),
                after.u_mm[k],
                effective_dof(parts),
            )

        soon = residue(first)
        assert soon is not None
        yield ReturnToZero(
            cell.group, axis, cell.drive[k], cell.dwell_s, soon, residue(last), full_scale_mm[k],
            residue(cell.held, since_s=cell.hold_s),
            residue(cell.held_early, since_s=cell.hold_s),
        )  # fmt: skip


def _typed_returns(
    pattern: Pattern, seen: Observations, full_scale_mm: tuple[float, float]
) -> Iterator[ReturnToZero]:
    """Returns among single readings: at zero, at one excursion, and at zero once or twice more."""
    if not all(str(group).startswith("reading/") for group in seen.group):
        return
    stretches = still_stretches(pattern, slice(0, len(pattern) - 1), least_s=0.0)
    starts = np.array([s.start_s for s in stretches])
    means = [
        Mean(float(t), (float(x), float(y)), (float(ux), float(uy)), 1)
        for t, x, y, ux, uy in zip(
            seen.start_s, seen.x_mm, seen.y_mm, seen.sigma_x_mm, seen.sigma_y_mm, strict=True
        )
    ]
    # a reading at the very end of its hold belongs to that hold, not to the move after it
    at = [stretches[max(0, int(np.searchsorted(starts, t - 1e-6)) - 1)] for t in seen.start_s]
    zero = [abs(s.drive[0]) + abs(s.drive[1]) < SAME_DRIVE for s in at]
    wiped_s = _conditioning_times(pattern)
    for k in range(1, len(means) - 1):
        if zero[k] or not (zero[k - 1] and zero[k + 1]):
            continue
        if np.any((wiped_s > means[k - 1].t_s) & (wiped_s < means[k + 1].t_s)):
            continue
        out, back = at[k], at[k + 1]
        late = k + 2 < len(means) and zero[k + 2] and at[k + 2].start_s == back.start_s
        cell = _Cell(
            group=str(seen.group[k]), drive=out.drive, dwell_s=out.end_s - out.start_s,
            zero_s=back.start_s, end_s=back.end_s, before=means[k - 1], hold_s=out.start_s,
            held=means[k],
        )  # fmt: skip
        yield from _by_axis(cell, means[k + 1], means[k + 2] if late else None, full_scale_mm)


def _conditioning_times(pattern: Pattern) -> Floats:
    rows = [k for k, name in enumerate(pattern.segment) if str(name).startswith("conditioning/")]
    return np.asarray(pattern.t_s[rows])


def conditioned_from_s(pattern: Pattern) -> float:
    """When the first conditioning ends: before it the friction memory is of an unknown past."""
    kinds = [str(name).split("/")[0] for name in pattern.segment[:-1]]
    if "conditioning" not in kinds:
        return 0.0
    last = kinds.index("conditioning")
    while last < len(kinds) and kinds[last] == "conditioning":
        last += 1
    return float(pattern.t_s[last])


# ---- places in a pattern -----------------------------------------------------------------------


@dataclass(frozen=True)
class Still:
    """A stretch in which both drives stand still; `approach` is the sign of each last move."""

    start_s: float
    end_s: float
    drive: tuple[float, float]
    approach: tuple[int, int]


def still_stretches(pattern: Pattern, rows: slice, least_s: float = STILL_S) -> list[Still]:
    """Still stretches among the intervals `rows` of a pattern (interval k ends at row k + 1)."""
    first, last = rows.start, rows.stop
    x, y = pattern.drive_x[first : last + 1], pattern.drive_y[first : last + 1]
    t = pattern.t_s[first : last + 1]
    step_x, step_y = np.diff(x), np.diff(y)
    moving = (np.abs(step_x) > 1e-12) | (np.abs(step_y) > 1e-12)
    sign_x, sign_y = _last_sign(step_x), _last_sign(step_y)
    out = []
    edges = np.flatnonzero(np.diff(np.concatenate([[True], moving, [True]]).astype(int)))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if t[b] - t[a] >= least_s:
            signs = (int(sign_x[a]), int(sign_y[a]))
            out.append(Still(float(t[a]), float(t[b]), (float(x[a]), float(y[a])), signs))
    return out


def _last_sign(step: Floats) -> Ints:
    """Sign of the last step that was not zero, up to and including each interval."""
    place = np.where(np.abs(step) > 1e-12, np.arange(len(step)), -1)
    latest = np.maximum.accumulate(place)
    return np.where(latest >= 0, np.sign(step[latest]), 0).astype(np.int64)


def groups_of(pattern: Pattern) -> dict[str, slice]:
    """Intervals of each group, in the order of time."""
    first: dict[str, int] = {}
    last: dict[str, int] = {}
    before, group = None, ""
    for k, name in enumerate(pattern.segment[:-1]):
        if name != before:  # names come in long rows
            before, group = name, group_of(str(name))
            first.setdefault(group, k)
        last[group] = k
    return {group: slice(first[group], last[group] + 1) for group in first}


def _last_rows(pattern: Pattern, rows: slice) -> Iterator[tuple[int, str]]:
    return ((k, str(pattern.segment[k])) for k in range(rows.start, rows.stop))


def _start_of(pattern: Pattern, rows: slice, part: str) -> int:
    return next(k for k, name in _last_rows(pattern, rows) if name.split("/")[-1] == part)
