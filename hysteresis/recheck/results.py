"""What a recheck finds: plain results, for the command, the log and the report."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from hysteresis.tables import Bools, Floats

Verdict = Literal["pass", "watch", "refit"]
SURELY = 1e-4  # a smaller probability is told as less than this

WORDS = {
    "friction": "strength of friction", "after_effect_fast": "after-effect within 5 s",
    "after_effect_slow": "after-effect beyond 5 s", "spring": "stiffness of the spring",
    "zero_mm": "zero",
}  # fmt: skip
"""What each direction is called; see `fit.directions`."""


@dataclass(frozen=True)
class Shift:
    """One number of the model: how far it is from where it was.

    `axis`: 'x' or 'y'; `direction`: a key of `WORDS`. `value`: change since the reference, or
    since the fit where there is none: a fraction (0.1: ten per cent more), or mm for the zero.
    `standard_error`: of the change, with what a rig does from one sitting to the next that has not
    changed. `moved`: whether the recheck blames it. Where it does, `moved_by` is its change
    when only the blamed ones moved, which is what a quick update takes over, with
    `moved_by_error`; 0 and 0 otherwise.
    """

    axis: str
    direction: str
    value: float
    standard_error: float
    moved: bool
    moved_by: float
    moved_by_error: float

    @property
    def unit(self) -> str:
        return "mm" if self.direction == "zero_mm" else "1"

    @property
    def key(self) -> str:
        return f"{self.direction}_{self.axis}"

    @property
    def words(self) -> str:
        return f"{WORDS[self.direction]}, {self.axis}"


@dataclass(frozen=True)
class OnPath:
    """What the change would leave on a path that is played with the stored model.

    `error_mm`: rms over the trace of the distance that the change moves the spot;
    `low_mm`, `high_mm`: its 95 % interval; `worst_mm`: the largest distance on the trace.
    `path`: which path it is, in words. `tolerance_mm`: of bench.toml.
    """

    path: str
    error_mm: float
    low_mm: float
    high_mm: float
    worst_mm: float
    tolerance_mm: float


@dataclass(frozen=True)
class Judgement:
    """The verdict of one recheck and why.

    `chi_square` on `degrees` degrees of freedom with probability `p_value`: of a change as large
    as this in any direction where nothing changed. `shifts`: each direction; none of them, and NaN
    for the chi-square, where no moved form of the model fits. `against`: what it
    is compared with, in words; `reference`: name of the reference record, '' for the fit.
    `return_mm`: rms over the returns to zero of the mean distance between the spots seen and
    those of the stored model, zero taken out. `residual_mm`: rms over the holds of the mean
    distance that the moved model leaves; `noise_mm`: noise of a frame or reading. `reasons`:
    sentences.
    """

    verdict: Verdict
    chi_square: float
    degrees: int
    p_value: float
    shifts: tuple[Shift, ...]
    on_path: OnPath
    against: str
    reference: str
    return_mm: float
    residual_mm: float
    noise_mm: float
    reasons: tuple[str, ...]

    @property
    def fits(self) -> bool:
        """Whether some moved form of the model fits the spots."""
        return bool(self.shifts)

    @property
    def only_first(self) -> bool:
        """Whether the verdict is watch for nothing but the lack of a reference."""
        return self.verdict == "watch" and self.against == "the fit" and not self.moved

    @property
    def moved(self) -> tuple[Shift, ...]:
        """The directions that are blamed, the most certain first."""
        blamed = [s for s in self.shifts if s.moved]
        return tuple(sorted(blamed, key=lambda s: -abs(s.moved_by) / max(s.moved_by_error, 1e-12)))


@dataclass(frozen=True)
class LogRow:
    """One line of recheck_log.csv.

    `date`: ISO 8601. `model`: first 12 digits of the SHA-256 of the model's file; `reference` as in
    `Judgement`. `p_value`: NaN where no moved form of the model fits. `temperature_c`: NaN where
    it was not told. `return_mm`: NaN where no return was seen.
    `values`, `errors`: by key of a shift (`friction_x`, …, `zero_mm_y`), against the *model*
    (not against the reference), so that rows can be compared with one another. `counted` False: a
    person's word that it went wrong; it stands in the log and in no chart.
    """

    date: str
    record: str
    unit: str
    model: str
    source: str
    verdict: Verdict
    reference: str
    error_mm: float
    error_high_mm: float
    tolerance_mm: float
    return_mm: float
    p_value: float
    temperature_c: float
    moved: str
    values: dict[str, float]
    errors: dict[str, float]
    counted: bool = True


@dataclass(frozen=True)
class ControlChart:
    """Individuals, moving range and exponentially weighted mean of one figure over the rechecks.

    `name`: the figure's key; `unit`: '1' or 'mm'. `dates`, `values` (n,). `centre`, `low`,
    `high`: of the individuals; `moving_range` (n,), its first NaN, `range_centre`, `range_high`.
    `ewma`, `ewma_low`, `ewma_high` (n,). `out` (n,): a value, its range or its mean outside.
    `baseline`: how many of the first values the limits were made from. `enough` is False for
    fewer than `charts.LEAST` of them: then limits are only indicative. `chance`: that any of the
    charts kept together has its last value out although nothing has changed, at most about.
    `factor`: of the limits, standard deviations; `seen_after`: rechecks, on average, until the
    weighted mean shows a lasting change of one standard deviation (inf: it never does).
    """

    name: str
    unit: str
    dates: tuple[str, ...]
    values: Floats
    centre: float
    low: float
    high: float
    moving_range: Floats
    range_centre: float
    range_high: float
    ewma: Floats
    ewma_low: Floats
    ewma_high: Floats
    out: Bools
    baseline: int
    enough: bool
    chance: float
    factor: float
    seen_after: float


@dataclass(frozen=True)
class TemperatureEffect:
    """Straight line of one figure over the temperature of the room.

    `per_k` with its 95 % interval `low_per_k` … `high_per_k` (Student's t), from `rechecks`
    values over `span_k` kelvin. `p_value` of no slope; `told`: whether it is told apart from none
    although several figures are looked at (see `temperature.told_together`).
    """

    name: str
    unit: str
    per_k: float
    low_per_k: float
    high_per_k: float
    rechecks: int
    span_k: float
    p_value: float
    told: bool


@dataclass(frozen=True)
class QuickUpdate:
    """The update of the few numbers that moved, tried on the held-out part of the recheck.

    `held_before_mm`, `held_after_mm`: rms distance between spots and model on what was held out
    (`held_out` in words), each with its own zero and past fitted. `accepted`: whether the update
    lowers it.
    """

    accepted: bool
    held_out: str
    held_before_mm: float
    held_after_mm: float
    notes: tuple[str, ...]


@dataclass(frozen=True)
class RecheckHistory:
    """What a log tells, for the report: rows in order of date, charts, temperature."""

    rows: tuple[LogRow, ...]
    charts: tuple[ControlChart, ...]
    temperature: tuple[TemperatureEffect, ...]


def probability(p: float) -> str:
    """A probability in words: '0.37', '< 0.0001', '> 0.99'; '–' where it is not known."""
    if p != p:
        return "–"
    if p < SURELY:
        return f"< {SURELY:g}"
    said = f"{p:.2g}"
    return "> 0.99" if said == "1" else said


def p_words(p: float) -> str:
    """The same as 'p = 0.37' or 'p < 0.0001'."""
    said = probability(p)
    return f"p {said}" if said[0] in "<>" else f"p = {said}"
