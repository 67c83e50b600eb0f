"""One pass over an output before anything is written: how long, which limits, what error."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from hysteresis.bench import Bench
from hysteresis.compensate.forecast import (
    GRID_S,
    Forecast,
    PlainError,
    forecast,
    forecast_on_path,
)
from hysteresis.compensate.limits import Excess, LimitWatch
from hysteresis.compensate.stream import MODEL_FILE, PlayedBlock
from hysteresis.model import FittedModel, RigState, content_error
from hysteresis.optics import nominal_optics
from hysteresis.plain_content import PartFault, within
from hysteresis.tables import DriveSignal, Floats, Pattern

if TYPE_CHECKING:
    from hysteresis.fit.uncertainty import Trust

FORETOLD_S = 600.0  # a job of hours is judged by its first minutes


@dataclass(frozen=True)
class Scan:
    """What one pass found.

    `samples` on the grid of `step_s`, lead-in and way out included; `layers` that are traced;
    `traced_s` with the beam on. `largest` has the largest value of each limit by axis, `excesses`
    where one is exceeded (the worst of `count` stretches); `plain_*` the same of the drives
    without compensation. `end` is the rig's state when the output ends.
    """

    samples: int
    step_s: float
    lead_in_s: float
    layers: int
    traced_s: float
    smoothing_mm: float
    largest: dict[str, dict[str, float]]
    excesses: tuple[Excess, ...]
    count: int
    plain_excesses: tuple[Excess, ...]
    plain_count: int
    forecast: Forecast | None
    end: RigState

    @property
    def duration_s(self) -> float:
        """From the first to the last sample."""
        return (self.samples - 1) * self.step_s


class ErrorSums:
    """Sums of the foretold error over the trace, and over everything where nothing is traced."""

    def __init__(self) -> None:
        self.sums = np.zeros((2, 4))  # traced, all: x, y, square, count

    def add(self, block: PlayedBlock) -> None:
        x, y = block.error_x_mm, block.error_y_mm
        if x is None or y is None:
            return
        square = x * x + y * y
        for row, on in zip(self.sums, (block.beam, np.ones(len(x), dtype=bool)), strict=True):
            row += x[on].sum(), y[on].sum(), square[on].sum(), on.sum()

    def plain(self) -> PlainError:
        """Over the whole trace."""
        x, y, square, count = self.sums[0] if self.sums[0, 3] else self.sums[1]
        return PlainError(float(np.sqrt(square / count)), float(x / count), float(y / count))


def scan(
    fitted: FittedModel,
    bench: Bench,
    blocks: Iterable[PlayedBlock],
    *,
    history: tuple[Pattern, float] | None = None,
    told: Callable[[float], None] = lambda _: None,
) -> Scan:
    """Go once through an output.

    Parameters
    ----------
    blocks : of `stream.compensate_stream`; with `plain` for a forecast, else there is none.
    history : the pattern the model was fitted to and the pause (s) since, when that is all the
        rig did before: the forecast then knows the path.
    told : is called with the seconds of output done.

    Raises InputError for a model whose content makes no sense.
    """
    known = known_of(fitted)
    watch: LimitWatch | None = None
    plain_watch: LimitWatch | None = None
    sums, early = ErrorSums(), Early()
    lead = samples = layers = traced = 0
    smoothing, end, step = 0.0, fitted.model.rest(), 1.0
    foretold = False
    for block in blocks:
        step = block.step_s
        watch = watch or LimitWatch(bench, step)
        watch.add(block.first, block.drive_x, block.drive_y, block.x_mm, block.y_mm,
                  block.line_of_row, block.layer)  # fmt: skip
        if block.plain_x is not None and block.plain_y is not None:
            foretold = True
            plain_watch = plain_watch or LimitWatch(bench, step)
            plain_watch.add(block.first, block.plain_x, block.plain_y, block.x_mm, block.y_mm,
                            block.line_of_row, block.layer)  # fmt: skip
            sums.add(block)
            early.add(block)
        lead += len(block) if block.part == "lead-in" else 0
        samples += len(block)
        on = int(block.beam.sum())
        traced += on
        if on:
            layers = max(layers, int(block.layer[block.beam].max()) + 1)
        smoothing, end = max(smoothing, block.smoothing_mm), block.end
        told(samples * step)
    assert watch is not None
    return Scan(
        samples, step, lead * step, layers, traced * step, smoothing, watch.largest,
        watch.excesses(), watch.count,
        plain_watch.excesses() if plain_watch else (), plain_watch.count if plain_watch else 0,
        forecast_of(fitted, known, bench, history, early, sums) if foretold else None, end,
    )  # fmt: skip


class Early:
    """The first minutes of the drive, by which a job is judged: one sample of each `GRID_S`.

    That is all `forecast.played_grid` takes of it.
    """

    def __init__(self) -> None:
        self.kept: list[Floats] = []
        self.last: Floats | None = None  # the newest sample, rows as below
        self.tick = -1.0

    def add(self, block: PlayedBlock) -> None:
        if block.first * block.step_s > FORETOLD_S or not len(block):
            return
        t_s = block.step_s * (block.first + np.arange(len(block)))
        nothing = np.zeros(len(block))
        rows = np.stack([
            t_s, block.drive_x, block.drive_y, block.beam,
            nothing if block.error_x_mm is None else block.error_x_mm,
            nothing if block.error_y_mm is None else block.error_y_mm,
        ])  # fmt: skip
        rows = rows[:, t_s <= FORETOLD_S]
        tick = np.floor(rows[0] / GRID_S)
        self.kept.append(rows[:, np.diff(tick, prepend=self.tick) > 0])
        self.last, self.tick = rows[:, -1:], float(tick[-1])

    def done(self) -> tuple[DriveSignal, Floats, Floats]:
        """The drive, and the error of the plain one at its samples."""
        assert self.last is not None
        rows = np.concatenate(self.kept, axis=1)
        if rows[0, -1] < self.last[0, 0]:
            rows = np.concatenate([rows, self.last], axis=1)
        return DriveSignal(rows[0], rows[1], rows[2], rows[3] > 0), rows[4], rows[5]


def known_of(fitted: FittedModel) -> Trust | None:
    """How far to trust the model, checked; InputError for content that makes no sense."""
    if fitted.trust is None:
        return None
    from hysteresis.fit.uncertainty import Trust

    try:
        with within("trust"):
            return Trust.from_json(fitted.trust)
    except PartFault as fault:
        raise content_error(fault, MODEL_FILE) from fault


def forecast_of(
    fitted: FittedModel, known: Trust | None, bench: Bench,
    history: tuple[Pattern, float] | None, early: Early, sums: ErrorSums,
) -> Forecast:  # fmt: skip
    """The forecast that knows the path, where the model and the rig's past carry it.

    `early` is the output's beginning; what is unknown of a model shows there.
    """
    # numbers too large for the sums below are told by the check at the end
    with np.errstate(all="ignore"):
        plain = sums.plain()
        if history is None or known is None:
            out = forecast(fitted.discrepancy, plain)
        else:
            nominal = replace(nominal_optics(bench.optics), turn_rad=fitted.model.optics.turn_rad)
            pattern, pause_s = history
            drive, error_x, error_y = early.done()
            out = forecast_on_path(
                fitted.discrepancy, known, nominal, pattern, pause_s, drive, drive.beam, error_x,
                error_y, plain,
            )  # fmt: skip
    if not _finite(np.array(list(out.to_json().values()))):
        raise content_error(
            PartFault("discrepancy, or trust,", "makes a forecast that is not finite"), MODEL_FILE
        )
    return out


def _finite(values: Floats) -> bool:
    return bool(np.all(np.isfinite(values)))
