"""What each option for the beam-off time costs, and the error it leaves where the model is wrong.

The drive is that of the fitted model; played is it by models whose memory is stronger and weaker
than fitted by some share, the spring unchanged. That is what an error of the model does, without
a rig.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from hysteresis.bench import Bench
from hysteresis.compensate.beam_off import LEAST_S, OPTIONS, Option
from hysteresis.compensate.learn import moved_model
from hysteresis.compensate.limits import LimitWatch
from hysteresis.compensate.scan import Early, ErrorSums, forecast_of, known_of
from hysteresis.compensate.stream import PlayedBlock, compensate_stream
from hysteresis.model import FittedModel, RigModel, RigState
from hysteresis.paths.stream import TimedBlock
from hysteresis.tables import Floats, Pattern

WRONG = 0.2  # share by which the memory of the playing models is stronger or weaker
START_S = 0.02  # of a trace count as its start


@dataclass(frozen=True)
class OptionCost:
    """One option on one path; mm on the plane.

    `extra_s` is the time it takes beyond the path as it is. `starts` is how many traces begin
    after a stretch long enough to do something in; `start_mm` the rms distance, over them, of
    the mean of their first `START_S`; `rms_mm` the rms over everything traced, both with the
    memory `wrong` off, the worse of the two signs. `foretold_mm` is what the model's own doubt
    is foretold to leave, and `low_mm` to `high_mm` its 95 % interval. `excesses`: stretches on
    which a limit of the bench is exceeded.
    """

    option: Option
    wait_s: float
    duration_s: float
    extra_s: float
    starts: int
    start_mm: float
    rms_mm: float
    foretold_mm: float
    low_mm: float
    high_mm: float
    excesses: int


def stronger(model: RigModel, factor: float) -> RigModel:
    """A model with a memory of either kind `factor` times as stiff, its spring as it is."""
    own = {"friction": factor, "after_effect_fast": factor, "after_effect_slow": factor}
    return moved_model(model, {"x": own, "y": own})


def options_for(bench: Bench) -> tuple[Option, ...]:
    """What a rig may do: one whose beam cannot be switched off follows."""
    return ("follow",) if bench.beam.mode == "always-on" else OPTIONS


def compare_options(
    fitted: FittedModel,
    bench: Bench,
    blocks: Callable[[], Iterable[TimedBlock]],
    *,
    start: RigState | None = None,
    history: tuple[Pattern, float] | None = None,
    wrong: float = WRONG,
    waits_s: tuple[float, ...] = (0.0,),
    options: tuple[Option, ...] | None = None,
) -> tuple[OptionCost, ...]:
    """Every option on one path, side by side.

    Parameters
    ----------
    blocks : gives the path anew each time, as `compensate_stream` takes it.
    start, history : as there, and as in `scan.scan`.
    wrong : share by which the memory is off, above 0 and below 1.
    waits_s : extra waits before each layer to try as well.
    options : which to compare; None: all that the beam allows.

    Raises ValueError for a share outside its range, and what `compensate_stream` raises.
    """
    if not 0.0 < wrong < 1.0:
        raise ValueError("the share by which memory is off lies between 0 and 1")
    out: list[OptionCost] = []
    for wait_s in waits_s:
        for option in options or options_for(bench):
            played = compensate_stream(
                fitted, bench, blocks(), start=start, beam_off=option, extra_s=wait_s, plain=True
            )
            cost = _cost(fitted, bench, played, option, wait_s, start, history, wrong)
            if not out:
                first_s = cost.duration_s
            out.append(replace(cost, extra_s=cost.duration_s - first_s))
    return tuple(out)


def _cost(
    fitted: FittedModel, bench: Bench, blocks: Iterable[PlayedBlock], option: Option,
    wait_s: float, start: RigState | None, history: tuple[Pattern, float] | None, wrong: float,
) -> OptionCost:  # fmt: skip
    begin = fitted.model.rest() if start is None else start
    others = [stronger(fitted.model, f) for f in (1.0 - wrong, 1.0 + wrong)]
    states = [begin, begin]
    watch: LimitWatch | None = None
    sums, early = ErrorSums(), Early()
    left = [TraceErrors(), TraceErrors()]
    samples, step = 0, 1.0
    for block in blocks:
        step = block.step_s
        watch = watch or LimitWatch(bench, step)
        watch.add(block.first, block.drive_x, block.drive_y, block.x_mm, block.y_mm,
                  block.line_of_row, block.layer)  # fmt: skip
        sums.add(block)
        early.add(block)
        samples += len(block)
        for k, model in enumerate(others):
            x, y, states[k] = model.spots(block.drive_x, block.drive_y, step, states[k])
            left[k].add(block, x - block.x_mm, y - block.y_mm)
    assert watch is not None
    foretold = forecast_of(fitted, known_of(fitted), bench, history, early, sums)
    duration_s = (samples - 1) * step
    return OptionCost(
        option, wait_s, duration_s, 0.0, left[0].starts,
        max(one.start_mm() for one in left), max(one.rms_mm() for one in left),
        foretold.after_rms_mm, foretold.after_low_mm, foretold.after_high_mm, watch.count,
    )  # fmt: skip


class TraceErrors:
    """Errors over the trace, and at starts of traces after at least `LEAST_S` with the beam off.

    The lead-in is no such stretch: every output has it.
    """

    def __init__(self) -> None:
        self.square = self.start_square = 0.0
        self.count = self.starts = 0
        self.off, self.since = -1, -1  # samples without the beam; of the start that is looked at
        self.mean = np.zeros(2)

    def add(self, block: PlayedBlock, error_x_mm: Floats, error_y_mm: Floats) -> None:
        beam = block.beam if block.part == "path" else np.zeros(len(block), dtype=bool)
        self.square += float(np.sum((error_x_mm**2 + error_y_mm**2)[beam]))
        self.count += int(beam.sum())
        edges = np.flatnonzero(np.diff(beam)) + 1
        cuts = [0, *edges.tolist(), len(beam)]
        wanted = max(1, round(START_S / block.step_s))
        for a, b in pairwise(cuts):
            if not beam[a]:
                if block.part == "path" and self.off >= 0:
                    self.off += b - a
                self.since = -1
                continue
            if self.off * block.step_s >= LEAST_S:
                self.since, self.mean = 0, np.zeros(2)
            self.off = 0
            if 0 <= self.since < wanted:
                take = slice(a, min(b, a + wanted - self.since))
                self.mean += error_x_mm[take].sum(), error_y_mm[take].sum()
                self.since += take.stop - a
                if self.since == wanted:
                    self.start_square += float(np.sum((self.mean / wanted) ** 2))
                    self.starts += 1

    def rms_mm(self) -> float:
        """Over everything traced; NaN for nothing."""
        return float(np.sqrt(self.square / self.count)) if self.count else float("nan")

    def start_mm(self) -> float:
        """At the starts; NaN where there are none."""
        return float(np.sqrt(self.start_square / self.starts)) if self.starts else float("nan")
