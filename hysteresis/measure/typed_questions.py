"""What to ask about a reading while it is typed; the session itself only stores the answer."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from hysteresis.bench import Bench
from hysteresis.measure.granularity import rounding_step
from hysteresis.measure.neighbours import background_of
from hysteresis.measure.slips import question_about
from hysteresis.measure.typing_session import Session, rows_kept
from hysteresis.tables import Floats, Pattern, TypedSheet

USUAL_STEP_MM = 0.5
"""To what a ruler is read where the values do not show it yet."""


class Questions:
    """Asks about readings of one sheet; what the drive alone says is worked out once."""

    def __init__(self, sheet: TypedSheet, pattern: Pattern, bench: Bench) -> None:
        self._background = background_of(pattern, sheet.t_s, bench)

    def about(self, session: Session, entry: dict[str, Any]) -> str:
        """What is to be asked about the reading in `entry`, or ''; `session` is as before it."""
        read = latest_of(session)
        row = int(entry["row"])
        read[row] = [math.nan if entry[k] is None else entry[k] for k in ("x_mm", "y_mm")]
        trusted = np.zeros(len(read), dtype=bool)
        trusted[list(rows_kept(session))] = True
        step = rounding_step(read.ravel()) or USUAL_STEP_MM
        return question_about(self._background, read, row, step, trusted)


def latest_of(session: Session) -> Floats:
    """Mean of the readings of each step so far, (n, 2) mm; NaN where there is none."""
    read = np.full((len(session.sheet), 2), np.nan)
    for row, readings in session.readings.items():
        values = np.array([(one.x_mm, one.y_mm) for one in readings])
        for axis in range(2):
            own = values[~np.isnan(values[:, axis]), axis] if len(values) else values[:0]
            if own.size:
                read[row, axis] = own.mean()
    return read
