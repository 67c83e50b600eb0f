"""The forecast in detail: the error foretold at every place of a job, and what it is made of.

Same sources of doubt as `forecast_on_path`, told place by place instead of over the whole trace,
and with those of the output beside them. Each is told in mm as an rms distance; independent
sources add in square (JCGM 100, 5.1.2). The interval of a place comes from draws of all of them
(propagation of distributions, JCGM 101; the shortest interval, its 5.3.4; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from hysteresis.bench import Bench
from hysteresis.compensate.forecast import (
    AHEAD_FREEDOM,
    DRAWS,
    LEAST,
    _held_out,
    played_grid,
)
from hysteresis.compensate.limits import Excess
from hysteresis.compensate.map_places import JobPlaces
from hysteresis.model import FittedModel
from hysteresis.optics import nominal_optics
from hysteresis.tables import Floats, Ints, Pattern
from hysteresis.uncertainty_budget import Budget, Component

LEVEL = 0.95
AT_ONCE = 200  # places whose draws are held together
WORST = 10
APART = 0.05  # of the field's extent: worst places nearer than this are one place
CAUSES = {
    "numbers": "doubt of the model's numbers",
    "form": "what the model's form leaves",
    "ahead": "drift since the recording",
    "zero": "absolute place (registration, zero)",
    "steps": "steps of the output",
    "limits": "limits not met",
}
"""Sources of the error against the planned spots, in words."""
EXTRA = {"smoothing": "smoothing of the path", "camera": "noise of the camera"}
"""Further ones: against the path as it was drawn, and in a film of the job."""


@dataclass(frozen=True)
class ForecastMap:
    """Errors foretold at traced places (m,), mm as distances.

    `rms_mm`: of the distance, all sources; `low_mm`, `high_mm`: 95 % interval of the distance at
    that place alone; `parts`: rms of each source by the names of `CAUSES`. `smoothing_mm`: the
    farthest that smoothing moved a traced spot from the path as drawn. `camera_mm`: noise of
    one spot in a film (0: not known). `looked_at`: which part of the job the places stand for.
    `outline` (4, k): t_s, x_mm, y_mm, layer of the trace, to be drawn.
    """

    t_s: Floats
    x_mm: Floats
    y_mm: Floats
    layer: Ints
    line: Ints
    rms_mm: Floats
    low_mm: Floats
    high_mm: Floats
    parts: dict[str, Floats]
    smoothing_mm: float
    camera_mm: float
    looked_at: str
    notes: tuple[str, ...]
    outline: Floats

    def cause(self, place: int) -> str:
        """The largest source at a place, in words."""
        return CAUSES[max(self.parts, key=lambda name: float(self.parts[name][place]))]

    @property
    def whole_rms_mm(self) -> float:
        """Over all places."""
        return float(np.sqrt(np.mean(self.rms_mm**2)))

    def to_json(self) -> dict[str, Any]:
        """Plain content; distances to 0.1 µm."""
        rounded = {
            name: np.round(getattr(self, name), 4).tolist()
            for name in ("t_s", "x_mm", "y_mm", "rms_mm", "low_mm", "high_mm")
        }
        return {
            **rounded,
            "layer": self.layer.tolist(),
            "line": self.line.tolist(),
            "parts": {name: np.round(v, 4).tolist() for name, v in self.parts.items()},
            "whole_rms_mm": self.whole_rms_mm,
            "smoothing_mm": self.smoothing_mm,
            "camera_mm": self.camera_mm,
            "looked_at": self.looked_at,
            "notes": list(self.notes),
            "budget": error_budget(self).to_json(),
            "ten_worst": [w.to_json() for w in ten_worst(self)],
        }


@dataclass(frozen=True)
class WorstPlace:
    """A place where much error is foretold; `layer` from 0, `line` 0 where not known."""

    x_mm: float
    y_mm: float
    layer: int
    line: int
    t_s: float
    rms_mm: float
    low_mm: float
    high_mm: float
    cause: str

    def to_json(self) -> dict[str, Any]:
        return dict(vars(self))


def forecast_places(
    fitted: FittedModel,
    bench: Bench,
    places: JobPlaces,
    *,
    history: tuple[Pattern, float] | None = None,
    bits: int = 24,
    excesses: Sequence[Excess] = (),
    smoothing_mm: float = 0.0,
) -> ForecastMap:
    """Foretell the error at each place.

    Parameters
    ----------
    places : of `map_places`.
    history : the pattern the model was fitted to and the pause (s) since, when that is all the
        rig did before. Without it, or for a model from a few readings, all places are alike.
    bits : of the WAV; 32 is floating point, whose steps are those of 25 bits at full scale.
    excesses : limits not met, if the job is to be judged all the same.
    smoothing_mm : the farthest that smoothing moved a traced spot.

    Raises PartFault (of `Trust.from_json`) for a model whose trust makes no sense.
    """
    from hysteresis.fit.uncertainty import Trust, moved_on_path

    count = len(places.t_s)
    gap = fitted.discrepancy
    known = None if fitted.trust is None else Trust.from_json(fitted.trust)
    moved = np.zeros((1, count)), np.zeros((1, count))
    gain, ahead_mm, zero_mm, typical = np.zeros(count), 0.0, gap.zero_mm, gap.typical_mm
    notes = [places.words()]
    if known is not None and history is not None:
        pattern, pause_s = history
        nominal = replace(nominal_optics(bench.optics), turn_rad=fitted.model.optics.turn_rad)
        begin = float(pattern.t_s[-1] - pattern.t_s[0]) + max(pause_s, 1e-3)
        early = np.flatnonzero(places.early)
        at = pattern.t_s[0] + begin + places.t_s[early] - places.drive.t_s[0]
        grid = played_grid(pattern, pause_s, places.drive)
        near = _nearest(places, early)
        moved = tuple(m[:, near] for m in moved_on_path(known, nominal, grid, at))  # type: ignore[assignment]
        since = begin + places.t_s - known.length_s
        gain = np.log1p(np.maximum(since, 0.0) / known.length_s)
        ahead_mm, zero_mm = known.ahead_mm, known.zero_mm
        typical = float(
            np.sqrt(max(gap.typical_mm**2 - known.counted_mm**2, (LEAST * gap.typical_mm) ** 2))
        )
        if not places.whole:
            notes.append("the doubt of later places is that of the nearest early one")
    else:
        notes.append("the rig's past is not known, so the model's doubt is alike everywhere")
    middle, doubt = _held_out(replace(gap, typical_mm=typical))
    parts = {
        "numbers": np.sqrt(np.mean(moved[0] ** 2 + moved[1] ** 2, axis=0)),
        # the root of the mean square of a lognormal size, exp(μ + s²) (textbook)
        "form": np.full(count, middle * math.exp(doubt**2)),
        # t distributed: its variance is ν / (ν − 2) (textbook)
        "ahead": ahead_mm * gain * math.sqrt(AHEAD_FREEDOM / (AHEAD_FREEDOM - 2.0)),
        "zero": np.full(count, zero_mm),
        "steps": np.full(count, step_mm(fitted, bench, bits)),
        "limits": _short_mm(places, excesses),
    }
    rms = np.sqrt(sum(v**2 for v in parts.values()))
    low, high = _intervals(parts, moved, ahead_mm * gain, zero_mm, middle, doubt)
    return ForecastMap(
        places.t_s, places.x_mm, places.y_mm, places.layer, places.line, rms, low, high, parts,
        smoothing_mm, _camera_mm(fitted), notes[0], tuple(notes[1:]),
        places.outline,
    )  # fmt: skip


def ten_worst(told: ForecastMap, count: int = WORST) -> tuple[WorstPlace, ...]:
    """The places where most error is foretold, worst first; neighbours count as one place.

    Whatever the layer: of a place that repeats the worst layer is told.
    """
    extent = max(float(np.ptp(told.x_mm)), float(np.ptp(told.y_mm)), 1e-9)
    out: list[WorstPlace] = []
    for k in np.argsort(-told.rms_mm, kind="stable").tolist():
        x, y = float(told.x_mm[k]), float(told.y_mm[k])
        if all(math.hypot(w.x_mm - x, w.y_mm - y) > APART * extent for w in out):
            out.append(WorstPlace(
                x, y, int(told.layer[k]), int(told.line[k]), float(told.t_s[k]),
                float(told.rms_mm[k]), float(told.low_mm[k]), float(told.high_mm[k]),
                told.cause(k),
            ))  # fmt: skip
        if len(out) == count:
            break
    return tuple(out)


def error_budget(told: ForecastMap, *, drawn: bool = False, filmed: bool = False) -> Budget:
    """What the rms error over the trace is made of, by JCGM 100: parts add in square to it.

    `drawn`: against the path as drawn, so that smoothing counts (its largest, taken to be
    reached along the trace like a u-shaped bound); `filmed`: as a film of the job would show it,
    noise of the camera included. With neither, its total is `told.whole_rms_mm`.
    """
    found = [
        Component(name, words, "B", "normal", float(np.sqrt(np.mean(told.parts[name] ** 2))), "mm")
        for name, words in CAUSES.items()
    ]
    if drawn:
        found.append(Component(
            "smoothing", EXTRA["smoothing"], "B", "u-shaped", told.smoothing_mm, "mm"
        ))  # fmt: skip
    if filmed:
        found.append(Component("camera", EXTRA["camera"], "A", "normal", told.camera_mm, "mm"))
    return Budget("error on the traced path, rms of the distance", "mm", tuple(found))


def step_mm(fitted: FittedModel, bench: Bench, bits: int) -> float:
    """Rms distance that rounding the drive to `bits` makes: a step over √12 for each axis.

    (Textbook quantisation noise; the whole step lies within ± half of it, rectangular.)
    """
    step = 2.0 ** -(min(bits, 25) - 1)
    square = 0.0
    for axis, scale in ((fitted.model.axis_x, bench.optics.full_scale_x_mm),
                        (fitted.model.axis_y, bench.optics.full_scale_y_mm)):  # fmt: skip
        square += (scale * step / math.sqrt(12.0) / axis.small_signal_stiffness()) ** 2
    return math.sqrt(square)


def _nearest(places: JobPlaces, early: Ints) -> Ints:
    """For each place, the number within `early` of the nearest early one (its own, if early)."""
    out = np.empty(len(places.t_s), dtype=np.int64)
    out[early] = np.arange(len(early))
    for k in np.flatnonzero(~places.early):
        away = np.hypot(places.x_mm[early] - places.x_mm[k], places.y_mm[early] - places.y_mm[k])
        out[k] = int(np.argmin(away))
    return out


def _short_mm(places: JobPlaces, excesses: Sequence[Excess]) -> Floats:
    """How far the spot would miss at each place where a limit is not met."""
    out = np.zeros(len(places.t_s))
    for excess in excesses:
        if np.isfinite(excess.short_mm):
            inside = (places.t_s >= excess.t_s) & (places.t_s <= excess.until_s)
            out[inside] = np.hypot(out[inside], excess.short_mm)
    return out


def _camera_mm(fitted: FittedModel) -> float:
    noise = [fitted.figures.get(f"noise_{axis}_mm", float("nan")) for axis in "xy"]
    return float(np.sqrt(np.nansum(np.square(noise))))


def _intervals(
    parts: dict[str, Floats], moved: tuple[Floats, Floats], slope_mm: Floats, zero_mm: float,
    middle: float, doubt: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Shortest 95 % interval of the distance at each place.

    Places of one draw share what moves the job as a whole; some at a time, for the memory.
    """
    rng = np.random.default_rng(0)  # the same path gives the same figures
    which = rng.integers(0, len(moved[0]), DRAWS)
    heavy = np.sqrt(AHEAD_FREEDOM / rng.chisquare(AHEAD_FREEDOM, DRAWS))
    size = middle * np.exp(doubt * rng.standard_normal(DRAWS))
    small = np.hypot(parts["steps"], parts["limits"])
    # of each axis: half of the square, hence √2
    whole = [
        (zero_mm * rng.standard_normal(DRAWS), heavy * rng.standard_normal(DRAWS)) for _ in moved
    ]
    inside = math.ceil(LEVEL * DRAWS)
    low, high = np.empty(len(slope_mm)), np.empty(len(slope_mm))
    for first in range(0, len(slope_mm), AT_ONCE):
        some = slice(first, first + AT_ONCE)
        count = len(slope_mm[some])
        square = np.zeros((DRAWS, count))
        for m, (zero, ahead) in zip(moved, whole, strict=True):
            e = m[:, some][which]
            e += zero[:, None] / np.sqrt(2.0)
            e += ahead[:, None] * (slope_mm[some] / np.sqrt(2.0))
            e += (size / np.sqrt(2.0))[:, None] * rng.standard_normal((DRAWS, count))
            e += (small[some] / np.sqrt(2.0)) * rng.standard_normal((DRAWS, count))
            square += e**2
        distance = np.sort(np.sqrt(square), axis=0)
        length = distance[inside:] - distance[: DRAWS - inside]
        best, column = np.argmin(length, axis=0), np.arange(count)
        low[some], high[some] = distance[best, column], distance[best + inside, column]
    return low, high
