"""The fitted rig: two axes and their optics, and the file model.json that carries them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.axis import AxisModel, numbers_of
from hysteresis.bench import Bench
from hysteresis.compliance_axis import FORM, ComplianceAxis
from hysteresis.errors import InputError
from hysteresis.files import read_json, write_json
from hysteresis.optics import RigOptics, deflection_from_spot, spot_from_deflection
from hysteresis.tables import Floats

SCHEMA = "hysteresis model"
SCHEMA_VERSION = 1


Axis = AxisModel | ComplianceAxis


def axis_from_json(data: dict[str, Any]) -> Axis:
    """The axis of either form that a file holds."""
    return ComplianceAxis.from_json(data) if data.get("form") == FORM else AxisModel.from_json(data)


@dataclass(frozen=True)
class RigState:
    """What both axes remember at one moment: one state array each (see `AxisModel`)."""

    x: Floats
    y: Floats


@dataclass(frozen=True)
class RigModel:
    """Two axes and their optics. Positions in mm on the target plane, drive in full scale."""

    axis_x: Axis
    axis_y: Axis
    optics: RigOptics

    def rest(self) -> RigState:
        """State of a rig that never moved."""
        return RigState(self.axis_x.rest(), self.axis_y.rest())

    def spots(
        self,
        drive_x: Floats,
        drive_y: Floats,
        step_s: npt.ArrayLike,
        state: RigState | None = None,
    ) -> tuple[Floats, Floats, RigState]:
        """Spots (mm) under the drives, and the state after; `step_s` is the time to each sample."""
        theta_x, x = self.axis_x.deflection(drive_x, step_s, None if state is None else state.x)
        theta_y, y = self.axis_y.deflection(drive_y, step_s, None if state is None else state.y)
        return *spot_from_deflection(theta_x, theta_y, self.optics), RigState(x, y)

    def drives(
        self, x_mm: Floats, y_mm: Floats, step_s: npt.ArrayLike, state: RigState | None = None
    ) -> tuple[Floats, Floats, RigState]:
        """Drives that put the spot on the wanted path: the exact inverse of `spots`."""
        theta_x, theta_y = deflection_from_spot(x_mm, y_mm, self.optics)
        drive_x, x = self.axis_x.drive(theta_x, step_s, None if state is None else state.x)
        drive_y, y = self.axis_y.drive(theta_y, step_s, None if state is None else state.y)
        return drive_x, drive_y, RigState(x, y)

    def to_json(self) -> dict[str, Any]:
        return {
            "axis_x": self.axis_x.to_json(),
            "axis_y": self.axis_y.to_json(),
            "optics": self.optics.to_json(),
        }

    @staticmethod
    def from_json(data: dict[str, Any]) -> RigModel:
        optics = RigOptics(**numbers_of(RigOptics, {"turn_rad": 0.0} | data["optics"]))
        if min(optics.distance_mm, optics.full_scale_x_rad, optics.full_scale_y_rad) <= 0:
            raise ValueError("optics has a distance or full scale that is not positive")
        return RigModel(
            axis_from_json(data["axis_x"]), axis_from_json(data["axis_y"]), optics
        )


@dataclass(frozen=True)
class Parameter:
    """One fitted number with its standard error (NaN: at its bound, or not identifiable)."""

    name: str
    value: float
    standard_error: float
    unit: str


@dataclass(frozen=True)
class Discrepancy:
    """How far the model is from data it was not fitted to, in mm, noise taken out.

    `typical_mm`: rms over the held-out groups of the pattern; `spread_ln`: standard deviation
    of the logarithm of the groups' own rms; `groups`: how many there were. `zero_mm`: standard
    uncertainty of absolute positions (registration of the camera, or the ruler).
    """

    typical_mm: float
    spread_ln: float
    groups: int
    zero_mm: float


@dataclass(frozen=True)
class FittedModel:
    """Everything a fit leaves behind; what model.json holds.

    `without_memory` is the best calibration of the same data by a rig without memory: the fair
    comparison. `start` and `end` are the states when the pattern began and
    ended. `figures` are the quality figures the fit printed, `notes` what it could not tell,
    `provenance` hashes, version and date. `trust` is the plain content of `fit.uncertainty.Trust`,
    by which errors on a path are foretold; None where there is none.
    """

    model: RigModel
    without_memory: RigModel
    start: RigState
    end: RigState
    parameters: tuple[Parameter, ...]
    discrepancy: Discrepancy
    bench: dict[str, Any]
    figures: dict[str, float]
    notes: tuple[str, ...]
    provenance: dict[str, Any]
    trust: dict[str, Any] | None = None


def bench_identity(bench: Bench) -> dict[str, Any]:
    """What of the bench a model belongs to: another rig or geometry needs another model."""
    return {
        "name": bench.name,
        "suspension": bench.suspension,
        "unit": bench.unit,
        "optics": bench.optics.model_dump(),
        "coupling": bench.drive.coupling,
    }


def write_model(path: Path | str, fitted: FittedModel, *, overwrite: bool = True) -> None:
    """Write model.json, whole or not at all."""
    write_json(path, fitted_to_json(fitted), overwrite=overwrite)


def fitted_to_json(fitted: FittedModel) -> dict[str, Any]:
    """The content of model.json."""
    return {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "units": {
            "deflection": "fraction of full scale",
            "drive": "fraction of full scale",
            "torque": "the drive that balances it",
            "stiffness": "drive per full scale",
            "length": "mm",
            "time": "s",
        },
        "bench": fitted.bench,
        "model": fitted.model.to_json(),
        "without_memory": fitted.without_memory.to_json(),
        "start_state": _state_to_json(fitted.start),
        "end_state": _state_to_json(fitted.end),
        "parameters": [
            {
                "name": p.name,
                "value": p.value,
                "standard_error": None if not np.isfinite(p.standard_error) else p.standard_error,
                "unit": p.unit,
            }
            for p in fitted.parameters
        ],
        "discrepancy": {
            "typical_mm": fitted.discrepancy.typical_mm,
            "spread_ln": fitted.discrepancy.spread_ln,
            "groups": fitted.discrepancy.groups,
            "zero_mm": fitted.discrepancy.zero_mm,
        },
        "figures": {k: (None if not np.isfinite(v) else v) for k, v in fitted.figures.items()},
        "notes": list(fitted.notes),
        "provenance": fitted.provenance,
        "trust": fitted.trust,
    }


def read_model(path: Path | str, bench: Bench | None = None) -> FittedModel:
    """Read model.json; with `bench`, refuse a model of another rig.

    Raises InputError for a file of another kind, a newer schema, missing or absurd content, or
    a model of another bench.
    """
    data = read_json(path)
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise InputError(
            "this is not a model of this toolkit", file=path, mend="make one with: hysteresis fit"
        )
    version = data.get("schema_version")
    if not isinstance(version, int) or version < 1:
        raise InputError("the model has no schema version", file=path, column="schema_version",
                         value=version, mend="fit it again")  # fmt: skip
    if version > SCHEMA_VERSION:
        raise InputError(
            f"the model has schema version {version}, newer than {SCHEMA_VERSION}, "
            "which this version of the toolkit reads",
            file=path, mend="update the toolkit, or fit again with this one",
        )  # fmt: skip
    try:
        fitted = _from_json(data)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise InputError(
            f"the model's content is not as it should be: {error}", file=path, mend="fit it again"
        ) from error
    if bench is not None:
        _same_bench(fitted, bench, path)
    return fitted


def _from_json(data: dict[str, Any]) -> FittedModel:
    model = RigModel.from_json(data["model"])
    start, end = (_state_from_json(data, key, model) for key in ("start_state", "end_state"))
    gap = data["discrepancy"]
    if not all(0.0 <= float(gap[k]) < np.inf for k in ("typical_mm", "spread_ln", "zero_mm")):
        raise ValueError("discrepancy is finite and not negative")
    return FittedModel(
        model=model,
        without_memory=RigModel.from_json(data["without_memory"]),
        start=start,
        end=end,
        parameters=tuple(
            Parameter(
                str(p["name"]),
                float(p["value"]),
                float("nan") if p["standard_error"] is None else float(p["standard_error"]),
                str(p["unit"]),
            )
            for p in data["parameters"]
        ),
        discrepancy=Discrepancy(
            float(gap["typical_mm"]), float(gap["spread_ln"]), int(gap["groups"]),
            float(gap["zero_mm"]),
        ),
        bench=dict(data["bench"]),
        figures={
            k: (float("nan") if v is None else float(v)) for k, v in data["figures"].items()
        },
        notes=tuple(str(n) for n in data["notes"]),
        provenance=dict(data["provenance"]),
        trust=None if data.get("trust") is None else dict(data["trust"]),
    )  # fmt: skip


def _state_to_json(state: RigState) -> dict[str, list[float]]:
    return {"x": state.x.tolist(), "y": state.y.tolist()}


def _state_from_json(data: dict[str, Any], key: str, model: RigModel) -> RigState:
    state = RigState(np.array(data[key]["x"], float), np.array(data[key]["y"], float))
    rest = model.rest()
    if state.x.shape != rest.x.shape or state.y.shape != rest.y.shape:
        raise ValueError(f"{key} does not fit the model's elements")
    if not (np.all(np.isfinite(state.x)) and np.all(np.isfinite(state.y))):
        raise ValueError(f"{key} holds a number that is not finite")
    return state


def _same_bench(fitted: FittedModel, bench: Bench, path: Path | str) -> None:
    for key, value in bench_identity(bench).items():
        if fitted.bench.get(key) != value:
            raise InputError(
                f"the model belongs to another bench: its {key} is {fitted.bench.get(key)!r}, "
                f"that of bench.toml is {value!r}",
                file=path, mend="use the model of this bench, or fit again",
            )  # fmt: skip
