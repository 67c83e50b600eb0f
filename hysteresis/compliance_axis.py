"""One axis in compliance form: deflection as a sum over the drive's past, inverted in closed form.

The other way to see the same suspension as the torque balance of `axis`: there memory is a torque
that depends on the path of the angle, here a deflection that depends on the path of the drive. It
has no inertia, damping or heating; in return every weight enters linearly, so a fit is convex.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.operators.elastic import Dynamics
from hysteresis.tables import Floats

REACH = 1.2  # full scale; drives stay within ±1, the curve goes straight on beyond this
FORM = "compliance"
SLACK = 1e-9  # full scale: states are told to the digits of a file


def _none() -> Floats:
    return np.empty(0)


@dataclass(frozen=True)
class ComplianceAxis:
    """Deflection under a drive u, both in full scale:

        linear u + quadratic u² + cubic u³ + Σ weight_i play_i[u] + Σ compliance_m kelvin_m[u]

    `threshold` (rising, > 0, full scale of drive) and `weight` (≥ 0) belong to the plays
    (Prandtl-Ishlinskii), `retardation_time_s` (rising, > 0) and `compliance` (≥ 0) to the Kelvin
    creep modes. Beyond ±1.2 full scale the curve goes on along its tangent.

    As no weight is negative, a closed cycle of drive gives no work back: it costs
    Σ weight r × (way the play goes) + Σ compliance τ ∫ (rate of the mode)² (each from its own
    equation: u = z ± r where a play moves, u = x + τ x' in a mode).

    Rounding: `deflection` is good to about (elements + samples) ε × Σ weights × largest drive,
    `drive` to twice that over the least slope of the curve. The two is the sum of the sizes of
    Kuhnen's inverse weights, and of the kernel that inverts Kelvin creep; for both together and a
    bent curve it is not proved, but holds for whatever tests/property makes up.

    Raises ValueError where lists disagree, times or thresholds do not rise from above 0, a weight
    is negative, or the curve does not rise strictly within ±1.2: then there is no inverse.
    """

    linear: float = 1.0
    quadratic: float = 0.0
    cubic: float = 0.0
    threshold: Floats = field(default_factory=_none)
    weight: Floats = field(default_factory=_none)
    retardation_time_s: Floats = field(default_factory=_none)
    compliance: Floats = field(default_factory=_none)

    def __post_init__(self) -> None:
        for place, size in (("threshold", "weight"), ("retardation_time_s", "compliance")):
            at = np.ascontiguousarray(getattr(self, place), dtype=float)
            much = np.ascontiguousarray(getattr(self, size), dtype=float)
            if at.ndim != 1 or at.shape != much.shape:
                raise ValueError(f"{place} and {size} are two lists of equal length")
            if not (np.all(at > 0) and np.all(np.diff(at) > 0) and np.all(np.isfinite(at))):
                raise ValueError(f"{place} is finite, positive and rises strictly")
            if not np.all((much >= 0) & np.isfinite(much)):
                raise ValueError(f"{size} is finite and not negative")
            object.__setattr__(self, place, at)
            object.__setattr__(self, size, much)
        if not np.all(np.isfinite([self.linear, self.quadratic, self.cubic])):
            raise ValueError("the curve is finite")
        if not self.least_slope() > 0.0:
            raise ValueError("the curve rises strictly within ±1.2 full scale")

    def least_slope(self) -> float:
        """The least slope of the curve at any drive; the slope is extreme at ±1.2 or where its own
        derivative is zero."""
        places = [-REACH, 0.0, REACH]
        if 3.0 * abs(self.cubic) * REACH > abs(self.quadratic):
            places.append(-self.quadratic / (3.0 * self.cubic))
        return min(self.linear + u * (2.0 * self.quadratic + 3.0 * u * self.cubic) for u in places)

    def rest(self) -> Floats:
        """State of a rig that never moved: last drive, positions of plays, of creep modes."""
        return np.zeros(1 + self.weight.size + self.compliance.size)

    def branch_state(self, position: npt.ArrayLike) -> Floats:
        """State at rest but for given positions of the creep modes (a known history)."""
        state = self.rest()
        state[1 + self.weight.size :] = position
        return state

    def deflection(
        self, drive: npt.ArrayLike, step_s: npt.ArrayLike, state: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """Angle under a drive; `step_s` (scalar or one per sample) is the time *to* each sample.

        Returns (angle, state after the last sample). Raises ValueError on a step ≤ 0 or a state
        that no motion can make.
        """
        from hysteresis.kernels import plays

        return self._run(plays.deflection_from_drive, drive, step_s, state)

    def drive(
        self, deflection: npt.ArrayLike, step_s: npt.ArrayLike, state: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """Drive that makes the angle follow `deflection`: the exact inverse of `deflection()`.

        Kuhnen's closed-form inverse (European Journal of Control 9 (2003) 407-418, from memory),
        with the weights that each step of creep makes; a bent curve is solved to rounding.
        """
        from hysteresis.kernels import plays

        return self._run(plays.drive_from_deflection, deflection, step_s, state)

    def _run(
        self, kernel: Any, values: npt.ArrayLike, step_s: npt.ArrayLike, state: Floats | None
    ) -> tuple[Floats, Floats]:
        flat, step = _samples(values, step_s)
        after = self.rest() if state is None else np.array(state, dtype=float)
        if after.shape != self.rest().shape:
            raise ValueError(f"the state has {after.size} entries, not {self.rest().size}")
        chain = after[: 1 + self.weight.size]  # drive, then plays from the tightest
        if np.any(np.abs(np.diff(chain)) > np.diff(self.threshold, prepend=0.0) + SLACK):
            raise ValueError("plays lie further apart than their thresholds: not a state of motion")
        out = kernel(flat, step, self._curve(), *self._elements(), after)
        return out.reshape(np.shape(values)), after

    def _curve(self) -> Floats:
        return np.array([self.linear, self.quadratic, self.cubic, REACH])

    def _elements(self) -> tuple[Floats, Floats, Floats, Floats]:
        return self.threshold, self.weight, self.retardation_time_s, self.compliance

    def weights(self) -> Floats:
        """All that the deflection is linear in: linear, quadratic, cubic, plays, creep modes."""
        return np.concatenate(
            [[self.linear, self.quadratic, self.cubic], self.weight, self.compliance]
        )

    def with_weights(self, weights: Floats) -> ComplianceAxis:
        """The same thresholds and times with other `weights()`."""
        n = 3 + self.weight.size
        linear, quadratic, cubic = (float(w) for w in weights[:3])
        return replace(self, linear=linear, quadratic=quadratic, cubic=cubic,
                       weight=weights[3:n], compliance=weights[n:])  # fmt: skip

    def columns(self, drive: npt.ArrayLike, step_s: npt.ArrayLike) -> Floats:
        """Derivatives of the deflection by `weights()` along a drive from rest, shape
        (samples, weights): `columns @ weights()` is the deflection."""
        from hysteresis.kernels import plays

        u, step = _samples(drive, step_s)
        inside = np.clip(u, -REACH, REACH)
        square = inside * (2.0 * u - inside)  # the tangent beyond the reach
        cube = inside**2 * (3.0 * u - 2.0 * inside)
        memory = plays.columns(u, step, self.threshold, self.retardation_time_s)
        return np.column_stack([u, square, cube, memory])

    def history_columns(self, step_s: Floats) -> Floats:
        """What is left at each sample of one unit of deflection by each mode at the start:
        e^(−t/τ), shape (samples, modes); `step_s` has one entry per sample."""
        t = np.cumsum(np.asarray(step_s, dtype=float))
        return np.exp(-t[:, None] / self.retardation_time_s)

    @property
    def dynamics(self) -> Dynamics:
        """None: this form has no inertia and no damping."""
        return Dynamics()

    def friction_share(self) -> float:
        """Plays that yet lag behind, over the deflection of a large motion without creep."""
        plays = float(self.weight.sum())
        return plays / (self.linear + plays)

    def small_signal_stiffness(self) -> float:
        """Drive per deflection at once, for a motion too small and too fast for any memory."""
        return 1.0 / self.linear

    def after_effect_share(self) -> float:
        """Creep per decade of time under a held drive, between 1 and 100 s, over the deflection
        at once. To first order the relaxation of torque that `AxisModel` tells."""
        tau = self.retardation_time_s
        gain = float(self.compliance @ (np.exp(-1.0 / tau) - np.exp(-100.0 / tau)))
        return gain / 2.0 / self.linear

    def to_json(self) -> dict[str, Any]:
        numbers = {f.name: getattr(self, f.name) for f in fields(self)}
        return {"form": FORM} | {
            key: value.tolist() if isinstance(value, np.ndarray) else float(value)
            for key, value in numbers.items()
        }

    @staticmethod
    def from_json(data: dict[str, Any]) -> ComplianceAxis:
        """Inverse of `to_json`; KeyError, TypeError or ValueError on anything else."""
        if set(data) != {"form", *(f.name for f in fields(ComplianceAxis))} or data["form"] != FORM:
            raise ValueError("this is not an axis in compliance form")
        return ComplianceAxis(
            linear=float(data["linear"]),
            quadratic=float(data["quadratic"]),
            cubic=float(data["cubic"]),
            threshold=np.array(data["threshold"], dtype=float),
            weight=np.array(data["weight"], dtype=float),
            retardation_time_s=np.array(data["retardation_time_s"], dtype=float),
            compliance=np.array(data["compliance"], dtype=float),
        )


def _samples(values: npt.ArrayLike, step_s: npt.ArrayLike) -> tuple[Floats, Floats]:
    flat = np.ascontiguousarray(values, dtype=float).ravel()
    step = np.ascontiguousarray(np.broadcast_to(np.asarray(step_s, dtype=float), flat.shape))
    if flat.size and not step.min() > 0.0:
        raise ValueError("time steps are positive")
    return flat, step
