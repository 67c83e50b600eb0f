"""A recording put beside the pattern it belongs to: the one view that all fitting reads.

Measurements are never resampled. The model is simulated on a grid of its own, fine where the
drive turns and coarse while it rests, and averaged over each exposure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hysteresis.errors import DataError
from hysteresis.tables import Bools, Floats, Pattern, Recording, Texts, group_of

TRIFLING_TURN_PER_S = 0.02  # a corner of the drive that shakes nothing a camera could see


@dataclass(frozen=True)
class Observations:
    """Rows of a recording that carry information, in order of time, with their places.

    `start_s`, `exposure_s`: when each was seen, on the clock of the pattern. `x_mm`, `y_mm` and
    their standard deviations: NaN where one axis was not measured. `group` (n,) names the
    pattern group for holding data out. `timed` is False when any row has no time of its own:
    then the row is placed by its segment and no creep can be read from it.
    """

    start_s: Floats
    exposure_s: Floats
    x_mm: Floats
    y_mm: Floats
    sigma_x_mm: Floats
    sigma_y_mm: Floats
    group: Texts
    row: Floats
    timed: bool

    def __len__(self) -> int:
        return len(self.start_s)

    def take(self, rows: Bools) -> Observations:
        """The observations where `rows` is True."""
        arrays = {
            name: getattr(self, name)[rows]
            for name in ("start_s", "exposure_s", "x_mm", "y_mm", "sigma_x_mm", "sigma_y_mm",
                         "group", "row")
        }  # fmt: skip
        return replace(self, **arrays)


def observations(pattern: Pattern, recording: Recording) -> Observations:
    """Used rows of a recording in order of time; rows without a time are placed by segment.

    Raises DataError when nothing usable is left or a segment is not in the pattern.
    """
    start = np.array(recording.t_s, dtype=float)
    timed = bool(np.all(np.isfinite(start[recording.used])))
    if not timed:
        start = _placed_by_segment(pattern, recording, start)
    measured = np.isfinite(recording.x_mm) | np.isfinite(recording.y_mm)
    keep = recording.used & measured & np.isfinite(start)
    if not keep.any():
        raise DataError("the recording has no row that can be used; look at its column 'reason'")
    order = np.flatnonzero(keep)
    order = order[np.argsort(start[order], kind="stable")]
    groups = np.array([group_of(s) for s in recording.segment[order]], dtype=object)
    return Observations(
        start_s=start[order],
        exposure_s=np.asarray(recording.exposure_s, dtype=float)[order],
        x_mm=recording.x_mm[order],
        y_mm=recording.y_mm[order],
        sigma_x_mm=recording.sigma_x_mm[order],
        sigma_y_mm=recording.sigma_y_mm[order],
        group=groups,
        row=order.astype(float),
        timed=timed,
    )


def _placed_by_segment(pattern: Pattern, recording: Recording, start: Floats) -> Floats:
    """The end of the reading's own segment in the pattern, where the recording has no time."""
    last: dict[str, float] = {}
    for k in range(len(pattern) - 1):
        last[pattern.segment[k]] = float(pattern.t_s[k + 1])
    out = start.copy()
    for n in np.flatnonzero(~np.isfinite(start)):
        name = recording.segment[n]
        if name not in last:
            raise DataError(
                f"row {n + 1} of the recording names a segment {name!r} that the "
                "pattern does not have; measure again with the right pattern"
            )
        out[n] = last[name]
    return out


@dataclass(frozen=True)
class Grid:
    """Times at which a drive is simulated (n,), the step to each, and the drive there."""

    t_s: Floats
    step_s: Floats
    drive_x: Floats
    drive_y: Floats


def simulation_grid(
    t_s: Floats,
    drive_x: Floats,
    drive_y: Floats,
    *,
    fine_step_s: float = 0.001,
    settle_s: float = 0.15,
    growth: float = 0.08,
    longest_step_s: float = 0.1,
    longest_move: float = 0.01,
) -> Grid:
    """A grid for a piecewise-linear drive: every vertex is on it, fine after each corner.

    A corner shakes the mirror's resonance, so for `settle_s` after one that turns the drive by
    more than a trifle the step is `fine_step_s`; then it grows by `growth` × the time since, up
    to `longest_step_s`, and never further than `longest_move` full scale of drive.
    Neighbouring steps differ by less than the factor 2.41 within which variable-step BDF2 is
    stable, but for single ones at vertices that lie close together.
    """
    slope_x, slope_y = np.diff(drive_x) / np.diff(t_s), np.diff(drive_y) / np.diff(t_s)
    turn = np.maximum(np.abs(np.diff(slope_x, prepend=0.0)), np.abs(np.diff(slope_y, prepend=0.0)))
    speed = np.maximum(np.abs(slope_x), np.abs(slope_y))
    pieces = [t_s[:1]]
    since = np.inf  # time since the last corner
    for k in range(len(slope_x)):
        length = t_s[k + 1] - t_s[k]
        if turn[k] > TRIFLING_TURN_PER_S:
            since = 0.0
        ceiling = longest_step_s
        if speed[k] > 0:
            ceiling = max(min(ceiling, longest_move / speed[k]), fine_step_s)
        steps = _graded(length, since, fine_step_s, settle_s, growth, ceiling)
        pieces.append(t_s[k] + np.cumsum(steps) * (length / steps.sum()))
        pieces[-1][-1] = t_s[k + 1]
        since += length
    nodes = np.concatenate(pieces)
    return Grid(
        t_s=nodes,
        step_s=np.diff(nodes, prepend=nodes[0] - fine_step_s),
        drive_x=np.interp(nodes, t_s, drive_x),
        drive_y=np.interp(nodes, t_s, drive_y),
    )


def _graded(
    length: float, since: float, fine: float, settle: float, growth: float, ceiling: float
) -> Floats:
    """Steps that about fill `length`, starting `since` seconds after a corner."""
    steps: list[float] = []
    local, total = since, 0.0
    if local < settle:
        count = int(np.ceil(min(settle - local, length) / fine))
        steps += [fine] * count
        local += count * fine
        total += count * fine
    while total < length * (1 - 1e-9):
        step = fine + growth * (local - settle)
        if step >= ceiling:
            count = int(np.ceil((length - total) / ceiling - 1e-9))
            steps += [ceiling] * count
            break
        steps.append(step)
        local += step
        total += step
    return np.array(steps)


def average(grid: Grid, values: Floats, start_s: Floats, exposure_s: Floats) -> Floats:
    """What the camera would see: `values` (n,) or (n, p) on the grid, averaged per exposure."""
    from hysteresis.kernels.exposure import average_columns

    columns = np.ascontiguousarray(values.reshape(len(values), -1), dtype=float)
    out = average_columns(grid.t_s, columns, np.asarray(start_s, float),
                          np.asarray(exposure_s, float))  # fmt: skip
    return out.reshape((len(start_s), *values.shape[1:]))
