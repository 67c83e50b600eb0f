"""One axis: the sum of its operators in one torque balance, usable both ways round."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.drive_chain import DriveChain
from hysteresis.operators.elastic import Dynamics, Elastic, Heating
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.operators.memories import Memory, memory_from_json, memory_to_json
from hysteresis.tables import Floats

STATE_HEAD = ("theta", "theta_before", "velocity", "velocity_before", "step_before", "drive",
              "warmth_1", "warmth_2")  # fmt: skip

DRIVEN = 1.0  # full scale: where a rig is played


def _no_friction() -> MaxwellSlip:
    return MaxwellSlip(np.empty(0), np.empty(0))


def _no_after_effect() -> AfterEffect:
    return AfterEffect(np.empty(0), np.empty(0))


@dataclass(frozen=True)
class AxisModel:
    """Torque balance of one axis; angles in full scale, drive as a fraction of full scale.

    A state is one flat array: the named head `STATE_HEAD`, the friction memory's own state, the
    stretch of every Maxwell branch and, where the drive chain is not plain, the chain's own state.
    Both directions take a state and return a new one.
    """

    elastic: Elastic = field(default_factory=Elastic)
    heating: Heating = field(default_factory=Heating)
    dynamics: Dynamics = field(default_factory=Dynamics)
    friction: Memory = field(default_factory=_no_friction)
    after_effect: AfterEffect = field(default_factory=_no_after_effect)
    chain: DriveChain = field(default_factory=DriveChain)

    def rest(self) -> Floats:
        """State of a rig that never moved."""
        return np.concatenate([
            np.zeros(len(STATE_HEAD)),
            self.friction.rest()[1:],
            np.zeros(self.after_effect.stiffness.size),
            np.zeros(0) if self.chain.is_plain else self.chain.rest(),
        ])

    def branch_state(self, stretch: Floats) -> Floats:
        """State at rest but for given stretches of the Maxwell branches (a known history)."""
        state = self.rest()
        first = len(STATE_HEAD) + self.friction.rest().size - 1
        state[first : first + len(stretch)] = stretch
        return state

    def deflection(
        self, drive: npt.ArrayLike, step_s: npt.ArrayLike, state: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """Angle under a drive; `step_s` (scalar or one per sample) is the time *to* each sample.

        Returns (angle, state after the last sample). Raises ValueError on a step ≤ 0 or a
        state of another length.
        """
        from hysteresis.kernels import torque_balance

        flat, step, after = self._checked(drive, step_s, state)
        own = self._own(after)
        if own < after.size:
            flat, after[own:] = self.chain.forward(flat, step, after[own:])
        out = torque_balance.deflection_from_drive(flat, step, *self.packed(), after[:own])
        return out.reshape(np.shape(drive)), after

    def drive(
        self, deflection: npt.ArrayLike, step_s: npt.ArrayLike, state: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """Drive that makes the angle follow `deflection`: the exact inverse of `deflection()`."""
        from hysteresis.kernels import torque_balance

        flat, step, after = self._checked(deflection, step_s, state)
        own = self._own(after)
        out = torque_balance.drive_from_deflection(flat, step, *self.packed(), after[:own])
        if own < after.size:
            out, after[own:] = self.chain.inverse(out, step, after[own:])
        return out.reshape(np.shape(deflection)), after

    def deflection_with_slopes(
        self, drive: Floats, step_s: Floats, state: Floats, *, chain: bool = False
    ) -> tuple[Floats, Floats]:
        """Angle under a drive and its exact derivatives (samples, p), one pass.

        Order: k1 k2 k3, softening 1 and 2, damping, inertia, the memory's unknowns, branch
        stiffnesses, branch stretches at the start, and with `chain` the droop, lag and saturation
        of the drive chain.
        """
        from hysteresis.kernels import torque_slopes

        drive, step, after = self._checked(drive, step_s, state)
        own = self._own(after)
        columns = np.empty((len(drive), 0))
        before = after[own:] if own < after.size else None
        if chain:
            drive, columns, _ = self.chain.forward_with_slopes(drive, step, before)
        elif before is not None:
            drive, _ = self.chain.forward(drive, step, before)
        scalars, kind, shape, times, branches = self.packed()
        theta, slope = torque_slopes.deflection_with_sensitivities(
            drive, columns, step, scalars, kind, shape, self.friction.unknowns, times, branches,
            after[:own],
        )  # fmt: skip
        return theta, slope

    def _own(self, state: Floats) -> int:
        """Length of the state without the drive chain's."""
        return int(state.size - (0 if self.chain.is_plain else self.chain.rest().size))

    def _checked(
        self, values: npt.ArrayLike, step_s: npt.ArrayLike, state: Floats | None
    ) -> tuple[Floats, Floats, Floats]:
        flat = np.ascontiguousarray(values, dtype=float).ravel()
        step = np.ascontiguousarray(np.broadcast_to(np.asarray(step_s, dtype=float), flat.shape))
        if flat.size and not step.min() > 0.0:
            raise ValueError("time steps are positive")
        after = self.rest() if state is None else np.array(state, dtype=float)
        if after.shape != self.rest().shape:
            raise ValueError(f"the state has {after.size} entries, not {self.rest().size}")
        return flat, step, after

    def packed(self) -> tuple[Floats, int, Floats, Floats, Floats]:
        """What the kernels take: scalars, kind and shape of the memory, times, branches."""
        scalars = np.array([
            self.elastic.linear, self.elastic.quadratic, self.elastic.cubic,
            *self.heating.softening, *self.heating.lag_s,
            self.dynamics.damping_s, self.dynamics.inertia_s2,
        ])  # fmt: skip
        return (
            scalars,
            self.friction.kind,
            self.friction.shape(),
            self.after_effect.relaxation_time_s,
            self.after_effect.stiffness,
        )

    def small_signal_stiffness(self) -> float:
        """Stiffness at once, for a motion too small and too fast for memory to yield."""
        return float(
            self.elastic.linear
            + self.friction.small_signal_stiffness()
            + self.after_effect.stiffness.sum()
        )

    def friction_share(self) -> float:
        """Stiffness that the friction memory loses as it slips, over the whole stiffness."""
        return self.friction.lagging_stiffness() / self.small_signal_stiffness()

    def after_effect_share(self) -> float:
        """Relaxation of torque per decade of time, between 1 and 100 s, over the stiffness."""
        tau, k = self.after_effect.relaxation_time_s, self.after_effect.stiffness
        drop = float(np.sum(k * (np.exp(-1.0 / tau) - np.exp(-100.0 / tau))))
        return drop / 2.0 / self.small_signal_stiffness()

    def to_json(self) -> dict[str, Any]:
        return {
            "elastic": self.elastic.to_json(),
            "heating": self.heating.to_json(),
            "dynamics": self.dynamics.to_json(),
            "friction": memory_to_json(self.friction),
            "after_effect": self.after_effect.to_json(),
            "drive_chain": self.chain.to_json(),
        }

    @staticmethod
    def from_json(data: dict[str, Any]) -> AxisModel:
        """Inverse of `to_json`; KeyError, TypeError or ValueError on anything else."""
        heat = data["heating"]
        first, second = (float(v) for v in heat["softening"])
        lag_1, lag_2 = (float(v) for v in heat["lag_s"])
        if not np.all(np.isfinite([first, second, lag_1, lag_2])) or min(lag_1, lag_2) <= 0:
            raise ValueError("heating is finite, its lags positive")
        elastic = Elastic(**numbers_of(Elastic, data["elastic"]))
        dynamics = Dynamics(**numbers_of(Dynamics, data["dynamics"]))
        if elastic.linear <= 0 or min(dynamics.damping_s, dynamics.inertia_s2) < 0:
            raise ValueError("stiffness is positive, damping and inertia are not negative")
        friction = memory_from_json(data["friction"])
        # what a memory does not lose as it slips is a spring beside it; a spring that turns soft
        # further out is told by the fit that found it, and may be read
        beside = friction.small_signal_stiffness() - friction.lagging_stiffness()
        if not replace(elastic, linear=elastic.linear + beside).is_monotone(DRIVEN):
            raise ValueError("the spring is not stiff everywhere within ±1 full scale")
        return AxisModel(
            elastic=elastic,
            heating=Heating((first, second), (lag_1, lag_2)),
            dynamics=dynamics,
            friction=friction,
            after_effect=AfterEffect(**_arrays(data["after_effect"])),
            chain=DriveChain.from_json(data["drive_chain"]) if "drive_chain" in data
            else DriveChain(),
        )


def numbers_of(kind: type, data: dict[str, Any]) -> dict[str, float]:
    """The finite numbers that make one `kind`, each named and none missing; else ValueError."""
    names = {f.name for f in fields(kind)}
    if set(data) != names:
        raise ValueError(f"{kind.__name__} wants {', '.join(sorted(names))}")
    out = {key: float(value) for key, value in data.items()}
    if not all(np.isfinite(v) for v in out.values()):
        raise ValueError("a parameter is not a finite number")
    return out


def _arrays(data: dict[str, Any]) -> dict[str, Floats]:
    if set(data) != {f.name for f in fields(AfterEffect)}:
        raise ValueError("an after-effect has relaxation_time_s and stiffness and nothing else")
    return {key: np.array(value, dtype=float) for key, value in data.items()}
