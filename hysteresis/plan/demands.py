"""What a pattern asks of the bench: speed, shortest rise, heat; and whether the limits allow it.

All figures are exact for a piecewise-linear drive; nothing is sampled.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hysteresis.bench import Limits
from hysteresis.errors import LimitError
from hysteresis.plan.segments import QUICKEST
from hysteresis.tables import Bools, Floats, Pattern

_AXES = ("x", "y")
_SLACK = 1e-6  # relative: rounding of vertex times, nothing else


def drives(pattern: Pattern) -> Floats:
    """Drive of both axes, shape (n, 2)."""
    return np.column_stack([pattern.drive_x, pattern.drive_y])


def energy(t_s: Floats, drive: Floats, at_s: npt.ArrayLike) -> Floats:
    """Integral of drive² from the first vertex to the times `at_s`, exact for straight pieces.

    Before the first vertex the coil was off; after the last one the drive is taken as zero.
    """
    dt, a, b = np.diff(t_s), drive[:-1], drive[1:]
    total = np.concatenate([[0.0], np.cumsum(dt * (a * a + a * b + b * b) / 3.0)])
    at = np.clip(np.asarray(at_s, float), t_s[0], t_s[-1])
    k = np.clip(np.searchsorted(t_s, at, side="right") - 1, 0, len(dt) - 1)
    part = at - t_s[k]
    end = a[k] + (b[k] - a[k]) * part / dt[k]
    return np.asarray(total[k] + part * (a[k] * a[k] + a[k] * end + end * end) / 3.0)


def rolling_rms(
    t_s: Floats, drive: Floats, window_s: float, since_s: float = 0.0
) -> tuple[Floats, Floats]:
    """Root mean square of the drive over the window that ends at each time.

    Returns the times from `since_s` on and the rms (both (m,)). Between a vertex, and one window
    after a vertex, both ends of the window see a straight piece, so that the mean square can
    only turn where the drives at both ends are equal in size: those instants are included, and
    the largest value is exact. The coil was cold before the first vertex.
    """
    at = np.union1d(t_s, t_s + window_s)
    at = at[(at >= since_s) & (at <= t_s[-1])]
    new, old = (np.interp(s, t_s, drive, left=0.0) for s in (at, at - window_s))
    turns = [at]
    for gap in (new - old, new + old):
        crosses = gap[:-1] * gap[1:] < 0
        part = gap[:-1][crosses] / (gap[:-1] - gap[1:])[crosses]
        turns.append(at[:-1][crosses] + part * np.diff(at)[crosses])
    at = np.unique(np.concatenate(turns))
    gained = energy(t_s, drive, at) - energy(t_s, drive, at - window_s)
    return at, np.sqrt(np.maximum(gained, 0.0) / window_s)


def rates(t_s: Floats, drive: Floats) -> Floats:
    """Rate of change of each straight piece (n − 1,), in 1/s."""
    return np.asarray(np.diff(drive) / np.diff(t_s))


def rises(t_s: Floats, drive: Floats) -> tuple[Floats, Floats]:
    """Start and length in seconds of each run in one direction without a stop: the moves."""
    way = np.sign(np.diff(drive))
    first: Bools = np.concatenate([[True], way[1:] != way[:-1]])
    starts = np.flatnonzero(first)
    ends = np.append(starts[1:], len(way))
    moving = way[starts] != 0
    return t_s[starts[moving]], (t_s[ends] - t_s[starts])[moving]


def require_within(pattern: Pattern, limits: Limits) -> None:
    """Raise `LimitError` if the pattern breaks a limit: which one, where, and what to change."""
    for axis, drive in zip(_AXES, drives(pattern).T, strict=True):
        t = pattern.t_s
        worst = int(np.argmax(np.abs(drive)))
        if abs(drive[worst]) > limits.max_drive * (1.0 + _SLACK):
            raise LimitError(
                _place(pattern, axis, t[worst])
                + f"the drive reaches {abs(drive[worst]):.3f} of full scale, "
                f"limits.max_drive is {limits.max_drive:g}; lower the excursions"
            )
        speed = np.abs(rates(t, drive))
        worst = int(np.argmax(speed))
        if speed[worst] > limits.slew_per_s * (1.0 + _SLACK):
            raise LimitError(
                _place(pattern, axis, t[worst])
                + f"the drive changes by {speed[worst]:.3g}/s, limits.slew_per_s is "
                f"{limits.slew_per_s:g}; give the move more time or make it smaller"
            )
        starts, lengths = rises(t, drive)
        shortest = QUICKEST / limits.bandwidth_hz
        if len(lengths) and lengths.min() < shortest * (1.0 - _SLACK):
            worst = int(np.argmin(lengths))
            raise LimitError(
                _place(pattern, axis, starts[worst])
                + f"a move takes {lengths[worst] * 1e3:.3g} ms, limits.bandwidth_hz "
                f"{limits.bandwidth_hz:g} asks for at least {shortest * 1e3:.3g} ms; slow it down"
            )
        at, rms = rolling_rms(t, drive, limits.coil_window_s)
        worst = int(np.argmax(rms))
        if rms[worst] > limits.coil_rms * (1.0 + _SLACK):
            raise LimitError(
                _place(pattern, axis, at[worst])
                + f"the drive has an rms of {rms[worst]:.3f} over {limits.coil_window_s:g} s, "
                f"limits.coil_rms is {limits.coil_rms:g}; insert a rest at zero, hold for less "
                "time or lower the excursion"
            )


def _place(pattern: Pattern, axis: str, t_s: float) -> str:
    row = min(int(np.searchsorted(pattern.t_s, t_s, side="right")) - 1, len(pattern) - 1)
    return f"at {t_s:.2f} s, segment {pattern.segment[row]}, axis {axis}: "
