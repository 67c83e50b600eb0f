"""What precedes every job: a conditioning move, and the way to the first point.

Only after a conditioning move is the friction memory known, so every output begins with one:
alternating excursions of linearly falling size about the centre of the field (a linear decay
leaves less memory in large slip limits than a geometric one of equal length).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from hysteresis.bench import Bench
from hysteresis.model import RigModel, RigState
from hysteresis.optics import deflection_from_spot, spot_from_deflection
from hysteresis.tables import Bools, Floats, SpotPath

HALF_CYCLES = 40
SWING_S = 0.15  # one half cycle
SETTLE_S = 1.0  # wait at the centre, and again at the first point
APPROACH_S = 0.5


@dataclass(frozen=True)
class WantedPath:
    """Deflections and spots of a whole output on one clock, lead-in first.

    All arrays (n,). `step_s[k]` is the time to sample k; `lead_in_s` the length of the lead-in.
    """

    t_s: Floats
    step_s: Floats
    theta_x: Floats
    theta_y: Floats
    x_mm: Floats
    y_mm: Floats
    beam: Bools
    lead_in_s: float


def even_step_s(bench: Bench) -> float:
    """Step of the torque balance: eight per period at the bench's bandwidth."""
    return min(1.0 / (8.0 * bench.limits.bandwidth_hz), SWING_S / 40.0)


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


def with_lead_in(
    model: RigModel,
    state: RigState,
    bench: Bench,
    path: SpotPath,
    *,
    amplitude_fs: float,
    condition: bool = True,
) -> WantedPath:
    """Put a conditioning move (unless `condition` is False) and an approach before a path,
    and the way back to the centre after it.

    `amplitude_fs` is the first swing of the deflection. Both axes swing to the positive side
    first, as the conditioning of the patterns does, so that what little it leaves is what the fit
    saw. The lead-in starts at the deflection of `state`, so that the drive starts without a jump,
    and ends at rest on the first point.
    """
    step = even_step_s(bench)
    path = evenly(path, step)
    first_x, first_y = deflection_from_spot(path.x_mm[:1], path.y_mm[:1], model.optics)
    home = deflection_from_spot(np.zeros(1), np.zeros(1), model.optics)
    out = []
    for begin, centre, goal in (
        (state.x[0], home[0][0], first_x[0]),
        (state.y[0], home[1][0], first_y[0]),
    ):
        turns = [begin]
        if condition:
            size = amplitude_fs * (1.0 - np.arange(HALF_CYCLES) / HALF_CYCLES)
            turns += list(centre + size * (-1.0) ** np.arange(HALF_CYCLES))
            turns.append(centre)
        parts = [
            _rise(a, b, SWING_S if k else APPROACH_S, step)
            for k, (a, b) in enumerate(pairwise(turns))
        ]
        parts.append(np.full(round(SETTLE_S / step), turns[-1]))
        parts.append(_rise(turns[-1], goal, APPROACH_S, step))
        parts.append(np.full(round(SETTLE_S / step), goal))
        out.append(np.concatenate(parts))
    lead_x, lead_y = spot_from_deflection(out[0], out[1], model.optics)
    theta_x, theta_y = deflection_from_spot(path.x_mm, path.y_mm, model.optics)
    home_x = _rise(theta_x[-1], home[0][0], APPROACH_S, step)
    home_y = _rise(theta_y[-1], home[1][0], APPROACH_S, step)
    way_x, way_y = spot_from_deflection(home_x, home_y, model.optics)
    lead_t = step * np.arange(len(out[0]))
    lead_in_s = step * len(out[0])
    t = np.concatenate([lead_t, lead_in_s + (path.t_s - path.t_s[0])])
    t = np.concatenate([t, t[-1] + step * np.arange(1, len(home_x) + 1)])
    # the beam of the path's last row has nothing left to hold for
    beam = np.concatenate([path.beam[:-1], [False]])
    return WantedPath(
        t_s=t,
        step_s=np.diff(t, prepend=t[0] - step),
        theta_x=np.concatenate([out[0], theta_x, home_x]),
        theta_y=np.concatenate([out[1], theta_y, home_y]),
        x_mm=np.concatenate([lead_x, path.x_mm, way_x]),
        y_mm=np.concatenate([lead_y, path.y_mm, way_y]),
        beam=np.concatenate(
            [np.zeros(len(lead_t), dtype=bool), beam, np.zeros(len(home_x), dtype=bool)]
        ),
        lead_in_s=lead_in_s,
    )


def _rise(start: float, end: float, duration_s: float, step_s: float) -> Floats:
    """A smooth move (raised cosine) without its first sample."""
    count = max(1, round(duration_s / step_s))
    part = np.arange(1, count + 1) / count
    return np.asarray(start + (end - start) * (1 - np.cos(np.pi * part)) / 2)
