"""Friction memory as a Bouc-Wen element: smooth slip in six numbers."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from functools import cached_property
from typing import Any, ClassVar

import numpy as np

from hysteresis.errors import InputError
from hysteresis.tables import Floats


@dataclass(frozen=True)
class BoucWen:
    """Torque = stiffness · z; the stretch z follows the angle θ with smooth slip.

    In units of the limit of the side it is on, `w = z / (reach (1 ± asymmetry))`, the stretch
    obeys `dz/dθ = h(w) (1 − loading |w|^n)` moving away from zero and
    `h(w) (1 − (loading − 2 sigma) |w|^n)` moving back, `h(w) = 1 − pinching exp(−(w / width)²)`:
    Bouc 1967 and Wen 1976 in the normalised form of Ikhouane & Rodellar 2007; pinching of the
    kind of Baber & Noori 1985 (all from memory).

    stiffness : torque (drive) per full scale of a small move, ≥ 0.
    reach : largest stretch, full scale, > 0.
    sigma : β / |β + γ|, at least ½. The way back to zero is straight at ½ and steeper than the
        small move above, by 2 sigma at the limit; γ is negative above 1.
    exponent : n ≥ 1; larger is a sharper knee.
    asymmetry : in (−1, 1); the limit is reach (1 + asymmetry) on the positive side.
    pinching, pinching_width : depth in [0, 1) of a softer middle, and its width, > 0, in limits.
    swing : None, or for constants outside the admissible class I (|γ| ≤ β) the largest |θ|,
        full scale, for which the torque is tabulated; this switches the check off. `torque`
        refuses a path beyond it; a simulation goes straight on there.
    loading : 1; with `swing` also 0 or −1: a torque that grows without a limit.

    Raises ValueError where the numbers make no passive element (or, with `swing`, no torque that
    rises with the angle).
    """

    stiffness: float
    reach: float
    sigma: float = 0.5
    exponent: float = 1.0
    asymmetry: float = 0.0
    pinching: float = 0.0
    pinching_width: float = 0.3
    swing: float | None = None
    loading: float = 1.0
    kind: ClassVar[int] = 2
    unknowns: ClassVar[int] = 6
    unknown_names: ClassVar[tuple[str, ...]] = (
        "stiffness", "reach", "sigma", "exponent", "asymmetry", "pinching",
    )  # fmt: skip

    def __post_init__(self) -> None:
        values = np.array([v for v in asdict(self).values() if v is not None], dtype=float)
        if not np.all(np.isfinite(values)):
            raise ValueError("every number of a Bouc-Wen element is finite")
        if self.stiffness < 0.0:
            raise ValueError("stiffness is not negative")
        if not (self.reach > 0.0 and self.pinching_width > 0.0):
            raise ValueError("reach and pinching width are positive")
        if not (self.exponent >= 1.0 and abs(self.asymmetry) < 1.0):
            raise ValueError("the exponent is at least 1, the asymmetry lies between −1 and 1")
        if not 0.0 <= self.pinching < 1.0:
            raise ValueError("pinching is at least 0 and below 1")
        if self.swing is None:
            if self.loading != 1.0 or not self.sigma >= 0.5:
                raise ValueError("not passive: sigma is at least 1/2 (|γ| ≤ β) and loading is 1")
        elif self.swing <= 0.0 or self.loading not in (-1.0, 0.0, 1.0):
            raise ValueError("swing is positive and loading is 1, 0 or −1")
        if self.swing is not None:
            self.shape()  # refuses what cannot be tabulated

    @classmethod
    def from_textbook(
        cls,
        gain: float,
        beta: float,
        gamma: float,
        exponent: float = 1.0,
        *,
        torque_per_z: float = 1.0,
        admissible: bool = True,
        swing: float | None = None,
    ) -> BoucWen:
        """The element of `dz/dt = A θ' − β|θ'||z|^(n−1) z − γ θ'|z|^n`, torque = torque_per_z · z.

        `gain` is A; angles in full scale, torque in drive. With a factor D before dz/dt, divide
        A, β and γ by it. Class I of Ikhouane & Rodellar (A > 0, β + γ > 0, −β ≤ γ ≤ β; from
        memory), the passive one, is taken as it is; others only with `admissible=False` and the
        largest |θ|, `swing`, for which the torque is to be tabulated. Raises InputError where the
        constants are in another class, or make no torque that rises with the angle.
        """
        if not gain > 0.0:
            raise InputError("the torque falls with the angle", column="A", value=gain,
                             mend="A is positive")  # fmt: skip
        if admissible and not (beta + gamma > 0.0 and abs(gamma) <= beta):
            raise InputError(
                "these constants are not passive", value={"beta": beta, "gamma": gamma},
                mend="keep β + γ > 0 and |γ| ≤ β, or give admissible=False and a swing",
            )  # fmt: skip
        if not admissible and swing is None:
            raise InputError("outside the admissible class a torque needs a stated swing",
                             column="swing", mend="give the largest |θ|")  # fmt: skip
        total = beta + gamma
        scale = abs(total) if total != 0.0 else abs(gamma - beta)
        unit = (gain / scale) ** (1.0 / exponent) if scale > 0.0 else 1.0
        try:
            return cls(
                stiffness=torque_per_z * gain,
                reach=unit / gain,
                sigma=beta / scale if scale > 0.0 else 0.0,
                exponent=exponent,
                swing=None if admissible else swing,
                loading=float(np.sign(total)),
            )
        except ValueError as fault:
            raise InputError(str(fault), mend="check A, β, γ, n and the swing") from fault

    def limits(self) -> tuple[float, float]:
        """Largest stretch on the positive and on the negative side, full scale."""
        return self.reach * (1.0 + self.asymmetry), self.reach * (1.0 - self.asymmetry)

    @cached_property
    def _table(self) -> tuple[Floats, Floats, int]:
        """Values, derivatives, row of zero: made once, since nothing in it can change."""
        from hysteresis.kernels.bouc_wen_table import table

        longest = np.inf if self.swing is None else 2.0 * self.swing / min(self.limits())
        values, slopes, zero = table(
            float(self.loading), float(self.loading - 2.0 * self.sigma), float(self.exponent),
            float(self.pinching), float(self.pinching_width), float(longest),
        )  # fmt: skip
        if not (len(values) and np.all(np.isfinite(values)) and np.all(values[:-1, 2] > 0.0)):
            if self.swing is None:
                raise ValueError("a Bouc-Wen element this extreme cannot be tabulated")
            raise ValueError("within this swing the torque does not rise with the angle everywhere")
        return values, slopes, zero

    def shape(self) -> Floats:
        """What the kernels take: a header and the table, see `kernels.bouc_wen`."""
        values, slopes, zero = self._table
        head = [self.stiffness, *self.limits(), self.reach, float(zero), float(len(values) - 1)]
        return np.concatenate([head, values.ravel(), slopes.ravel()])

    def rest(self) -> Floats:
        return np.zeros(2)

    def torque(self, theta: Floats, step_s: Floats, state: Floats) -> tuple[Floats, Floats]:
        """As the contract. Raises InputError where the path leaves a stated swing, ValueError
        where the stretch in `state` is beyond the limits."""
        from hysteresis.kernels import memory

        theta = np.ascontiguousarray(theta, dtype=float)
        after = np.array(state, dtype=float)
        up, down = self.limits()
        if self.loading == 1.0 and not -down * (1 + 1e-9) <= after[1] <= up * (1 + 1e-9):
            raise ValueError("the stretch lies within the limits")
        if self.swing is not None and theta.size:
            width = max(theta.max(), after[0]) - min(theta.min(), after[0])
            if width > 2.0 * self.swing * (1.0 + 1e-9):
                raise InputError("the path leaves the swing for which the torque is tabulated",
                                 value=float(width), mend="state a larger swing")  # fmt: skip
        value = memory.torque_path(
            self.kind, self.shape(), theta, after[0], after[1:], np.empty(6)
        )
        if theta.size:
            after[0] = theta[-1]
        return value, after

    def tangent(self, theta: float, step_s: float, state: Floats) -> float:
        from hysteresis.kernels import memory

        return float(
            memory.tangent_at(
                self.kind, self.shape(), float(theta), float(state[0]), np.array(state[1:]),
                np.empty(6),
            )
        )  # fmt: skip

    def small_signal_stiffness(self) -> float:
        """Stiffness of a small move from rest."""
        return self.stiffness * (1.0 - self.pinching)

    def lagging_stiffness(self) -> float:
        """The part of `small_signal_stiffness` that a long swing loses: all, at the limit."""
        return self.small_signal_stiffness()

    def to_json(self) -> dict[str, Any]:
        return asdict(self)
