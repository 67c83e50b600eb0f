"""Does the error played at each place lie in the interval foretold for that place?

Per seed an invented unit is characterised by four minutes of camera and fitted; three jobs are
compensated, their errors foretold place by place, and played. Printed: the share of places whose
played error lies in its 95 % interval, the share above it, and how well places foretold to be bad
are bad (rank correlation).

    python -m experiments.forecast_map --seeds 3

Everything it prints is simulated, on rigs whose physics is not that of the fit.
"""

from __future__ import annotations

import argparse
import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from experiments.closing_the_loop import PAUSE_S, make_unit
from experiments.forecast_coverage import paths
from hysteresis import virtual_bench
from hysteresis.cli.console import table
from hysteresis.compensate import compensate_path, state_after_pause
from hysteresis.compensate.forecast_map import CAUSES, ForecastMap, error_budget, forecast_places
from hysteresis.compensate.map_places import places_of_path
from hysteresis.tables import Floats

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Trial:
    """One job on one unit: what was foretold of its places, and the distance played there, mm."""

    suspension: str
    seed: int
    job: str
    told: ForecastMap
    played_mm: Floats

    @property
    def inside(self) -> float:
        """Share of places within their interval."""
        fits = (self.played_mm >= self.told.low_mm) & (self.played_mm <= self.told.high_mm)
        return float(np.mean(fits))

    @property
    def above(self) -> float:
        return float(np.mean(self.played_mm > self.told.high_mm))


def main() -> None:
    """Print the study's tables."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--seeds", type=int, default=3)
    ask.add_argument("--first-seed", type=int, default=41)
    ask.add_argument("--suspension", default="braided-thread,metal-flexure")
    ask.add_argument("--short", action="store_true", help="one seed, two minutes of camera")
    chosen = ask.parse_args()
    count = 1 if chosen.short else chosen.seeds
    trials: list[Trial] = []
    for suspension in chosen.suspension.split(","):
        for seed in range(chosen.first_seed, chosen.first_seed + count):
            trials += tried(seed, suspension, short=chosen.short)
    report(trials)


def tried(seed: int, suspension: str, *, short: bool = False) -> list[Trial]:
    """Three jobs on one unit."""
    unit = make_unit(seed, suspension, short=short)
    plan = tomllib.loads((HERE / "forecast_coverage.toml").read_text(encoding="utf-8"))
    out = []
    for name, path in paths(unit.bench, plan).items():
        start = state_after_pause(unit.fitted.model, unit.fitted.end, PAUSE_S)
        history = (unit.pattern, PAUSE_S)
        made = compensate_path(unit.fitted, unit.bench, path, start=start, history=history)
        told = forecast_places(
            unit.fitted, unit.bench, places_of_path(made.planned, made.drive), history=history
        )
        played = virtual_bench.play_after(unit.rig, unit.pattern, PAUSE_S, made.drive)
        distance = np.hypot(
            np.interp(told.t_s, played.t_s, played.x_mm) - told.x_mm,
            np.interp(told.t_s, played.t_s, played.y_mm) - told.y_mm,
        )
        out.append(Trial(suspension, seed, name, told, distance))
    return out


def report(trials: list[Trial]) -> None:
    """Print every trial, all together, and what the foretold errors are made of."""
    from scipy.stats import spearmanr

    rows = []
    for t in trials:
        rank = spearmanr(t.told.rms_mm, t.played_mm).statistic if np.ptp(t.told.rms_mm) > 0 else 0
        played = float(np.sqrt(np.mean(t.played_mm**2)))
        rows.append((
            t.suspension, str(t.seed), t.job, str(len(t.played_mm)), f"{t.told.whole_rms_mm:.3f}",
            f"{played:.3f}", f"{100 * t.inside:.0f}", f"{100 * t.above:.1f}", f"{rank:+.2f}",
        ))  # fmt: skip
    table(
        "Simulated. Errors foretold place by place",
        ("suspension", "seed", "job", "places", "foretold rms, mm", "played rms, mm",
         "inside, %", "above, %", "rank correlation"),
        rows,
    )  # fmt: skip
    inside = [t.inside for t in trials]
    print(
        f"\nPlaces inside their 95 % interval: {100 * np.mean(inside):.1f} % in all, least of a "
        f"trial {100 * np.min(inside):.0f} %; {100 * np.mean([t.above for t in trials]):.1f} % "
        f"lie above it. Goal: 90 %."
    )
    table(
        "Simulated. Share of each source in the square of the error foretold, %",
        ("suspension", "seed", "job", *CAUSES.values()),
        [
            (t.suspension, str(t.seed), t.job,
             *(f"{100 * s:.1f}" for s in error_budget(t.told).shares()))
            for t in trials
        ],
    )  # fmt: skip


if __name__ == "__main__":
    main()
