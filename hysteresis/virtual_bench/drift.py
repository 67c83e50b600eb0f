"""A simulated unit that has drifted: worn threads, a warmer room, a nudged mirror.

Pure functions: a rig in, another rig out. The drifted rig is played like any other; what changed
is known, so that a recheck can be judged by the truth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from hysteresis.errors import InputError
from hysteresis.virtual_bench.rig import Axis, Rig

SLOW_S = 5.0
"""Relaxation times beyond this are the slow part of the after-effect."""


@dataclass(frozen=True)
class Drift:
    """What has changed since the rig was made; the default changes nothing.

    friction : factor on the stiffness of all friction elements. slip : on their slip limits.
    after_effect_fast, after_effect_slow : on the Maxwell branches below and beyond `SLOW_S`.
    spring : on the elastic stiffness, memory staying as strong as it was in torque.
    gain : on the coil's torque per drive. damping : on the damping.
    zero_x_mm, zero_y_mm : by which the mirrors at rest now throw the spot elsewhere.
    ambient_k : by which the room is warmer; each axis answers with its own `stiffness_per_k`
        and `zero_per_k`.
    axes : which axes the factors and the warmth are for.
    """

    friction: float = 1.0
    slip: float = 1.0
    after_effect_fast: float = 1.0
    after_effect_slow: float = 1.0
    spring: float = 1.0
    gain: float = 1.0
    damping: float = 1.0
    zero_x_mm: float = 0.0
    zero_y_mm: float = 0.0
    ambient_k: float = 0.0
    axes: Literal["both", "x", "y"] = "both"


FACTORS = (
    "friction", "slip", "after_effect_fast", "after_effect_slow", "spring", "gain", "damping",
)  # fmt: skip


def drifted(rig: Rig, drift: Drift) -> Rig:
    """The same unit after the drift; raises InputError for a factor that is not above zero."""
    for name in FACTORS:
        factor = getattr(drift, name)
        if not (np.isfinite(factor) and factor > 0.0):
            raise InputError(f"the factor {name} of a drift must be above zero", value=factor,
                             mend="1 changes nothing")  # fmt: skip
    if drift.axes not in ("both", "x", "y"):
        raise InputError("there is no such axis", value=drift.axes, mend="choose both, x or y")
    x, y = (
        _axis(axis, drift) if drift.axes in ("both", name) else axis
        for name, axis in zip("xy", rig.axes, strict=True)
    )
    o = rig.optics
    # the spot moves by distance · 2 · angle for small angles
    optics = replace(
        o,
        zero_x_rad=o.zero_x_rad + 0.5 * np.arctan(drift.zero_x_mm / (o.gap_mm + o.distance_mm)),
        zero_y_rad=o.zero_y_rad + 0.5 * np.arctan(drift.zero_y_mm / o.distance_mm),
    )
    return replace(rig, axes=(x, y), optics=optics)


def warmed(rig: Rig, ambient_k: float) -> Rig:
    """The same unit in a room that is warmer by `ambient_k`."""
    return drifted(rig, Drift(ambient_k=ambient_k))


def _axis(axis: Axis, drift: Drift) -> Axis:
    slow = axis.relaxation_s >= SLOW_S
    changed = replace(
        axis,
        gain=axis.gain * drift.gain,
        damping=axis.damping * drift.damping,
        slip_low=axis.slip_low * drift.slip,
        slip_high=axis.slip_high * drift.slip,
        slip_stiffness=axis.slip_stiffness * drift.friction,
        branch_stiffness=axis.branch_stiffness
        * np.where(slow, drift.after_effect_slow, drift.after_effect_fast),
        offset=axis.offset - axis.zero_per_k * drift.ambient_k,
    )
    # (1 + k (T + ΔT)) E = (1 + k ΔT) (1 + k' T) E with k' = k / (1 + k ΔT)
    softer = 1.0 + axis.stiffness_per_k * drift.ambient_k
    if softer <= 0.0:
        raise InputError("at this temperature the spring would have no stiffness",
                         value=drift.ambient_k, mend="stay near the room's")  # fmt: skip
    changed = replace(changed, stiffness_per_k=axis.stiffness_per_k / softer)
    return _stiffer(changed, drift.spring * softer)


def _stiffer(axis: Axis, factor: float) -> Axis:
    """An axis whose elastic stiffness is `factor` times what it was.

    The bench's torque has an elastic stiffness of 1, so the whole balance is divided by the
    factor: every other torque becomes smaller beside the spring.
    """
    return replace(
        axis,
        gain=axis.gain / factor,
        offset=axis.offset / factor,
        inertia=axis.inertia / factor,
        damping=axis.damping / factor,
        zero_per_k=axis.zero_per_k / factor,
        slip_stiffness=axis.slip_stiffness / factor,
        branch_stiffness=axis.branch_stiffness / factor,
    )
