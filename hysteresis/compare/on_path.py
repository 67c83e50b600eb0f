"""The deciding figure: the error on the person's own path, before and after, foretold per run.

Each run's model plays the path with and without compensation; what its doubt leaves is that of
`compensate` (see `compensate.forecast`). Nothing is played: the figures are foretold. Across
units they are compared like any other figure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Literal

import numpy as np

from hysteresis.characteristics.figure import Definition
from hysteresis.compare.designs import (
    Group,
    compare_figure,
    corrected,
    difference,
    group_of_values,
    scale_of,
)
from hysteresis.compare.results import (
    DesignFigure,
    Difference,
    LeftOut,
    OnPath,
    PathDesign,
    PathForecast,
    RunValue,
    Scale,
)
from hysteresis.compare.runs import OpenedRun
from hysteresis.compensate import compensate_stream, state_after_pause
from hysteresis.compensate.forecast import COVERAGE
from hysteresis.compensate.job import PathOptions, open_job
from hysteresis.compensate.scan import scan
from hysteresis.errors import HysteresisError, InputError
from hysteresis.files import sha256_of

BEFORE = Definition(
    "path_error_before", "Plain error on the own path: foretold",
    "rms distance from the wanted spot over the traced path with the best drive that knows no "
    "memory, median of draws of what the model does not know",
    "hysteresis.compensate.forecast, JCGM 101", "mm", "less",
)  # fmt: skip
AFTER = Definition(
    "path_error_after", "Error left on the own path: foretold",
    "rms distance from the wanted spot over the traced path with compensation, median of the same "
    "draws", "hysteresis.compensate.forecast, JCGM 101", "mm", "less",
)  # fmt: skip
GAIN = Definition(
    "path_gain", "Gain on the own path: times less error with compensation, foretold",
    "plain error over error left, median over the same draws",
    "hysteresis.compensate.forecast, JCGM 101", "1", "more",
)  # fmt: skip


@dataclass(frozen=True)
class PathAsked:
    """The person's path, how it lies and moves, and the rest before it (s)."""

    path: Path
    options: PathOptions
    pause_s: float
    words: str = "as in its file"


ForecastsOf = Callable[
    [Sequence[OpenedRun], PathAsked, Callable[[float], None]],
    tuple[list[PathForecast], list[LeftOut]],
]


def forecast_runs(
    runs: Sequence[OpenedRun], asked: PathAsked, told: Callable[[float], None] = lambda _: None
) -> tuple[list[PathForecast], list[LeftOut]]:
    """Foretell the path on every run that has a model; the others are named.

    Raises InputError for a path that cannot be read, or lies outside the field.
    """
    found, left = [], []
    for run in runs:
        if run.fitted is None:
            left.append(LeftOut(
                run.label, "error on the own path", "without a model nothing can be foretold",
                f"hysteresis fit {run.folder.path}",
            ))  # fmt: skip
        else:
            try:
                found.append(_forecast(run, asked))
            except InputError as error:
                if error.file == str(asked.path):
                    raise  # the path's own fault: the same for every run
                left.append(LeftOut(run.label, "error on the own path", str(error).rstrip(".")))
            except HysteresisError as error:
                left.append(LeftOut(run.label, "error on the own path", str(error).rstrip(".")))
        told(1.0)
    return found, left


def check_path(runs: Sequence[OpenedRun], asked: PathAsked) -> None:
    """InputError for a path that cannot be read, before anything slow is begun."""
    for _ in open_job(asked.path, runs[0].bench, asked.options).blocks():
        break


def _forecast(run: OpenedRun, asked: PathAsked) -> PathForecast:
    fitted, bench = run.fitted, run.bench
    assert fitted is not None
    job = open_job(asked.path, bench, asked.options)
    start = state_after_pause(fitted.model, fitted.end, asked.pause_s)
    history = None if fitted.trust is None else (run.pattern, asked.pause_s)
    blocks = compensate_stream(fitted, bench, job.blocks(), start=start, plain=True)
    seen = scan(fitted, bench, blocks, history=history)
    foretold = seen.forecast
    assert foretold is not None
    return PathForecast(
        label=run.label, suspension=run.suspension, unit=run.unit,
        before_mm=foretold.before_rms_mm, before_low_mm=foretold.before_low_mm,
        before_high_mm=foretold.before_high_mm, model_mm=foretold.before_model_mm,
        bias_x_mm=foretold.before_bias_x_mm, bias_y_mm=foretold.before_bias_y_mm,
        after_mm=foretold.after_rms_mm, after_low_mm=foretold.after_low_mm,
        after_high_mm=foretold.after_high_mm, gain=foretold.gain, gain_low=foretold.gain_low,
        gain_high=foretold.gain_high, excesses=seen.count,
    )  # fmt: skip


def compare_on_path(
    forecasts: Sequence[PathForecast], asked: PathAsked, *, tolerance_mm: float, level: float
) -> OnPath:
    """Compare designs by what was foretold, plain against plain and software against hardware.

    The doubt of a forecast is that of its model's form as much as chance, so units are taken to
    share it: it widens every interval and is not lessened by more units (`group_of_values`).
    """
    befores, afters, gains = (
        [_value(f, name) for f in forecasts] for name in ("before", "after", "gain")
    )
    variants, across = _variants(befores, afters, tolerance_mm, level)
    before, after, gain = (
        compare_figure(definition, "xy", (), values, level=level, scale=_scale(values),
                       in_common=True)
        for definition, values in ((BEFORE, befores), (AFTER, afters), (GAIN, gains))
    )  # fmt: skip
    return OnPath(
        file=str(asked.path), sha256=sha256_of(asked.path), placement=asked.words,
        tolerance_mm=tolerance_mm, forecasts=tuple(forecasts), before=before, after=after,
        gain=gain, variants=variants, across=across,
    )  # fmt: skip


def _value(f: PathForecast, which: Literal["before", "after", "gain"]) -> RunValue:
    """A forecast with half the width of its 95 % interval on the log scale as uncertainty."""
    value, low, high = {
        "before": (f.before_mm, f.before_low_mm, f.before_high_mm),
        "after": (f.after_mm, f.after_low_mm, f.after_high_mm),
        "gain": (f.gain, f.gain_low, f.gain_high),
    }[which]
    least = 1e-3 * value  # an interval may begin at nothing
    u_ln = float(np.log(max(high, least) / max(low, least))) / (2.0 * COVERAGE)
    return RunValue(f.label, f.suspension, f.unit, value, value * u_ln, "foretold")


def _scale(values: Sequence[RunValue]) -> tuple[Scale, str]:
    """Forecasts of an rms distance are made on the log scale, and so is their doubt."""
    if all(v.value > 0.0 for v in values):
        return "log", "a forecast of an rms distance is normal in its logarithm"
    return scale_of(values)


def _variants(
    befores: Sequence[RunValue], afters: Sequence[RunValue], tolerance_mm: float, level: float
) -> tuple[tuple[PathDesign, ...], tuple[Difference, ...]]:
    """Each design plain and compensated on one common scale, and the pairs across designs.

    The two treatments of one design share their units and are no independent groups: they are not
    compared here.
    """
    scale, _ = _scale([*befores, *afters])
    found: list[tuple[PathDesign, Group]] = []
    for name in dict.fromkeys(v.suspension for v in befores):
        for compensated, values in ((False, befores), (True, afters)):
            words = f"{name}, {'compensated' if compensated else 'plain'}"
            group = group_of_values(
                words, [v for v in values if v.suspension == name], scale, in_common=True
            )
            figure = group.figure(level)
            design = PathDesign(name, compensated, figure, enough(figure, tolerance_mm))
            found.append((design, group))
    found.sort(key=lambda pair: pair[0].figure.mean)
    pairs = [
        (a, b) for (one, a), (two, b) in combinations(found, 2)
        if one.suspension != two.suspension and one.compensated != two.compensated
    ]  # fmt: skip
    across = corrected([difference(a, b, level, len(pairs)) for a, b in pairs], level)
    return tuple(design for design, _ in found), across


def enough(figure: DesignFigure, tolerance_mm: float) -> Literal["yes", "no", "open"]:
    """Whether a design's mean error lies within the tolerance, by its interval."""
    if not (np.isfinite(figure.low) and np.isfinite(figure.high)):
        return "open"
    if figure.high <= tolerance_mm:
        return "yes"
    return "no" if figure.low > tolerance_mm else "open"
