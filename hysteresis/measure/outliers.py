"""Frames on which the camera saw something else than the spot: marked, never deleted.

What is looked at is not the place of the spot but its distance from what the drive predicts,
so that a fast move is no outlier. A frame is marked when that distance leaves a running median
of its neighbours by more than (a) so many times their own scatter (Hampel's rule: median and
median absolute deviation; Hampel, J. Am. Stat. Assoc. 69 (1974) 383, from memory) and (b) the
part of a nearby move that inertia and ringing may put into one frame.
"""

from __future__ import annotations

import numpy as np

from hysteresis.measure.running import running_median, span_within
from hysteresis.tables import Bools, Floats

SHORT, LONG = 15, 61
"""Windows in frames: marks last less than half of one."""
SCATTERS = 8.0
"""How many standard deviations (from the median absolute deviation) a frame may be off."""
SHARE_OF_MOVE = (0.25, 0.4)
"""Part of the drive's own move within the reach of each window that a frame may be off."""
SHARE_RINGING = 0.01
"""Part of any move within a second that a frame may be off, since a mirror rings on."""
_REACH_S = (0.13, 1.0)
_PASSES = 3


def mark_outliers(
    error_mm: Floats, predicted_mm: Floats, sigma_mm: Floats, frame_s: float
) -> tuple[Bools, Floats]:
    """Which frames are outliers, and how far each frame lies from its neighbours in mm.

    Parameters
    ----------
    error_mm : (n, 2) spot less prediction, frames in the order of time.
    predicted_mm : (n, 2) the prediction itself.
    sigma_mm : (n, 2) standard deviation of a spot: the least scatter that is believed.
    frame_s : time from one frame to the next.
    """
    marked = np.zeros(len(error_mm), dtype=bool)
    distance = np.zeros(len(error_mm))
    least = np.linalg.norm(sigma_mm, axis=1) / np.sqrt(2.0)
    near, far = (span_within(predicted_mm, max(2, round(reach / frame_s))) for reach in _REACH_S)
    allowed = (
        np.maximum(SHARE_OF_MOVE[0] * near, SHARE_RINGING * far),
        SHARE_OF_MOVE[1] * far,
    )
    for _ in range(_PASSES):
        left = np.flatnonzero(~marked)
        if len(left) < SHORT:
            break
        fresh = np.zeros(len(left), dtype=bool)
        for window, by_move in zip((SHORT, LONG), allowed, strict=True):
            off = error_mm[left] - running_median(error_mm[left], window)
            length = np.linalg.norm(off, axis=1)
            # The length of a round scatter of unit sigma has the median 1.1774, not 0.6745.
            scatter = running_median(length[:, None], LONG)[:, 0] / 1.1774
            limit = np.maximum(SCATTERS * np.maximum(scatter, least[left]), by_move[left])
            over = length > limit
            distance[left] = np.where(over & ~fresh, length, distance[left])
            fresh |= over
        if not fresh.any():
            break
        marked[left[fresh]] = True
    return marked, distance
