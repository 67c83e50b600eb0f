"""After-effect as parallel Maxwell branches on a spectrum of relaxation times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from hysteresis.tables import Floats


@dataclass(frozen=True)
class AfterEffect:
    """Maxwell branches: `relaxation_time_s` (rising, > 0) and `stiffness` (≥ 0).

    Raises ValueError where the arrays disagree or a weight is negative.
    """

    relaxation_time_s: Floats
    stiffness: Floats

    def __post_init__(self) -> None:
        time_s = np.ascontiguousarray(self.relaxation_time_s, dtype=float)
        stiffness = np.ascontiguousarray(self.stiffness, dtype=float)
        if time_s.shape != stiffness.shape or time_s.ndim != 1:
            raise ValueError("relaxation_time_s and stiffness are two lists of equal length")
        if not (np.all(time_s > 0) and np.all(np.diff(time_s) > 0) and np.all(np.isfinite(time_s))):
            raise ValueError("relaxation times are finite, positive and rise strictly")
        if np.any(stiffness < 0) or not np.all(np.isfinite(stiffness)):
            raise ValueError("branch stiffness is finite and not negative")
        object.__setattr__(self, "relaxation_time_s", time_s)
        object.__setattr__(self, "stiffness", stiffness)

    def rest(self) -> Floats:
        return np.zeros(1 + self.relaxation_time_s.size)

    def torque(self, theta: Floats, step_s: Floats, state: Floats) -> tuple[Floats, Floats]:
        from hysteresis.kernels import maxwell_branches

        theta = np.ascontiguousarray(theta, dtype=float)
        step = np.ascontiguousarray(np.broadcast_to(step_s, theta.shape), dtype=float)
        after = np.array(state, dtype=float)
        value = maxwell_branches.torque_path(
            theta, step, after[0], self.relaxation_time_s, self.stiffness, after[1:]
        )
        if theta.size:
            after[0] = theta[-1]
        return value, after

    def tangent(self, theta: float, step_s: float, state: Floats) -> float:
        x = step_s / self.relaxation_time_s
        return float(np.sum(self.stiffness * -np.expm1(-x) / x))

    def moduli(self, omega: Floats) -> tuple[Floats, Floats]:
        """Storage and loss parts at angular frequency `omega` (rad/s), textbook viscoelasticity:
        `Σ k x²/(1+x²)` and `Σ k x/(1+x²)` with `x = ω τ`."""
        x = np.asarray(omega, dtype=float)[..., None] * self.relaxation_time_s
        return (x**2 / (1 + x**2)) @ self.stiffness, (x / (1 + x**2)) @ self.stiffness

    def to_json(self) -> dict[str, Any]:
        return {
            "relaxation_time_s": self.relaxation_time_s.tolist(),
            "stiffness": self.stiffness.tolist(),
        }
