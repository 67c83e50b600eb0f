"""The uncertainty budgets of a measurement, from its sources.

Three measurands, each of the axis with the larger expanded uncertainty:

* *return to zero*: reading after an excursion minus reading before it. What both readings share
  cancels: where the registration puts the place, the ruler's zero. Of a wrong scale only so much is
  left as the two places lie apart. What is fresh in each reading adds in square. A clock that is
  wrong shifts both moments alike: at rest it counts only as far as the spot still creeps.
* *place*: one reading at rest on the target itself, at that moment (drift is then no error).
* *moving*: one frame while the spot moves at the pattern's usual speed.
"""

from __future__ import annotations

import math

import numpy as np

from hysteresis.measure.quality_sources import Sources
from hysteresis.uncertainty_budget import Budget, Component

READ_MOMENT_S = 1.0
"""Half width: a person notes the moment of a reading to a second (common practice, no source)."""
RULER_SCALE = 1e-3
"""Half width of a ruler's relative error of scale (common practice for a steel rule, no source;
paper that went through a printer can be off by more)."""
_ROOT3 = math.sqrt(3.0)


def rounding_rest(step: float, sigma: float) -> float:
    """Standard uncertainty that rounding leaves in a mean of many readings.

    Noise of standard deviation `sigma` carries the reading over the steps; the mean of a rounded
    reading then errs by a sine series in the place, Σ step/(π k) exp(−2 π² k² σ²/step²) (Fourier
    series of the sawtooth, times the characteristic function of normal noise). Its rms is
    step/√12 without noise and vanishes from σ of half a step on.
    """
    if step <= 0.0:
        return 0.0
    k = np.arange(1, 200)
    term = (step / (np.pi * k)) ** 2 / 2.0
    lost = np.exp(-4.0 * (np.pi * k * sigma / step) ** 2)
    # Σ (step/πk)²/2 = step²/12: the tail beyond 199 belongs to the noiseless case alone
    tail = step**2 / 12.0 - float(term.sum())
    return float(np.sqrt((term * lost).sum() + tail * float(lost[-1] > 0.5)))


def return_to_zero(s: Sources, axis: int, source: str) -> Budget:
    """Budget of a return-to-zero error along one axis, mm."""
    error = _or(s.error_mm[axis], 0.0)
    parts = _fresh(s, axis, source, math.sqrt(1.0 / s.frames_before + 1.0 / s.frames_after),
                   math.sqrt(2.0))  # fmt: skip
    if source == "camera":
        # a scale is no better known than its place, but a field of 100 % error is no field
        parts.append(
            Component("registration", "registration, only its scale is left",
                      "B" if s.place_assumed else "A", "normal", 100.0 * _or(s.scale, 0.0), "%",
                      error / 100.0, s.place_dof)
        )  # fmt: skip
    else:
        parts.append(
            Component("ruler scale", "scale of the ruler", "B", "rectangular", 100 * RULER_SCALE,
                      "%", error / 100.0)
        )  # fmt: skip
    parts.append(_moment(s, axis, source))
    rate = drift_mm_min(s, axis)
    if rate is not None:
        parts.append(
            Component("drift", "drift of the zero between the readings", "B", "rectangular",
                      abs(rate), "mm/min", _or(s.between_s, 0.0) / 60.0)
        )  # fmt: skip
    return Budget(f"return to zero, {'xy'[axis]}", "mm", tuple(parts))


def place(s: Sources, axis: int, source: str) -> Budget:
    """Budget of the place of one reading at rest, mm."""
    parts = _fresh(s, axis, source, math.sqrt(1.0 / s.frames_after), 1.0)
    parts += _placed(s, axis, source)
    parts.append(_moment(s, axis, source))
    return Budget(f"place at rest, {'xy'[axis]}", "mm", tuple(parts))


def moving(s: Sources, axis: int, jitter_s: float, shutter_s: float) -> Budget:
    """Budget of one frame at the pattern's usual speed, mm; `shutter_s` is half a width."""
    parts = _fresh(s, axis, "camera", 1.0, 1.0)
    parts += _placed(s, axis, "camera")
    speed = s.speed_mm_s / 1e3
    parts += [
        Component("clock", "clock", "B", "normal", 1e3 * s.clock_s, "ms", speed),
        Component("frame times", "times of single frames", "A", "normal", 1e3 * jitter_s, "ms",
                  speed),
        Component("rolling shutter", "rolling shutter, bound", "B", "rectangular",
                  1e3 * shutter_s, "ms", speed),
    ]  # fmt: skip
    return Budget(f"place of one moving frame, {'xy'[axis]}", "mm",
                  tuple(p for p in parts if p.name in _ALWAYS or p.value > 0))  # fmt: skip


_ALWAYS = ("scatter", "registration", "clock")


def drift_mm_min(s: Sources, axis: int) -> float | None:
    """Drift of the zero by the part played again, or by the trend where there is none."""
    if s.drift is not None and s.drift.later_s > 0:
        return float(s.drift.shift_mm[axis] / s.drift.later_s * 60.0)
    trend = float(s.trend_mm_min[axis, 0])
    return trend if math.isfinite(trend) else None


def _fresh(
    s: Sources, axis: int, source: str, by_frames: float, by_readings: float
) -> list[Component]:
    """What is new in each reading: scatter of frames, slow wander, rounding."""
    sigma, step = float(s.sigma_mm[axis]), float(s.step_mm[axis])
    known = math.isfinite(s.sigma_dof)
    if source == "typed":
        rest = step / 2.0  # one reading: its own scatter stands beside it
        words = ("scatter of the reader", "rounding of the readings")
    else:
        rest = _ROOT3 * rounding_rest(step, sigma)
        words = ("scatter of the frames", "rounding of the log")
    parts = [
        Component("scatter", words[0], "A" if known else "B", "normal", sigma, "mm", by_frames,
                  s.sigma_dof),
        Component("rounding", words[1], "B", "rectangular", rest, "mm", by_readings),
    ]  # fmt: skip
    if source == "camera":
        parts.insert(
            1,
            Component("wander", "slow wander of the spot", "A", "normal",
                      float(s.wander_mm[axis]), "mm", by_readings, s.wander_dof),
        )  # fmt: skip
    return parts


def _placed(s: Sources, axis: int, source: str) -> list[Component]:
    if source == "camera":
        value = _or(s.place_mm[0, axis], 0.0)
        return [
            Component("registration", "registration", "B" if s.place_assumed else "A", "normal",
                      value, "mm", 1.0, s.place_dof)
        ]  # fmt: skip
    return [
        Component("ruler scale", "scale of the ruler", "B", "rectangular", 100 * RULER_SCALE, "%",
                  _or(s.reach_mm[axis], 0.0) / 100.0),
        # the ruler is laid against its mark as finely as it is read
        Component("ruler zero", "zero of the ruler", "B", "rectangular",
                  float(s.step_mm[axis]) / 2.0, "mm"),
    ]  # fmt: skip


def _moment(s: Sources, axis: int, source: str) -> Component:
    creep = _or(s.creep_mm_s[axis], 0.0)
    if source == "camera":
        return Component("clock", "clock, the spot still creeps", "B", "normal", 1e3 * s.clock_s,
                         "ms", creep / 1e3)  # fmt: skip
    return Component("moment", "moment of reading, the spot still creeps", "B", "rectangular",
                     READ_MOMENT_S, "s", creep)  # fmt: skip


def _or(value: float, other: float) -> float:
    return float(value) if math.isfinite(value) else other
