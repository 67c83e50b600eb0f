"""Does every memory find itself again, and does the choice between them find the right family?

Self-recovery: here, and only here, the data are made by the very model that is fitted, with noise.
A fit that cannot find its own parameters within their intervals is wrong; one that can is not yet
right about a real rig (experiments.return_to_zero asks that, on rigs of another physics).

    python -m experiments.self_recovery --seeds 20

First table: how often each parameter lies within its 95 % interval. Second table: what
`fit --memory auto` chooses for rigs of one cause each.
"""

from __future__ import annotations

import argparse
import tomllib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from hysteresis.bench import TEMPLATE, Bench
from hysteresis.cli.console import table
from hysteresis.fit import compared
from hysteresis.fit.finish import Solution, finish
from hysteresis.fit.predict import predict
from hysteresis.fit.recipes import candidates
from hysteresis.fit.rows import after_conditioning
from hysteresis.fit.stages import Work, slow_part
from hysteresis.fit.structure import Layout, Recipe, layout
from hysteresis.fit.uncertainty import standard_errors
from hysteresis.optics import RigOptics, nominal_optics
from hysteresis.plan.characterise import characterisation
from hysteresis.recording import Observations
from hysteresis.tables import Floats, Pattern, group_of

HERE = Path(__file__).parent
FRAME_S, EXPOSURE_S = 1 / 30, 0.008

LIMITS = (0.02, 0.08, 0.25, 0.6)
TIMES = (0.3, 4.0, 50.0)
NODES = (-1.0, -0.4, -0.12, 0.0, 0.12, 0.4, 1.0)
MODELS: dict[str, Recipe] = {
    "Maxwell-slip": Recipe(slip_limits=LIMITS),
    "Preisach": Recipe(memory="preisach", nodes=NODES, smoothness=0.0),
    "Bouc-Wen": Recipe(memory="bouc-wen"),
    "Maxwell branches": Recipe(relaxation_times_s=TIMES),
    "logarithmic law": Recipe(relaxation_times_s=(0.1, 1.0, 10.0, 100.0), after_effect="log"),
    "power law": Recipe(relaxation_times_s=(0.1, 1.0, 10.0, 100.0), after_effect="power"),
    "slip and branches": Recipe(slip_limits=LIMITS, relaxation_times_s=TIMES, history=True),
    "droop and slip": Recipe(slip_limits=LIMITS, droop=True),
    "plays and Kelvin creep": Recipe("compliance", slip_limits=LIMITS, relaxation_times_s=TIMES),
}


@dataclass(frozen=True)
class Recovery:
    """One model over the seeds: parameters inside their 95 % interval, of how many."""

    name: str
    inside: int
    asked: int
    worst_sigma: float

    @property
    def share(self) -> float:
        return self.inside / self.asked


@dataclass(frozen=True)
class Chosen:
    """What was chosen for rigs of one family, and how often that is the family itself or one not
    distinguishable from it (within one standard error of the best)."""

    family: str
    names: Counter[str]
    right: int
    seeds: int


def main() -> None:
    plan = tomllib.loads((HERE / "self_recovery.toml").read_text())
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--seeds", type=int, default=plan["seeds"])
    ask.add_argument("--first-seed", type=int, default=plan["first_seed"])
    ask.add_argument("--only", choices=("parameters", "families"), default=None)
    asked = ask.parse_args()
    seeds = range(asked.first_seed, asked.first_seed + asked.seeds)
    if asked.only != "families":
        rows = [recovery(name, seeds, plan) for name in MODELS]
        table(
            "Self-recovery: parameters within their 95 % intervals (simulated, own family)",
            ("model", "inside", "of", "share", "worst, in standard errors"),
            [(r.name, r.inside, r.asked, f"{r.share:.3f}", f"{r.worst_sigma:.1f}") for r in rows],
        )
    if asked.only != "parameters":
        found = [families(name, seeds, plan) for name in plan["families"]]
        table(
            "What auto chooses (simulated, one cause at a time)",
            ("made by", "right", "of", "chosen"),
            [
                (c.family, c.right, c.seeds,
                 ", ".join(f"{n} {k}" for n, k in c.names.most_common()))
                for c in found
            ],
        )  # fmt: skip


def scene(plan: dict[str, Any]) -> tuple[Pattern, Observations, RigOptics, Bench]:
    """The template's bench, its pattern, and the frames a camera takes of it, still unmeasured."""
    bench = Bench.model_validate(tomllib.loads(TEMPLATE))
    pattern = characterisation(bench, minutes=plan["minutes"])
    start = np.arange(0.0, pattern.t_s[-1] - FRAME_S, FRAME_S)
    row = np.searchsorted(pattern.t_s, start, side="right") - 1
    group = np.array([group_of(s) for s in pattern.segment[row]], dtype=object)
    sigma = np.full(len(start), plan["noise_fs"] * bench.optics.full_scale_x_mm)
    nothing = np.zeros(len(start))
    seen = Observations(start, np.full(len(start), EXPOSURE_S), nothing, nothing, sigma, sigma,
                        group, np.arange(len(start)).astype(float), True)  # fmt: skip
    return pattern, after_conditioning(pattern, seen), nominal_optics(bench.optics), bench


def true_values(own: Layout, rng: np.random.Generator) -> Floats:
    """Plausible parameters of a rig, every weight well above zero."""
    short = np.where(np.isfinite(own.prior_sd), own.prior_mean, 0.0)
    for k, name in enumerate(own.names):
        kind = str(name).split("_", 1)[1]
        scale = rng.uniform(0.7, 1.3)
        if kind == "k1":
            short[k] = 0.85 * scale
        elif kind in ("k2", "k3"):
            short[k] = rng.uniform(-0.03, 0.03)
        elif kind.startswith(("slip", "play")):
            short[k] = 0.04 * scale
        elif kind.startswith("cell"):
            short[k] = 0.006 * scale
        elif kind.startswith("bouc_wen"):
            short[k] = {"stiffness": 0.25, "reach": 0.12, "sigma": 0.2, "exponent": 0.6,
                        "asymmetry": 0.05, "pinching": 0.15}[kind[9:]] * scale  # fmt: skip
        elif kind.startswith("history"):
            short[k] = rng.uniform(-0.01, 0.01)
        elif kind.endswith("exponent"):
            short[k] = 0.12 * scale
        elif kind.startswith(("branch", "creep")):
            short[k] = 0.03 * scale
        elif kind == "droop_per_s":
            short[k] = 0.2 * scale
        elif name.startswith(("offset", "coupling")):
            short[k] = rng.uniform(-0.01, 0.01)
    return short


def measured(
    own: Layout, short: Floats, work: Work, rng: np.random.Generator
) -> Observations:
    """What the camera measures of a rig with these parameters."""
    seen = work.seen
    grid = work.grid(replace(own.recipe, droop_start_per_s=0.3 if own.recipe.droop else 0.0))
    x, y, _ = predict(own, short, grid, seen, work.nominal, slopes=False)
    return replace(
        seen,
        x_mm=x + rng.normal(0.0, seen.sigma_x_mm),
        y_mm=y + rng.normal(0.0, seen.sigma_y_mm),
    )


def recovery(name: str, seeds: range, plan: dict[str, Any]) -> Recovery:
    """Make data by a model, fit the same model, count the parameters inside their intervals."""
    pattern, blank, nominal, _ = scene(plan)
    recipe = MODELS[name]
    own = layout(recipe)
    inside = asked = 0
    worst = 0.0
    for seed in seeds:
        rng = np.random.default_rng([seed, sum(map(ord, name))])
        truth = true_values(own, rng)
        seen = measured(own, truth, Work(pattern, blank, nominal, True), rng)
        solution, counted = _fitted(recipe, Work(pattern, seen, nominal, True))
        errors = standard_errors(solution, counted)
        told = np.isfinite(errors) & (errors > 0)
        off = np.abs(solution.short - truth)[told] / errors[told]
        inside += int(np.sum(off <= 1.96))
        # a parameter that ends at its bound has no interval: it counts as missed
        asked += len(truth)
        worst = max(worst, float(off.max()))
    return Recovery(name, inside, asked, worst)


def _fitted(recipe: Recipe, work: Work) -> tuple[Solution, Observations]:
    """The stages of a fit, to the slow rows and then to every row, as they are weighted by noise
    alone: the model is the right one, so that no group needs a larger sigma."""
    with threadpool_limits(limits=1):
        slow = slow_part(recipe, work, _quiet)
        solution = finish(
            slow.solution.layout, slow.solution.short, slow.grid, work.seen, work.nominal
        )
    return solution, work.seen


def families(name: str, seeds: range, plan: dict[str, Any]) -> Chosen:
    """Make data by one family of the choice, ask which family the choice takes."""
    pattern, blank, nominal, _ = scene(plan)
    every = candidates(pattern, _moving(blank)).recipes
    made_by = replace(every[name], dynamics=False, heating=False, history=False, tilt=False,
                      clock=False)  # fmt: skip
    own = layout(made_by)
    names: Counter[str] = Counter()
    right = 0
    for seed in seeds:
        rng = np.random.default_rng([seed, sum(map(ord, name)), 2])
        truth = _thinned(own, true_values(own, rng), rng)
        seen = measured(own, truth, Work(pattern, blank, nominal, True), rng)
        work = Work(pattern, seen, nominal, True)
        with threadpool_limits(limits=1):
            slow = {k: slow_part(recipe, work, _quiet) for k, recipe in every.items()}
            choices = compared(slow, nominal, rich=True)
        chosen = next(c for c in choices if c.chosen)
        own_choice = next(c for c in choices if c.name == name)
        names[chosen.name] += 1
        even = own_choice.worse_by - chosen.worse_by <= max(
            own_choice.uncertain_by, chosen.uncertain_by
        )
        right += chosen.name == name or (even and chosen.worse_by <= chosen.uncertain_by)
    return Chosen(name, names, right, len(seeds))


def _thinned(own: Layout, short: Floats, rng: np.random.Generator) -> Floats:
    """Weights of a rig with many elements: the sum of a few would do, each a share of it."""
    out = short.copy()
    for k, name in enumerate(own.names):
        if "slip" in name or "branch" in name:
            out[k] *= 0.15 * (1 + rng.uniform(-0.8, 0.8))
    return out


def _moving(seen: Observations) -> Observations:
    """Frames that look as if something was measured, to ask which recipes the data can carry."""
    ramp = np.linspace(0.0, 1.0, len(seen))
    return replace(seen, x_mm=ramp, y_mm=ramp)


_quiet: Callable[[str, float], None] = lambda text, part: None  # noqa: E731

if __name__ == "__main__":
    main()
