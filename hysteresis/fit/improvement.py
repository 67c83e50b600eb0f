"""What to measure next: which extra segments would tell apart what a recording left open.

The linearised problem at the model of a run, its causes that are not told apart, and segments
that may be added: those are chosen that lower the causes' relative variances most per second.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import DataError, InputError
from hysteresis.fit.bounded import compress
from hysteresis.fit.causes import Block
from hysteresis.fit.finish import HUBER, Solution
from hysteresis.fit.fitted import offsets
from hysteresis.fit.identifiability import (
    TOLD,
    WEAKLY,
    Aim,
    aims,
    half_covariance,
    identifiability,
    widened,
    within_bounds,
)
from hysteresis.fit.linearised import ahead, cost, frames_of, greedy, joined
from hysteresis.fit.predict import predict
from hysteresis.fit.recipes import NAMES, RICH, candidates
from hysteresis.fit.rows import after_conditioning, driven_only, refuse_another_pattern, turned
from hysteresis.fit.stages import Work, with_group_sigma
from hysteresis.fit.structure import Layout, layout
from hysteresis.fit.uncertainty import design_effect
from hysteresis.model import FittedModel
from hysteresis.optics import RigOptics, nominal_optics
from hysteresis.plan.improve import Extra, Span
from hysteresis.recording import Grid, Observations, observations
from hysteresis.tables import Bools, Floats, Pattern, Recording

LEFT_ASIDE = ("history", "clock", "drift", "zero")  # they belong to one recording, not to the rig
MOST_S = 180.0  # longer than this, a new characterisation is the better use of the time
LEAST_GAIN = 0.04  # a segment that lowers the sum by less is passed by
LEAST_LOSS = 0.05  # a segment without which the sum rises by less is left out again


@dataclass(frozen=True)
class Known:
    """A run's fit, taken up again from its files.

    `soft`: the observations with sigmas that hold the model's own error, as the fit weighed them.
    """

    solution: Solution
    grid: Grid
    seen: Observations
    soft: Observations
    nominal: RigOptics
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Target:
    """A cause that is not told apart: its standard error over its size before and after."""

    label: str
    verdict: str
    before: float
    after: float

    @property
    def told(self) -> bool:
        """Whether it would be told apart afterwards."""
        return self.after <= TOLD


@dataclass(frozen=True)
class Choice:
    """One segment to add: its price in seconds, and what it tells, the most first."""

    index: int
    name: str
    seconds: float
    tells: tuple[str, ...]


@dataclass(frozen=True)
class Improvement:
    """What to add; empty where nothing is needed or nothing of it would help."""

    targets: tuple[Target, ...]
    choices: tuple[Choice, ...]


def known(
    fitted: FittedModel, pattern: Pattern, recording: Recording, bench: Bench
) -> Known:
    """The linearised fit at a run's model.json.

    Raises DataError for readings by ruler, InputError when the model belongs to other data.
    """
    refuse_another_pattern(pattern, recording)
    seen = driven_only(pattern, after_conditioning(pattern, observations(pattern, recording)))
    if len(seen) < RICH or not seen.timed:
        raise DataError(
            "extra segments are chosen for a camera's recording; for readings by ruler plan more "
            "of them: hysteresis plan RUN --kind reading-steps --readings 80"
        )
    name = str(fitted.provenance.get("recipe", ""))
    recipes = candidates(pattern, seen, name).recipes if name in NAMES else {}
    plan = layout(recipes[name]) if name in recipes else None
    if plan is None or [str(n) for n in plan.names] != [p.name for p in fitted.parameters]:
        raise InputError(
            "model.json was not fitted to this recording by this version of the toolkit",
            mend="fit it again with: hysteresis fit RUN --force",
        )
    short = np.array([p.value for p in fitted.parameters]) - offsets(plan)
    nominal = turned(pattern, seen, nominal_optics(bench.optics))
    grid = _grid(plan, short, pattern, seen, nominal)
    x, y, jacobian = predict(plan, short, grid, seen, nominal, slopes=True)
    assert jacobian is not None
    residual = (seen.x_mm - x, seen.y_mm - y)
    rough = Solution(plan, short, *residual, np.eye(len(short)), float("nan"), 0, True)
    soft = with_group_sigma(seen, rough)
    r = np.concatenate(residual)
    sigma = np.concatenate([soft.sigma_x_mm, soft.sigma_y_mm])
    good = np.isfinite(r)
    weight = np.sqrt(np.minimum(1.0, HUBER / np.maximum(np.abs(r / sigma), 1e-12))) / sigma
    rows = np.vstack([jacobian[good] * weight[good, None], plan.prior_rows()[0]])
    solution = replace(rough, root=compress(rows, np.zeros(len(rows)))[0])
    blocks = identifiability(solution, grid, seen, nominal)
    return Known(solution, grid, seen, soft, nominal, blocks)


def improvement(
    run: Known,
    bench: Bench,
    offered: tuple[Extra, ...],
    pattern: Pattern,
    spans: tuple[Span, ...],
    *,
    most_s: float = MOST_S,
) -> Improvement:
    """Choose among `offered`, which lie in `pattern` at `spans`, within `most_s` seconds.

    The criterion is the sum over the causes that are not told apart of their variance over
    their size squared. Segments are taken while they help, then dropped again if they turn out
    not to be needed: what is left is the informative minimum.
    """
    plan = run.solution.layout
    free = within_bounds(run.solution)
    effect = design_effect(run.solution, run.seen)
    root = widened(run.solution, effect)
    open_to = _open(run, free)
    if not open_to:
        return Improvement((), ())
    first, of_new = joined(plan, root)
    use = np.concatenate([free, np.ones(len(first) - len(free), dtype=bool)])
    half = half_covariance(first[:, use])
    wanted = [(aim.by @ half[: int(free.sum())]) / aim.size for aim in _free(open_to, free)]
    squares = [w.T @ w for w in wanted]
    frames = frames_of(pattern, bench)
    sigma = _sigma(run.soft, frames) * np.sqrt(effect)
    grid = _grid(plan, run.solution.short, pattern, frames, run.nominal)
    rows = ahead(plan, run.solution.short, grid, frames, run.nominal, sigma)
    rows = rows.times(of_new[:, use] @ half)
    gains = [rows.between(s.start_s, s.end_s) for s in spans]
    seconds = [s.cost_s for s in spans]
    total = np.sum(squares, axis=0)
    chosen = greedy(gains, seconds, lambda gained: cost(gained, total), most_s,
                    enough=TOLD**2 * 0.9, least_gain=LEAST_GAIN)  # fmt: skip
    chosen = _needed(gains, total, chosen, seconds)

    def errors(of: list[int]) -> Floats:
        now = _sum(gains, of)
        return np.sqrt([cost(now, square) for square in squares])

    before, after = errors([]), errors(chosen)
    labels = [f"{aim.name} {aim.axis}".strip() for aim, _ in open_to]
    choices = []
    for k in chosen:
        without = errors([j for j in chosen if j != k])
        share = without / np.maximum(after, 1e-12) - 1.0
        order = np.argsort(-share)
        tells = [labels[i] for i in order if share[i] > 0.02][:3] or [labels[order[0]]]
        choices.append(Choice(k, offered[k].name, seconds[k], tuple(tells)))
    targets = tuple(
        Target(label, block.verdict, float(b), float(a))
        for label, (_, block), b, a in zip(labels, open_to, before, after, strict=True)
    )
    return Improvement(targets, tuple(choices))


def _open(run: Known, free: Bools) -> list[tuple[Aim, Block]]:
    """Causes that are not told apart, belong to the rig, and have an unknown that is free."""
    judged = aims(run.solution, run.grid, run.seen, run.nominal)
    return [
        (aim, block)
        for aim, block in zip(judged, run.blocks, strict=True)
        if not block.told and aim.name not in LEFT_ASIDE and (aim.own & free).any()
    ]


def _free(open_to: list[tuple[Aim, Block]], free: Bools) -> list[Aim]:
    return [replace(aim, by=aim.by[:, free]) for aim, _ in open_to]


def _sum(gains: list[Floats], of: list[int]) -> Floats:
    return np.asarray(sum((gains[k] for k in of), np.zeros_like(gains[0])))


def _needed(
    gains: list[Floats], wanted: Floats, chosen: list[int], seconds: list[float]
) -> list[int]:
    """Without those that the later ones made needless, the dearest looked at first."""
    kept = list(chosen)
    for k in sorted(chosen, key=lambda j: -seconds[j]):
        rest = [j for j in kept if j != k]
        with_it, without = (cost(_sum(gains, of), wanted) for of in (kept, rest))
        if without <= (1.0 + LEAST_LOSS) * with_it:
            kept = rest
    return kept


def _sigma(seen: Observations, frames: Observations) -> Floats:
    """Standard deviation to expect per frame: the median of its kind of segment so far."""
    kind_of = np.array([str(g).split("/")[0] for g in seen.group])
    both = np.nanmean([seen.sigma_x_mm, seen.sigma_y_mm], axis=0)
    usual = float(np.nanmedian(both))
    found = {kind: float(np.nanmedian(both[kind_of == kind])) for kind in np.unique(kind_of)}
    return np.array([found.get(str(g).split("/")[0], usual) for g in frames.group])


def _grid(
    plan: Layout, short: Floats, pattern: Pattern, seen: Observations, nominal: RigOptics
) -> Grid:
    """The grid on which a fit with this layout would look at a pattern."""
    droop = [short[k] for k, name in enumerate(plan.names) if str(name).endswith("_droop_per_s")]
    recipe = replace(plan.recipe, droop_start_per_s=float(max(droop, default=0.0)))
    return Work(pattern, seen, nominal, True).grid(recipe)


def summary(found: Improvement) -> list[str]:
    """Sentences for a person: what to add and for what, or that nothing is needed."""
    if not found.targets:
        return ["nothing is needed: every cause of this rig is told apart from the others"]
    out = []
    if not found.choices:
        out.append("no segment tells what is open: more of the same hardly helps")
    for c in found.choices:
        out.append(f"add {c.seconds:.0f} s: {c.name}; tells {', '.join(c.tells) or 'a little'}")
    for t in found.targets:
        end = "told apart" if t.told else "weakly" if t.after <= WEAKLY else "still open"
        out.append(
            f"{t.label}: standard error {100 * t.before:.0f} % of its size, "
            f"{100 * t.after:.0f} % with it ({end})"
        )
    return out
