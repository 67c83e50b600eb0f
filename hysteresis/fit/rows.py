"""Which rows of a recording a fit may use."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hysteresis.errors import DataError
from hysteresis.optics import RigOptics
from hysteresis.recording import Observations
from hysteresis.tables import Floats, Ints, Pattern, Recording, group_of

LEAST_TURN = 0.05  # rad
FARTHEST = 20.0  # full scales
LEAST_SEEN, ALL_SEEN = 0.5, 0.97  # shares of the pattern
WILD = 30.0
READ_EARLY_S, READ_LATE_S = 5.0, 30.0  # that a typed reading may stray from its segment
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
    are left to the cross-coupling; with one axis alone there is none. Raises DataError where the
    places run against the drives or are mirrored.
    """
    both = np.isfinite(seen.x_mm) & np.isfinite(seen.y_mm)
    if both.sum() < 8:
        _refuse_backwards(pattern, seen)
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
    if np.linalg.det(rotation) < 0.0:
        raise DataError(
            "the spots are mirrored: x and y of the recording are exchanged, or one coil pulls the "
            "other way, or the picture is seen from behind; exchange or turn round one axis at "
            "the rig, or its mm in bench.toml, and measure again"
        )
    turn = float(np.arctan2(rotation[1, 0], rotation[0, 0]))
    if abs(turn) < LEAST_TURN:
        return nominal
    return replace(nominal, turn_rad=turn)


def _refuse_backwards(pattern: Pattern, seen: Observations) -> None:
    """Raise DataError where the one axis that was measured runs against its drive."""
    middle = seen.start_s + 0.5 * seen.exposure_s
    for axis, drive, places in (
        ("x", pattern.drive_x, seen.x_mm), ("y", pattern.drive_y, seen.y_mm)
    ):  # fmt: skip
        ok = np.isfinite(places)
        u = np.interp(middle[ok], pattern.t_s, drive)
        if ok.sum() >= 8 and np.ptp(u) > 0 and np.polyfit(u, places[ok], 1)[0] < 0.0:
            raise DataError(
                f"axis {axis} runs against its drive: its coil, or its mm, are reversed; turn "
                "round the coil's leads, or the sign of the readings, and measure again"
            )


def refuse_far_places(
    seen: Observations, nominal_mm: tuple[float, float]
) -> None:
    """Raise DataError for a place that no drive can reach: `FARTHEST` times full scale."""
    for axis, places, full in (
        ("x", seen.x_mm, nominal_mm[0]), ("y", seen.y_mm, nominal_mm[1])
    ):  # fmt: skip
        far = np.flatnonzero(np.abs(places) > FARTHEST * full)
        if far.size:
            row = int(seen.row[far[0]]) + 1
            raise DataError(
                f"row {row} of the recording has {axis}_mm = {places[far[0]]:.4g}, but full scale "
                f"is {full:g} mm: no drive takes the spot there; check the unit of the readings "
                f"and full_scale_{axis}_mm in bench.toml"
            )


def seen_to_the_end(pattern: Pattern, seen: Observations) -> list[str]:
    """A note where the recording ends before the pattern; DataError where it misses most of it."""
    length = float(pattern.t_s[-1] - pattern.t_s[0])
    share = float(np.max(seen.start_s + seen.exposure_s) - pattern.t_s[0]) / length
    if share < LEAST_SEEN:
        raise DataError(
            f"the recording ends after {share * length:.0f} s of a pattern of {length:.0f} s: the "
            "slow part of the memory was not seen; measure the whole pattern"
        )
    if share > ALL_SEEN:
        return []
    return [
        f"the recording ends after {share * length:.0f} s of a pattern of {length:.0f} s: what the "
        "rig did later is only foretold, the after-effect above all"
    ]


def wild_rows(seen: Observations, residual_x_mm: Floats, residual_y_mm: Floats) -> list[str]:
    """A note that names the rows which lie far from the fit."""
    z = np.fmax(
        np.abs(residual_x_mm / seen.sigma_x_mm), np.abs(residual_y_mm / seen.sigma_y_mm)
    )
    typical = float(np.nanmedian(z)) / 0.67  # of normal noise the median is 0.67 sigma
    wild = np.flatnonzero(z > WILD * max(typical, 1.0))
    if not wild.size:
        return []
    shown = ", ".join(str(int(n) + 1) for n in seen.row[wild[:5]])
    more = ", …" if wild.size > 5 else ""
    verb = "row lies" if wild.size == 1 else "rows lie"
    return [
        f"{wild.size} {verb} more than {WILD:.0f} times the usual distance from the fit (row "
        f"{shown}{more} of the recording): look at them, and measure again with them left out "
        "if they are reflections or slips"
    ]


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

    A typed reading may stray from its segment by moments: a person reads at its end, give or take.
    """
    rows = np.flatnonzero(recording.used & np.isfinite(recording.t_s))
    if not rows.size:
        return
    typed = np.array([group_of(s).startswith("reading/") for s in recording.segment[rows]])
    if typed.any():
        _refuse_other_sheet(pattern, recording, rows[typed])
    rows = rows[~typed]
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


def _refuse_other_sheet(pattern: Pattern, recording: Recording, rows: Ints) -> None:
    """Raise DataError when typed readings are of steps that the pattern does not have, or not
    near their times."""
    span: dict[str, tuple[float, float]] = {}
    for k in range(len(pattern) - 1):
        name = pattern.segment[k]
        first = span.get(name, (float(pattern.t_s[k]), 0.0))[0]
        span[name] = first, float(pattern.t_s[k + 1])
    astray = 0
    for n in rows:
        name, t = recording.segment[n], float(recording.t_s[n])
        first, last = span.get(name, (np.inf, -np.inf))
        astray += not first - READ_EARLY_S <= t <= last + READ_LATE_S
    if astray > MOST_ELSEWHERE * len(rows):
        raise DataError(
            f"the readings belong to another pattern: {astray} of {len(rows)} are of steps that "
            "pattern.csv does not have, or not at their times; measure again with the sheet of "
            "the pattern that was played"
        )
