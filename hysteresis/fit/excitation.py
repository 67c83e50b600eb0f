"""Whether a recording shows what a memory needs: reversals, several excursions, no ceiling."""

from __future__ import annotations

import numpy as np

from hysteresis.errors import DataError
from hysteresis.recording import Observations
from hysteresis.tables import Floats, Pattern

TURN = 0.05  # full scale: a smaller swing is no excursion, nearer levels are the same one
CEILING = 0.1  # share of readings with the very same extreme value that is no chance any more
RISE = 0.1  # full scale by which the drive still varies under a ceiling


def refuse_poor_excitation(pattern: Pattern, seen: Observations) -> None:
    """Raise DataError, with the remedy, where friction and creep cannot be told from the spring.

    Looked at while readings were taken: a drive that never turns back, excursions that all end
    at the same place, readings cut off at the edge of the picture or of the ruler.
    """
    during = (pattern.t_s >= _before(pattern, seen)) & (pattern.t_s <= _after(pattern, seen))
    for axis, drive, values in (
        ("x", pattern.drive_x, seen.x_mm), ("y", pattern.drive_y, seen.y_mm)
    ):  # fmt: skip
        ok = np.isfinite(values)
        if not ok.any() or np.ptp(drive) < TURN:
            continue
        _refuse_ceiling(axis, np.interp(seen.start_s[ok], pattern.t_s, drive), values[ok])
        turns = _turning_points(drive[during])
        if not turns.size:
            raise DataError(
                f"the drive of axis {axis} never turns back while readings were taken, so that "
                "memory cannot be told from the spring; measure a pattern with returns to zero "
                "from several excursions: hysteresis plan RUN"
            )
        levels = np.unique(np.round(np.abs(turns[np.abs(turns) > TURN]) / TURN))
        if levels.size < 2:
            raise DataError(
                f"every excursion of axis {axis} ends at a drive of about "
                f"{np.abs(turns).max():.2f}, so that friction cannot be told from after-effect; "
                "measure a pattern with several excursions: hysteresis plan RUN"
            )


def _before(pattern: Pattern, seen: Observations) -> float:
    """Start of the segment in which the first reading was taken."""
    row = int(np.searchsorted(pattern.t_s, seen.start_s.min(), side="right")) - 1
    return float(pattern.t_s[max(row - 1, 0)])


def _after(pattern: Pattern, seen: Observations) -> float:
    row = int(np.searchsorted(pattern.t_s, float(np.max(seen.start_s + seen.exposure_s))))
    return float(pattern.t_s[min(row, len(pattern.t_s) - 1)])


def _turning_points(drive: Floats) -> Floats:
    """Levels at which the drive turns back by more than `TURN`."""
    out: list[float] = []
    high = low = float(drive[0])
    way = 0
    for u in map(float, drive):
        high, low = max(high, u), min(low, u)
        if way >= 0 and high - u > TURN:
            out += [high] if way > 0 else []
            way, low = -1, u
        elif way <= 0 and u - low > TURN:
            out += [low] if way < 0 else []
            way, high = 1, u
    return np.array(out)


def _refuse_ceiling(axis: str, drive: Floats, values: Floats) -> None:
    for word, edge in (("largest", values.max()), ("smallest", values.min())):
        at = values == edge
        if at.sum() >= 4 and at.mean() > CEILING and np.ptp(drive[at]) > RISE:
            raise DataError(
                f"the readings of axis {axis} are cut off: {100 * at.mean():.0f} % of them have "
                f"the very same {word} value, {edge:.4g} mm, although the drive differed by "
                f"{np.ptp(drive[at]):.2f}; move the camera or the ruler so that the whole field "
                "is seen, and measure again"
            )
