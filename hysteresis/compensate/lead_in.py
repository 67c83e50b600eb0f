"""What precedes every job: a conditioning move, and the way to the first point; and the way out.

Only after a conditioning move is the friction memory known, so every output begins with one:
alternating excursions of linearly falling size about the centre of the field (a linear decay
leaves less memory in large slip limits than a geometric one of equal length).
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from hysteresis.bench import Bench
from hysteresis.model import RigModel, RigState
from hysteresis.optics import deflection_from_spot, spot_from_deflection
from hysteresis.paths.smoothing import STEPS_PER_KERNEL, kernel_for
from hysteresis.tables import Floats, SpotPath

HALF_CYCLES = 40
SWING_S = 0.15  # one half cycle
SETTLE_S = 1.0  # wait at the centre, and again at the first point
APPROACH_S = 0.5
SLEW_SHARE = 0.8  # of the slew limit, at the steepest place of a swing


def even_step_s(bench: Bench) -> float:
    """Step of the torque balance and of a path's grid: an even part of the smoothing's kernel.

    Sixteen to the kernel, eight per period at the bench's bandwidth; more where a swing of the
    lead-in would else have fewer than 40 steps.
    """
    kernel_s = kernel_for(bench.limits.bandwidth_hz)
    steps = max(STEPS_PER_KERNEL, 2 * math.ceil(20.0 * kernel_s / SWING_S - 1e-9))
    return kernel_s / steps


def swing_s(bench: Bench) -> float:
    """One half cycle of the conditioning: no shorter than the slew limit allows.

    A raised cosine from one side to the other is steepest in its middle, pi times its amplitude
    over its length.
    """
    steepest = SLEW_SHARE * bench.limits.slew_per_s
    return max(SWING_S, math.pi * bench.limits.max_drive / steepest)


def evenly(path: SpotPath, step_s: float) -> SpotPath:
    """The path on an even clock that starts with it; its beam is that of the row before.

    A path from `paths` is even already but for the rows at which the beam changes; an uneven
    step there would be read as a jolt of the mirror.
    """
    count = int(np.ceil((path.t_s[-1] - path.t_s[0]) / step_s - 1e-6)) + 1
    t = path.t_s[0] + step_s * np.arange(count)
    row = np.clip(np.searchsorted(path.t_s, t + 1e-9, side="right") - 1, 0, len(path) - 1)
    return SpotPath(
        t, np.interp(t, path.t_s, path.x_mm), np.interp(t, path.t_s, path.y_mm), path.beam[row]
    )


def lead_in(
    model: RigModel,
    state: RigState,
    bench: Bench,
    to_mm: tuple[float, float],
    *,
    amplitude_fs: float,
    condition: bool = True,
) -> tuple[Floats, Floats]:
    """Spots (mm) on the even clock before a job: a conditioning move (unless `condition` is
    False) and the approach to its first point.

    `amplitude_fs` is the first swing of the deflection. Both axes swing to the positive side
    first, as the conditioning of the patterns does, so that what little it leaves is what the fit
    saw. The lead-in starts at the deflection of `state`, so that the drive starts without a jump,
    and ends at rest on the first point.
    """
    step, swing = even_step_s(bench), swing_s(bench)
    approach = max(APPROACH_S, 0.5 * swing)
    first = deflection_from_spot(np.array(to_mm[:1]), np.array(to_mm[1:]), model.optics)
    home = deflection_from_spot(np.zeros(1), np.zeros(1), model.optics)
    out = []
    for begin, (centre,), (goal,) in zip((state.x[0], state.y[0]), home, first, strict=True):
        turns = [begin]
        if condition:
            size = amplitude_fs * (1.0 - np.arange(HALF_CYCLES) / HALF_CYCLES)
            turns += list(centre + size * (-1.0) ** np.arange(HALF_CYCLES))
            turns.append(centre)
        parts = [
            _rise(a, b, swing if k else approach, step) for k, (a, b) in enumerate(pairwise(turns))
        ]
        parts.append(np.full(round(SETTLE_S / step), turns[-1]))
        parts.append(_rise(turns[-1], goal, approach, step))
        parts.append(np.full(round(SETTLE_S / step), goal))
        out.append(np.concatenate(parts))
    return spot_from_deflection(out[0], out[1], model.optics)


def way_home(model: RigModel, bench: Bench, from_mm: tuple[float, float]) -> tuple[Floats, Floats]:
    """Spots (mm) on the even clock from the last point of a job to the centre of the field."""
    step, approach = even_step_s(bench), max(APPROACH_S, 0.5 * swing_s(bench))
    last = deflection_from_spot(np.array(from_mm[:1]), np.array(from_mm[1:]), model.optics)
    home = deflection_from_spot(np.zeros(1), np.zeros(1), model.optics)
    ways = [_rise(a, b, approach, step) for (a,), (b,) in zip(last, home, strict=True)]
    return spot_from_deflection(ways[0], ways[1], model.optics)


def _rise(start: float, end: float, duration_s: float, step_s: float) -> Floats:
    """A smooth move (raised cosine) without its first sample."""
    count = max(1, round(duration_s / step_s))
    part = np.arange(1, count + 1) / count
    return np.asarray(start + (end - start) * (1 - np.cos(np.pi * part)) / 2)
