"""Approaches to targets from both sides: ISO 230-2 (clauses numbered as in 2006)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from hysteresis.characteristics.spread import largest
from hysteresis.characteristics.view import AXES, Found, View
from hysteresis.tables import Floats


@dataclass(frozen=True)
class Target:
    """Readings at one target drive in mm: `up` approached from below, `down` from above.

    `u_mm`: standard uncertainty of one reading.
    """

    drive: float
    up_mm: Floats
    down_mm: Floats
    u_mm: float

    @property
    def reversal_mm(self) -> float:
        """B_i = x̄_i↑ − x̄_i↓ (2.12)."""
        return float(np.mean(self.up_mm) - np.mean(self.down_mm))

    @property
    def u_reversal_mm(self) -> float:
        """Standard uncertainty of B_i by the readings' own."""
        return self.u_mm * float(np.sqrt(1.0 / len(self.up_mm) + 1.0 / len(self.down_mm)))


def targets(view: View, axis: str) -> list[Target]:
    """All targets that were approached from both sides, by rising drive."""
    k = AXES.index(axis)
    places: dict[float, dict[int, list[tuple[float, float]]]] = {}
    for reading in view.steps():
        sides = places.setdefault(round(reading.still.drive[k], 6), {1: [], -1: [], 0: []})
        sides[reading.still.approach[k]].append(
            (reading.deflection_fs[k] * view.full_scale_mm[k], reading.mean.u_mm[k])
        )
    out = []
    for drive, sides in sorted(places.items()):
        if sides[1] and sides[-1]:
            up, down = np.array(sides[1]), np.array(sides[-1])
            u = float(np.sqrt(np.mean(np.concatenate([up, down])[:, 1] ** 2)))
            out.append(Target(drive, up[:, 0], down[:, 0], u))
    return out


def figures(view: View) -> Iterator[Found]:
    """Reversal value of each target and of the axis."""
    for axis in AXES:
        found = targets(view, axis)
        if not found:
            continue
        per_mm = float(np.sqrt(2.0))
        for target in found:
            yield Found(
                "reversal_value", axis, f"{target.drive:.6f}", target.reversal_mm,
                target.u_reversal_mm, conditions=(("drive", target.drive, "1"),), per_mm=per_mm,
            )  # fmt: skip
        values = np.array([t.reversal_mm for t in found])
        u = np.array([t.u_reversal_mm for t in found])
        value, doubt = (float(np.max(np.abs(values))), 0.0) if view.exact else largest(values, u)
        yield Found("reversal_value", axis, "", value, doubt, per_mm=per_mm)
