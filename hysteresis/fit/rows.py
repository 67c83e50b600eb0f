"""Which rows of a recording a fit may use."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hysteresis.errors import DataError
from hysteresis.optics import RigOptics
from hysteresis.recording import Observations
from hysteresis.tables import Pattern, Recording, group_of

LEAST_TURN = 0.05  # rad
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


def turned(pattern: Pattern, seen: Observations, nominal: RigOptics) -> RigOptics:
    """The nominal optics with the turn of the axes in which the places were told.

    A camera or ruler may lie askew by any angle: the turn is that of the linear map from drives
    to places (its orthogonal part by the polar decomposition; textbook). Turns below `LEAST_TURN`
    are left to the cross-coupling; with one axis alone, or a map that mirrors, there is none.
    """
    both = np.isfinite(seen.x_mm) & np.isfinite(seen.y_mm)
    if both.sum() < 8:
        return nominal
    middle = seen.start_s[both] + 0.5 * seen.exposure_s[both]
    drives = [np.interp(middle, pattern.t_s, u) for u in (pattern.drive_x, pattern.drive_y)]
    design = np.column_stack([np.ones(int(both.sum())), *drives])
    if np.linalg.matrix_rank(design) < 3:
        return nominal
    places = np.column_stack([seen.x_mm[both], seen.y_mm[both]])
    linear = np.linalg.lstsq(design, places, rcond=None)[0][1:].T
    scale = np.array([nominal.full_scale_x_rad, nominal.full_scale_y_rad])
    u, _, v = np.linalg.svd(linear / scale)
    rotation = u @ v
    turn = float(np.arctan2(rotation[1, 0], rotation[0, 0]))
    if np.linalg.det(rotation) < 0.0 or abs(turn) < LEAST_TURN:
        return nominal
    return replace(nominal, turn_rad=turn)


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
