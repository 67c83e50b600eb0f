"""Smoothing of a wanted path to the rig's bandwidth, without delay.

The path is convolved with a raised-cosine (Hann) kernel of length T = 2 / bandwidth,

    w(t) = (1 + cos(2 pi t / T)) / T,   |t| <= T/2,

whose spectrum sinc(f T) / (1 - (f T)²) has its first zero at f = 2/T, the bandwidth, and stays
below 2.7 % (-31 dB) above it, falling as 1/f³ (window of Hann; F. J. Harris, Proc. IEEE 66
(1978) 51, from memory). The kernel is symmetric, hence no phase shift, and has unit area, hence
the path is unchanged where it rests, or moves evenly, for T or longer. A path under the
acceleration a is moved by half the kernel's variance times a, about 0.0163 a T².

The grid has N = 16 steps per kernel, that is, eight per period at the bandwidth. The sum over N
samples of the kernel has its zeros at the same frequencies as the integral; its variance is
T² (1/12 + 1/(6 N²) - 1/(2 N² sin²(pi/N))), which tends to T² (1/12 - 1/(2 pi²)).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hysteresis.errors import InputError
from hysteresis.tables import Bools, Floats, SpotPath

STEPS_PER_KERNEL = 16
MOST_ROWS = 20_000_000
# Half the variance of the kernel per T²: deviation of a path under constant acceleration.
SAG_PER_T2 = 0.5 * (
    1.0 / 12.0 + (1.0 / 6.0 - 0.5 / math.sin(math.pi / STEPS_PER_KERNEL) ** 2) / STEPS_PER_KERNEL**2
)
PEAK_TIMES_T = 2.0  # the kernel's maximum is 2 / T
# Half the kernel's mean distance from its middle, per T: deviation of a path at a vertex where
# its velocity makes a step, per step. The sum over the grid stays below this integral.
STEP_SAG_PER_T = 0.125 - 0.5 / math.pi**2


@dataclass(frozen=True)
class Smoothed:
    """A path on its grid, with what the smoothing did.

    `clock_s` is the time of each row on the clock of the unsmoothed path, which starts half a
    kernel later than `path.t_s`. Speeds and accelerations are those of the finished path.
    """

    path: SpotPath
    clock_s: Floats
    deviation_mm: float
    peak_speed_mm_s: float
    peak_acceleration_mm_s2: float


def kernel_for(bandwidth_hz: float) -> float:
    """Length in s of the kernel whose spectrum has its first zero at the bandwidth."""
    return 2.0 / bandwidth_hz


def hann_weights(steps: int = STEPS_PER_KERNEL) -> Floats:
    """The kernel on a grid of `steps` to its length: steps - 1 weights, odd, of sum 1."""
    k = np.arange(1 - steps // 2, steps // 2)
    weights: Floats = 1.0 + np.cos(2.0 * np.pi * k / steps)
    return weights / weights.sum()


def smooth(
    position: Callable[[Floats], tuple[Floats, Floats]],
    end_s: float,
    beam_from_s: Floats,
    beam_on: Bools,
    kernel_s: float,
) -> Smoothed:
    """Sample a path on an even grid, smooth it and mark its beam.

    Parameters
    ----------
    position : x and y in mm at times in s; called with times before 0 and after `end_s` too,
        where it must hold the first and the last place.
    end_s : length of the path.
    beam_from_s, beam_on : times, rising, from which the beam is on or off (off before the first
        and after `end_s`).
    kernel_s : length of the kernel.

    Returns
    -------
    The smoothed path, half a kernel longer at either end, with a row at every change of the
    beam. Raises InputError where it would be longer than 20 million rows.
    """
    step_s = kernel_s / STEPS_PER_KERNEL
    half = STEPS_PER_KERNEL // 2
    if not end_s <= MOST_ROWS * step_s:  # infinite too
        raise InputError(
            f"the path lasts {end_s:.3g} s, which at this bandwidth is more than {MOST_ROWS} rows",
            mend="split the job, or lower bandwidth_hz in bench.toml",
        )
    if len(beam_from_s) == 0:
        beam_from_s, beam_on = np.zeros(1), np.zeros(1, dtype=bool)
    inside = math.ceil(end_s / step_s - 1e-9)
    # The grid reaches one kernel out at either end; smoothing takes half of that back.
    k = np.arange(-2 * half + 1, inside + 2 * half)
    x_raw, y_raw = position(np.asarray(k * step_s, dtype=np.float64))
    weights = hann_weights()
    x, y = (np.convolve(raw, weights, mode="valid") for raw in (x_raw, y_raw))
    grid_s = k[half - 1 : 1 - half] * step_s

    changes = np.flatnonzero(np.diff(beam_on, prepend=False))
    change_s = np.append(beam_from_s[changes], end_s)
    near = np.clip(np.rint((change_s - grid_s[0]) / step_s).astype(np.int64), 0, len(grid_s) - 1)
    keep = np.ones(len(grid_s), dtype=bool)
    # A row of the grid beside a change of the beam gives way to it.
    keep[near[np.abs(grid_s[near] - change_s) < 1e-3 * step_s]] = False
    clock_s = np.unique(np.concatenate([grid_s[keep], change_s]))
    clock_s = clock_s[np.diff(clock_s, prepend=-np.inf) > 1e-9]  # still rises when shifted
    last = np.searchsorted(beam_from_s, clock_s, side="right") - 1
    on = np.where((last >= 0) & (clock_s < end_s), beam_on[np.maximum(last, 0)], False)

    speed, acceleration = _peaks(x, y, step_s)
    traced = np.interp(grid_s, clock_s, on.astype(np.float64)) == 1.0
    off_mm = np.hypot(x - x_raw[half - 1 : 1 - half], y - y_raw[half - 1 : 1 - half])
    path = SpotPath(
        clock_s - grid_s[0], np.interp(clock_s, grid_s, x), np.interp(clock_s, grid_s, y), on
    )
    deviation = float(off_mm[traced].max(initial=0.0))
    return Smoothed(path, clock_s, deviation, speed, acceleration)


def _peaks(x: Floats, y: Floats, step_s: float) -> tuple[float, float]:
    """Largest speed and acceleration of positions on an even grid, by differences."""
    speed = np.hypot(np.diff(x), np.diff(y)) / step_s
    acceleration = np.hypot(np.diff(x, 2), np.diff(y, 2)) / step_s**2
    return float(speed.max(initial=0.0)), float(acceleration.max(initial=0.0))
