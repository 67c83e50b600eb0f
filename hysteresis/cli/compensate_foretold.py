"""The forecast in detail for `compensate`: the worst places, the error budget, the picture."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from hysteresis.cli.compensate_before import Rig
from hysteresis.cli.console import say, table
from hysteresis.compensate.forecast_map import (
    ForecastMap,
    error_budget,
    forecast_places,
    ten_worst,
)
from hysteresis.compensate.map_places import PlaceCollector
from hysteresis.compensate.scan import Scan
from hysteresis.compensate.stream import PlayedBlock
from hysteresis.errors import InputError

LEAST_SHARE = 0.005  # of the error's square: a smaller source is not worth a line


def collected(blocks: Iterable[PlayedBlock], into: PlaceCollector) -> Iterator[PlayedBlock]:
    """The same blocks, looked at as they pass."""
    for block in blocks:
        into.add(block)
        yield block


def foretold(rig: Rig, found: Scan, places: PlaceCollector, bits: int) -> ForecastMap | None:
    """The error at places of the job; None where nothing is traced."""
    if found.traced_s == 0.0:
        return None
    with np.errstate(all="ignore"):  # `scan` has refused a model that makes no numbers
        return forecast_places(
            rig.fitted, rig.bench, places.done(), history=rig.history, bits=bits,
            smoothing_mm=found.smoothing_mm,
        )  # fmt: skip


def say_foretold(told: ForecastMap) -> None:
    """The ten worst places and what the error is made of."""
    table(
        "Worst places foretold, mm",
        ("x", "y", "layer", "line", "error", "95 % from", "to", "main cause"),
        [
            (f"{p.x_mm:.2f}", f"{p.y_mm:.2f}", str(p.layer + 1), str(p.line) if p.line else "-",
             f"{p.rms_mm:.3f}", f"{p.low_mm:.3f}", f"{p.high_mm:.3f}", p.cause)
            for p in ten_worst(told)
        ],
    )  # fmt: skip
    budget = error_budget(told)
    parts = zip(budget.components, budget.shares(), strict=True)
    shown = [(c, share) for c, share in parts if share >= LEAST_SHARE]
    table(
        "What the error is made of, rms over the trace",
        ("mm", "share, %", "source"),
        [
            *((f"{c.contribution:.4f}", f"{100 * share:.0f}", c.words)
              for c, share in sorted(shown, key=lambda row: -row[1])),
            (f"{budget.combined:.4f}", "100", "together (parts add in square)"),
        ],
    )  # fmt: skip
    say(
        f"Looked at {told.looked_at}"
        + "".join(f"; {note}" for note in told.notes)
        + ". These are rms values, in which rare large errors count more than in the median above."
    )


def draw_foretold(file: Path, told: ForecastMap | None, named: Path) -> None:
    """The picture of `--map`. Raises InputError where nothing is traced."""
    if told is None:
        raise InputError(
            "the path never has the beam on, so no error is foretold to draw", file=named,
            mend="leave out --map",
        )  # fmt: skip
    from hysteresis.report.job_figures import forecast_picture

    file.write_bytes(forecast_picture(told).png)
