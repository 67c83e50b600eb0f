"""Verification: the error left on the own path, before and after compensation, with intervals.

`verify_played` compares the wanted spots with those played without and with compensation. The
error of a played job is known as such; the interval says how far a figure would move if the job
were made of other layers of the same kind. It is the percentile interval of a block bootstrap
(Efron & Tibshirani, An Introduction to the Bootstrap, ch. 8 and 13; from memory): whole layers
are drawn with replacement, since the error within a layer hangs together, and before and after
are drawn alike, so that the ratio profits from the pairing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.bootstrap import Estimate, drawn_figures, estimate
from hysteresis.path_error import (
    Park,
    PathError,
    PathFigures,
    StartError,
    is_film,
    path_error,
    path_figures,
    start_errors,
)
from hysteresis.paths.marks import Marks, mark_path
from hysteresis.tables import Floats, Ints, SpotPath

DRAWS = 2000
FEWEST_BLOCKS, MOST_BLOCKS = 5, 200
LEAST_PARK_MM = 0.5
"""A park nearer than this to where the next trace begins is no excursion."""
COARSE_S = 0.011


@dataclass(frozen=True)
class Row:
    """One line of the table of before and after. `ratio` is before / after; None: not told."""

    key: str
    name: str
    unit: str
    before: Estimate | None
    after: Estimate | None
    ratio: Estimate | None


@dataclass(frozen=True)
class Forecast:
    """What was foretold before anything was played, mm: rms of the error on the traced path."""

    before_rms_mm: float
    after_rms_mm: float
    after_low_mm: float
    after_high_mm: float


@dataclass(frozen=True)
class LayerFigures:
    """Figures of one layer, numbered from 0; None where nothing of it was played."""

    layer: int
    before: PathFigures | None
    after: PathFigures | None


@dataclass(frozen=True)
class Verification:
    """What playing a job showed. `before` and `after` belong to the plain and compensated drive.

    `blocks` counts what the bootstrap drew, `block_kind` names it. `covered` tells whether the
    forecast's interval holds the played rms (None: nothing to compare).
    """

    planned: SpotPath
    marks: Marks
    rows: tuple[Row, ...]
    before: PathError | None
    after: PathError | None
    before_figures: PathFigures | None
    after_figures: PathFigures | None
    layers: tuple[LayerFigures, ...]
    starts_before: tuple[StartError, ...]
    starts_after: tuple[StartError, ...]
    forecast: Forecast | None
    covered: bool | None
    tolerance_mm: float | None
    blocks: int
    block_kind: str
    notes: tuple[str, ...]

    def row(self, key: str) -> Row | None:
        """The row of this key: rms, q95, worst, bias, bias_x, bias_y, outside or start."""
        return next((row for row in self.rows if row.key == key), None)


def verify_played(
    planned: SpotPath,
    plain: SpotPath | None,
    compensated: SpotPath | None,
    forecast: Forecast | None = None,
    *,
    tolerance_mm: float | None = None,
    seed: int = 1,
) -> Verification:
    """Compare spots played without and with compensation with the wanted ones.

    All times are on one clock with 0 at the start of the drive. Either of the played paths may
    be None. Raises DataError when the wanted path traces nothing or a played path misses it.
    """
    if len(planned) < 2:
        # path_error says so in its own words
        path_error(planned, planned)
    marks = mark_path(planned)
    played = {"before": plain, "after": compensated}
    errors = {
        key: None if path is None else path_error(planned, path) for key, path in played.items()
    }
    figures = {
        key: None if error is None else path_figures(error, tolerance_mm)
        for key, error in errors.items()
    }
    parks = parks_before_traces(planned, marks)
    starts = {
        key: () if error is None else start_errors(error, parks) for key, error in errors.items()
    }
    block_of_row, kind = _blocks(planned, marks)
    rows = _rows(errors, figures, starts, block_of_row, tolerance_mm, seed)
    after_figures = figures["after"]
    covered = None
    if forecast is not None and after_figures is not None:
        covered = forecast.after_low_mm <= after_figures.rms_mm <= forecast.after_high_mm
    return Verification(
        planned=planned,
        marks=marks,
        rows=rows,
        before=errors["before"],
        after=errors["after"],
        before_figures=figures["before"],
        after_figures=after_figures,
        layers=_by_layer(errors, marks, tolerance_mm),
        starts_before=starts["before"],
        starts_after=starts["after"],
        forecast=forecast,
        covered=covered,
        tolerance_mm=tolerance_mm,
        blocks=int(block_of_row.max()) + 1,
        block_kind=kind,
        notes=_notes(planned, played, errors, figures),
    )


def parks_before_traces(planned: SpotPath, marks: Marks) -> tuple[Park, ...]:
    """For each trace that follows a park: the farthest park since the trace before it.

    A short stop on the first point itself does not hide the long one at the side.
    """
    found: list[Park] = []
    since: list[int] = []
    spans = marks.spans
    for number, span in enumerate(spans):
        if span.kind == "park":
            since.append(number)
        if span.kind != "trace":
            continue
        x, y = planned.x_mm[span.first], planned.y_mm[span.first]

        def away(n: int, x: float = x, y: float = y) -> float:
            row = spans[n].first
            return float(np.hypot(planned.x_mm[row] - x, planned.y_mm[row] - y))

        if since and away(max(since, key=away)) >= LEAST_PARK_MM:
            park = spans[max(since, key=away)]
            found.append(
                Park(
                    layer=span.layer,
                    x_mm=float(planned.x_mm[park.first]),
                    y_mm=float(planned.y_mm[park.first]),
                    begins_s=park.start_s,
                    ends_s=park.end_s,
                    trace_x_mm=float(x),
                    trace_y_mm=float(y),
                    trace_from_s=span.start_s,
                    trace_to_s=span.end_s,
                )
            )
        since = []
    return tuple(found)


def _by_layer(
    errors: dict[str, PathError | None], marks: Marks, tolerance_mm: float | None
) -> tuple[LayerFigures, ...]:
    out = []
    traced = sorted({span.layer for span in marks.spans_of("trace")})
    for layer in traced:
        found: dict[str, PathFigures | None] = {}
        for key, error in errors.items():
            mine = None if error is None else error.take(marks.layer[error.row] == layer)
            found[key] = (
                path_figures(mine, tolerance_mm) if mine is not None and mine.t_s.size else None
            )
        out.append(LayerFigures(layer, found["before"], found["after"]))
    return tuple(out)


# ---- the table and its intervals ---------------------------------------------------------------


def _blocks(planned: SpotPath, marks: Marks) -> tuple[Ints, str]:
    """Block of every row of the wanted path, and what the blocks are.

    Layers where there are five or more, else single traces, else a tenth of the traced time.
    """
    traces = marks.spans_of("trace")
    layers = sorted({span.layer for span in traces})
    number = np.zeros(len(planned), dtype=np.int64)
    if len(layers) >= FEWEST_BLOCKS:
        place = {layer: k for k, layer in enumerate(layers)}
        for span in traces:
            number[span.first : span.last + 1] = place[span.layer]
        kind, count = "layers", len(layers)
    elif len(traces) >= FEWEST_BLOCKS:
        for k, span in enumerate(traces):
            number[span.first : span.last + 1] = k
        kind, count = "traces", len(traces)
    else:
        on = np.append(np.where(planned.beam[:-1], np.diff(planned.t_s), 0.0), 0.0)
        passed = np.cumsum(on) - on / 2.0
        number = np.minimum((10.0 * passed / on.sum()).astype(np.int64), 9)
        number = np.unique(number, return_inverse=True)[1].astype(np.int64)
        kind, count = "parts of the trace", int(number.max()) + 1
    if count > MOST_BLOCKS:
        number = number * MOST_BLOCKS // count
    return number, kind


def _values(figures: PathFigures) -> dict[str, float]:
    return {
        "rms": figures.rms_mm,
        "q95": figures.q95_mm,
        "worst": figures.worst_mm,
        "bias": figures.bias_mm,
        "bias_x": figures.mean_x_mm,
        "bias_y": figures.mean_y_mm,
        "outside": 100.0 * figures.outside_share,
    }


_NAMES = {
    "rms": ("error on the traced path, rms", "mm"),
    "q95": ("95 % of the trace is nearer than", "mm"),
    "worst": ("farthest off at any place", "mm"),
    "bias": ("shift as a whole (mean error)", "mm"),
    "bias_x": ("  its part in x", "mm"),
    "bias_y": ("  its part in y", "mm"),
    "outside": ("trace time further off than {tolerance:g} mm", "%"),
}
_WITH_RATIO = ("rms", "q95", "worst", "bias", "start")


def _rows(
    errors: dict[str, PathError | None],
    figures: dict[str, PathFigures | None],
    starts: dict[str, tuple[StartError, ...]],
    block_of_row: Ints,
    tolerance_mm: float | None,
    seed: int,
) -> tuple[Row, ...]:
    count = int(block_of_row.max()) + 1
    rng = np.random.default_rng(seed)
    draws = rng.multinomial(count, np.full(count, 1.0 / count), DRAWS).astype(float)
    drawn: dict[str, dict[str, Floats]] = {}
    for key, error in errors.items():
        if error is not None:
            drawn[key] = drawn_figures(error, block_of_row[error.row], count, draws, tolerance_mm)
    values = {key: _values(f) for key, f in figures.items() if f is not None}
    rows = []
    for name, (text, unit) in _NAMES.items():
        if name == "outside" and tolerance_mm is None:
            continue
        text = text.format(tolerance=tolerance_mm)
        rows.append(_row(name, text, unit, values, {k: d.get(name) for k, d in drawn.items()}))
    begun = {key: np.array([s.distance_mm for s in found]) for key, found in starts.items()}
    parks = max(len(found) for found in begun.values())
    if parks:
        again = rng.integers(0, parks, (DRAWS, parks))
        ends = {
            key: np.sqrt(np.mean(found[again] ** 2, axis=1)) if len(found) == parks > 2 else None
            for key, found in begun.items()
        }
        rms = {
            key: {"start": float(np.sqrt(np.mean(found**2)))}
            for key, found in begun.items()
            if len(found)
        }
        text = f"where a trace begins after a park, rms of {parks}"
        rows.append(_row("start", text, "mm", rms, ends))
    return tuple(rows)


def _row(
    key: str,
    text: str,
    unit: str,
    values: dict[str, dict[str, float]],
    drawn: dict[str, Floats | None],
) -> Row:
    cells = {side: estimate(found[key], drawn.get(side)) for side, found in values.items()}
    before, after, ratio = cells.get("before"), cells.get("after"), None
    if before is not None and after is not None and key in _WITH_RATIO and after.value > 0:
        one, two = drawn.get("before"), drawn.get("after")
        ratios = None
        if one is not None and two is not None:
            with np.errstate(invalid="ignore", divide="ignore"):
                ratios = one / two
        ratio = estimate(before.value / after.value, ratios)
    return Row(key, text, unit, before, after, ratio)


def _notes(
    planned: SpotPath,
    played: dict[str, SpotPath | None],
    errors: dict[str, PathError | None],
    figures: dict[str, PathFigures | None],
) -> tuple[str, ...]:
    """What a reader of the table ought to know, in plain words."""
    names = {"before": "without compensation", "after": "with compensation"}
    notes = []
    for key, error in errors.items():
        path = played[key]
        if error is None or path is None:
            continue
        if error.seen_share < 0.999:
            notes.append(
                f"only {100 * error.seen_share:.1f} % of the trace was played {names[key]}; the "
                "figures are those of that part"
            )
        step_s = float(np.median(np.diff(path.t_s)))
        if is_film(planned, path):
            notes.append(
                f"the spots played {names[key]} are {1000 * step_s:.0f} ms apart; each is compared "
                "where it was seen, and what the spot did between them is not known"
            )
        elif step_s > COARSE_S:
            notes.append(
                f"the spots played {names[key]} are {1000 * step_s:.0f} ms apart and joined by "
                "straight lines, which adds error on curves and at corners"
            )
    before, after = figures["before"], figures["after"]
    if before is not None and after is not None:
        if after.rms_mm >= before.rms_mm:
            notes.append(
                "the compensated job is no better than the plain one; do not use this model on "
                "this rig before you know why: another unit, drift since the characterisation, a "
                "past that the model was not told, or a clock that differs"
            )
        shares = [error.seen_share for error in errors.values() if error is not None]
        if abs(shares[0] - shares[-1]) > 0.01:
            notes.append("before and after were not played over the same part of the trace")
    return tuple(notes)
