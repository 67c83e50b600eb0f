"""Which rows of a recording a fit may use."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hysteresis.errors import DataError
from hysteresis.recording import Observations
from hysteresis.tables import Pattern, Recording, group_of

MOST_ELSEWHERE = 0.05  # share of rows that may straddle a border of segments


def driven_only(pattern: Pattern, seen: Observations) -> Observations:
    """Leave out the axis that a pattern for the other one never drives: a camera sees it too."""
    still = {"x": not np.any(pattern.drive_x), "y": not np.any(pattern.drive_y)}
    if all(still.values()):
        return seen
    nothing = np.full(len(seen), np.nan)
    return replace(
        seen,
        x_mm=nothing if still["x"] else seen.x_mm,
        y_mm=nothing if still["y"] else seen.y_mm,
    )


def after_conditioning(pattern: Pattern, seen: Observations) -> Observations:
    """Leave out what was seen before the first conditioning ended: friction is unknown then."""
    kinds = [name.split("/")[0] for name in pattern.segment]
    if "conditioning" not in kinds:
        return seen
    first = kinds.index("conditioning")
    last = first
    while last < len(kinds) and kinds[last] == "conditioning":
        last += 1
    until = pattern.t_s[min(last, len(pattern) - 1)]
    late = seen.take(seen.start_s >= until)
    if len(late) < 2:
        raise DataError(
            "nothing usable was measured after the conditioning at the start; "
            "measure the whole pattern"
        )
    return late


def refuse_another_pattern(pattern: Pattern, recording: Recording) -> None:
    """Raise DataError when a recording's segments are not where the pattern has them.

    Typed readings are passed over: a person reads at the end of a segment, give or take a moment.
    """
    rows = np.flatnonzero(recording.used & np.isfinite(recording.t_s))
    rows = rows[[not group_of(s).startswith("reading/") for s in recording.segment[rows]]]
    if not rows.size:
        return
    at = np.searchsorted(pattern.t_s, recording.t_s[rows], side="right") - 1
    there = pattern.segment[np.clip(at, 0, len(pattern) - 1)]
    apart = np.mean([a != b for a, b in zip(recording.segment[rows], there, strict=True)])
    if apart > MOST_ELSEWHERE:
        raise DataError(
            f"the recording belongs to another pattern: {100 * apart:.0f} % of its rows are in "
            "other segments than pattern.csv has at their times; measure again with the pattern "
            "that was played"
        )
