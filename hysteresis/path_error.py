"""Figures of a played path: how far the spot was from where it was wanted, while tracing.

Beside `metrics`. Error vector: played minus wanted spot at the same time, over every interval in
which the wanted beam is on; all means are weighted by time. Pose accuracy of ISO 9283 (distance
from command to barycentre; from memory) is the distance of `mean_x_mm`, `mean_y_mm` from zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.errors import DataError
from hysteresis.tables import Bools, Floats, Ints, SpotPath

STEP_S = 0.005
"""The error is looked at no more coarsely than this; both paths are straight between rows."""
FEWEST_FRAMES = 50
"""Fewer rows than this are vertices that somebody wrote, not a film."""
STARTS_S = 0.05
"""Where a trace begins: the mean error over its first so many seconds."""


@dataclass(frozen=True)
class PathError:
    """Error vectors of a played path, one per short piece of the wanted trace; arrays (n,).

    `t_s`: middle of the piece; `weight_s`: its length; `x_mm`, `y_mm`: the wanted spot;
    `dx_mm`, `dy_mm`: played minus wanted; `row`: the wanted path's row whose interval it is in.
    `seen_share`: the part of the traced time that was played.
    """

    t_s: Floats
    weight_s: Floats
    x_mm: Floats
    y_mm: Floats
    dx_mm: Floats
    dy_mm: Floats
    row: Ints
    seen_share: float

    @property
    def distance_mm(self) -> Floats:
        """Length of each error vector."""
        return np.hypot(self.dx_mm, self.dy_mm)

    def take(self, rows: Bools) -> PathError:
        """The pieces where `rows` is True."""
        names = ("t_s", "weight_s", "x_mm", "y_mm", "dx_mm", "dy_mm", "row")
        return PathError(
            **{name: getattr(self, name)[rows] for name in names}, seen_share=self.seen_share
        )


@dataclass(frozen=True)
class PathFigures:
    """Figures of a path error, mm and s.

    `rms_mm`: √(mean of |e|²). `mean_x_mm`, `mean_y_mm`: mean error vector (bias), `bias_mm` its
    length. `q95_mm`: 95 % of the traced time is nearer than this. `worst_mm` stands at
    (`worst_x_mm`, `worst_y_mm`) of the wanted path at `worst_t_s`. `outside_share`: part of the
    traced time further off than the tolerance (NaN without one).
    """

    rms_mm: float
    mean_x_mm: float
    mean_y_mm: float
    bias_mm: float
    q95_mm: float
    worst_mm: float
    worst_x_mm: float
    worst_y_mm: float
    worst_t_s: float
    outside_share: float
    traced_s: float


def path_error(planned: SpotPath, played: SpotPath) -> PathError:
    """Error vectors of `played` against `planned`, on one clock.

    Every interval of the wanted path with the beam on is cut into pieces of `STEP_S` or less,
    and both paths are taken at their middles, straight between their rows. Spots of a film, which
    come less often than that, are never interpolated: each is compared where it was seen.

    Raises DataError when nothing is traced, or nothing of the trace was played.
    """
    on = planned.beam[:-1] if len(planned) > 1 else np.zeros(0, dtype=bool)
    row = np.flatnonzero(on)
    if not row.size:
        raise DataError("the wanted path never has the beam on, so there is no trace to compare")
    length = planned.t_s[row + 1] - planned.t_s[row]
    if is_film(planned, played):
        return _error_at_frames(planned, played)
    pieces = np.maximum(1, np.ceil(length / STEP_S - 1e-9)).astype(np.int64)
    weight = np.repeat(length / pieces, pieces)
    within = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    rows = np.repeat(row, pieces).astype(np.int64)
    t = planned.t_s[rows] + (within + 0.5) * weight
    played_then = (t >= played.t_s[0]) & (t <= played.t_s[-1])
    share = float(weight[played_then].sum() / weight.sum())
    if share <= 0.0:
        raise DataError(
            f"the spots were played from {played.t_s[0]:.1f} to {played.t_s[-1]:.1f} s, but the "
            f"wanted path traces from {t[0]:.1f} to {t[-1]:.1f} s; put both on one clock, with "
            "0 at the start of the drive"
        )
    rows, weight, t = rows[played_then], weight[played_then], t[played_then]
    x, y = (np.interp(t, planned.t_s, a) for a in (planned.x_mm, planned.y_mm))
    return PathError(
        t_s=t,
        weight_s=weight,
        x_mm=x,
        y_mm=y,
        dx_mm=np.interp(t, played.t_s, played.x_mm) - x,
        dy_mm=np.interp(t, played.t_s, played.y_mm) - y,
        row=rows,
        seen_share=share,
    )


def is_film(planned: SpotPath, played: SpotPath) -> bool:
    """Whether spots come so seldom that straight lines between them would cut the path short."""
    if len(played) < FEWEST_FRAMES or len(planned) < FEWEST_FRAMES:
        return False
    apart_s, step_s = np.median(np.diff(played.t_s)), np.median(np.diff(planned.t_s))
    return bool(apart_s > 2.0 * STEP_S and apart_s > 2.0 * step_s)


def _error_at_frames(planned: SpotPath, played: SpotPath) -> PathError:
    """Error vectors at the spots themselves, each standing for one frame interval."""
    row = np.searchsorted(planned.t_s, played.t_s, side="right") - 1
    inside = (row >= 0) & (row < len(planned) - 1)
    seen = inside & planned.beam[np.clip(row, 0, len(planned) - 1)]
    if not seen.any():
        raise DataError(
            "no filmed spot falls on the trace of the wanted path; put both on one clock, with 0 "
            "at the start of the drive"
        )
    t = played.t_s[seen]
    frame_s = float(np.median(np.diff(played.t_s)))
    traced_s = float(np.diff(planned.t_s)[planned.beam[:-1]].sum())
    x, y = (np.interp(t, planned.t_s, a) for a in (planned.x_mm, planned.y_mm))
    return PathError(
        t_s=t,
        weight_s=np.full(len(t), frame_s),
        x_mm=x,
        y_mm=y,
        dx_mm=played.x_mm[seen] - x,
        dy_mm=played.y_mm[seen] - y,
        row=row[seen].astype(np.int64),
        seen_share=min(1.0, len(t) * frame_s / traced_s),
    )


def path_figures(error: PathError, tolerance_mm: float | None = None) -> PathFigures:
    """The figures of an error; see `PathFigures` for their definitions."""
    w = error.weight_s / error.weight_s.sum()
    distance = error.distance_mm
    mean_x, mean_y = float(w @ error.dx_mm), float(w @ error.dy_mm)
    worst = int(np.argmax(distance))
    outside = np.nan if tolerance_mm is None else float(w[distance > tolerance_mm].sum())
    return PathFigures(
        rms_mm=float(np.sqrt(w @ distance**2)),
        mean_x_mm=mean_x,
        mean_y_mm=mean_y,
        bias_mm=float(np.hypot(mean_x, mean_y)),
        q95_mm=weighted_quantile(distance, error.weight_s, 0.95),
        worst_mm=float(distance[worst]),
        worst_x_mm=float(error.x_mm[worst]),
        worst_y_mm=float(error.y_mm[worst]),
        worst_t_s=float(error.t_s[worst]),
        outside_share=outside,
        traced_s=float(error.weight_s.sum()),
    )


def weighted_quantile(values: Floats, weights: Floats, share: float) -> float:
    """The smallest value that at least `share` of the weight does not exceed."""
    order = np.argsort(values)
    passed = np.cumsum(weights[order])
    place = int(np.searchsorted(passed, share * passed[-1] * (1.0 - 1e-12)))
    return float(values[order][min(place, len(values) - 1)])


@dataclass(frozen=True)
class StartError:
    """Error where a trace begins, after the beam was off: mean over its first 50 ms.

    After a park this is the return-to-zero error that the job itself suffers: `park_x_mm`,
    `park_y_mm` is where the spot waited, `dwell_s` for how long, `wait_s` the time from leaving
    the park to the trace. `excursion_*_mm` is the park seen from where the trace begins.
    """

    layer: int
    t_s: float
    x_mm: float
    y_mm: float
    dx_mm: float
    dy_mm: float
    excursion_x_mm: float
    excursion_y_mm: float
    dwell_s: float
    wait_s: float

    @property
    def distance_mm(self) -> float:
        """Length of the error vector."""
        return float(np.hypot(self.dx_mm, self.dy_mm))


@dataclass(frozen=True)
class Park:
    """One park of a wanted path and the trace that follows it: times in s, places in mm."""

    layer: int
    x_mm: float
    y_mm: float
    begins_s: float
    ends_s: float
    trace_x_mm: float
    trace_y_mm: float
    trace_from_s: float
    trace_to_s: float


def start_errors(error: PathError, parks: tuple[Park, ...]) -> tuple[StartError, ...]:
    """Error where the trace begins after each park whose trace was played."""
    found = []
    for park in parks:
        until = min(park.trace_from_s + STARTS_S, park.trace_to_s)
        rows = slice(*np.searchsorted(error.t_s, (park.trace_from_s, until)))
        w = error.weight_s[rows]
        if not w.size:
            continue
        w = w / w.sum()
        x, y = park.trace_x_mm, park.trace_y_mm
        found.append(
            StartError(
                layer=park.layer,
                t_s=park.trace_from_s,
                x_mm=x,
                y_mm=y,
                dx_mm=float(w @ error.dx_mm[rows]),
                dy_mm=float(w @ error.dy_mm[rows]),
                excursion_x_mm=park.x_mm - x,
                excursion_y_mm=park.y_mm - y,
                dwell_s=park.ends_s - park.begins_s,
                wait_s=park.trace_from_s - park.ends_s,
            )
        )
    return tuple(found)
