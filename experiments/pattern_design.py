"""Study: does a pattern chosen for the path serve that path better than the usual one?

For each suspension, length and seed an invented unit with an unknown past is characterised twice,
by the usual pattern and by one chosen for a layered job, both of equal length; each recording is
fitted, and the job is played with the compensation of each fit. Both forecasts are those made
before anything was measured, by the criterion that chose the pattern.

    python -m experiments.pattern_design --seeds 3

Everything it prints is simulated, on rigs whose physics is not that of the fit.
"""

from __future__ import annotations

import argparse
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from experiments.return_to_zero import as_fitted, example_bench, layered_job
from hysteresis import virtual_bench
from hysteresis.bench import Bench
from hysteresis.cli.console import table
from hysteresis.compensate import compensate_path, state_after_pause
from hysteresis.fit import fit_recording
from hysteresis.fit.design import Design, design_for_path
from hysteresis.fit.fitted import absolute_uncertainty_mm
from hysteresis.measure import measure_camera
from hysteresis.plan.characterise import characterisation
from hysteresis.tables import Pattern, SpotPath

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Played:
    """The job played after one characterisation: rms error, mean error and the rms about it, mm."""

    rms_mm: float
    shift_mm: float
    shape_mm: float


@dataclass(frozen=True)
class Outcome:
    """One unit, both patterns."""

    suspension: str
    minutes: float
    order: int
    seed: int
    usual: Played
    chosen: Played

    @property
    def ratio(self) -> float:
        """Error left with the chosen pattern over that with the usual one."""
        return self.chosen.rms_mm / self.usual.rms_mm


def main() -> None:
    """Print the study's tables."""
    plan = tomllib.loads((HERE / "pattern_design.toml").read_text())
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--seeds", type=int, default=plan["seeds"])
    ask.add_argument("--first-seed", type=int, default=plan["first_seed"])
    ask.add_argument("--minutes", type=float, nargs="*", default=plan["minutes"])
    ask.add_argument("--suspensions", nargs="*", default=plan["suspensions"])
    ask.add_argument("--orders", type=int, nargs="*", default=plan["orders"])
    asked = ask.parse_args()
    bench = example_bench()
    job = layered_job(bench, plan["layered"])
    outcomes = []
    for minutes in asked.minutes:
        for order in asked.orders:
            usual = characterisation(bench, minutes, seed=order)
            design = design_for_path(bench, job, minutes, usual, seed=order)
            for suspension in asked.suspensions:
                for seed in range(asked.first_seed, asked.first_seed + asked.seeds):
                    what = (suspension, minutes, order, seed)
                    outcomes.append(one_unit(bench, job, usual, design, what, plan))
                    report(outcomes[-1:], design)
    summary(outcomes)


def one_unit(
    bench: Bench, job: SpotPath, usual: Pattern, design: Design,
    what: tuple[str, float, int, int], plan: dict[str, Any],
) -> Outcome:  # fmt: skip
    """Characterise one unit by each pattern, and play the job with each fit.

    `what`: suspension, minutes, shuffle of the pattern, number of the unit.
    """
    both = [
        played_after(bench, job, pattern, what[0], what[3], plan)
        for pattern in (usual, design.pattern)
    ]
    return Outcome(*what, *both)


def played_after(
    bench: Bench, job: SpotPath, pattern: Pattern, suspension: str, seed: int,
    plan: dict[str, Any],
) -> Played:  # fmt: skip
    """Film the pattern on a unit, fit, compensate the job, play it on the same unit."""
    rig = virtual_bench.make_rig(bench, suspension, seed)
    spots = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    log = virtual_bench.photograph(spots, bench, seed, noise_px=plan["noise_px"])
    fit = fit_recording(
        pattern, measure_camera(log, pattern, bench).recording, bench,
        memory=plan["memory"], zero_mm=absolute_uncertainty_mm(bench),
    )  # fmt: skip
    start = state_after_pause(fit.model, fit.end, plan["pause_s"])
    result = compensate_path(as_fitted(fit), bench, job, start=start)
    if result.excesses:
        raise SystemExit(f"{suspension}, seed {seed}: {result.excesses[0]}")
    rig = virtual_bench.make_rig(bench, suspension, seed)
    seen = virtual_bench.play_after(rig, pattern, plan["pause_s"], result.drive)
    on = result.planned.beam
    x = (np.interp(result.planned.t_s, seen.t_s, seen.x_mm) - result.planned.x_mm)[on]
    y = (np.interp(result.planned.t_s, seen.t_s, seen.y_mm) - result.planned.y_mm)[on]
    return Played(
        float(np.sqrt(np.mean(x**2 + y**2))),
        float(np.hypot(x.mean(), y.mean())),
        float(np.sqrt(x.var() + y.var())),
    )


def report(outcomes: list[Outcome], design: Design) -> None:
    """Print one row per unit: forecast and played error of both patterns."""
    table(
        "Simulated. Layered job after a characterisation of equal length, mm",
        ("suspension", "minutes", "order", "seed", "foretold, usual", "chosen", "rms played, usual",
         "chosen", "shift, usual", "chosen", "shape, usual", "chosen"),
        [
            (o.suspension, f"{o.minutes:g}", o.order, o.seed, f"{design.usual_mm:.3f}",
             f"{design.forecast_mm:.3f}", f"{o.usual.rms_mm:.3f}", f"{o.chosen.rms_mm:.3f}",
             f"{o.usual.shift_mm:.3f}", f"{o.chosen.shift_mm:.3f}", f"{o.usual.shape_mm:.3f}",
             f"{o.chosen.shape_mm:.3f}")
            for o in outcomes
        ],
    )  # fmt: skip


def summary(outcomes: list[Outcome]) -> None:
    """Print, per suspension, length and order, the geometric mean of chosen over usual."""
    rows = []
    for key in dict.fromkeys((o.suspension, o.minutes, o.order) for o in outcomes):
        of = [o for o in outcomes if (o.suspension, o.minutes, o.order) == key]
        rms = float(np.exp(np.mean([np.log(o.ratio) for o in of])))
        shape = float(np.exp(np.mean([np.log(o.chosen.shape_mm / o.usual.shape_mm) for o in of])))
        rows.append((key[0], f"{key[1]:g}", str(key[2]), f"{rms:.2f}", f"{shape:.2f}",
                     f"{sum(o.ratio < 1 for o in of)} of {len(of)}"))  # fmt: skip
    table(
        "Simulated. Error with the chosen pattern over that with the usual one",
        ("suspension", "minutes", "order", "rms", "shape alone", "chosen is better"), rows,
    )  # fmt: skip


if __name__ == "__main__":
    main()
