"""One figure over all designs: means with intervals, spreads, and every difference of two."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from hysteresis.characteristics.figure import Condition, Definition
from hysteresis.compare.random_effects import Effects, random_effects
from hysteresis.compare.results import (
    FORECAST_DOUBT,
    UNKNOWN,
    DesignFigure,
    Difference,
    FigureComparison,
    RunValue,
    Scale,
    UnitValue,
)
from hysteresis.compare.scale import choose_scale
from hysteresis.compare.separate import (
    MOST_DOF,
    Summary,
    detectable,
    hedges_g,
    holm,
    more_units,
    trial_of,
    welch,
    welch_power,
)


@dataclass(frozen=True)
class Group:
    """Values of one design, by name; `mean`, `u` and `dof` of `effects` are on `scale`.

    `shared`: the part of `u` that its units have in common.
    """

    name: str
    values: tuple[RunValue, ...]
    units: tuple[str, ...]
    effects: Effects
    scale: Scale
    shared: float = 0.0

    @property
    def summary(self) -> Summary:
        """What a comparison with another design needs."""
        e = self.effects
        return Summary(e.mean, e.u, e.dof, len(e.unit_values), self.shared)

    def figure(self, level: float) -> DesignFigure:
        """As it is told: back in the figure's unit."""
        from scipy.special import stdtrit

        e = self.effects
        half = float(stdtrit(e.dof, 0.5 + level / 2.0)) * e.u if e.dof >= 1 else UNKNOWN
        log = self.scale == "log"
        back = np.exp if log else (lambda x: x)
        u = np.array([v.u / v.value if log else v.u for v in self.values])
        units = []
        for k, unit in enumerate(self.units):
            value = float(back(e.unit_values[k]))
            own = float(e.unit_u[k]) * (value if log else 1.0)
            units.append(UnitValue(unit, value, own, sum(v.unit == unit for v in self.values)))
        return DesignFigure(
            suspension=self.name, units=tuple(units), runs=len(self.values),
            mean=float(back(e.mean)), low=float(back(e.mean - half)),
            high=float(back(e.mean + half)), u=e.u, dof=e.dof, between=e.between, within=e.within,
            measurement=float(np.sqrt(np.mean(u**2))),
        )  # fmt: skip


def group_of_values(
    name: str, values: Sequence[RunValue], scale: Scale, *, in_common: bool = False
) -> Group:
    """The random-effects model of one design on one scale.

    in_common : the runs' uncertainties are not chance that shows in their scatter and that more
        units lessen, but doubt that all of them share (type B of JCGM 100, 4.3). Their rms adds in
        square to the standard error of the values as they are; degrees of freedom by Welch and
        Satterthwaite (JCGM 100, G.4).
    """
    units = tuple(dict.fromkeys(v.unit for v in values))
    number = np.array([units.index(v.unit) for v in values])
    y, u = np.array([v.value for v in values]), np.array([v.u for v in values])
    if scale == "log":
        y, u = np.log(y), u / y
    if not in_common:
        return Group(name, tuple(values), units, random_effects(y, u, number), scale)
    effects = random_effects(y, 0.0 * u, number)
    doubt = float(np.sqrt(np.mean(u**2)))
    whole = float(np.hypot(effects.u, doubt))
    dof = effects.dof * (whole / effects.u) ** 4 if effects.u > 0.0 else effects.dof
    effects = replace(effects, u=whole, dof=min(dof, MOST_DOF))
    return Group(name, tuple(values), units, effects, scale, doubt)


def scale_of(values: Sequence[RunValue]) -> tuple[Scale, str]:
    """Scale for these values: runs of one unit count as one, by their mean."""
    cells: dict[tuple[str, str], list[RunValue]] = {}
    for v in values:
        cells.setdefault((v.suspension, v.unit), []).append(v)
    names = list(dict.fromkeys(name for name, _ in cells))
    if any(v.value <= 0.0 for v in values):
        return "plain", "a value is not above zero"
    return choose_scale(
        np.array([np.mean([v.value for v in cell]) for cell in cells.values()]),
        np.array([max(v.u for v in cell) for cell in cells.values()]),
        np.array([names.index(name) for name, _ in cells]),
    )


def compare_figure(
    definition: Definition,
    axis: str,
    conditions: tuple[Condition, ...],
    values: Sequence[RunValue],
    *,
    level: float,
    family: int | None = None,
    scale: tuple[Scale, str] | None = None,
    in_common: bool = False,
    size: bool = False,
) -> FigureComparison:
    """Compare all designs in one figure.

    `values`: one for each run. `family`: how many comparisons the interval of `more_units` has to
    allow for; None: those of this figure. Holm's correction within this figure is done here;
    a larger family is corrected by `correct_family`. `scale`: the scale and why, where it is known
    beforehand. `in_common`: as in `group_of_values`. `size`: the figure cannot be below zero, and
    intervals are cut there.
    """
    chosen, reason = scale or scale_of(values)
    names = list(dict.fromkeys(v.suspension for v in values))
    groups = [
        group_of_values(
            name, [v for v in values if v.suspension == name], chosen, in_common=in_common
        )
        for name in names
    ]
    pairs = list(combinations(groups, 2))
    differences = [difference(a, b, level, family or len(pairs)) for a, b in pairs]
    return FigureComparison(
        definition=definition, axis=axis, conditions=conditions, scale=chosen, scale_reason=reason,
        values=tuple(values), designs=tuple(_cut(group.figure(level), size) for group in groups),
        differences=corrected(differences, level),
    )  # fmt: skip


def _cut(one: DesignFigure, size: bool) -> DesignFigure:
    return replace(one, low=0.0, cut=True) if size and one.low < 0.0 <= one.mean else one


def difference(first: Group, second: Group, level: float, family: int) -> Difference:
    """Everything about two designs in one figure; Holm's correction comes after, by `corrected`."""
    a, b = first.summary, second.summary
    found = welch(a, b, level)
    alpha = (1.0 - level) / max(family, 1)
    trial = trial_of(a, b, alpha)
    log = first.scale == "log"
    tested = bool(np.isfinite(found.p))
    g, g_low, g_high = hedges_g(a, b, level)
    plain_a, plain_b = (float(np.exp(s.mean)) if log else s.mean for s in (a, b))
    ends = [float(np.exp(end)) if log else end for end in (found.low, found.high)]
    least = detectable(trial) if tested else UNKNOWN
    more = more_units(found.difference, trial) if tested else None
    note = ""
    if not tested:
        few = first if a.count < 2 else second
        note = f"one unit of {few.name}: nothing is known of how its units differ"
    elif more is None and more_units(found.difference, replace(trial, shared=0.0)) is not None:
        note = FORECAST_DOUBT
    return Difference(
        first=first.name, second=second.name, difference=plain_a - plain_b,
        low=UNKNOWN if log else ends[0], high=UNKNOWN if log else ends[1],
        ratio=plain_a / plain_b if plain_b else UNKNOWN,
        ratio_low=ends[0] if log else UNKNOWN, ratio_high=ends[1] if log else UNKNOWN,
        p=found.p, p_holm=found.p, separated=False, g=g, g_low=g_low, g_high=g_high,
        power=welch_power(found.difference, trial) if tested else UNKNOWN,
        more_units=more,
        detectable=float(np.exp(least)) if log else least, note=note,
    )  # fmt: skip


def corrected(differences: Sequence[Difference], level: float) -> tuple[Difference, ...]:
    """The differences as one family: Holm's p values, and who is separated by them."""
    p = holm(np.array([d.p for d in differences]))
    out = []
    for d, p_holm in zip(differences, p, strict=True):
        separated = bool(p_holm < 1.0 - level)
        more = d.more_units
        if np.isfinite(p_holm):
            more = 0 if separated else None if more is None else max(more, 1)
        out.append(replace(d, p_holm=float(p_holm), separated=separated, more_units=more))
    return tuple(out)


def correct_family(figures: Sequence[FigureComparison], level: float) -> list[FigureComparison]:
    """Several figures as one family, such as the two axes of one unit."""
    flat = corrected([d for figure in figures for d in figure.differences], level)
    out, at = [], 0
    for figure in figures:
        count = len(figure.differences)
        out.append(replace(figure, differences=flat[at : at + count]))
        at += count
    return out
