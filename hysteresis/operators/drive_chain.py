"""The drive chain D(u): what an output and a coil make of the drive before it turns the mirror.

Droop and how it differs from memory
------------------------------------
An AC-coupled output passes changes and lets go of what is held. On the target that looks like
memory, yet the two can be told apart:

* *Sign of the residue.* While a position is held, droop takes the spot back towards the centre,
  creep takes it further out. After the return to zero, droop leaves it on the *other* side, by
  (1 − e^−T/τ) e^−t/τ of the excursion after a hold T and a wait t; creep and friction leave it on
  the *same* side.
* *Both at once.* They act one after the other, so the droop has the last word. A creep mode of
  retardation time τ_c behind the output is multiplied by the output's response at its own rate,
  1/(1 − τ_c/τ): creep quicker than τ keeps its side and can hide the droop for a while, even
  cancel it at one wait; creep slower than τ ends on the *other* side too, small, because the area
  of what it was pushed by is zero. A single reading of the sign proves nothing; readings at
  several waits, the last beyond τ, do.
* *Exact proportionality.* Twice the drive gives twice the droop, to the last digit, the other
  side gives the mirror image, a repeat gives the same. Friction memory does not: small excursions
  leave nothing or little (by Rayleigh's law a quarter for half the excursion). Creep of a linear
  material does scale, so proportionality tells droop from friction, and only the sign and the
  course in time tell it from creep.
* *Nothing is kept.* The area under the output, ∫v dt, is the charge of the capacitor over d; once
  the drive is back at zero and the output has settled, it is zero: the undershoot gives back the
  whole area of the hold. Behind a DC-coupled output creep has one sign and is not paid back.
* *Order of reversals.* Droop knows only time; friction only the order of reversals.

Why the lag is a backward Euler step
------------------------------------
The compensation needs the inverse of the very same recursion, for any step. With y = h/L:

* *Exact for a straight v1* (first-order hold): the inverse has one mode of its own, the zero
  −(φ − a)/(1 − φ), a = e^−y, φ = (1 − a)/y. It is stable for every y > 0, but for fine steps it
  tends to −1 as −(1 − y/3): each kink of the wanted torque rings at half the sample rate for some
  3 L, with the full size of the correction. The trapezoid rule has the zero at −1 itself. So
  does, in the limit, every one-step rule of second order: it needs equal weights of both samples.
* *Backward Euler* has its zero at 0: the inverse `v1 = v2 + L Δv2/h` forgets after one sample,
  and its gain is at most 1 + 2 L/h. It delays a steady ramp by exactly L at any step, large or
  small, it never overshoots, and it is smooth in L down to L = 0.

The price is the first order. Against the exact lag the error at the samples is at most
`(h/2) L max|v2''| = (h/2) max|v1' − v2'|`, h the longest step (Taylor's remainder, and the rule
magnifies nothing): at most one step's shift in time, and nothing once a ramp is steady.

Saturation
----------
`v = arsinh(√s v2)/√s`: odd, strictly rising everywhere, slope 1 at zero, slope 1/√(1 + s v2²)
further out, `v2 − s v2³/6` for small drives. It flattens without a ceiling, so that its inverse
`sinh(√s v)/√s` exists for every torque and is well conditioned; the ceiling of a real output is a
limit of the bench, reported with place and amount where limits are checked.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.tables import Floats

STATE = ("drive", "passed", "current")  # last u, v1 behind the droop, v2 behind the lag
CARRIED = ("passed_by_droop", "current_by_droop", "current_by_lag")


@dataclass(frozen=True)
class DriveChain:
    """Droop, lag and saturation of one axis; drive and coil torque in fractions of full scale.

    `droop_per_s`: 1/τ = 2π · corner frequency of an AC-coupled output, 0 for a DC-coupled one.
    `lag_s`: inductance over resistance of the coil. `saturation`: s of the curve above, per drive².
    Raises ValueError for a value that is negative or not finite.
    """

    droop_per_s: float = 0.0
    lag_s: float = 0.0
    saturation: float = 0.0

    def __post_init__(self) -> None:
        for name, value in asdict(self).items():
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{name} is finite and not negative, not {value}")
            object.__setattr__(self, name, float(value))

    @property
    def is_plain(self) -> bool:
        """Whether the coil torque is the drive itself."""
        return self.droop_per_s == 0.0 and self.lag_s == 0.0 and self.saturation == 0.0

    @property
    def corner_hz(self) -> float:
        """Frequency at which the output passes 1/√2 of the drive; 0 where it is DC-coupled."""
        return self.droop_per_s / (2.0 * math.pi)

    def rest(self) -> Floats:
        """State of an output that stood at zero for long: the entries named in `STATE`."""
        return np.zeros(len(STATE))

    def rest_with_slopes(self) -> Floats:
        """`rest()` and, behind it, the entries named in `CARRIED`."""
        return np.zeros(len(STATE) + len(CARRIED))

    def forward(
        self, drive: npt.ArrayLike, step_s: npt.ArrayLike, state: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """Coil torque under a drive, straight between its samples.

        `drive` (samples,); `step_s` (scalar or one per sample) is the time *to* each sample, from
        the state for the first. Returns (torque, state after the last sample); a path in blocks
        equals the path in one pass bit for bit. ValueError on a step ≤ 0 or a state of another
        length.
        """
        from hysteresis.kernels import drive_chain

        u, step, after = self._checked(drive, step_s, state, len(STATE))
        return drive_chain.forward(u, step, *self._numbers(), after), after

    def inverse(
        self, coil: npt.ArrayLike, step_s: npt.ArrayLike, state: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """Drive that makes the coil torque `coil`: `forward` solved for the drive at each sample.

        Arguments, state and errors as in `forward`. The inverse of droop is an integrator,
        `u = v + d ∫v dt`: *a torque that is held wants a drive that rises without bound*, and a
        torque whose mean is not zero runs away slowly (`longest_hold_s` says how soon). Nothing is
        clipped here. Rounding adds up likewise, at most linearly in the number of samples.
        """
        from hysteresis.kernels import drive_chain

        v, step, after = self._checked(coil, step_s, state, len(STATE))
        return drive_chain.inverse(v, step, *self._numbers(), after), after

    def forward_with_slopes(
        self, drive: npt.ArrayLike, step_s: npt.ArrayLike, state: Floats | None = None
    ) -> tuple[Floats, Floats, Floats]:
        """As `forward`, with the exact derivatives of the recursion by the three parameters.

        Returns (torque (samples,), slopes (samples, 3) by `droop_per_s`, `lag_s`, `saturation`,
        state). At zero of a parameter they are the one-sided derivatives. A state of three entries
        begins with slopes of zero; to go on in blocks, begin with `rest_with_slopes()`: the state
        that comes back has as many entries as the one that was given.
        """
        from hysteresis.kernels import drive_chain

        size = len(STATE)
        if state is not None and np.shape(state) == (size + len(CARRIED),):
            size += len(CARRIED)
        u, step, after = self._checked(drive, step_s, state, size)
        carried = after[len(STATE) :] if size > len(STATE) else np.zeros(len(CARRIED))
        slope = np.empty((u.size, len(CARRIED)))
        torque = drive_chain.forward_with_slopes(
            u, step, *self._numbers(), after[: len(STATE)], carried, slope
        )
        return torque, slope, after

    def rising(self, coil: float, seconds: npt.ArrayLike, state: Floats | None = None) -> Floats:
        """Drive that a torque `coil` has come to want when it was held for `seconds`.

        Closed form: `u = r + c (1 + d t)`, c the current for the torque. r is the charge of the
        capacitor after the jump: what it brings along from `state` (at rest: nothing) and
        `d L (c − v2)`, since the jump itself wants a pulse of area L (c − v2) through the lag.
        Shape as `seconds`.
        """
        current, charge = self._held(coil, state)
        return np.asarray(charge + current * (1.0 + self.droop_per_s * np.asarray(seconds, float)))

    def longest_hold_s(
        self, coil: float, state: Floats | None = None, most: float = 1.0
    ) -> float:
        """Time for which a torque `coil` can be held until |drive| exceeds `most`, in s.

        `rising` solved for the time: `((most − r)/c − 1)/d`, signs turned for a torque below zero.
        0 where it is out of reach at once, inf where the drive need not rise (DC-coupled, or no
        torque). ValueError where `most` is not positive.
        """
        if not most > 0.0:
            raise ValueError("the largest drive is positive")
        current, charge = self._held(coil, state)
        if abs(charge + current) > most:
            return 0.0
        speed = self.droop_per_s * abs(current)
        if speed == 0.0:
            return math.inf
        return (most - math.copysign(1.0, current) * (charge + current)) / speed

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @staticmethod
    def from_json(data: dict[str, Any]) -> DriveChain:
        """Inverse of `to_json`; TypeError or ValueError on anything else."""
        names = {f.name for f in fields(DriveChain)}
        if set(data) != names:
            raise ValueError(f"a drive chain wants {', '.join(sorted(names))}")
        return DriveChain(**{name: float(value) for name, value in data.items()})

    def _numbers(self) -> tuple[float, float, float]:
        return self.droop_per_s, self.lag_s, self.saturation

    def _held(self, coil: float, state: Floats | None) -> tuple[float, float]:
        """Current that holds the torque `coil`; charge of the capacitor after the jump to it."""
        root = math.sqrt(self.saturation)
        current = math.sinh(root * coil) / root if root > 0.0 else float(coil)
        drive, passed, before = (0.0, 0.0, 0.0) if state is None else map(float, state)
        return current, drive - passed + self.droop_per_s * self.lag_s * (current - before)

    def _checked(
        self, values: npt.ArrayLike, step_s: npt.ArrayLike, state: Floats | None, size: int
    ) -> tuple[Floats, Floats, Floats]:
        flat = np.ascontiguousarray(values, dtype=float)
        if flat.ndim != 1:
            raise ValueError("a drive is one list of samples")
        step = np.ascontiguousarray(np.broadcast_to(np.asarray(step_s, dtype=float), flat.shape))
        if flat.size and not (step.min() > 0.0 and np.isfinite(step.max())):
            raise ValueError("time steps are finite and positive")
        after = np.zeros(size) if state is None else np.array(state, dtype=float)
        if after.shape != (size,):
            raise ValueError(f"the state has {after.size} entries, not {size}")
        return flat, step, after
