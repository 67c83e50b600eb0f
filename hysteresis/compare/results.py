"""What a comparison of designs found: records only, computed by the files beside this one.

A *design* is a suspension; its replicates are *units*; several runs of one unit show the spread
within it. Everything a table, a page or a file shows of a comparison stands in `Comparison`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from hysteresis.bench import Optics
from hysteresis.characteristics.figure import Condition, Definition
from hysteresis.loops import Line, Loop
from hysteresis.metrics import Recovery

Scale = Literal["log", "plain"]
Origin = Literal["measured", "modelled", "foretold"]

MOST_UNITS = 500
"""More units than this are no advice."""
FORECAST_DOUBT = "the doubt of the forecasts, which more units do not lessen, hides the difference"
UNKNOWN = float(np.nan)


@dataclass(frozen=True)
class ComparedRun:
    """One run that was taken, with what small multiples draw of it.

    `label` is short and unique among the runs. `loops` are in drive and deflection, both as
    fractions of full scale; `recoveries` in mm against seconds; `lines` the straight line of each
    axis' loops ('x', 'y'), where there is one.
    """

    label: str
    folder: str
    suspension: str
    unit: str
    ambient_c: float
    simulated: bool
    recording_sha256: str
    software: str
    memory: str
    loops: tuple[Loop, ...]
    lines: dict[str, Line | None]
    recoveries: tuple[Recovery, ...]


@dataclass(frozen=True)
class LeftOut:
    """Something that was not compared. `what`: 'run', or the part of it that was left out."""

    run: str
    what: str
    reason: str
    mend: str = ""


@dataclass(frozen=True)
class RunValue:
    """One figure of one run; `label` is that of its `ComparedRun`. `u`: standard uncertainty."""

    label: str
    suspension: str
    unit: str
    value: float
    u: float
    origin: Origin


@dataclass(frozen=True)
class UnitValue:
    """One figure of one unit: the mean of its `runs` (on the scale of the comparison)."""

    unit: str
    value: float
    u: float
    runs: int


@dataclass(frozen=True)
class DesignFigure:
    """One figure of one design over its units.

    `mean` with its interval `low` to `high` (NaN with one unit), in the figure's unit; on the
    log scale the mean is the geometric one. `u` and `dof` are the standard error of the mean and
    its degrees of freedom *on the scale used* (log: of ln value). `between` and `within`: standard
    deviations between units and between runs of one unit, measurement uncertainty taken off, in
    the figure's unit on the plain scale, as a share of the value on the log scale (0.2 = 20 %);
    NaN where the runs do not show them. `measurement`: rms of the runs' standard uncertainties,
    in the same way. `cut`: the interval reached below zero and was cut there, the figure being a
    size.
    """

    suspension: str
    units: tuple[UnitValue, ...]
    runs: int
    mean: float
    low: float
    high: float
    u: float
    dof: float
    between: float
    within: float
    measurement: float
    cut: bool = False


@dataclass(frozen=True)
class Beyond:
    """A design whose figure is only known to be beyond what was watched: in `runs` of `of` runs.

    `least`: the smallest bound of those runs, in the figure's unit.
    """

    suspension: str
    least: float
    runs: int
    of: int


@dataclass(frozen=True)
class Difference:
    """`first` against `second` in one figure.

    `difference` = first − second in the figure's unit; `ratio` = first / second. On the log scale
    `ratio_low` to `ratio_high` is the interval and that of `difference` is NaN; on the plain scale
    the other way round. `p` of Welch's test, `p_holm` after Holm's correction over the family;
    `separated`: p_holm below 1 − level. `g`: Hedges' effect size with its interval. `power`: the
    chance to separate these two again with as many units, were the difference and the spreads
    what they seem; `more_units`: how many more units of *each* make it 80 % (0: none, None: not
    to be told, or more than `MOST_UNITS`). `detectable`: the least ratio (log) or difference
    (plain) that these units would separate with that chance.
    """

    first: str
    second: str
    difference: float
    low: float
    high: float
    ratio: float
    ratio_low: float
    ratio_high: float
    p: float
    p_holm: float
    separated: bool
    g: float
    g_low: float
    g_high: float
    power: float
    more_units: int | None
    detectable: float
    note: str = ""


@dataclass(frozen=True)
class FigureComparison:
    """One figure over all designs.

    `axis`: 'x', 'y', or 'xy' for both together (where a run gives no such figure: the mean of
    its two axes, never two units). `conditions`: empty for the figures that sum up a run, by
    which designs are compared; otherwise the circumstances they share. `beyond`: designs without
    a mean, as some of their runs lie beyond what was watched.
    """

    definition: Definition
    axis: str
    conditions: tuple[Condition, ...]
    scale: Scale
    scale_reason: str
    values: tuple[RunValue, ...]
    designs: tuple[DesignFigure, ...]
    differences: tuple[Difference, ...]
    beyond: tuple[Beyond, ...] = ()

    @property
    def key(self) -> str:
        """Key of the definition."""
        return self.definition.key

    def of(self, suspension: str) -> DesignFigure | None:
        """This figure of one design, or None."""
        return next((d for d in self.designs if d.suspension == suspension), None)

    def between(self, first: str, second: str) -> Difference | None:
        """The difference of two designs as it was computed, in either order of names."""
        return next((d for d in self.differences if {d.first, d.second} == {first, second}), None)


@dataclass(frozen=True)
class PathForecast:
    """What the model of one run foretells on the person's own path: rms distance in mm.

    Before and after compensation with 95 % intervals, of the same draws of what the model does
    not know; `gain`: how many times less it is after, with the interval of its own (see
    `compensate.forecast.Forecast`). `model_mm`: before, as the model alone has it; `bias_*`: its
    mean. `excesses`: stretches in which the drive would exceed a limit of the bench. Foretold, not
    played.
    """

    label: str
    suspension: str
    unit: str
    before_mm: float
    before_low_mm: float
    before_high_mm: float
    model_mm: float
    bias_x_mm: float
    bias_y_mm: float
    after_mm: float
    after_low_mm: float
    after_high_mm: float
    gain: float
    gain_low: float
    gain_high: float
    excesses: int


@dataclass(frozen=True)
class PathDesign:
    """The error on the own path of one design with or without software, against the tolerance.

    `enough`: 'yes' where the whole interval lies within the tolerance, 'no' where it lies beyond,
    'open' otherwise (also with one unit).
    """

    suspension: str
    compensated: bool
    figure: DesignFigure
    enough: Literal["yes", "no", "open"]

    @property
    def words(self) -> str:
        """Design and treatment in words, as in tables."""
        return f"{self.suspension}, {'compensated' if self.compensated else 'plain'}"


@dataclass(frozen=True)
class OnPath:
    """The deciding figure: error on the person's own path before and after compensation.

    `gain`: how many times less it is after. `variants`: every design plain and compensated, best
    first. `across`: hardware against software, the differences between variants (names as
    `PathDesign.words`).
    """

    file: str
    sha256: str
    placement: str
    tolerance_mm: float
    forecasts: tuple[PathForecast, ...]
    before: FigureComparison
    after: FigureComparison
    gain: FigureComparison
    variants: tuple[PathDesign, ...]
    across: tuple[Difference, ...]

    def shown_gain(self, suspension: str) -> tuple[float, float, float]:
        """Gain of a design with its interval; with one unit that of its forecast (of several runs
        the widest)."""
        figure = self.gain.of(suspension)
        mine = [f for f in self.forecasts if f.suspension == suspension]
        if figure is None:
            return UNKNOWN, UNKNOWN, UNKNOWN
        if np.isfinite(figure.low) and np.isfinite(figure.high):
            return figure.mean, figure.low, figure.high
        return figure.mean, min(f.gain_low for f in mine), max(f.gain_high for f in mine)


@dataclass(frozen=True)
class Criterion:
    """One thing the person decides by; `weight` is NaN where criteria form an order."""

    key: str
    axis: str
    words: str
    unit: str
    better: Literal["less", "more"]
    weight: float
    chosen_by: Literal["person", "default"]


@dataclass(frozen=True)
class Ranked:
    """One design's place. `values`: its mean of each criterion. `score`: with weights, how many
    times worse than the typical run of this comparison (1: as it; less is better), NaN in an
    order. `place_shares[k]`: share of the draws in which it comes at place k + 1 (NaN
    where no design has two units, so that nothing is known of how units scatter).
    """

    suspension: str
    place: int
    values: tuple[float, ...]
    score: float
    place_shares: tuple[float, ...]

    @property
    def first_share(self) -> float:
        """How often it comes first under the intervals."""
        return self.place_shares[0]


@dataclass(frozen=True)
class Ranking:
    """Designs in order, best first, with how sure each place is (`draws` from the intervals).

    `deciding` is the figure by which the first place is judged: the first criterion of an order;
    with weights the score, formed for every run. `unranked`: designs without a figure for some
    criterion, with the reason.
    """

    mode: Literal["order", "weights"]
    criteria: tuple[Criterion, ...]
    deciding: FigureComparison
    rows: tuple[Ranked, ...]
    unranked: tuple[LeftOut, ...]
    draws: int
    seed: int


@dataclass(frozen=True)
class Verdict:
    """The answer in words, made from the figures by rules.

    `kind`: 'best' (one design is separated from every other), 'open' (the data do not separate
    the first ones), 'none' (nothing can be ranked). `software`: whether software alone is enough
    for the bench's tolerance on the own path ('unasked' without a path). `text` is the paragraph.
    """

    kind: Literal["best", "open", "none"]
    best: tuple[str, ...]
    software: Literal["yes", "no", "open", "unasked"]
    more_units: int | None
    text: str


@dataclass(frozen=True)
class Comparison:
    """Everything found. `figures`: summing ones first in the order of their definitions, 'xy'
    before 'x' and 'y', then those under shared conditions."""

    runs: tuple[ComparedRun, ...]
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]
    optics: Optics
    tolerance_mm: float
    figures: tuple[FigureComparison, ...]
    path: OnPath | None
    ranking: Ranking | None
    verdict: Verdict
    level: float
    seed: int
    made_at: str
    software: str
    command: str
    methods: tuple[str, ...]

    @property
    def suspensions(self) -> tuple[str, ...]:
        """The designs, in the order of the runs."""
        return tuple(dict.fromkeys(run.suspension for run in self.runs))

    @property
    def simulated(self) -> bool:
        """Whether any run was played on the virtual bench."""
        return any(run.simulated for run in self.runs)

    def figure(self, key: str, axis: str = "xy") -> FigureComparison | None:
        """The summing figure of this key and axis, or None."""
        for found in self.figures:
            if found.key == key and found.axis == axis and not found.conditions:
                return found
        return None
