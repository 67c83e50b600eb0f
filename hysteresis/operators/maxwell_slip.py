"""Friction memory as parallel Maxwell-slip elements (stop form of Prandtl-Ishlinskii)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from hysteresis.tables import Floats


@dataclass(frozen=True)
class MaxwellSlip:
    """Stops with slip limits `limit` (full scale, rising, > 0) and `stiffness` (≥ 0).

    Raises ValueError where the arrays disagree or a weight is negative: then a closed cycle
    could create energy.
    """

    limit: Floats
    stiffness: Floats
    kind: ClassVar[int] = 0

    def __post_init__(self) -> None:
        limit = np.ascontiguousarray(self.limit, dtype=float)
        stiffness = np.ascontiguousarray(self.stiffness, dtype=float)
        if limit.shape != stiffness.shape or limit.ndim != 1:
            raise ValueError("limit and stiffness are two lists of equal length")
        if not (np.all(limit > 0) and np.all(np.diff(limit) > 0) and np.all(np.isfinite(limit))):
            raise ValueError("slip limits are finite, positive and rise strictly")
        if np.any(stiffness < 0) or not np.all(np.isfinite(stiffness)):
            raise ValueError("slip stiffness is finite and not negative")
        object.__setattr__(self, "limit", limit)
        object.__setattr__(self, "stiffness", stiffness)

    def rest(self) -> Floats:
        return np.zeros(1 + self.limit.size)

    def shape(self) -> Floats:
        """What the kernels take: number, limits, stiffnesses."""
        return np.concatenate([[float(self.limit.size)], self.limit, self.stiffness])

    def torque(self, theta: Floats, step_s: Floats, state: Floats) -> tuple[Floats, Floats]:
        from hysteresis.kernels import memory

        theta = np.ascontiguousarray(theta, dtype=float)
        after = np.array(state, dtype=float)
        work = np.empty(1 + self.limit.size)
        value = memory.torque_path(self.kind, self.shape(), theta, after[0], after[1:], work)
        if theta.size:
            after[0] = theta[-1]
        return value, after

    def tangent(self, theta: float, step_s: float, state: Floats) -> float:
        from hysteresis.kernels import memory

        work = np.empty(1 + self.limit.size)
        return float(
            memory.tangent_at(
                self.kind, self.shape(), float(theta), float(state[0]), np.array(state[1:]), work
            )
        )

    @property
    def unknowns(self) -> int:
        """Parameters by which the kernels differentiate: the stiffnesses."""
        return int(self.limit.size)

    def small_signal_stiffness(self) -> float:
        """Stiffness for a motion too small for any element to slip."""
        return float(self.stiffness.sum())

    def lagging_stiffness(self) -> float:
        """The part of `small_signal_stiffness` that a long swing loses: all of it."""
        return self.small_signal_stiffness()

    def initial_curve(self, theta: Floats) -> Floats:
        """Torque on first loading from rest, `Σ k_i min(|θ|, r_i)` with the sign of θ."""
        size = np.minimum(np.abs(theta)[..., None], self.limit)
        return np.sign(theta) * (size @ self.stiffness)

    def to_json(self) -> dict[str, Any]:
        return {"limit": self.limit.tolist(), "stiffness": self.stiffness.tolist()}
