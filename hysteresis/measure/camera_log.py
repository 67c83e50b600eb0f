"""A camera log put in order: sorted by frame, repeated frames marked, gaps counted.

Nothing is dropped: every row of the log stays, and carries a reason when it is not to be used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.errors import InputError
from hysteresis.tables import CameraLog, Floats, Ints, Texts

REPEATED = "frame repeated"
CONTRADICTED = "frame repeated with another time or place"
SAME_TIME = "same time as the frame before"
NO_WEIGHT = "weight 0 in the log"
NO_PLACE = "no place in the log"


@dataclass(frozen=True)
class Frames:
    """The rows of a log in the order of their frames; `reason` is '' for a row that can be used.

    `row` is the place of each in the log as it was read (from 0). `missing` counts the frame
    numbers that the log skips, `longest_gap_s` is the longest time from one row to the next.
    """

    row: Ints
    frame: Ints
    t_s: Floats
    u_px: Floats
    v_px: Floats
    reason: Texts
    missing: int
    longest_gap_s: float
    frame_s: float


def ordered(log: CameraLog) -> Frames:
    """Sort a log by frame number and mark what cannot be used.

    Raises `InputError` when time goes back from one frame to the next, or for fewer than two
    frames.
    """
    order = np.lexsort((np.arange(len(log)), log.t_s, log.frame))
    frame, t = log.frame[order], log.t_s[order]
    u, v, weight = log.u_px[order], log.v_px[order], log.weight[order]
    reason = np.full(len(order), "", dtype=object)

    first = np.concatenate([[True], np.diff(frame) > 0])[: len(order)]
    group = np.cumsum(first) - 1
    starts = np.flatnonzero(first)
    alike = t == t[starts][group]
    for place in (u, v):
        first_place = place[starts][group]
        alike &= (place == first_place) | (np.isnan(place) & np.isnan(first_place))
    contradicted = np.zeros(len(starts), dtype=bool)
    np.logical_or.at(contradicted, group, ~alike)
    reason[~first] = REPEATED
    reason[contradicted[group]] = CONTRADICTED

    if len(starts) < 2:
        raise InputError("the camera log holds fewer than two frames", mend="record a longer one")
    step = np.diff(t[starts])
    if np.any(step < 0):
        k = int(np.argmax(step < 0))
        raise InputError(
            f"time goes back from frame {frame[starts[k]]} to frame {frame[starts[k + 1]]}",
            row=int(order[starts[k + 1]]) + 2,
            column="t_s",
            value=float(t[starts[k + 1]]),
            mend="write the camera's own time of each frame",
        )
    stopped = starts[1:][step == 0]
    reason[stopped[reason[stopped] == ""]] = SAME_TIME
    # what the tracker says of a frame that it does not trust is worth more than that it does not
    said = np.where(log.note[order] == "", NO_WEIGHT, log.note[order])
    distrusted = (weight == 0) & (reason == "")
    reason[distrusted] = said[distrusted]
    placeless = (np.isnan(u) | np.isnan(v)) & (reason == "")
    reason[placeless] = NO_PLACE
    if not np.any(step > 0):
        raise InputError("all frames of the camera log bear the same time", column="t_s")
    return Frames(
        row=order.astype(np.int64),
        frame=frame,
        t_s=t,
        u_px=u,
        v_px=v,
        reason=reason,
        missing=int((np.diff(frame[starts]) - 1).sum()),
        longest_gap_s=float(step.max()),
        frame_s=float(np.median(step[step > 0])),
    )
