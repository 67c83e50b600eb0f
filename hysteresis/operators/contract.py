"""What every operator offers. A Protocol: operators share no base class."""

from __future__ import annotations

from typing import Any, Protocol

from hysteresis.tables import Floats


class TorqueOperator(Protocol):
    """Torque (units of drive) from the path of the angle (full scale), with explicit state.

    The state's first entry is the last angle; the rest belongs to the family. States are
    arguments and results, never attributes, so that asking twice gives the same answer and a
    path in blocks equals the path in one pass.
    """

    def rest(self) -> Floats:
        """State of a rig that never moved."""
        ...

    def torque(self, theta: Floats, step_s: Floats, state: Floats) -> tuple[Floats, Floats]:
        """Torque at each sample and the state after the last; `step_s[n]` leads to sample n."""
        ...

    def tangent(self, theta: float, step_s: float, state: Floats) -> float:
        """Derivative of the torque by the newest angle, for one step from `state` to `theta`."""
        ...

    def to_json(self) -> dict[str, Any]:
        """Plain numbers and lists, units in the names."""
        ...
