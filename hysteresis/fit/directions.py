"""The few numbers of a model that drift, and a model and its file with them moved.

A *direction* of one axis is a factor on a group of unknowns (strength of friction, of the fast and
of the slow after-effect, stiffness of the spring) or a shift of the zero in mm. They are what wears
or is often wrong; `compensate.learn` finds them from a played job, `recheck` from half a minute.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np

from hysteresis.compliance_axis import ComplianceAxis
from hysteresis.model import Axis, FittedModel, Parameter, RigModel
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.operators.memories import Memory
from hysteresis.operators.preisach import Preisach
from hysteresis.tables import Floats

SLOW_S = 5.0  # after-effect beyond this time is slow: it shows over layers, not within one
WORDS = {
    "friction": "strength of friction", "after_effect_fast": "after-effect within 5 s",
    "after_effect_slow": "after-effect beyond 5 s", "spring": "stiffness of the spring",
    "zero_mm": "zero",
}  # fmt: skip

ByAxis = dict[str, dict[str, float]]
"""Factors, and `zero_mm`, by axis 'x' and 'y'."""


def axis_of(model: RigModel, axis: str) -> Axis:
    return model.axis_x if axis == "x" else model.axis_y


def directions_of(axis: Axis) -> list[str]:
    """Those that this axis has."""
    if isinstance(axis, ComplianceAxis):
        friction, times = bool(axis.weight.any()), axis.retardation_time_s[axis.compliance > 0]
    else:
        friction = axis.friction.small_signal_stiffness() > 0
        times = axis.after_effect.relaxation_time_s[axis.after_effect.stiffness > 0]
    out = ["friction"] * friction
    out += ["after_effect_fast"] * bool((times < SLOW_S).any())
    out += ["after_effect_slow"] * bool((times >= SLOW_S).any())
    return [*out, "spring", "zero_mm"]


def by_axis(names: list[tuple[str, str]], p: Floats) -> ByAxis:
    """Factors (and the zero in mm) of each axis from the vector of the fit."""
    out: ByAxis = {"x": {}, "y": {}}
    for (axis, direction), value in zip(names, p, strict=False):
        out[axis][direction] = float(value if direction == "zero_mm" else np.exp(value))
    return out


def moved_model(model: RigModel, by: ByAxis) -> RigModel:
    """A model with its directions moved: factors, and `zero_mm`, by axis 'x' and 'y'."""
    turn = model.optics.turn_rad
    zero_x, zero_y = by.get("x", {}).get("zero_mm", 0.0), by.get("y", {}).get("zero_mm", 0.0)
    c, s = np.cos(turn), np.sin(turn)
    return RigModel(
        _scaled(model.axis_x, by.get("x", {})),
        _scaled(model.axis_y, by.get("y", {})),
        replace(
            model.optics,  # its offsets are told in the rig's own axes
            offset_x_mm=float(model.optics.offset_x_mm + c * zero_x + s * zero_y),
            offset_y_mm=float(model.optics.offset_y_mm - s * zero_x + c * zero_y),
        ),
    )


def _scaled(axis: Axis, by: dict[str, float]) -> Axis:
    friction, spring = by.get("friction", 1.0), by.get("spring", 1.0)
    fast, slow = by.get("after_effect_fast", 1.0), by.get("after_effect_slow", 1.0)
    if isinstance(axis, ComplianceAxis):
        # a stiffer spring is a smaller deflection
        return replace(
            axis, linear=axis.linear / spring, quadratic=axis.quadratic / spring,
            cubic=axis.cubic / spring, weight=axis.weight * friction,
            compliance=axis.compliance * np.where(axis.retardation_time_s < SLOW_S, fast, slow),
        )  # fmt: skip
    branch = axis.after_effect
    return replace(
        axis,
        elastic=replace(
            axis.elastic, linear=axis.elastic.linear * spring,
            quadratic=axis.elastic.quadratic * spring, cubic=axis.elastic.cubic * spring,
        ),
        friction=_stronger(axis.friction, friction),
        after_effect=replace(
            branch,
            stiffness=branch.stiffness * np.where(branch.relaxation_time_s < SLOW_S, fast, slow),
        ),
    )  # fmt: skip


def _stronger(memory: Memory, factor: float) -> Memory:
    if isinstance(memory, Preisach):
        return replace(memory, mass=memory.mass * factor)
    if isinstance(memory, MaxwellSlip):
        return replace(memory, stiffness=memory.stiffness * factor)
    return replace(memory, stiffness=memory.stiffness * factor)


# ---- the model's file --------------------------------------------------------------------------

_SPRING = ("k1", "k2", "k3")


def _factor_of(name: str, by: ByAxis, times: tuple[float, ...]) -> float:
    """By what a fitted unknown of this name is multiplied."""
    axis, _, own = name.partition("_")
    factors = by.get(axis, {})
    if own in _SPRING:
        return factors.get("spring", 1.0)
    if re.fullmatch(r"slip_\d+|cell_\d+|play_\d+|bouc_wen_stiffness", own):
        return factors.get("friction", 1.0)
    found = re.fullmatch(r"(?:branch|creep)_(\d+)", own)
    if found and int(found[1]) <= len(times):
        slow = times[int(found[1]) - 1] >= SLOW_S
        return factors.get("after_effect_slow" if slow else "after_effect_fast", 1.0)
    if re.fullmatch(r"(?:branch|creep)_(?:all|strength)", own):
        pair = [factors.get(f"after_effect_{k}", 1.0) for k in ("fast", "slow")]
        return float(np.sqrt(pair[0] * pair[1]))
    return 1.0


def moved_file(fitted: FittedModel, by: ByAxis, entry: str, told: dict[str, Any]) -> FittedModel:
    """The whole model file with its directions moved: model, unknowns with their doubt, trust.

    `told` says how it came; it is added to the list `entry` of the provenance.
    """
    recipe = (fitted.trust or {}).get("recipe", {})
    times = tuple(float(t) for t in recipe.get("relaxation_times_s", ()))
    unknowns = by
    if recipe.get("form") == "compliance":  # there a stiffer spring is a smaller unknown
        unknowns = {a: f | {"spring": 1.0 / f.get("spring", 1.0)} for a, f in by.items()}
    trust = None if fitted.trust is None else _moved_trust(fitted.trust, unknowns, times)
    return replace(
        fitted,
        model=moved_model(fitted.model, by),
        parameters=tuple(_moved_parameter(q, unknowns, times) for q in fitted.parameters),
        trust=trust,
        provenance=fitted.provenance | {entry: [*fitted.provenance.get(entry, []), told]},
    )


def _moved_parameter(parameter: Parameter, by: ByAxis, times: tuple[float, ...]) -> Parameter:
    factor = _factor_of(parameter.name, by, times)
    return replace(parameter, value=parameter.value * factor,
                   standard_error=parameter.standard_error * factor)  # fmt: skip


def _moved_trust(trust: dict[str, Any], by: ByAxis, times: tuple[float, ...]) -> dict[str, Any]:
    """The unknowns and their refits moved along; relative doubts stay as they were."""
    from hysteresis.fit.structure import layout
    from hysteresis.fit.uncertainty import Trust

    known = Trust.from_json(trust)
    names = [str(n) for n in layout(known.recipe).names]
    factor = np.array([_factor_of(name, by, times) for name in names])
    shift = np.array([
        by[name[7]].get("zero_mm", 0.0) if re.fullmatch(r"offset_[xy]_mm", name) else 0.0
        for name in names
    ])  # fmt: skip
    return replace(
        known, short=known.short * factor + shift, refits=known.refits * factor + shift
    ).to_json()
