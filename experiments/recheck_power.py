"""Does half a minute tell that a rig has drifted, and does the quick update mend the job?

Each simulated unit is characterised by camera and fitted once. Its first recheck is the reference;
later ones are other sittings: another past, a room up to a kelvin off, the camera set up again
(its marks clicked anew). In some of them nothing has changed, in others friction, spring or
after-effect. Then, for rigs that drifted, the layered job is played three times: compensated with
the stored model, with the quick update of the recheck, and with a fit to a whole new
characterisation.

    python -m experiments.recheck_power
    python -m experiments.recheck_power --only update
    python -m experiments.recheck_power --models FOLDER     keeps the fits there for another run

Everything it prints is simulated, on rigs whose physics is not that of the fit.
"""

from __future__ import annotations

import argparse
import tempfile
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from experiments.recheck_tables import pair, print_power, print_update
from hysteresis import virtual_bench
from hysteresis.bench import TEMPLATE, Bench
from hysteresis.compensate import compensate_path, state_after_pause
from hysteresis.fit import fit_recording
from hysteresis.fit.fitted import absolute_uncertainty_mm
from hysteresis.measure import measure_camera
from hysteresis.model import FittedModel, read_model, write_model
from hysteresis.paths.example_job import layered_tile_job
from hysteresis.paths.read import read_path
from hysteresis.plan.characterise import characterisation
from hysteresis.plan.recheck import recheck
from hysteresis.recheck import (
    Baseline,
    Judged,
    baseline_of,
    end_state,
    judge_recheck,
    quick_update,
)
from hysteresis.recheck.on_path import PathEffect, effect_on_job
from hysteresis.tables import Pattern, SpotPath
from hysteresis.virtual_bench import Drift, Rig, drifted, warmed

HERE = Path(__file__).parent
REFERENCE = 100  # sequences of the virtual bench from here on are rechecks


@dataclass(frozen=True)
class Unit:
    """One simulated unit with its model, reference, and the effect of directions on the job."""

    suspension: str
    seed: int
    rig: Rig
    fitted: FittedModel
    first: Judged
    baseline: Baseline
    effect: PathEffect


@dataclass(frozen=True)
class Trial:
    """One recheck: what was true, what was said.

    `friction_mm`: what 10 % of the unit's friction would leave on the job, by its model.
    """

    unit: str
    case: str
    expect: str
    axes: str
    verdict: str
    moved: tuple[tuple[str, str], ...]
    friction_mm: float

    @property
    def blamed_rightly(self) -> bool:
        """The right number on the right axes, and no other."""
        axes = "xy" if self.axes == "both" else self.axes
        right = {axis for axis, d in self.moved if d.startswith(self.expect)}
        wrong = [d for _, d in self.moved if not d.startswith(self.expect)]
        return right == set(axes) and not wrong


def main() -> None:
    """Print the study's tables."""
    plan = tomllib.loads((HERE / "recheck_power.toml").read_text())
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--only", choices=("power", "update"), default=None)
    ask.add_argument("--models", type=Path, default=None, help="folder in which fits are kept")
    ask.add_argument("--short", action="store_true", help="one unit, few sittings, a short job")
    ask.add_argument("--reference-day", choices=("another", "fit"), default=None,
                     help="room of the reference: another day's, or the fit's")  # fmt: skip
    ask.add_argument("--ambient-k", type=float, default=None, help="how far rooms may be off, K")
    chosen = ask.parse_args()
    if chosen.ambient_k is not None:
        plan["ambient_k"] = chosen.ambient_k
    plan["reference_day"] = chosen.reference_day or plan["reference_day"]
    if chosen.short:
        plan = shortened(plan)
    with tempfile.TemporaryDirectory() as folder:
        models = chosen.models or Path(folder)
        models.mkdir(parents=True, exist_ok=True)
        if chosen.only != "update":
            print_power(*power(plan, models))
        if chosen.only != "power":
            print_update(updates(plan, models))


def shortened(plan: dict[str, Any]) -> dict[str, Any]:
    """The same steps on less: one unit, one sitting of three cases, a short job."""
    wanted = ("nothing", "friction, 10 % more", "spring, 10 % softer")
    return plan | {
        "units": plan["units"][:1], "updated": plan["updated"][:1],
        "case": [c | {"times": 1} for c in plan["case"] if c["name"] in wanted],
        "update": plan["update"][:1], "layered": {"layers": 3, "duration_s": 40.0},
    }  # fmt: skip


def example_bench() -> Bench:
    """The bench of the commented template: a field of 100 mm, a webcam at 30 frames/s."""
    return Bench.model_validate(tomllib.loads(TEMPLATE))


# ---- units and sittings -------------------------------------------------------------------------


def the_job(bench: Bench, plan: dict[str, Any]) -> SpotPath:
    """The invented tile job whose every layer parks the beam to one side."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "tile.ngc"
        layered = plan["layered"]
        text = layered_tile_job(layers=layered["layers"], duration_s=layered["duration_s"])
        file.write_text(text)
        return read_path(file, bench)[0]


def filmed(
    rig: Rig, pattern: Pattern, bench: Bench, camera: int, sequence: int, plan: dict[str, Any]
) -> Any:
    """A pattern played and filmed; another `camera` has its marks clicked anew."""
    played = virtual_bench.play(
        rig, pattern.t_s, pattern.drive_x, pattern.drive_y, sequence=sequence
    )
    log = virtual_bench.photograph(
        played, bench, camera, sequence=sequence, noise_px=plan["noise_px"]
    )
    return measure_camera(log, pattern, bench).recording


def fit_of(
    rig: Rig, bench: Bench, camera: int, sequence: int, plan: dict[str, Any], file: Path
) -> FittedModel:
    """Characterise and fit, or read the fit that is kept in `file`."""
    if not file.exists():
        pattern = characterisation(bench, minutes=plan["minutes"])
        recording = filmed(rig, pattern, bench, camera, sequence, plan)
        fit = fit_recording(pattern, recording, bench, zero_mm=absolute_uncertainty_mm(bench))
        write_model(file, FittedModel(
            fit.model, fit.without_memory, fit.start_state, fit.end, (), fit.discrepancy, {}, {},
            (), {}, trust=None if fit.trust is None else fit.trust.to_json(),
        ))  # fmt: skip
    return read_model(file)


def unit_of(suspension: str, seed: int, plan: dict[str, Any], models: Path) -> Unit:
    """A unit with its fit, its first recheck as reference, and the effect on the job."""
    bench, pattern = example_bench(), recheck(example_bench())
    rig = virtual_bench.make_rig(bench, suspension, seed)
    file = models / f"{suspension}-{seed}-{plan['minutes']:g}.json"
    fitted = fit_of(rig, bench, seed, 0, plan, file)
    another = plan["reference_day"] == "another"
    there = in_the_room(rig, plan, seed, REFERENCE) if another else rig
    recording = filmed(there, pattern, bench, camera_of(seed, REFERENCE), REFERENCE, plan)
    job = the_job(bench, plan)
    first = judge_recheck(fitted, pattern, recording, bench, job=job)
    effect = effect_on_job(fitted.model, first.sight.names, job, "the layered job")
    return Unit(suspension, seed, rig, fitted, first, baseline_of(first, "the reference"), effect)


def camera_of(seed: int, sequence: int) -> int:
    """Number of the camera whose marks were clicked for this sitting."""
    return 1000 * seed + sequence


def in_the_room(rig: Rig, plan: dict[str, Any], seed: int, sequence: int) -> Rig:
    """The rig in a room that is off by up to `ambient_k`."""
    rng = np.random.default_rng([seed, 7, sequence])
    return warmed(rig, rng.uniform(-plan["ambient_k"], plan["ambient_k"]))


def sitting(unit: Unit, drift: Drift, sequence: int, plan: dict[str, Any]) -> Judged:
    """A later recheck of the unit after a drift, against its reference."""
    bench, pattern = example_bench(), recheck(example_bench())
    rig = in_the_room(drifted(unit.rig, drift), plan, unit.seed, sequence)
    camera = camera_of(unit.seed, sequence)
    recording = filmed(rig, pattern, bench, camera, sequence, plan)
    return judge_recheck(
        unit.fitted, pattern, recording, bench, baseline=unit.baseline, effect=unit.effect
    )


# ---- alarms and power ---------------------------------------------------------------------------


def power(plan: dict[str, Any], models: Path) -> tuple[list[Trial], list[Trial]]:
    """First rechecks (no reference, nothing changed) and later ones."""
    first, later = [], []
    for suspension, seed in plan["units"]:
        unit = unit_of(suspension, seed, plan, models)
        name = f"{suspension} {seed}"
        first.append(told(unit, unit.first, name, "nothing", "", "both"))
        sequence = REFERENCE
        for case in plan["case"]:
            for n in range(case["times"]):
                sequence += 1
                axes = ("both", "x", "y")[(n + seed) % 3]
                drift = Drift(**case["drift"], axes=axes)  # type: ignore[arg-type]
                found = sitting(unit, drift, sequence, plan)
                later.append(told(unit, found, name, case["name"], case["expect"], axes))
    return first, later


def told(unit: Unit, found: Judged, name: str, case: str, expect: str, axes: str) -> Trial:
    judgement = found.judgement
    moved = tuple((s.axis, s.direction) for s in judgement.moved)
    tenth = np.array([0.1 * (direction == "friction") for _, direction in unit.effect.names])
    friction_mm = unit.effect.error_mm(tenth)[0]
    return Trial(name, case, expect, axes, judgement.verdict, moved, friction_mm)


# ---- the quick update on the job ---------------------------------------------------------------


@dataclass(frozen=True)
class Mended:
    """One drifted unit: rms error of the job (mm), and about its own mean, by each model."""

    unit: str
    case: str
    verdict: str
    moved: str
    accepted: bool
    stored_mm: tuple[float, float]
    updated_mm: tuple[float, float]
    refit_mm: tuple[float, float]


def updates(plan: dict[str, Any], models: Path) -> list[Mended]:
    """Each drift of each unit: recheck, update, refit, and the job played with each."""
    out = []
    for suspension, seed in plan["updated"]:
        unit = unit_of(suspension, seed, plan, models)
        for n, case in enumerate(plan["update"]):
            out.append(mended(unit, case, REFERENCE + 200 + 2 * n, plan, models))
            one = out[-1]
            sizes = [pair(p) for p in (one.stored_mm, one.updated_mm, one.refit_mm)]
            print(f"  {one.unit}, {one.case}: stored, updated, fit anew {sizes} mm", flush=True)
    return out


def mended(
    unit: Unit, case: dict[str, Any], sequence: int, plan: dict[str, Any], models: Path
) -> Mended:
    bench, pattern = example_bench(), recheck(example_bench())
    rig = in_the_room(drifted(unit.rig, Drift(**case["drift"])), plan, unit.seed, sequence)
    camera = camera_of(unit.seed, sequence)
    recording = filmed(rig, pattern, bench, camera, sequence, plan)
    found = judge_recheck(
        unit.fitted, pattern, recording, bench, baseline=unit.baseline, effect=unit.effect
    )
    job = the_job(bench, plan)
    end = end_state(found.sight, pattern, found.misfit_mm)
    stored = played(rig, bench, pattern, replace(unit.fitted, end=end), job, sequence, plan)
    accepted, moved, updated = False, "", stored
    if found.judgement.moved:
        moved = ", ".join(f"{s.key} {s.moved_by:+.3f}" for s in found.judgement.moved)
        better, how = quick_update(unit.fitted, found, date="simulated", baseline=unit.baseline)
        accepted = how.accepted
        if accepted:
            updated = played(rig, bench, pattern, better, job, sequence, plan)
    name = f"{unit.suspension}-{unit.seed}-{plan['minutes']:g}-after-{sequence}.json"
    again = fit_of(rig, bench, camera, sequence + 1, plan, models / name)
    long = characterisation(bench, minutes=plan["minutes"])
    refit = played(rig, bench, long, again, job, sequence + 1, plan)
    return Mended(f"{unit.suspension} {unit.seed}", case["name"], found.judgement.verdict, moved,
                  accepted, stored, updated, refit)  # fmt: skip


def played(
    rig: Rig, bench: Bench, before: Pattern, fitted: FittedModel, job: SpotPath, sequence: int,
    plan: dict[str, Any],
) -> tuple[float, float]:  # fmt: skip
    """Rms error of the job, played a pause after a pattern; and the same about its mean."""
    start = state_after_pause(fitted.model, fitted.end, plan["pause_s"])
    result = compensate_path(fitted, bench, job, start=start)
    spots = virtual_bench.play_after(rig, before, plan["pause_s"], result.drive, sequence=sequence)
    on = result.planned.beam
    ex = np.interp(result.planned.t_s, spots.t_s, spots.x_mm)[on] - result.planned.x_mm[on]
    ey = np.interp(result.planned.t_s, spots.t_s, spots.y_mm)[on] - result.planned.y_mm[on]
    return (
        float(np.sqrt(np.mean(ex**2 + ey**2))),
        float(np.sqrt(np.var(ex) + np.var(ey))),
    )


if __name__ == "__main__":
    main()
