"""How the rest of an excursion fades: after-effect per decade of time, and time to recover.

After a hold T, creep in logarithmic time leaves C log₁₀((t + T)/t) of the excursion at time t
after the return (Boltzmann's sum for one step; J. D. Ferry, Viscoelastic Properties of Polymers;
from memory). Friction leaves a constant beside it. So the recovery is a straight line in that
logarithm; its slope is the after-effect and its intercept the friction's share.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from hysteresis.characteristics.view import Found, View, by_axis
from hysteresis.metrics import Recovery, recoveries
from hysteresis.tables import Floats

FROM_S = 0.2  # after the return: by then the mirror's ringing is over (common practice, no source)
FEWEST_BINS = 4


@dataclass(frozen=True)
class Fading:
    """Straight line of one recovery: error = `rest_mm` + `slope_mm` × log₁₀((t + T)/t).

    `cover` (2, 2) is the covariance of rest and slope by the frames' own noise; `held_mm` the
    deflection that was held.
    """

    curve: Recovery
    held_mm: float
    rest_mm: float
    slope_mm: float
    cover: Floats
    u_before_mm: float

    def back_s(self, tolerance_mm: float, rest_mm: float, slope_mm: float) -> float:
        """Time after which a line stays within the tolerance; inf where it never does."""
        side = 1.0 if slope_mm > 0 else -1.0
        decades = (tolerance_mm - side * rest_mm) / max(side * slope_mm, 1e-12)
        if decades <= 0:
            return float("inf")
        ratio = 10.0 ** min(decades, 300.0)
        return self.curve.dwell_s / (ratio - 1.0) if ratio > 1.0 else float("inf")


def fadings(view: View) -> list[Fading]:
    """The line of every recovery that was filmed in enough bins."""
    held = {(r.group, r.axis): r for r in view.returns() if r.held is not None}
    out = []
    for curve in recoveries(view.pattern, view.seen):
        cell = held.get((curve.group, curve.axis))
        late = curve.after_s >= FROM_S
        if cell is None or cell.held is None or late.sum() < FEWEST_BINS:
            continue
        t = curve.after_s[late]
        design = np.column_stack([np.ones(len(t)), np.log10((t + curve.dwell_s) / t)])
        weight = 1.0 / curve.own_u_mm[late] ** 2
        cover = np.linalg.inv(design.T @ (weight[:, None] * design))
        rest, slope = cover @ (design.T @ (weight * curve.error_mm[late]))
        before = float(np.sqrt(max(curve.u_mm[0] ** 2 - curve.own_u_mm[0] ** 2, 0.0)))
        out.append(Fading(curve, cell.held.error_mm, float(rest), float(slope), cover, before))
    return out


def figures(view: View) -> Iterator[Found]:
    """After-effect per decade and recovery time of every recovery, and of an axis."""
    tolerance_mm = view.bench.tolerance.target_mm
    for axis, mine in by_axis([_WithAxis(f) for f in fadings(view)]).items():
        found = [one.fading for one in mine]
        rows = [_per_decade(axis, one) for one in found]
        yield from (row if not view.exact else _exact(row) for row in rows)
        # weights by noise and lever alone, the same for data and model
        weight = np.array([1.0 / row.u**2 for row in rows])
        weight /= weight.sum()
        value = float(weight @ [row.value for row in rows])
        u = 0.0 if view.exact else float(np.sqrt(weight**2 @ [row.u**2 for row in rows]))
        per_mm = float(weight @ [row.per_mm for row in rows])
        yield Found("after_effect_per_decade", axis, "", value, u, per_mm=per_mm)
        times = [_recovery_time(view, axis, one, tolerance_mm) for one in found]
        back = [time for time in times if time is not None]
        yield from back
        if back and len(back) == len(times):
            longest = max(back, key=lambda one: one.value)
            yield Found("recovery_time", axis, "", longest.value, longest.u, longest.dof,
                        per_mm=longest.per_mm)  # fmt: skip


@dataclass(frozen=True)
class _WithAxis:
    fading: Fading

    @property
    def axis(self) -> str:
        return self.fading.curve.axis


def _per_decade(axis: str, one: Fading) -> Found:
    per = 100.0 / one.held_mm
    late = one.curve.after_s >= FROM_S
    decades = np.log10((one.curve.after_s[late] + one.curve.dwell_s) / one.curve.after_s[late])
    return Found(
        "after_effect_per_decade", axis, one.curve.group, per * one.slope_mm,
        abs(per) * float(np.sqrt(one.cover[1, 1])), conditions=_when(one),
        per_mm=abs(per) * float(np.sqrt(2.0) / np.ptp(decades)),
    )  # fmt: skip


def _exact(row: Found) -> Found:
    return Found(row.key, row.axis, row.place, row.value, 0.0, row.dof, row.conditions, row.per_mm)


def _recovery_time(view: View, axis: str, one: Fading, tolerance_mm: float) -> Found | None:
    """When the line comes within the tolerance; None where that is not within the watch."""
    first, last = float(one.curve.after_s[0]), float(one.curve.after_s[-1])
    time = one.back_s(tolerance_mm, one.rest_mm, one.slope_mm)
    if not time <= last:
        return None
    decades = np.log10((time + one.curve.dwell_s) / max(time, 1e-9))
    own = float(np.sqrt(one.cover[0, 0] + 2 * decades * one.cover[0, 1]
                        + decades**2 * one.cover[1, 1] + one.u_before_mm**2))  # fmt: skip
    # by how much the time moves per mm: t = T / (10^q − 1), dt/dq = −ln 10 (t + T) t / T
    per_mm = float(np.log(10) * (time + one.curve.dwell_s) * time / one.curve.dwell_s
                   / max(abs(one.slope_mm), 1e-12))  # fmt: skip
    note = ""
    if time < first:
        time, per_mm, note = 0.0, 0.0, "within the tolerance from the first frame on"
        own_s = first / np.sqrt(3.0)  # anywhere before it
    else:
        own_s = per_mm * own
    return Found("recovery_time", axis, one.curve.group, time, 0.0 if view.exact else own_s,
                 conditions=(*_when(one), ("tolerance_mm", tolerance_mm, "mm")), per_mm=per_mm,
                 note=note)  # fmt: skip


def _when(one: Fading) -> tuple[tuple[str, float, str], ...]:
    return (
        ("excursion_fs", one.curve.excursion_fs, "FS"), ("dwell_s", one.curve.dwell_s, "s"),
    )  # fmt: skip
