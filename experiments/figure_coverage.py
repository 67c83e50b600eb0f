"""How often does the 95 % interval of a published figure hold the truth?

Per suspension and seed a new invented unit with an unknown past is characterised by a camera (and
by a person with a ruler). Every figure of `hysteresis.characteristics`, from the data and for some
units from the fitted model too, is held against the same definition applied to the very spots that
were played, without noise, without errors of clock, registration and camera. Resonance and
damping are also held against those that follow from the rig's own parameters.

    python -m experiments.figure_coverage            (all)
    python -m experiments.figure_coverage --short    (one unit of two suspensions, no fit)

Everything it prints is simulated, on rigs whose physics is not that of the fit.
"""

from __future__ import annotations

import argparse
import tomllib
from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from experiments.return_to_zero import example_bench
from hysteresis import virtual_bench
from hysteresis.bench import Bench
from hysteresis.characteristics import DEFINITIONS, Characteristic, Pair
from hysteresis.characteristics.of_run import collected, paired, view_of
from hysteresis.characteristics.view import View
from hysteresis.cli.console import table
from hysteresis.fit import fit_recording
from hysteresis.fit.fitted import absolute_uncertainty_mm, fitted_model
from hysteresis.measure import measure_camera, measure_typed
from hysteresis.model import FittedModel
from hysteresis.plan.characterise import characterisation
from hysteresis.plan.reading_steps import reading_steps
from hysteresis.recording import Grid, average
from hysteresis.tables import Pattern, Recording
from hysteresis.virtual_bench.play import LONGEST_STEP_S
from hysteresis.virtual_bench.rig import Axis

HERE = Path(__file__).parent
OWN = " against the rig's own parameters"


@dataclass(frozen=True)
class Trial:
    """One figure of one axis of one unit beside the truth; `who`: 'data' or 'model'.

    `flagged`: whether data and model disagree; None where one of them has no such figure.
    """

    case: str
    suspension: str
    seed: int
    key: str
    summed: bool
    axis: str
    who: str
    truth: float
    value: float
    u: float
    expanded: float
    flagged: bool | None = None

    @property
    def held(self) -> bool:
        """Whether the truth lies in the interval."""
        return abs(self.value - self.truth) <= self.expanded


def main() -> None:
    """Print the study's tables."""
    plan = tomllib.loads((HERE / "figure_coverage.toml").read_text(encoding="utf-8"))
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--seeds", type=int, default=plan["seeds"])
    ask.add_argument("--fitted-seeds", type=int, default=plan["fitted_seeds"])
    ask.add_argument("--first-seed", type=int, default=plan["first_seed"])
    ask.add_argument("--minutes", type=float, default=plan["minutes"])
    ask.add_argument("--suspension", default=None, help="one of them alone")
    ask.add_argument("--only", choices=("camera", "typed"), default=None)
    ask.add_argument("--short", action="store_true", help="one unit of two suspensions, no fit")
    chosen = ask.parse_args()
    if chosen.short:
        report(short_form(plan), plan["goal"])
        return
    trials: list[Trial] = []
    for suspension in [chosen.suspension] if chosen.suspension else plan["suspensions"]:
        for k in range(chosen.seeds):
            fit = k < chosen.fitted_seeds
            seed = chosen.first_seed + k
            if chosen.only != "typed":
                trials += by_camera(suspension, seed, chosen.minutes, fit=fit)
            if chosen.only != "camera":
                trials += by_ruler(suspension, seed, plan["readings"], fit=fit)
        report([t for t in trials if t.suspension == suspension], plan["goal"], suspension)
    report(trials, plan["goal"])
    flags(trials)


def short_form(plan: dict[str, Any]) -> list[Trial]:
    """One unit of two suspensions, figures of the data alone."""
    return [
        trial
        for suspension in ("braided-thread", "metal-flexure")
        for trial in by_camera(suspension, plan["first_seed"], 2.0, fit=False)
    ]


def by_camera(suspension: str, seed: int, minutes: float, *, fit: bool) -> list[Trial]:
    """Trials of one unit that a camera watched."""
    bench = example_bench()
    pattern = characterisation(bench, minutes=minutes)
    rig = virtual_bench.make_rig(bench, suspension, seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    log = virtual_bench.photograph(played, bench, seed)
    recording = measure_camera(log, pattern, bench).recording
    return _tried("camera", bench, pattern, recording, rig, played, fit=fit)


def by_ruler(suspension: str, seed: int, readings: int, *, fit: bool) -> list[Trial]:
    """Trials of one unit that a person read with a ruler."""
    bench = example_bench()
    pattern = reading_steps(bench, readings=readings)
    rig = virtual_bench.make_rig(bench, suspension, seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    sheet = virtual_bench.read_with_ruler(played, pattern, bench, seed)
    recording = measure_typed(sheet, pattern, bench).recording
    return _tried("ruler", bench, pattern, recording, rig, played, fit=fit)


def _tried(
    case: str, bench: Bench, pattern: Pattern, recording: Recording, rig: virtual_bench.Rig,
    played: virtual_bench.Played, *, fit: bool,
) -> list[Trial]:  # fmt: skip
    fitted: FittedModel | None = None
    if fit:
        outcome = fit_recording(
            pattern, recording, bench, zero_mm=absolute_uncertainty_mm(bench)
        )  # fmt: skip
        fitted = fitted_model(outcome, bench, {})
    view = view_of(pattern, recording, bench, fitted)
    true = collected(true_view(view, played))
    own = own_dynamics(rig)
    out = []
    for place, pair in paired(view, fitted).items():
        for who, told in _both(pair):
            if place in true:
                trial = _trial(case, rig, place, who, true[place].value, told)
                out.append(replace(trial, flagged=pair.disagree))
            if place[2] == "" and (place[0], place[1]) in own:
                truth = own[place[0], place[1]]
                again = _trial(case, rig, place, who, truth, told)
                out.append(replace(again, key=place[0] + OWN))
    return out


def _both(pair: Pair) -> list[tuple[str, Characteristic]]:
    both = (("data", pair.measured), ("model", pair.modelled))
    return [(who, told) for who, told in both if told is not None]


def _trial(
    case: str, rig: virtual_bench.Rig, place: tuple[str, str, str], who: str, truth: float,
    told: Characteristic,
) -> Trial:  # fmt: skip
    return Trial(
        case, rig.suspension.name, rig.seed, place[0], place[2] == "", place[1], who, truth,
        told.value, told.u, told.expanded(),
    )  # fmt: skip


def true_view(view: View, played: virtual_bench.Played) -> View:
    """The same rows as a perfect camera would have seen them at the times that they state."""
    around = played.around
    grid = Grid(around.t_s, np.diff(around.t_s, prepend=around.t_s[0] - 1e-3), around.x_mm,
                around.y_mm)  # fmt: skip
    mean = average(grid, np.column_stack([around.x_mm, around.y_mm]), view.seen.start_s,
                   view.seen.exposure_s)  # fmt: skip
    x, y = (
        np.where(np.isfinite(seen), exact, np.nan)
        for seen, exact in ((view.seen.x_mm, mean[:, 0]), (view.seen.y_mm, mean[:, 1]))
    )
    return replace(view, seen=replace(view.seen, x_mm=x, y_mm=y), exact=True, _kept={})


def own_dynamics(rig: virtual_bench.Rig) -> dict[tuple[str, str], float]:
    """Resonance and damping of a small free oscillation by the rig's parameters.

    m ω² = storage stiffness at ω; ζ = (b ω + loss stiffness) / (2 m ω²) (textbook
    viscoelasticity); friction sticks in a motion small enough. The bench integrates with steps h
    by a leapfrog, which rings at (2/h) asin(ωh/2) in place of ω (textbook): 0.07 % at 85 Hz.
    """
    out = {}
    for name, axis in zip("xy", rig.axes, strict=True):
        omega, loss = _free(axis)
        played = 2.0 / LONGEST_STEP_S * np.arcsin(omega * LONGEST_STEP_S / 2.0)
        out["resonance", name] = float(played) / (2.0 * np.pi)
        out["damping_ratio", name] = (axis.damping * omega + loss) / (2 * axis.inertia * omega**2)
    return out


def _free(axis: Axis) -> tuple[float, float]:
    still = 1.0 + float(axis.slip_stiffness.sum())
    omega, loss = float(np.sqrt(still / axis.inertia)), 0.0
    for _ in range(50):
        x = omega * axis.relaxation_s
        storage = float(np.sum(axis.branch_stiffness * x**2 / (1.0 + x**2)))
        loss = float(np.sum(axis.branch_stiffness * x / (1.0 + x**2)))
        omega = float(np.sqrt((still + storage) / axis.inertia))
    return omega, loss


def report(trials: list[Trial], goal: float, title: str = "all suspensions") -> None:
    """Print one row per figure: how often the truth was held, and how wide the intervals are."""
    for case in dict.fromkeys(t.case for t in trials):
        groups: dict[tuple[str, bool], dict[str, list[Trial]]] = defaultdict(
            lambda: defaultdict(list)
        )
        for trial in trials:
            if trial.case == case:
                groups[trial.key, trial.summed][trial.who].append(trial)
        order = list(DEFINITIONS)
        rows = [
            (key + ("" if summed else ", each"), *_cells(who["data"]), *_cells(who["model"]),
             _verdict(who, goal))
            for (key, summed), who in sorted(
                groups.items(), key=lambda item: (order.index(item[0][0].removesuffix(OWN)),
                                                  not item[0][1])
            )
        ]  # fmt: skip
        table(
            f"Simulated: {title}, {case}. Truth within the 95 % interval",
            ("figure", "data: held", "error/u, rms", "U, median", "model: held", "error/u, rms",
             "U, median", ""),
            rows,
        )  # fmt: skip


def flags(trials: list[Trial]) -> None:
    """Print how often data and model of one figure are told to disagree, and what is missed."""
    both = [t for t in trials if t.who == "model" and t.flagged is not None]
    if not both:
        return
    rows = []
    for suspension in dict.fromkeys(t.suspension for t in both):
        mine = [t for t in both if t.suspension == suspension]
        keys = [t.key for t in mine if t.flagged]
        missed = [t for t in mine if not t.held]
        rows.append((
            suspension, f"{len(keys)}/{len(mine)}",
            max(keys, key=keys.count) if keys else "–",
            f"{sum(bool(t.flagged) for t in missed)}/{len(missed)}",
        ))  # fmt: skip
    table(
        "Simulated: pairs of data and model that are flagged",
        ("suspension", "flagged", "most often", "of those where the model misses the truth"), rows,
    )  # fmt: skip


def _cells(trials: list[Trial]) -> tuple[str, str, str]:
    if not trials:
        return "–", "–", "–"
    held = sum(t.held for t in trials)
    scores = np.array([(t.value - t.truth) / t.u for t in trials if t.u > 0])
    size = f"{np.sqrt(np.mean(scores**2)):.2f}" if scores.size else "–"
    return f"{held}/{len(trials)}", size, f"{np.median([t.expanded for t in trials]):.3g}"


def _verdict(who: dict[str, list[Trial]], goal: float) -> str:
    missed = [
        name for name in ("data", "model")
        if who[name] and sum(t.held for t in who[name]) < goal * len(who[name])
    ]  # fmt: skip
    return ("below the goal: " + ", ".join(missed)) if missed else ""


if __name__ == "__main__":
    main()
