"""The spring without memory: low-order, monotone, sides may differ, softening with heat."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from hysteresis.tables import Floats


@dataclass(frozen=True)
class Elastic:
    """Torque `k1 θ + k2 θ² + k3 θ³`, angle in full scale, torque in units of drive.

    `quadratic` makes the two sides unequal, `cubic` hardens (> 0) or softens (< 0).
    """

    linear: float = 1.0
    quadratic: float = 0.0
    cubic: float = 0.0

    def rest(self) -> Floats:
        return np.zeros(1)

    def torque(self, theta: Floats, step_s: Floats, state: Floats) -> tuple[Floats, Floats]:
        value = theta * (self.linear + theta * (self.quadratic + theta * self.cubic))
        return value, np.array([theta[-1] if len(theta) else state[0]])

    def tangent(self, theta: float, step_s: float, state: Floats) -> float:
        return self.linear + theta * (2.0 * self.quadratic + 3.0 * theta * self.cubic)

    def is_monotone(self, reach: float = 1.2) -> bool:
        """Whether stiffness stays positive for angles within ±`reach` full scale."""
        grid = np.linspace(-reach, reach, 481)
        return bool(
            np.all(self.linear + grid * (2.0 * self.quadratic + 3.0 * grid * self.cubic) > 0.0)
        )

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True)
class Heating:
    """Softening of the spring by coil heat: stiffness × (1 - Σ softening_j T_j).

    `T_j` follows drive² with the lag `lag_s[j]`: one thermal node each for coil and suspension.
    """

    softening: tuple[float, float] = (0.0, 0.0)
    lag_s: tuple[float, float] = (15.0, 100.0)

    def to_json(self) -> dict[str, Any]:
        return {"softening": list(self.softening), "lag_s": list(self.lag_s)}


@dataclass(frozen=True)
class Dynamics:
    """Inertia and damping: torque `inertia θ'' + damping θ'` (drive s², drive s per full scale)."""

    damping_s: float = 0.0
    inertia_s2: float = 0.0

    def resonance_hz(self, stiffness: float) -> float:
        """Undamped resonance for a total small-signal stiffness; inf without inertia."""
        if self.inertia_s2 <= 0.0:
            return float("inf")
        return float(np.sqrt(stiffness / self.inertia_s2) / (2.0 * np.pi))

    def damping_ratio(self, stiffness: float) -> float:
        """Fraction of critical damping, textbook `b / (2 √(k m))`; nan without inertia."""
        if self.inertia_s2 <= 0.0:
            return float("nan")
        return float(self.damping_s / (2.0 * np.sqrt(stiffness * self.inertia_s2)))

    def to_json(self) -> dict[str, Any]:
        return asdict(self)
