"""One sitting at the bench: the pattern, a pause, and then a job on the rig that remembers both."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from hysteresis.tables import DriveSignal, Pattern, SpotPath
from hysteresis.virtual_bench.play import RUN_IN_S, Played, play
from hysteresis.virtual_bench.rig import Rig


def play_after(
    rig: Rig,
    pattern: Pattern,
    pause_s: float,
    drive: DriveSignal | Pattern,
    *,
    sequence: int = 0,
    rate_hz: float = 1000.0,
    progress: Callable[[float], None] | None = None,
) -> Played:
    """Play `drive` a pause after the end of `pattern`; the result's clock is that of `drive`.

    The drive rests at zero during the pause, which is at least a millisecond long.
    """
    shift = pattern.t_s[-1] + max(pause_s, 1e-3) - drive.t_s[0]
    played = play(
        rig,
        np.concatenate([pattern.t_s, drive.t_s + shift]),
        np.concatenate([pattern.drive_x, drive.drive_x]),
        np.concatenate([pattern.drive_y, drive.drive_y]),
        beam=np.concatenate([pattern.beam, drive.beam]),
        sequence=sequence,
        rate_hz=rate_hz,
        progress=progress,
    )
    begin = drive.t_s[0] + shift
    inside = played.t_s >= begin - 0.5 / rate_hz
    near = played.around.t_s >= begin - RUN_IN_S
    around = played.around
    return replace(
        played,
        t_s=played.t_s[inside] - shift,
        x_mm=played.x_mm[inside],
        y_mm=played.y_mm[inside],
        theta_x=played.theta_x[inside],
        theta_y=played.theta_y[inside],
        beam=played.beam[inside],
        around=SpotPath(
            around.t_s[near] - shift, around.x_mm[near], around.y_mm[near], around.beam[near]
        ),
    )
