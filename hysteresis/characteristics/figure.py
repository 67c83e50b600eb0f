"""One published figure of a rig with its uncertainty, and the definition it follows.

A figure is told by the data, by the fitted model under the very same definition, or by both; a
pair that differs by more than its expanded uncertainty is flagged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

Better = Literal["less", "more", "neither"]


@dataclass(frozen=True)
class Definition:
    """What a figure means: `formula` in words or signs, `source` with its clause.

    `better`: whether less or more of it makes the better suspension, or neither; of a figure with
    a sign its size counts.
    """

    key: str
    words: str
    formula: str
    source: str
    unit: str
    better: Better


@dataclass(frozen=True)
class Condition:
    """One circumstance under which a figure was taken, such as dwell_s = 10 s."""

    name: str
    value: float
    unit: str


@dataclass(frozen=True)
class Characteristic:
    """A figure of one axis ('x', 'y') or of both together ('xy').

    `u` is its standard uncertainty with `dof` degrees of freedom (JCGM 100). No `conditions`: the
    figure sums up all conditions of the run. `note`: what a reader has to know of this one figure,
    such as fewer runs than the standard asks for; '' for nothing.
    """

    definition: Definition
    axis: str
    conditions: tuple[Condition, ...]
    value: float
    u: float
    dof: float = np.inf
    note: str = ""

    @property
    def key(self) -> str:
        """Key of the definition."""
        return self.definition.key

    def expanded(self, level: float = 0.95) -> float:
        """Expanded uncertainty U = t_p(ν) u (JCGM 100, 6.3 and G.3)."""
        from scipy.special import stdtrit

        if np.isinf(self.dof):
            from scipy.special import ndtri

            return float(ndtri(0.5 + level / 2.0) * self.u)
        return float(stdtrit(self.dof, 0.5 + level / 2.0) * self.u)

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Ends of the interval value ± U."""
        half = self.expanded(level)
        return self.value - half, self.value + half


@dataclass(frozen=True)
class Pair:
    """The same figure from data and from the fitted model; either may be missing."""

    measured: Characteristic | None
    modelled: Characteristic | None

    @property
    def definition(self) -> Definition:
        """The definition both follow."""
        return self.either.definition

    @property
    def either(self) -> Characteristic:
        """The measured figure where there is one, else the modelled one."""
        found = self.measured if self.measured is not None else self.modelled
        if found is None:
            raise ValueError("a pair holds at least one figure")
        return found

    @property
    def disagree(self) -> bool | None:
        """Whether they differ by more than their expanded uncertainties (None: one is missing)."""
        if self.measured is None or self.modelled is None:
            return None
        half = float(np.hypot(self.measured.expanded(), self.modelled.expanded()))
        return abs(self.measured.value - self.modelled.value) > half
