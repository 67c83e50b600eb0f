"""How often `compare` tells two suspensions apart that differ by a fifth, and two that do not.

Units are those of the virtual bench: every memory magnitude of every axis within ±20 % (uniform).
The other suspension has 1.2 times the friction and after-effect. Each unit of a pool plays the
30 s recheck (conditioning, three returns to zero and one of them again), is filmed by the
simulated camera, measured, and its return-to-zero error worked out as for any run. A trial draws
so many units of each pool without replacement and compares them by the very code of `compare`.
For two equal suspensions both groups are drawn from one pool: a random split, so that the share
of trials that find a difference is free of what the pool's units happen to be. Trials share units
of a pool, so the shares of the first table vary a little from pool to pool; `--first-seed` makes
another one.
"""

from __future__ import annotations

import argparse
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from experiments.return_to_zero import example_bench
from hysteresis import virtual_bench
from hysteresis.bench import Bench
from hysteresis.characteristics.figure import Definition
from hysteresis.characteristics.of_run import figures_of
from hysteresis.cli.console import table
from hysteresis.compare.designs import compare_figure, correct_family
from hysteresis.compare.results import FigureComparison, RunValue
from hysteresis.compare.separate import Trial, more_units, welch_power
from hysteresis.measure import measure_camera
from hysteresis.plan import plan
from hysteresis.tables import Pattern
from hysteresis.virtual_bench.suspensions import Suspension, suspension_named

HERE = Path(__file__).parent
KEY = "return_to_zero"
APART = 10_000  # between the seeds of the two pools, so that no unit has a twin

Unit = dict[str, tuple[float, float]]  # by axis: value and standard uncertainty


@dataclass(frozen=True)
class Rule:
    """One way to decide whether two groups of units differ."""

    words: str
    axes: tuple[str, ...]
    scale: tuple[Any, str] | None = None
    pooled: bool = False


RULES = (
    Rule("as compare does: mean of both axes, Welch", ("xy",)),
    Rule("the same, on the plain scale", ("xy",), ("plain", "asked")),
    Rule("the same, spreads pooled (Student)", ("xy",), None, True),
    Rule("axis x alone", ("x",)),
    Rule("both axes as two figures (Holm)", ("x", "y")),
)


def main() -> None:
    """Print the tables."""
    content = tomllib.loads((HERE / "compare_power.toml").read_text())
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--short", action="store_true", help="few units and trials")
    ask.add_argument("--first-seed", type=int, default=content["first_seed"])
    ask.add_argument("--trials", type=int, default=content["trials"])
    ask.add_argument(
        "--factor",
        type=float,
        default=content["factor"],
        help="of friction and after-effect; 1.24 differs by a fifth in the figure",
    )
    chosen = ask.parse_args()
    how = content | {"trials": chosen.trials, "factor": chosen.factor}
    say(how | (content["short"] if chosen.short else {}), chosen.first_seed)


def say(how: dict[str, Any], first_seed: int) -> None:
    """The whole study with these settings."""
    bench = example_bench()
    pattern = plan("recheck", bench)
    one = suspension_named(how["suspension"])
    other = stronger(one, how["factor"])
    seeds = range(first_seed, first_seed + how["pool"])
    definition, pool_a = pool_of(bench, pattern, one, seeds, how["noise_px"])
    _, pool_b = pool_of(bench, pattern, other, [s + APART for s in seeds], how["noise_px"])
    twins = [s + 2 * APART for s in range(how["paired"])]
    _, twins_a = pool_of(bench, pattern, one, twins, how["noise_px"])
    _, twins_b = pool_of(bench, pattern, other, twins, how["noise_px"])
    count = how["trials"]
    pools(pool_a, pool_b, twins_a, twins_b, how)
    rng = np.random.default_rng(first_seed)
    rows, again = [], []
    for units in how["units"]:
        if 2 * units > len(pool_a):
            continue
        apart = [draw(rng, pool_a, pool_b, units) for _ in range(count)]
        equal = [split(rng, pool_a, units) for _ in range(count)]
        for rule in RULES:
            different, same = (
                [decided(definition, a, b, rule, how["level"]) for a, b in groups]
                for groups in (apart, equal)
            )
            rows.append((
                units, rule.words, share(different), interval(different), share(same),
                interval(same),
            ))  # fmt: skip
        again.append((units, *foretold(definition, apart, how["level"])))
    table(
        f"Simulated: share of {count} trials that tell two suspensions apart (95 % of the count)",
        ("units", "how", "differing, %", "from … to", "equal, %", "from … to"), rows,
    )  # fmt: skip
    table(
        "Units that compare asks for, from single trials that did not separate the two",
        ("units", "trials", "median of 'more units'", "middle half", "power of it, from the pools"),
        [
            (units, n, middle, half, power(pool_a, pool_b, units, middle, how["level"]))
            for units, n, middle, half in again
        ],
    )
    needed(pool_a, pool_b, how["level"])


def stronger(suspension: Suspension, factor: float) -> Suspension:
    """The same suspension with so many times the friction and the after-effect."""
    return replace(
        suspension, name=f"{suspension.name} × {factor:g}",
        friction_stiffness=factor * suspension.friction_stiffness,
        after_effect_per_decade=factor * suspension.after_effect_per_decade,
    )  # fmt: skip


def pool_of(
    bench: Bench, pattern: Pattern, suspension: Suspension, seeds: Sequence[int], noise_px: float
) -> tuple[Definition, list[Unit]]:
    """Return-to-zero error of every unit, filmed and measured; the axes and their mean."""
    definition: Definition | None = None
    out = []
    for seed in seeds:
        rig = virtual_bench.make_rig(bench, suspension, seed)
        played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
        log = virtual_bench.photograph(played, bench, seed, noise_px=noise_px)
        recording = measure_camera(log, pattern, bench).recording
        unit: Unit = {}
        for pair in figures_of(pattern, recording, bench):
            found = pair.either
            if found.key == KEY and not found.conditions:
                definition, unit[found.axis] = found.definition, (found.value, found.u)
        (x, ux), (y, uy) = unit["x"], unit["y"]
        unit["xy"] = ((x + y) / 2.0, float(np.hypot(ux, uy)) / 2.0)
        out.append(unit)
    assert definition is not None
    return definition, out


def draw(
    rng: np.random.Generator, a: list[Unit], b: list[Unit], units: int
) -> tuple[list[Unit], list[Unit]]:
    """So many units of each pool, without replacement."""
    return (
        [a[k] for k in rng.choice(len(a), units, replace=False)],
        [b[k] for k in rng.choice(len(b), units, replace=False)],
    )


def split(rng: np.random.Generator, pool: list[Unit], units: int) -> tuple[list[Unit], list[Unit]]:
    """Two groups of different units of one pool."""
    which = rng.choice(len(pool), 2 * units, replace=False)
    return [pool[k] for k in which[:units]], [pool[k] for k in which[units:]]


def compared(
    definition: Definition, axis: str, a: list[Unit], b: list[Unit], level: float,
    scale: tuple[Any, str] | None = None,
) -> FigureComparison:  # fmt: skip
    """What `compare` makes of one figure of two groups."""
    values = [
        RunValue(f"{name} {k}", name, str(k), *unit[axis], "measured")
        for name, group in (("one", a), ("other", b))
        for k, unit in enumerate(group)
    ]
    return compare_figure(definition, axis, (), values, level=level, scale=scale)


def decided(definition: Definition, a: list[Unit], b: list[Unit], rule: Rule, level: float) -> bool:
    """Whether this rule finds a difference."""
    if rule.pooled:
        from scipy.stats import ttest_ind

        logs = [np.log([unit[rule.axes[0]][0] for unit in group]) for group in (a, b)]
        return bool(ttest_ind(*logs).pvalue < 1.0 - level)
    figures = [compared(definition, axis, a, b, level, rule.scale) for axis in rule.axes]
    return any(f.differences[0].separated for f in correct_family(figures, level))


def foretold(
    definition: Definition, trials: list[tuple[list[Unit], list[Unit]]], level: float
) -> tuple[int, str, str]:
    """What `compare` advises where it does not separate: trials, median and quartiles."""
    advice = []
    for a, b in trials:
        d = compared(definition, "xy", a, b, level).differences[0]
        if not d.separated:
            advice.append(np.inf if d.more_units is None else float(d.more_units))
    if not advice:
        return 0, "–", "–"
    low, middle, high = np.quantile(advice, (0.25, 0.5, 0.75), method="nearest")
    return len(advice), f"{middle:.0f}", f"{low:.0f} … {high:.0f}"


def _logs(pool: list[Unit], axis: str) -> np.ndarray:
    return np.log([unit[axis][0] for unit in pool])


def _trial(
    a: list[Unit], b: list[Unit], axis: str, units: int, level: float
) -> tuple[float, Trial]:
    """True difference (ln) and trial, as the whole pools tell them."""
    one, other = _logs(a, axis), _logs(b, axis)
    spreads = float(np.std(one, ddof=1)), float(np.std(other, ddof=1))
    return float(other.mean() - one.mean()), Trial(spreads, (units, units), 1.0 - level)


def power(a: list[Unit], b: list[Unit], units: int, more: str, level: float) -> str:
    """Power with the units so far and as many more, by the pools' own difference and spreads."""
    if not more.isdigit():
        return "–"
    return f"{100 * welch_power(*_trial(a, b, 'xy', units + int(more), level)):.0f} %"


def needed(a: list[Unit], b: list[Unit], level: float) -> None:
    """Print how many units are needed, by the pools' difference and spreads."""
    rows = []
    for axis, words in (("xy", "mean of both axes"), ("x", "axis x"), ("y", "axis y")):
        difference, trial = _trial(a, b, axis, 2, level)
        more = more_units(difference, trial)
        rows.append((
            words, f"{100 * welch_power(*_trial(a, b, axis, 5, level)):.0f} %",
            "> 500" if more is None else str(2 + more),
        ))  # fmt: skip
    table("By theory (noncentral t), difference and spreads of the whole pools",
          ("figure", "power with 5 units each", "units of each for 80 %"), rows)  # fmt: skip


def pools(
    a: list[Unit], b: list[Unit], twins_a: list[Unit], twins_b: list[Unit], how: dict[str, Any]
) -> None:
    """Print what the pools are like, and the true difference."""
    rows = []
    for axis, words in (("xy", "mean of both axes"), ("x", "axis x"), ("y", "axis y")):
        one, other = _logs(a, axis), _logs(b, axis)
        ratio = np.exp(other.mean() - one.mean())
        u = np.sqrt(one.var(ddof=1) / len(one) + other.var(ddof=1) / len(other))
        twin = _logs(twins_b, axis) - _logs(twins_a, axis)
        doubt = np.sqrt(np.mean([(unit[axis][1] / unit[axis][0]) ** 2 for unit in a]))
        rows.append((
            words, f"{np.exp(one.mean()):.2f}", f"{100 * one.std(ddof=1):.1f}",
            f"{100 * other.std(ddof=1):.1f}", f"{100 * doubt:.1f}",
            f"{ratio:.3f} ± {2 * u * ratio:.3f}", f"{np.exp(twin.mean()):.3f}",
        ))  # fmt: skip
    table(
        f"Simulated: return-to-zero error of {len(a)} units each of {how['suspension']} and with "
        f"{how['factor']:g} × friction and after-effect",
        ("figure", "mean, % FS", "scatter, %", "the other's, %", "measured to, %",
         "ratio of the pools", "ratio of twins"),
        rows,
    )  # fmt: skip


def share(trials: Sequence[bool]) -> str:
    """Share of trials in per cent."""
    return f"{100 * float(np.mean(trials)):.1f}"


def interval(trials: Sequence[bool]) -> str:
    """95 % interval of a share (Clopper and Pearson, Biometrika 26 (1934) 404)."""
    from scipy.stats import binomtest

    found = binomtest(int(np.sum(trials)), len(trials)).proportion_ci(0.95, "exact")
    return f"{100 * found.low:.1f} … {100 * found.high:.1f}"


if __name__ == "__main__":
    main()
