"""From the characteristics of single runs to figures that all designs share."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from hysteresis.characteristics.figure import Characteristic, Condition, Definition
from hysteresis.compare.designs import compare_figure, correct_family
from hysteresis.compare.results import Beyond, FigureComparison, LeftOut, Origin, RunValue
from hysteresis.compare.runs import OpenedRun, same_patterns
from hysteresis.metrics import recoveries
from hysteresis.recording import observations

NEAR = 0.05  # relative: a wait of 0.49 s and one of 0.51 s are the same circumstance
BOTH = "xy"
LONGEST_NAME = 36  # of a figure, in signs
SIGNED = frozenset({
    "zero_return", "mean_reversal_value", "hysteresis_less_dead_band", "after_effect_per_decade",
    "repeat_shift", "zero_drift",
})  # fmt: skip
"""Figures that may be below zero, by definition or (a difference of two) by noise."""
SIGNED_SINGLE = SIGNED | {
    "return_to_zero", "relative_zero_error", "creep_at_zero", "creep_at_held_drive",
    "reversal_value",
}  # fmt: skip
"""The same under single conditions; summed up some are roots of mean squares or sizes."""
RECOVERY, FADING = "recovery_time", "after_effect_per_decade"

Values = dict[str, tuple[float, float]]  # by label of a run: value and standard uncertainty


@dataclass(frozen=True)
class Shared:
    """One figure under one set of conditions: what each run says of it, by label."""

    definition: Definition
    axis: str
    conditions: tuple[Condition, ...]
    values: Values
    origin: Origin
    beyond: dict[str, float] = field(default_factory=dict)
    """By label: the bound of runs of which only that is known."""

    @property
    def size(self) -> bool:
        """Whether the figure cannot be below zero."""
        if any(value < 0.0 for value, _ in self.values.values()):
            return False
        if self.axis == BOTH and self.definition.better == "less":
            return True  # a mean of sizes
        return self.definition.key not in (SIGNED_SINGLE if self.conditions else SIGNED)


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
    told = {
        (label, s.axis) for s in shared if s.definition.key == RECOVERY and not s.conditions
        for label in s.values
    }  # fmt: skip
    watched = {
        (run.label, axis): s
        for run in runs for axis, s in _not_back(run).items() if (run.label, axis) not in told
    }  # fmt: skip
    summing = [_with_beyond(s, watched) for s in shared if not s.conditions]
    if not same_patterns(runs):
        summing = [_over_shared(s, shared, runs) for s in summing]
        for part in summing:
            if not part.values:
                name = f"{short_words(part.definition)} ({part.axis})"
                left.append(LeftOut("all runs", name, "their patterns share no condition"))
    summing = [_without_mates(part, runs) for s in _keys(summing) for part in _with_both(s, runs)]
    summing = [part for part in summing if part.values]
    out: list[FigureComparison] = []
    for parts in (summing, [s for s in shared if s.conditions]):
        for same in _keys(parts):
            for family in (
                [s for s in same if s.axis == BOTH],
                [s for s in same if s.axis != BOTH],
            ):
                figures = [_compared(s, runs, level, len(family)) for s in family]
                out += correct_family(figures, level)
    _say_not_back(watched, runs, left)
    lost = {run.suspension for run in runs if any(run.label == label for label, _ in watched)}
    _absent(summing, runs, left, {(RECOVERY, run.label) for run in runs if run.suspension in lost})
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
    found = compare_figure(
        part.definition, part.axis, part.conditions, values, level=level, family=family,
        size=part.size,
    )  # fmt: skip
    return replace(found, beyond=_beyond(part, runs))


# ---- what is only known to be beyond what was watched --------------------------------------------


def _not_back(run: OpenedRun) -> dict[str, float]:
    """By axis: the longest watch (s) of a recovery that was not back within the tolerance.

    A recovery shows by its after-effect; where its recovery time is lacking it was not back.
    """
    told: dict[str, dict[str, Counter[tuple[str, str]]]] = {}
    for pair in run.figures:
        one = pair.measured
        if one is not None and one.definition.key in (RECOVERY, FADING) and one.conditions:
            counts = told.setdefault(one.axis, {RECOVERY: Counter(), FADING: Counter()})
            where = {c.name: f"{c.value:.4g}" for c in one.conditions}
            counts[one.definition.key][where["excursion_fs"], where["dwell_s"]] += 1
    out: dict[str, float] = {}
    missing = {axis: counts[FADING] - counts[RECOVERY] for axis, counts in told.items()}
    if any(missing.values()):
        for curve in recoveries(run.pattern, observations(run.pattern, run.recording)):
            played = f"{curve.excursion_fs:.4g}", f"{curve.dwell_s:.4g}"
            if curve.axis in missing and missing[curve.axis][played]:
                out[curve.axis] = max(out.get(curve.axis, 0.0), float(curve.after_s[-1]))
    return out


def _say_not_back(
    watched: dict[tuple[str, str], float], runs: Sequence[OpenedRun], left: list[LeftOut]
) -> None:
    lost = {label for label, _ in watched}
    designs = {run.suspension for run in runs if run.label in lost}
    for run in runs:
        told = ", ".join(
            f"{axis} not within {s:.2g} s"
            for (label, axis), s in watched.items() if label == run.label
        )  # fmt: skip
        if told:
            why = f"not back within the tolerance while it was watched: {told}"
        elif run.suspension in designs:
            why = "other runs of its design were not back while watched, so a mean would mislead"
        else:
            continue
        left.append(LeftOut(run.label, "Recovery time", why))


def _with_beyond(part: Shared, watched: dict[tuple[str, str], float]) -> Shared:
    if part.definition.key != RECOVERY:
        return part
    beyond = {
        label: s for (label, axis), s in watched.items()
        if axis == part.axis and label not in part.values
    }  # fmt: skip
    return replace(part, beyond=beyond)


def _without_mates(part: Shared, runs: Sequence[OpenedRun]) -> Shared:
    """No mean of the runs that came back, where others of their design did not."""
    lost = {run.suspension for run in runs if run.label in part.beyond}
    mates = {run.label for run in runs if run.suspension in lost}
    return replace(part, values={k: v for k, v in part.values.items() if k not in mates})


def _beyond(part: Shared, runs: Sequence[OpenedRun]) -> tuple[Beyond, ...]:
    out = []
    for name in dict.fromkeys(run.suspension for run in runs if run.label in part.beyond):
        mine = [run.label for run in runs if run.suspension == name]
        found = [part.beyond[label] for label in mine if label in part.beyond]
        out.append(Beyond(name, min(found), len(found), len(mine)))
    return tuple(out)


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
    return replace(part, values=values)


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
    beyond = {}
    for label in x.beyond | y.beyond:
        least = [part.beyond.get(label, part.values.get(label, (0.0, 0.0))[0]) for part in (x, y)]
        beyond[label] = sum(least) / 2.0  # an axis that is not known takes no less than nothing
    both = Shared(x.definition, BOTH, (), values, x.origin, beyond)
    return [both, *parts] if len(values) >= 2 else list(parts)


def _absent(
    parts: Sequence[Shared],
    runs: Sequence[OpenedRun],
    left: list[LeftOut],
    told: set[tuple[str, str]],
) -> None:
    """Name what single runs lack: a whole axis, or a figure that other runs have; not what was
    `told` (key, label) already."""
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
            and (part.definition.key, run.label) not in told
        })  # fmt: skip
        if lacking:
            left.append(LeftOut(
                run.label, ", ".join(lacking), "the pattern or the data do not carry it"
            ))  # fmt: skip
