"""Which causes a recording tells apart: spring, friction memory, after-effect, and the rest.

At the solution the problem is linear, so everything is in the root of the weighted Jacobian. A
block is a set of unknowns with one cause. Each is judged by one figure in physical units: for
what leaves a residue, the return-to-zero error that would be gone without it; for the rest,
their effect on the recording. Its variance with every other unknown free, over that with the
others known, is the variance inflation factor 1/sin² of the angle between its response and those
of the others (Belsley, Kuh & Welsch 1980, Regression Diagnostics; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from hysteresis.compliance_axis import ComplianceAxis
from hysteresis.fit.bounded import compress
from hysteresis.fit.causes import Block, Figure, block_of, lines, reason, table_rows
from hysteresis.fit.finish import Solution
from hysteresis.fit.predict import predict
from hysteresis.fit.structure import Layout, axis_from_full
from hysteresis.fit.uncertainty import design_effect
from hysteresis.model import Axis
from hysteresis.optics import RigOptics
from hysteresis.recording import Grid, Observations, simulation_grid
from hysteresis.tables import Bools, Floats

__all__ = ["Aim", "Block", "Figure", "aims", "half_covariance", "identifiability", "lines",
           "residue", "table_rows", "widened"]  # fmt: skip

TOLD, WEAKLY = 0.25, 0.5  # standard error over the figure's size (common practice, no source)
LEAST_SPRING = 0.01  # of the stiffness: a spring known better than this is known
ONE_SIDED = 1.645  # normal quantile of a 95 % upper limit
BEND = 1e-9  # smallest singular value over the largest: below it nothing is known
PROBE_SHARE, PROBE_HOLD_S = 0.9, 10.0  # the return to zero by which memory is judged
_RESIDUE = ("friction memory", "after-effect")


@dataclass(frozen=True)
class Aim:
    """What a block is judged by: value, and rows `by` (m, s) whose covariance it is asked for.

    `own` (s,): its unknowns; `size`: what its standard error is held against, in its unit.
    """

    axis: str
    name: str
    own: Bools
    words: str
    value: float
    unit: str
    by: Floats
    size: float


def identifiability(
    solution: Solution, grid: Grid, seen: Observations, nominal: RigOptics
) -> tuple[Block, ...]:
    """Judge every block of unknowns that the solution has, axis by axis.

    `grid`, `seen` and `nominal` are those the solution was fitted with.
    """
    plan, free = solution.layout, within_bounds(solution)
    root = widened(solution, design_effect(solution, seen))
    judged = aims(solution, grid, seen, nominal)
    blocks = {(aim.axis, aim.name): aim.own for aim in judged}
    return tuple(
        _judged(aim, free, blocks, plan, root, _more(aim.axis, aim.name, aim.own, solution))
        for aim in judged
    )


def within_bounds(solution: Solution) -> Bools:
    """Which unknowns (s,) are free: those at a bound carry no variance."""
    plan, short = solution.layout, solution.short
    return (~plan.not_negative | (short > 0)) & (short < plan.upper)


def aims(
    solution: Solution, grid: Grid, seen: Observations, nominal: RigOptics
) -> tuple[Aim, ...]:
    """What each block of the solution's unknowns is judged by, in the order of the unknowns."""
    plan, short = solution.layout, solution.short
    blocks: dict[tuple[str, str], Bools] = {}
    for k, name in enumerate(plan.names):
        of = blocks.setdefault(block_of(str(name)), np.zeros(len(short), dtype=bool))
        of[k] = True
    noise = float(np.nanmedian([seen.sigma_x_mm, seen.sigma_y_mm]))
    jacobian = predict(plan, short, grid, seen, nominal, slopes=True)[2]
    assert jacobian is not None
    measured = jacobian[np.isfinite(np.concatenate([seen.x_mm, seen.y_mm]))]
    return tuple(
        _aim(axis, name, own, solution, grid, nominal, measured, noise)
        for (axis, name), own in blocks.items()
    )


def widened(solution: Solution, effect: float) -> Floats:
    """Root of the information with the data's part divided by the design effect, priors as is."""
    prior, _ = solution.layout.prior_rows()
    rows = np.vstack([solution.root / np.sqrt(effect), prior * np.sqrt(1.0 - 1.0 / effect)])
    return compress(rows, np.zeros(len(rows)))[0]


# ---- what each block is judged by ---------------------------------------------------------------


def _aim(
    axis: str, name: str, own: Bools, solution: Solution, grid: Grid, nominal: RigOptics,
    jacobian: Floats, noise_mm: float,
) -> Aim:  # fmt: skip
    plan, short = solution.layout, solution.short

    def aim(words: str, value: float, unit: str, by: Floats, size: float) -> Aim:
        return Aim(axis, name, own, words, value, unit, by, size)

    if name in _RESIDUE or (name == "drive chain" and f"{axis}_droop_per_s" in plan.names):
        value, gradient = residue(plan, short, axis, own, grid, nominal)
        words = f"return-to-zero error after {PROBE_HOLD_S:.0f} s"
        return aim(words, value, "mm", gradient[None], max(abs(value), noise_mm))
    one = np.eye(len(short))
    if name == "spring":
        k = plan.index(f"{axis}_k1")
        # against all that is memory: that is what must not be taken for spring, or spring for it
        model = _model(plan, short, axis)
        if isinstance(model, ComplianceAxis):
            memory = float(model.weight.sum() + model.compliance.sum())
            words, unit = "compliance", "FS/drive"
        else:
            memory = model.small_signal_stiffness() - short[k]
            words, unit = "stiffness", "drive/FS"
        size = max(memory, LEAST_SPRING * short[k]) if plan.recipe.remembers else short[k]
        return aim(words, float(short[k]), unit, one[[k]], size)
    if name == "zero":
        k = plan.index(f"offset_{axis}_mm")
        size = max(abs(float(short[k])), noise_mm)
        return aim("place of the zero", float(short[k]), "mm", one[[k]], size)
    neutral = np.where(np.isfinite(plan.prior_sd), plan.prior_mean, 0.0)
    columns = jacobian[:, own] / np.sqrt(max(len(jacobian) / 2, 1))
    size = float(np.linalg.norm(columns @ (short - neutral)[own]))
    root = compress(columns, np.zeros(len(columns)))[0]
    by = np.zeros((len(root), len(short)))
    by[:, own] = root
    return aim("effect on this recording, rms", size, "mm", by, max(size, noise_mm))


def residue(
    plan: Layout, short: Floats, axis: str, own: Bools, grid: Grid, nominal: RigOptics
) -> tuple[float, Floats]:
    """Return-to-zero error (mm) that would be gone without `own`, and its gradient (s,).

    Branches are not taken away but kept from relaxing, which makes them springs: so a branch too
    slow to be told from the spring counts for nothing. The excursion is `PROBE_SHARE` of the
    recording's largest drive on this axis, held `PROBE_HOLD_S`, read 0.5 to 1 s after the
    return, from a conditioned start without a past.
    """
    drive = grid.drive_x if axis == "x" else grid.drive_y
    top = PROBE_SHARE * float(np.abs(drive).max())
    t = np.cumsum([0.0, 0.5, 0.15, PROBE_HOLD_S, 0.15, 1.2])
    pulse = top * np.array([0.0, 0.0, 1.0, 1.0, 0.0, 0.0])
    still = np.zeros_like(pulse)
    probe = simulation_grid(
        t, pulse if axis == "x" else still, pulse if axis == "y" else still,
        fine_step_s=0.01, settle_s=0.0, growth=0.2,
    )  # fmt: skip
    back, nothing = t[4], np.zeros(2)
    looks = Observations(
        np.array([0.1, back + 0.5]), np.array([0.3, 0.5]), nothing, nothing, nothing + 1.0,
        nothing + 1.0, np.array(["probe"] * 2, dtype=object), np.arange(2.0), True,
    )  # fmt: skip
    past = np.array([block_of(str(n))[1] in ("history", "clock", "drift") for n in plan.names])
    with_it, without = np.where(past, 0.0, short), np.where(past | own, 0.0, short)
    k1 = plan.index(f"{axis}_k1")

    branches = own & [block_of(str(n))[1] == "after-effect" for n in plan.names]
    if plan.recipe.form == "compliance":
        branches = np.zeros_like(own)  # creep modes add deflection to the spring's

    def relaxes(at: Floats) -> float:
        kept = _stiffness(plan, np.where(branches, 0.0, at), axis)
        return _stiffness(plan, at, axis) - kept

    without[k1] += relaxes(short)
    by_relaxes = _gradient(relaxes, plan, short, axis)
    row = 0 if axis == "x" else 2

    def error(at: Floats) -> tuple[float, Floats]:
        x, y, slopes = predict(plan, at, probe, looks, nominal, slopes=True)
        assert slopes is not None
        spot = x if axis == "x" else y
        return float(spot[1] - spot[0]), np.where(past, 0.0, slopes[row + 1] - slopes[row])

    whole, by_whole = error(with_it)
    rest, by_rest = error(without)
    return whole - rest, by_whole - np.where(own, 0.0, by_rest) - by_rest[k1] * by_relaxes


def _model(plan: Layout, short: Floats, axis: str) -> Axis:
    first = 0 if axis == "x" else plan.per_axis
    return axis_from_full(plan.recipe, plan.full(short)[first : first + plan.per_axis])[0]


def _stiffness(plan: Layout, short: Floats, axis: str) -> float:
    return _model(plan, short, axis).small_signal_stiffness()


def _more(
    axis: str, name: str, own: Bools, solution: Solution
) -> list[tuple[str, float, str, Floats]]:
    """Further figures of a block: words, value, unit, gradient (s,)."""
    plan, short = solution.layout, solution.short

    def of_axis(words: str, unit: str, figure: Callable[[Floats], float]
                ) -> tuple[str, float, str, Floats]:  # fmt: skip
        return words, figure(short), unit, _gradient(figure, plan, short, axis)

    def model(at: Floats) -> Axis:
        return _model(plan, at, axis)

    def stiffness(at: Floats) -> float:
        return _stiffness(plan, at, axis)

    if name == "friction memory":
        of_what = "deflection" if plan.recipe.form == "compliance" else "stiffness"
        words = f"share of the {of_what}"
        return [of_axis(words, "%", lambda at: 100.0 * model(at).friction_share())]
    if name == "after-effect":
        return [of_axis("per decade", "%", lambda at: 100.0 * model(at).after_effect_share())]
    if name == "dynamics" and short[plan.index(f"{axis}_inertia")] > 0:
        def resonance(at: Floats) -> float:
            return model(at).dynamics.resonance_hz(stiffness(at))

        def damping(at: Floats) -> float:
            return model(at).dynamics.damping_ratio(stiffness(at))

        return [of_axis("resonance", "Hz", resonance), of_axis("damping ratio", "", damping)]
    if name == "heating":
        row = np.where(own, 100.0, 0.0)  # stiffness lost at full drive, warm
        return [("softening at full drive, warm", float(row @ short), "%", row)]
    if name == "clock":
        row = np.zeros(len(short))
        row[plan.index("clock_offset_s")] = 1e3
        return [("offset", float(row @ short), "ms", row)]
    return []


def _gradient(figure: Callable[[Floats], float], plan: Layout, short: Floats, axis: str) -> Floats:
    """Central differences over the unknowns of one axis; the figures are smooth algebra."""
    out = np.zeros(len(short))
    for k, name in enumerate(plan.names):
        if not str(name).startswith(f"{axis}_") or (plan.not_negative[k] and short[k] <= 0):
            continue
        step = 1e-5 * max(abs(float(short[k])), 1e-4)
        up, down = short.copy(), short.copy()
        up[k] += step
        down[k] -= step
        out[k] = (figure(up) - figure(down)) / (2.0 * step)
    return out


# ---- judging ------------------------------------------------------------------------------------


def _judged(
    aim: Aim, free: Bools, blocks: dict[tuple[str, str], Bools], plan: Layout, root: Floats,
    more: Sequence[tuple[str, float, str, Floats]],
) -> Block:  # fmt: skip
    axis, name, own, by = aim.axis, aim.name, aim.own, aim.by
    use, mine, seen_free = free, own & free, bool((own & free).any())
    if not seen_free:  # all at their bound: how large could they be, all together and equal?
        together = own / np.sqrt(own.sum())
        root = np.column_stack([root, root @ together])
        by = np.column_stack([np.where(own, 0.0, by), by @ together])
        use, mine = np.append(free, True), np.append(np.zeros_like(own), True)

    def variance(rows: Floats, unknown: Bools) -> float:
        return float(np.sum((rows[:, unknown] @ half_covariance(root[:, unknown])) ** 2))

    own_rows = np.where(mine, by, 0.0)
    whole, alone = variance(own_rows, use), variance(own_rows, mine)
    inflation = max(1.0, whole / alone) if alone > 0 else 1.0
    total = variance(by, use)
    gains = {}
    for (other_axis, other), of in blocks.items():
        known = np.append(of, False)[: len(use)]
        elsewhere = bool(axis) and other_axis not in ("", axis)
        if elsewhere or not (known & use).any() or (known & mine).any():
            continue
        label = other if other_axis in ("", axis) else f"{other} of {other_axis}"
        gains[label] = 1.0 - variance(np.where(known, 0.0, by), use & ~known) / max(total, 1e-300)
    nearest = max(gains, key=lambda key: gains[key], default="")
    error, alone_error = float(np.sqrt(total)), float(np.sqrt(alone))
    verdict, because = _verdict(name, aim, error, alone_error, nearest, seen_free)
    prior = _prior_share(plan.prior_sd, own & free, aim.by, total)
    if prior > 0.5 and verdict != "told apart":
        verdict, because = "not seen", "the recording adds little to what was assumed beforehand"
    return Block(
        axis=axis, name=name, unknowns=int(own.sum()), free=int((own & free).sum()),
        figure=Figure(aim.words, aim.value, error, aim.unit),
        more=tuple(
            Figure(words, value, float(np.sqrt(variance(row[None], free))) or float("nan"), unit)
            for words, value, unit, row in (more if seen_free else ())
        ),
        alone_error=alone_error, inflation=inflation,
        angle_deg=float(np.degrees(np.arcsin(min(1.0, 1.0 / np.sqrt(inflation))))),
        nearest=nearest, nearest_share=max(0.0, gains.get(nearest, 0.0)), prior_share=prior,
        verdict=verdict, because=because,
    )  # fmt: skip


def half_covariance(root: Floats) -> Floats:
    """A matrix whose product with its own transpose is (rootᵀ root)⁻¹; the unknown stays large.

    Directions that the data do not see at all get a large variance, not none as in a
    pseudo-inverse.
    """
    scale = np.maximum(np.linalg.norm(root, axis=0), 1e-300)
    _, size, turned = np.linalg.svd(root / scale, full_matrices=False)
    size = np.maximum(size, BEND * max(float(size[0]), 1e-300))
    return np.asarray((turned.T / size) / scale[:, None])


def _prior_share(prior_sd: Floats, own: Bools, by: Floats, variance: float) -> float:
    """Variance left over that of the prior, where the whole block has one; else 0."""
    if not own.any() or not np.isfinite(prior_sd[own]).all():
        return 0.0
    before = float(np.sum((by[:, own] * prior_sd[own]) ** 2))
    return min(1.0, variance / before) if before > 0 else 0.0


def _verdict(
    name: str, aim: Aim, error: float, alone_error: float, nearest: str, any_free: bool
) -> tuple[str, str]:
    size = aim.size
    if error <= TOLD * size:
        none = f"nothing of it is seen: less than {ONE_SIDED * error:.2g} {aim.unit}"
        return "told apart", "" if any_free else none
    if alone_error > WEAKLY * size:
        return "not seen", "the recording hardly shows it, even with everything else known"
    why = reason(name, nearest)
    if error <= WEAKLY * size:
        return "weakly", f"from {nearest}: {why}"
    return f"not told apart from {nearest}", why
