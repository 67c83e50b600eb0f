"""Time stamps that are rounded more coarsely than the camera keeps its beat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hysteresis.measure.camera_log import Frames
from hysteresis.measure.granularity import rounding_step
from hysteresis.tables import Floats, Ints

COARSE_S = 5e-4
"""Steps of the stamps below this do no harm worth mending."""
_BEAT = 61  # frames over which the beat is averaged
_WITHIN = 0.6  # steps that a stamp may lie off the beat when rounding alone puts it there
_SHARE = 0.98


def on_the_beat(frames: Frames) -> tuple[Frames, tuple[str, ...]]:
    """The frames with rounded stamps put back on the camera's own beat, and a note.

    Only where the stamps are multiples of a coarse step and lie off a running mean of the beat by
    no more than rounding explains: frames that really come unevenly keep their stamps. A beat that
    meets the step in n phases keeps an error of up to the 2n-th part of a step.
    """
    step = rounding_step(frames.t_s, largest=0.05, smallest=COARSE_S)
    if step == 0.0 or len(frames.t_s) < 2 * _BEAT:
        return frames, ()
    straying = _straying(frames.frame, frames.t_s)
    off = straying - _running_mean(straying)
    if float(np.mean(np.abs(off) <= _WITHIN * step + 1e-9)) < _SHARE:
        return frames, ()
    return replace(frames, t_s=frames.t_s - off), (
        f"frame times are rounded to {1e3 * step:g} ms; the camera's steady beat was put in their "
        "place",
    )


def _straying(frame: Ints, t_s: Floats) -> Floats:
    """Stamps less a straight line through frame numbers."""
    number = frame - frame[0]
    line = np.polyfit(number, t_s - t_s[0], 1)
    return np.asarray(t_s - t_s[0] - np.polyval(line, number))


def _running_mean(values: Floats) -> Floats:
    """Mean over `_BEAT` rows; at the ends over the last ones."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    row = np.arange(len(values))
    first = np.clip(row - _BEAT // 2, 0, len(values) - _BEAT)
    return np.asarray((total[first + _BEAT] - total[first]) / _BEAT)
