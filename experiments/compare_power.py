"""How often `compare` tells two suspensions apart that differ by a fifth, and two that do not.

Units are those of the virtual bench: every memory magnitude of every axis within ±20 % (uniform).
The other suspension has 1.2 (or 1.24) times the friction and after-effect; what that is in the
return-to-zero error is measured on twins, units played with the same draws of both. Each unit of
a pool plays the 30 s recheck (conditioning, three returns to zero and one of them again), is
filmed by the simulated camera, measured, and its return-to-zero error worked out as for any run.
A trial draws so many units of each pool without replacement and compares them by the very code of
`compare`. For two equal suspensions both groups are drawn from one pool: a random split, so that
the share of trials that find a difference does not hang on what the pool's units happen to be.
Trials share units of a pool, so the shares of different ones vary a little from pool to pool;
`--first-seed` makes another one.
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
from hysteresis.characteristics.definitions import DEFINITIONS
from hysteresis.characteristics.of_run import figures_of
from hysteresis.cli.console import table
from hysteresis.compare.designs import (
    compare_figure,
    correct_family,
    group_of_values,
    scale_of,
)
from hysteresis.compare.results import FigureComparison, RunValue
from hysteresis.compare.separate import Trial, more_units, welch, welch_power
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
    chosen = ask.parse_args()
    how = content | {"trials": chosen.trials}
    say(how | (content["short"] if chosen.short else {}), chosen.first_seed)


def say(how: dict[str, Any], first_seed: int) -> None:
    """The whole study with these settings."""
    bench = example_bench()
    pattern = plan("recheck", bench)
    one = suspension_named(how["suspension"])
    seeds = range(first_seed, first_seed + how["pool"])
    twins = [s + 2 * APART for s in range(how["paired"])]

    def pool(suspension: Suspension, which: Sequence[int]) -> list[Unit]:
        return pool_of(bench, pattern, suspension, which, how["noise_px"])

    first, first_twins = pool(one, seeds), pool(one, twins)
    rng = np.random.default_rng(first_seed)
    equal(rng, first, how)
    for factor in how["factors"]:
        other = stronger(one, factor)
        second = pool(other, [s + APART for s in seeds])
        pools(first, second, first_twins, pool(other, twins), factor, how)
        apart(rng, first, second, factor, how)


def equal(rng: np.random.Generator, pool: list[Unit], how: dict[str, Any]) -> None:
    """Print how often two equal suspensions are declared different."""
    rows = []
    for units in _sizes(pool, how):
        trials = [split(rng, pool, units) for _ in range(how["trials"])]
        long_run = [welch_alone(*split(rng, pool, units), how["level"])
                    for _ in range(how["splits"])]  # fmt: skip
        for rule in RULES:
            found = [decided(a, b, rule, how["level"]) for a, b in trials]
            first = rule is RULES[0]
            rows.append((
                units, rule.words, share(found), interval(found),
                share(long_run) if first else "", interval(long_run) if first else "",
            ))  # fmt: skip
    table(
        f"Simulated: two equal suspensions declared different, % of {how['trials']} trials, and of "
        f"{how['splits']} more for what compare does",
        ("units", "how", "declared", "95 %", "long run", "95 %"), rows,
    )  # fmt: skip


def apart(
    rng: np.random.Generator, a: list[Unit], b: list[Unit], factor: float, how: dict[str, Any]
) -> None:
    """Print how often two different suspensions are told apart, and the advice where not."""
    rows, again = [], []
    for units in _sizes(a, how):
        trials = [draw(rng, a, b, units) for _ in range(how["trials"])]
        for rule in RULES:
            found = [decided(one, other, rule, how["level"]) for one, other in trials]
            rows.append((units, rule.words, share(found), interval(found)))
        n, middle, half = foretold(trials, how["level"])
        again.append((units, n, middle, half, power(a, b, units, middle, how["level"])))
    table(
        f"Simulated, {factor:g} × friction and after-effect: told apart, % of {how['trials']} "
        "trials",
        ("units", "how", "told apart", "95 %"), rows,
    )  # fmt: skip
    table(
        "More units that compare asks for in trials that did not separate the two",
        ("units", "trials", "median", "middle half", "power of the median, from the pools"), again,
    )  # fmt: skip
    needed(a, b, how["level"])


def _sizes(pool: list[Unit], how: dict[str, Any]) -> list[int]:
    return [units for units in how["units"] if 2 * units <= len(pool)]


def stronger(suspension: Suspension, factor: float) -> Suspension:
    """The same suspension with so many times the friction and the after-effect."""
    return replace(
        suspension, name=f"{suspension.name} × {factor:g}",
        friction_stiffness=factor * suspension.friction_stiffness,
        after_effect_per_decade=factor * suspension.after_effect_per_decade,
    )  # fmt: skip


def pool_of(
    bench: Bench, pattern: Pattern, suspension: Suspension, seeds: Sequence[int], noise_px: float
) -> list[Unit]:
    """Return-to-zero error of every unit, filmed and measured; the axes and their mean."""
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
                unit[found.axis] = (found.value, found.u)
        (x, ux), (y, uy) = unit["x"], unit["y"]
        unit["xy"] = ((x + y) / 2.0, float(np.hypot(ux, uy)) / 2.0)
        out.append(unit)
    return out


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
    axis: str, a: list[Unit], b: list[Unit], level: float, scale: tuple[Any, str] | None = None
) -> FigureComparison:
    """What `compare` makes of one figure of two groups."""
    values = [
        RunValue(f"{name} {k}", name, str(k), *unit[axis], "measured")
        for name, group in (("one", a), ("other", b))
        for k, unit in enumerate(group)
    ]
    return compare_figure(DEFINITIONS[KEY], axis, (), values, level=level, scale=scale)


def welch_alone(a: list[Unit], b: list[Unit], level: float) -> bool:
    """The decision of `compare` on the mean of both axes, without all that it says beside it."""
    groups = [
        [RunValue(name, name, str(k), *unit["xy"], "measured") for k, unit in enumerate(group)]
        for name, group in (("one", a), ("other", b))
    ]
    scale, _ = scale_of([*groups[0], *groups[1]])
    one, other = (group_of_values("", group, scale).summary for group in groups)
    return welch(one, other, level).p < 1.0 - level


def decided(a: list[Unit], b: list[Unit], rule: Rule, level: float) -> bool:
    """Whether this rule finds a difference."""
    if rule.pooled:
        from scipy.stats import ttest_ind

        logs = [np.log([unit[rule.axes[0]][0] for unit in group]) for group in (a, b)]
        return bool(ttest_ind(*logs).pvalue < 1.0 - level)
    figures = [compared(axis, a, b, level, rule.scale) for axis in rule.axes]
    return any(f.differences[0].separated for f in correct_family(figures, level))


def foretold(trials: list[tuple[list[Unit], list[Unit]]], level: float) -> tuple[int, str, str]:
    """What `compare` advises where it does not separate: trials, median and quartiles."""
    advice = []
    for a, b in trials:
        d = compared("xy", a, b, level).differences[0]
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
    a: list[Unit],
    b: list[Unit],
    twins_a: list[Unit],
    twins_b: list[Unit],
    factor: float,
    how: dict[str, Any],
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
        f"{factor:g} × friction and after-effect",
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
