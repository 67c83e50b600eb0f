"""From the characteristics of single runs to figures that all designs share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hysteresis.characteristics.figure import Characteristic, Condition, Definition
from hysteresis.compare.designs import compare_figure, correct_family
from hysteresis.compare.results import FigureComparison, LeftOut, Origin, RunValue
from hysteresis.compare.runs import OpenedRun, same_patterns

NEAR = 0.05  # relative: a wait of 0.49 s and one of 0.51 s are the same circumstance
BOTH = "xy"
LONGEST_NAME = 36  # of a figure, in signs

Values = dict[str, tuple[float, float]]  # by label of a run: value and standard uncertainty


@dataclass(frozen=True)
class Shared:
    """One figure under one set of conditions: what each run says of it, by label."""

    definition: Definition
    axis: str
    conditions: tuple[Condition, ...]
    values: Values
    origin: Origin


def short_words(definition: Definition) -> str:
    """The name of a figure: its words up to the first colon, comma or full stop; its key where
    that is long."""
    words = definition.words.split(":")[0].split(". ")[0].split(",")[0].rstrip(".")
    return words if len(words) <= LONGEST_NAME else definition.key.replace("_", " ").capitalize()


def compare_figures(
    runs: Sequence[OpenedRun], *, level: float
) -> tuple[list[FigureComparison], list[LeftOut]]:
    """Every figure that two runs or more share, summing ones first.

    Both axes of a unit are two figures of it, corrected as one family (Holm); 'xy' is a figure of
    its own. Figures under conditions are matched by conditions that agree within `NEAR` and make a
    family for each key. What a run lacks is named.
    """
    left: list[LeftOut] = []
    shared = _collected(runs, left)
    summing = [s for s in shared if not s.conditions]
    if not same_patterns(runs):
        summing = [_over_shared(s, shared, runs) for s in summing]
        for part in summing:
            if not part.values:
                name = f"{short_words(part.definition)} ({part.axis})"
                left.append(LeftOut("all runs", name, "their patterns share no condition"))
    summing = [part for s in _keys(summing) for part in _with_both(s, runs)]
    out: list[FigureComparison] = []
    for parts in (summing, [s for s in shared if s.conditions]):
        for same in _keys(parts):
            for family in (
                [s for s in same if s.axis == BOTH],
                [s for s in same if s.axis != BOTH],
            ):
                figures = [_compared(s, runs, level, len(family)) for s in family]
                out += correct_family(figures, level)
    _absent(summing, runs, left)
    return out, left


def _keys(parts: Sequence[Shared]) -> list[list[Shared]]:
    """The parts by key, in the order in which keys first come."""
    by_key: dict[str, list[Shared]] = {}
    for part in parts:
        by_key.setdefault(part.definition.key, []).append(part)
    return list(by_key.values())


def _compared(
    part: Shared, runs: Sequence[OpenedRun], level: float, parts: int
) -> FigureComparison:
    values = [
        RunValue(run.label, run.suspension, run.unit, *part.values[run.label], part.origin)
        for run in runs
        if run.label in part.values
    ]
    designs = len({v.suspension for v in values})
    family = parts * designs * (designs - 1) // 2
    return compare_figure(
        part.definition, part.axis, part.conditions, values, level=level, family=family
    )


# ---- which run says what -------------------------------------------------------------------------


def _collected(runs: Sequence[OpenedRun], left: list[LeftOut]) -> list[Shared]:
    """Figures that two runs or more give, each from one origin: the data, or else the models."""
    found: dict[tuple[str, str], list[tuple[tuple[Condition, ...], dict[str, list[Characteristic]],
                                            dict[str, list[Characteristic]]]]] = {}  # fmt: skip
    units: dict[str, tuple[str, Definition]] = {}
    for run in runs:
        for pair in run.figures:
            one = pair.either
            key = one.definition.key
            first, definition = units.setdefault(key, (run.label, one.definition))
            if definition.unit != one.definition.unit:
                reason = f"in {one.definition.unit!r}, in {first} in {definition.unit!r}"
                out = LeftOut(run.label, key, f"given in another unit: {reason}",
                              "measure and fit both with one version")  # fmt: skip
                if out not in left:
                    left.append(out)
                continue
            groups = found.setdefault((key, one.axis), [])
            group = next((g for g in groups if _same(g[0], one.conditions)), None)
            if group is None:
                group = (one.conditions, {}, {})
                groups.append(group)
            for by_label, figure in ((group[1], pair.measured), (group[2], pair.modelled)):
                if figure is not None and np.isfinite(figure.value) and np.isfinite(figure.u):
                    by_label.setdefault(run.label, []).append(figure)
    out_parts = []
    for (key, axis), groups in found.items():
        for conditions, measured, modelled in groups:
            chosen, origin = (
                (modelled, "modelled") if len(modelled) > len(measured) else (measured, "measured")
            )
            if len(chosen) >= 2:
                values = {label: _mean(figures) for label, figures in chosen.items()}
                out_parts.append(Shared(units[key][1], axis, conditions, values, origin))  # type: ignore[arg-type]
    return out_parts


def _same(a: tuple[Condition, ...], b: tuple[Condition, ...]) -> bool:
    return len(a) == len(b) and all(
        p.name == q.name
        and p.unit == q.unit
        and abs(p.value - q.value) <= NEAR * max(abs(p.value), abs(q.value)) + 1e-9
        for p, q in zip(a, b, strict=True)
    )


def _mean(figures: Sequence[Characteristic]) -> tuple[float, float]:
    """One figure that a run gives once, or several times under the same conditions."""
    n = len(figures)
    value = sum(f.value for f in figures) / n
    return value, float(np.sqrt(sum(f.u**2 for f in figures))) / n


def _over_shared(part: Shared, parts: Sequence[Shared], runs: Sequence[OpenedRun]) -> Shared:
    """A summing figure of runs with different patterns: rms over the conditions they all share.

    Noise is taken off as in the figure of one run: Σ(m² − u²)/n. A figure that has no conditions
    of its own (a resonance) stays as it is.
    """
    mine = [
        p for p in parts
        if p.conditions and p.definition.key == part.definition.key and p.axis == part.axis
    ]  # fmt: skip
    everywhere = [p for p in mine if all(run.label in p.values for run in runs)]
    if not mine:
        return part
    values: Values = {}
    for run in runs if everywhere else ():
        m, u = np.array([p.values[run.label] for p in everywhere]).T
        square = max(float(np.mean(m**2 - u**2)), 0.0)
        doubt = float(np.sqrt(np.sum(4.0 * np.maximum(m**2 - u**2, 0.0) * u**2 + 2.0 * u**4)))
        root = float(np.sqrt(square))
        least = float(np.sqrt(np.mean(u**2) / len(u)))
        values[run.label] = (root, max(doubt / len(u) / (2.0 * root) if root else 0.0, least))
    return Shared(part.definition, part.axis, (), values, part.origin)


def _with_both(parts: Sequence[Shared], runs: Sequence[OpenedRun]) -> list[Shared]:
    """The parts of one key with 'xy' in front: as the runs give it, or the mean of both axes."""
    parts = [p for p in parts if len(p.values) >= 2]
    axes = {p.axis: p for p in parts}
    if BOTH in axes or not {"x", "y"} <= axes.keys():
        return sorted(parts, key=lambda p: p.axis != BOTH)
    x, y = axes["x"], axes["y"]
    values: Values = {}
    size = abs if x.definition.better == "less" else float
    for run in runs:
        if run.label in x.values and run.label in y.values:
            (a, ua), (b, ub) = x.values[run.label], y.values[run.label]
            values[run.label] = ((size(a) + size(b)) / 2.0, float(np.hypot(ua, ub)) / 2.0)
    both = Shared(x.definition, BOTH, (), values, x.origin)
    return [both, *parts] if len(values) >= 2 else list(parts)


def _absent(parts: Sequence[Shared], runs: Sequence[OpenedRun], left: list[LeftOut]) -> None:
    """Name what single runs lack: a whole axis, or a figure that other runs have."""
    for run in runs:
        own = {pair.either.axis for pair in run.figures}
        missing = {axis for part in parts for axis in part.axis} - {a for own_axis in own
                                                                    for a in own_axis}  # fmt: skip
        for axis in sorted(missing):
            left.append(LeftOut(run.label, f"axis {axis}", "this axis was not measured"))
        lacking = sorted({
            short_words(part.definition)
            for part in parts
            if run.label not in part.values and not set(part.axis) & missing
        })  # fmt: skip
        if lacking:
            left.append(LeftOut(
                run.label, ", ".join(lacking), "the pattern or the data do not carry it"
            ))  # fmt: skip
