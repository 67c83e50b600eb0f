"""What every family of figures reads, and what it hands on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

import numpy as np

from hysteresis.bench import Bench
from hysteresis.loops import Loop, loops
from hysteresis.metrics import ReturnToZero, returns_to_zero
from hysteresis.model import RigModel
from hysteresis.optics import RigOptics
from hysteresis.recording import Observations
from hysteresis.settled import Settled, settled_readings
from hysteresis.tables import Pattern

AXES = ("x", "y")


@dataclass(frozen=True)
class View:
    """One run as the definitions look at it: measured frames, or frames that a model foretells.

    `clock_s`: standard uncertainty of the frames' times on the drive's clock; `place_mm`: standard
    uncertainty of one absolute place of one axis. `exact`: the frames carry no noise, so nothing
    is corrected for it and it makes no uncertainty; clock and registration, by which the model was
    fitted, still do. `model`: the model
    that foretold the frames; figures that follow from its numbers are taken from these.
    """

    pattern: Pattern
    seen: Observations
    bench: Bench
    optics: RigOptics
    clock_s: float = 0.0
    place_mm: float = 0.0
    exact: bool = False
    model: RigModel | None = None
    _kept: dict[str, object] = field(default_factory=dict, repr=False, compare=False)

    @property
    def full_scale_mm(self) -> tuple[float, float]:
        """Full scale of one side, x and y."""
        return self.bench.optics.full_scale_x_mm, self.bench.optics.full_scale_y_mm

    def returns(self) -> tuple[ReturnToZero, ...]:
        """Every return to zero that was read before and after."""
        if "returns" not in self._kept:
            self._kept["returns"] = returns_to_zero(self.pattern, self.seen, self.full_scale_mm)
        return self._kept["returns"]  # type: ignore[return-value]

    def loops(self) -> tuple[Loop, ...]:
        """Every loop of the run."""
        if "loops" not in self._kept:
            self._kept["loops"] = loops(self.pattern, self.seen, self.optics, self.full_scale_mm)
        return self._kept["loops"]  # type: ignore[return-value]

    def steps(self) -> tuple[Settled, ...]:
        """Every settled step of a staircase."""
        if "steps" not in self._kept:
            self._kept["steps"] = settled_readings(
                self.pattern, self.seen, self.optics, ("staircase",)
            )
        return self._kept["steps"]  # type: ignore[return-value]


@dataclass(frozen=True)
class Found:
    """One figure of a view before it is paired with its twin of the model.

    `place`: where in the run it comes from, the same word for data and model; '' sums up the run.
    `per_mm`: by how much the figure changes when one of its readings is off by 1 mm, in its unit.
    """

    key: str
    axis: str
    place: str
    value: float
    u: float
    dof: float = np.inf
    conditions: tuple[tuple[str, float, str], ...] = ()
    per_mm: float = 0.0
    note: str = ""


class _OfAxis(Protocol):
    @property
    def axis(self) -> str: ...


Item = TypeVar("Item", bound=_OfAxis)


def by_axis(items: Iterable[Item]) -> dict[str, list[Item]]:
    """Things with an `axis`, axis by axis."""
    out: dict[str, list[Item]] = {}
    for item in items:
        out.setdefault(item.axis, []).append(item)
    return out
