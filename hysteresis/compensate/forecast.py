"""What error to expect on a path, before anything is played.

`forecast` knows the error on data held out; `forecast_on_path` knows the path as well: what the
doubt about each unknown does to it, and how far the model goes astray by the time it is played.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from hysteresis.model import Discrepancy, FittedModel, RigState
from hysteresis.optics import RigOptics
from hysteresis.recording import Grid, simulation_grid
from hysteresis.tables import Bools, DriveSignal, Floats, Pattern

if TYPE_CHECKING:
    from hysteresis.fit.uncertainty import Trust

SITUATIONS = 3.0  # common practice, no source; widens or narrows the interval
COVERAGE = 1.96  # normal quantile of a two-sided 95 % interval
DRAWS = 2000  # a 95 % interval's ends are then known to a few per cent
AHEAD_FREEDOM = 4.0  # that the drift ahead of one recording is worth; widens the interval
LEAST = 0.3  # of the error on data held out that is left to the model, however well refits agree
GRID_S = 0.01  # step at which the doubt of a model follows an output
ZERO = ("offset_x_mm", "offset_y_mm")  # the unknowns of a fit that place its zero
PLACES = 400  # of the traced path at which the model's doubt is looked at


@dataclass(frozen=True)
class Forecast:
    """Expected error over the traced part of a path, in mm.

    Before: rms of the distance, played with the best drive that knows no memory. After: with
    compensation, what the model does not know. Both suffer what the model does not know, drawn
    together; each with its 95 % interval. `gain`: how many times less the error is after, of the
    same draws, so that doubt which both share does not widen it; where its interval holds 1 no
    gain is shown. `before_model_mm` and `before_bias_*`: rms and mean of the error before as the
    model alone has it, as if it knew everything.
    """

    before_rms_mm: float
    before_bias_x_mm: float
    before_bias_y_mm: float
    after_rms_mm: float
    after_low_mm: float
    after_high_mm: float
    before_low_mm: float
    before_high_mm: float
    gain: float
    gain_low: float
    gain_high: float
    before_model_mm: float

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True)
class PlainError:
    """Error of the plain drive over the trace as the model alone has it: rms distance, means."""

    rms_mm: float
    bias_x_mm: float
    bias_y_mm: float


def plain_error(x_mm: Floats, y_mm: Floats) -> PlainError:
    """Of the errors along a trace (m,)."""
    rms = float(np.sqrt(np.mean(x_mm**2 + y_mm**2)))
    return PlainError(rms, float(np.mean(x_mm)), float(np.mean(y_mm)))


def past_unknown(fitted: FittedModel, start: RigState | None) -> FittedModel:
    """The model for a job from an unknown past, `start` None: its absolute places in more doubt.

    Where the state at the start is known it is the model as it is.

    A fit does not tell slow creep from a zero. Where the job goes on from the pattern's end the two
    make up for each other; from another past the doubt of the zero (its standard errors in x and y)
    shifts the whole job, and adds in square to that of the registration.
    """
    if start is not None:
        return fitted
    errors = [p.standard_error for p in fitted.parameters if p.name in ZERO]
    sizes = [e for e in errors if np.isfinite(e)]
    gap = fitted.discrepancy
    zero_mm = float(np.sqrt(gap.zero_mm**2 + sum(e**2 for e in sizes)))
    return replace(fitted, discrepancy=replace(gap, zero_mm=zero_mm))


def forecast(gap: Discrepancy, plain: PlainError) -> Forecast:
    """Join the foretold error of the plain drive and the model's own error on data held out.

    The error left is taken to be like that on held-out groups of the characterisation: its
    logarithm is normal about the groups', with their spread over the root of the number of
    different situations that a path meets, `SITUATIONS`. `zero_mm`, the uncertainty of absolute
    positions, adds in square. Checked against played errors by experiments.return_to_zero.
    """
    middle, doubt = _held_out(gap)
    low, high = (middle * np.exp(s * COVERAGE * doubt) for s in (-1.0, 1.0))
    rng = np.random.default_rng(0)  # the same path gives the same figures
    shift = gap.zero_mm / np.sqrt(2.0) * rng.standard_normal((2, DRAWS))
    own = middle * np.exp(doubt * rng.standard_normal(DRAWS))
    cross = plain.bias_x_mm * shift[0] + plain.bias_y_mm * shift[1]
    told = _told(plain, np.sum(shift**2, axis=0), cross, own, rng)
    return replace(
        told, after_rms_mm=float(np.hypot(middle, gap.zero_mm)), after_low_mm=float(low),
        after_high_mm=float(np.hypot(high, 2.0 * gap.zero_mm)),
    )  # fmt: skip


def _told(
    plain: PlainError, square: Floats, cross: Floats, own: Floats, rng: np.random.Generator
) -> Forecast:
    """Medians and 95 % intervals of draws (d,) of what the model does not know.

    `square`: mean square over the trace of what is drawn place by place, `cross`: mean of its
    product with the plain error; `own`: rms of what the model's form leaves, whose shape along
    the trace is not known. It may add to the plain error or be what the model makes too much of
    it: its correlation with it is spread evenly between -1 and 1 (rectangular, JCGM 100, 4.3.7).
    """
    along = (2.0 * rng.permutation(DRAWS) + 1.0) / DRAWS - 1.0  # even, in any order
    after = np.sqrt(square + own**2)
    before = square + own**2 + plain.rms_mm**2 + 2.0 * (cross + along * plain.rms_mm * own)
    before = np.sqrt(np.maximum(before, 0.0))
    gain = before / np.maximum(after, 1e-12)
    b, a, g = (np.percentile(v, (2.5, 50.0, 97.5)).tolist() for v in (before, after, gain))
    return Forecast(
        b[1], plain.bias_x_mm, plain.bias_y_mm, a[1], a[0], a[2], b[0], b[2], g[1], g[0], g[2],
        plain.rms_mm,
    )  # fmt: skip


def forecast_on_path(
    gap: Discrepancy,
    known: Trust | None,
    nominal: RigOptics,
    before: Pattern,
    pause_s: float,
    drive: DriveSignal,
    traced: Bools,
    error_x_mm: Floats,
    error_y_mm: Floats,
    plain: PlainError,
) -> Forecast:
    """`forecast` for one path, played `pause_s` after the pattern `before` ended.

    `drive`, `traced` and `error_*_mm` (n,) are the output, where its beam is on, and the error of
    the plain drive as the model alone has it; `plain` sums that up over the whole trace, of which
    (n,) may be the beginning. The error left is drawn `DRAWS` times from what makes
    it up, and its rms over the trace taken: unknowns as in one of the refits; a shift that
    goes with ln(1 + h/T), h the time since the pattern of T seconds, as large as the model went
    astray on its own recording's later parts (a t distribution of `AHEAD_FREEDOM`); a shift by
    `zero_mm`; the error on groups held out, as in `forecast`. Median and 95 % interval
    (propagation of distributions, JCGM 101). The same draws come on top of the error before: both
    drives differ too little for refits to tell them apart (first order). Checked by
    experiments.forecast_coverage. With `known` None (a few readings) it is `forecast`.
    """
    from hysteresis.fit.uncertainty import moved_on_path

    if known is None:
        return forecast(gap, plain)
    begin = float(before.t_s[-1] - before.t_s[0]) + max(pause_s, 1e-3)
    on = np.flatnonzero(traced) if traced.any() else np.arange(len(traced))
    at = on[np.linspace(0, len(on) - 1, min(PLACES, len(on))).astype(int)]
    at_s = begin + drive.t_s[at] - drive.t_s[0]
    moved_x, moved_y = moved_on_path(
        known, nominal, played_grid(before, pause_s, drive), before.t_s[0] + at_s
    )
    gain = np.log1p(np.maximum(at_s - known.length_s, 0.0) / known.length_s)
    rng = np.random.default_rng(0)  # the same path gives the same figures
    which = rng.integers(0, len(known.refits), DRAWS)
    heavy = np.sqrt(AHEAD_FREEDOM / rng.chisquare(AHEAD_FREEDOM, DRAWS))
    errors = error_x_mm[at], error_y_mm[at]
    there = plain_error(*errors).rms_mm
    share = plain.rms_mm / there if there > 0.0 else 0.0
    square, cross = np.zeros(DRAWS), np.zeros(DRAWS)
    for moved, error in zip((moved_x, moved_y), errors, strict=True):
        shift = known.zero_mm / np.sqrt(2.0) * rng.standard_normal(DRAWS)
        slope = known.ahead_mm / np.sqrt(2.0) * rng.standard_normal(DRAWS) * heavy
        # mean over the trace of (moved + shift + slope · gain)²
        square += (
            np.mean(moved**2, axis=1)[which]
            + 2.0 * shift * np.mean(moved, axis=1)[which]
            + 2.0 * slope * (moved @ gain / len(gain))[which]
            + shift**2
            + 2.0 * shift * slope * np.mean(gain)
            + slope**2 * np.mean(gain**2)
        )
        cross += share * (
            (moved @ error / len(error))[which]
            + shift * np.mean(error)
            + slope * np.mean(error * gain)
        )
    # of the error on data held out, what the refits tell already is not counted again
    rest = np.sqrt(max(gap.typical_mm**2 - known.counted_mm**2, (LEAST * gap.typical_mm) ** 2))
    middle, doubt = _held_out(replace(gap, typical_mm=float(rest)))
    own = middle * np.exp(doubt * rng.standard_normal(DRAWS))
    return _told(plain, square, cross, own, rng)


def played_grid(before: Pattern, pause_s: float, drive: DriveSignal) -> Grid:
    """Pattern, pause at zero and output on one coarse grid, for the model's doubt alone.

    Steps of about 10 ms in the output; its clock is that of the pattern.
    """
    first = simulation_grid(
        before.t_s, before.drive_x, before.drive_y, fine_step_s=GRID_S, settle_s=0.0, growth=0.2
    )
    end = float(first.t_s[-1])
    pause = max(pause_s, 1e-3)
    rest = end + pause * (np.geomspace(1e-3, 1.0, 60)[1:] - 1e-3) / (1.0 - 1e-3)
    since = drive.t_s - drive.t_s[0]
    keep = np.diff(np.floor(since / GRID_S), prepend=-1.0) > 0
    keep[0], keep[-1] = False, True
    t = np.concatenate([first.t_s, rest, rest[-1] + since[keep]])
    nothing = np.zeros(len(rest))
    return Grid(
        t,
        np.diff(t, prepend=t[0] - GRID_S),
        np.concatenate([first.drive_x, nothing, drive.drive_x[keep]]),
        np.concatenate([first.drive_y, nothing, drive.drive_y[keep]]),
    )


def _held_out(gap: Discrepancy) -> tuple[float, float]:
    """Middle in mm and standard deviation of the logarithm of the error held-out groups show."""
    spread = gap.spread_ln if np.isfinite(gap.spread_ln) else 1.0
    doubt = spread * np.sqrt(1.0 / SITUATIONS + 1.0 / max(gap.groups, 1))
    # the groups' rms is dominated by the worst ones; their logarithmic mean is the middle
    return float(gap.typical_mm * np.exp(-(spread**2))), float(doubt)
