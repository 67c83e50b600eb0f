"""How good a measurement is: figures, uncertainty budgets by JCGM 100, a verdict, what would help.

`assess` takes what `measure_camera` or `measure_typed` returned. The deciding figure is the
return-to-zero error; beside it stand the place on the target and, for a film, a moving frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.files import read_json, write_json
from hysteresis.measure import quality_budgets as budgets
from hysteresis.measure.measured import Measured
from hysteresis.measure.quality_advice import GOOD_SHARE, Advice, Grade, advised, grade_of, verdict
from hysteresis.measure.quality_place import CLICK_PX
from hysteresis.measure.quality_sources import Sources, sources_of
from hysteresis.plain_content import FINITE, PartFault, entries, number, numbers, within, word
from hysteresis.tables import Pattern
from hysteresis.uncertainty_budget import Budget, budget_from_json

FORMAT = "hysteresis quality 1"


@dataclass(frozen=True)
class Figure:
    """One figure of quality: values (by axis, or one) with a unit, and a remark."""

    name: str
    words: str
    values: tuple[float, ...]
    unit: str
    remark: str = ""


@dataclass(frozen=True)
class Quality:
    """The judgement of one measurement.

    `moving` is None where nothing moves before a camera. `grade` compares the expanded
    uncertainty of `return_to_zero` with `tolerance_mm`; `limit` names what contributes most to
    it. `recording_sha256` is that of the recording.csv it was judged with, '' if not written.
    """

    source: Literal["camera", "typed"]
    tolerance_mm: float
    figures: tuple[Figure, ...]
    return_to_zero: Budget
    place: Budget
    moving: Budget | None
    advice: tuple[Advice, ...]
    verdict: str
    recording_sha256: str = ""

    @property
    def grade(self) -> Grade:
        """good, limited or not enough, for the return to zero."""
        return grade_of(self.return_to_zero.expanded(), self.tolerance_mm)

    @property
    def limit(self) -> str:
        """Name of the largest component of the return to zero."""
        return self.return_to_zero.largest().name

    @property
    def budgets(self) -> tuple[Budget, ...]:
        """All budgets, the deciding one first."""
        every = (self.return_to_zero, self.place, self.moving)
        return tuple(b for b in every if b is not None)

    def to_json(self) -> dict[str, Any]:
        """Plain content for quality.json."""
        return {
            "format": FORMAT,
            "source": self.source,
            "tolerance_mm": self.tolerance_mm,
            "grade": self.grade,
            "limit": self.limit,
            "verdict": self.verdict,
            "recording_sha256": self.recording_sha256,
            "figures": [
                {"name": f.name, "words": f.words, "values": list(f.values), "unit": f.unit,
                 "remark": f.remark}
                for f in self.figures
            ],
            "return_to_zero": self.return_to_zero.to_json(),
            "place": self.place.to_json(),
            "moving": None if self.moving is None else self.moving.to_json(),
            "advice": [
                {"measurand": a.measurand, "component": a.component, "factor": a.factor,
                 "foretold_mm": a.foretold_mm, "text": a.text}
                for a in self.advice
            ],
        }  # fmt: skip


def assess(measured: Measured, pattern: Pattern, bench: Bench) -> Quality:
    """Judge a measurement; `pattern` is the one it belongs to.

    Raises DataError when no row of the recording can be used.
    """
    s = sources_of(measured, pattern, bench)
    source = measured.source
    zero = _worse([budgets.return_to_zero(s, axis, source) for axis in _axes(s)])
    at = _worse([budgets.place(s, axis, source) for axis in _axes(s)])
    shutter_s = _shutter_s(measured)
    moving = None
    if source == "camera" and s.speed_mm_s > 0:
        jitter_s = measured.jitter_s or 0.0
        moving = _worse([budgets.moving(s, axis, jitter_s, shutter_s) for axis in _axes(s)])
    tolerance = bench.tolerance.target_mm
    advice = tuple(a for b in (zero, at) for a in advised(b, tolerance, s, source))
    figures = (
        _camera_figures(measured, s, shutter_s) if source == "camera" else _typed_figures(s, bench)
    )
    return Quality(
        source=source,
        tolerance_mm=tolerance,
        figures=(*figures, *_common_figures(measured, s)),
        return_to_zero=zero,
        place=at,
        moving=moving,
        advice=advice,
        verdict=verdict(zero, at, tolerance, s, advice),
    )


def _axes(s: Sources) -> list[int]:
    """Axes that were measured at all."""
    return [k for k in range(2) if math.isfinite(s.reach_mm[k])] or [0]


def _worse(found: list[Budget]) -> Budget:
    return max(found, key=lambda b: b.expanded())


def _shutter_s(measured: Measured) -> float:
    """Half the width (s) of what the rows' times may be off by: two standard uncertainties of
    the read-out that the clock found or ruled out, over half the rows that the spot crossed."""
    clock, registration = measured.clock, measured.registration
    if clock is None or registration is None or not math.isfinite(clock.u_readout_s_per_px):
        return 0.0
    rows = measured.recording
    good = rows.used & np.isfinite(rows.x_mm + rows.y_mm)
    if not good.any():
        return 0.0
    v = registration.px_of(rows.x_mm[good], rows.y_mm[good])[1]
    return float(2.0 * clock.u_readout_s_per_px * np.ptp(v) / 2.0)


# ---- figures -------------------------------------------------------------------------------------


def _camera_figures(measured: Measured, s: Sources, shutter_s: float) -> list[Figure]:
    registration = measured.registration
    assert registration is not None
    rounded = 0.0 if measured.noise is None else measured.noise.rounded_px
    at_speed, fast = 1e-3 * s.speed_mm_s, 1e-3 * s.fast_mm_s

    def in_mm(ms: float) -> str:
        if s.speed_mm_s <= 0:
            return "nothing moves"
        return (
            f"0 mm at rest, {ms * at_speed:.2g} mm at {s.speed_mm_s:.0f} mm/s (half of what moves),"
            f" {ms * fast:.2g} mm at {s.fast_mm_s:.0f} mm/s"
        )

    found = [
        Figure("noise_floor", "noise floor, one frame at rest, x and y", _pair(s.sigma_mm), "mm",
               "assumed" if measured.noise is not None and not measured.noise.frames
               else "by the light: the film repeats frames at rest" if s.alike else ""),
        Figure("resolution", "one pixel on the target", (registration.mm_per_px,), "mm",
               f"log rounded to {rounded:g} px" if rounded >= 0.02 else "centres between pixels"),
    ]  # fmt: skip
    if (s.wander_mm > 0).any():
        found.append(Figure("wander", "slow wander of a reading, x and y", _pair(s.wander_mm), "mm",
                            "more frames in a reading do not lessen it"))  # fmt: skip
    ms = 1e3 * s.clock_s
    found.append(Figure("clock_error", "clock error", (ms,), "ms", in_mm(ms)))
    if shutter_s > 0:
        found.append(Figure("rolling_shutter", "rolling shutter, at most", (1e3 * shutter_s,),
                            "ms", in_mm(1e3 * shutter_s)))  # fmt: skip
    if math.isfinite(registration.residual_mm):
        found.append(Figure("registration_residual", "marks disagree by",
                            (registration.residual_mm,), "mm",
                            f"{registration.fiducials} marks ({registration.source})"))  # fmt: skip
    if np.isfinite(s.place_mm).all():
        words = f"marks taken as clicked to {CLICK_PX:g} px, " if s.place_assumed else ""
        found.append(Figure("place", "place by registration, x and y", _pair(s.place_mm[0]), "mm",
                            f"{words}at worst {s.place_mm[1].max():.2g} mm"))  # fmt: skip
    return found


def _typed_figures(s: Sources, bench: Bench) -> list[Figure]:
    return [
        Figure("noise_floor", "scatter of the reader, x and y", _pair(s.sigma_mm), "mm",
               "from readings that repeat each other" if math.isfinite(s.sigma_dof)
               else "too few repeats to tell it from the rounding"),
        Figure("resolution", "readings rounded to", (float(s.step_mm[0]),), "mm",
               f"{100 * s.step_mm[0] / bench.tolerance.target_mm:.0f} % of the tolerance"),
    ]  # fmt: skip


def _common_figures(measured: Measured, s: Sources) -> list[Figure]:
    rows = measured.recording
    found = [
        Figure("rows_used", "rows used", (100.0 * float(rows.used.mean()),), "%",
               f"{int(rows.used.sum())} of {len(rows)}")
    ]  # fmt: skip
    if s.drift is not None:
        found.append(Figure("drift", "repeated part, shift in x and y", _pair(s.drift.shift_mm),
                            "mm", f"±{2 * s.drift.u_mm.max():.2g} mm, "
                            f"{s.drift.later_s:.0f} s later"))  # fmt: skip
    if np.isfinite(s.trend_mm_min).all():
        found.append(Figure("zero_trend", "slow trend of zero, x and y",
                            _pair(s.trend_mm_min[:, 0]), "mm/min",
                            f"±{2 * s.trend_mm_min[:, 1].max():.2g} mm/min"))  # fmt: skip
    if s.repeats:
        worst = max(s.repeats, key=lambda r: abs(r.largest_mm))
        remark = f"±{2 * worst.u_mm:.2g} mm, of {worst.points} settled readings"
        found.append(Figure("repeatability", f"repeated part, largest difference, {worst.axis}",
                            (abs(worst.largest_mm),), "mm", remark))  # fmt: skip
    return found


def _pair(values: Any) -> tuple[float, ...]:
    return tuple(float(v) for v in values if math.isfinite(v))


# ---- quality.json --------------------------------------------------------------------------------


def quality_from_json(data: Any) -> Quality:
    """Read a judgement back; raises `PartFault` naming the part that does not belong there."""
    if not isinstance(data, dict):
        raise PartFault("quality", "is not an object with entries")
    word(data, "format", (FORMAT,))
    found: dict[str, Budget] = {}
    for name in ("return_to_zero", "place", "moving"):
        if name == "moving" and data.get(name) is None:
            continue
        with within(name):
            found[name] = budget_from_json(entries({name: data.get(name)}, name))
    figures, advice = [], []
    for k, entry in enumerate(_items(data, "figures"), 1):
        with within(f"figures.{k}"):
            values = tuple(float(v) for v in numbers(entry, "values"))
            figures.append(Figure(word(entry, "name"), word(entry, "words"), values,
                                  word(entry, "unit"), word(entry, "remark")))  # fmt: skip
    for k, entry in enumerate(_items(data, "advice"), 1):
        with within(f"advice.{k}"):
            advice.append(Advice(word(entry, "measurand"), word(entry, "component"),
                                 number(entry, "factor", 0.0, FINITE),
                                 number(entry, "foretold_mm", 0.0, FINITE),
                                 word(entry, "text")))  # fmt: skip
    quality = Quality(
        source="camera" if word(data, "source", ("camera", "typed")) == "camera" else "typed",
        tolerance_mm=number(data, "tolerance_mm", 1e-4, 1000.0),
        figures=tuple(figures),
        return_to_zero=found["return_to_zero"],
        place=found["place"],
        moving=found.get("moving"),
        advice=tuple(advice),
        verdict=word(data, "verdict"),
        recording_sha256=word(data, "recording_sha256"),
    )
    for name in ("grade", "limit"):
        told, value = word(data, name), getattr(quality, name)
        if told != value:
            raise PartFault(name, f"is {told!r}, but the budget says {value!r}")
    return quality


def _items(data: dict[str, Any], name: str) -> list[dict[str, Any]]:
    value = data.get(name)
    if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
        raise PartFault(name, "is not a list of objects")
    return value


def write_quality(path: Path | str, quality: Quality, recording_sha256: str = "") -> None:
    """Write quality.json with the SHA-256 of the recording.csv that it judges."""
    write_json(path, replace(quality, recording_sha256=recording_sha256).to_json())


def read_quality(path: Path | str) -> Quality:
    """Read quality.json. Raises `InputError` naming the part that does not belong there."""
    mend = "write it anew with: hysteresis measure"
    try:
        return quality_from_json(read_json(path, mend=mend))
    except PartFault as fault:
        raise InputError(
            f"this part of the judgement {fault.what}", file=path, column=fault.place, mend=mend
        ) from fault


__all__ = [
    "GOOD_SHARE",
    "Advice",
    "Figure",
    "Quality",
    "assess",
    "quality_from_json",
    "read_quality",
    "write_quality",
]
