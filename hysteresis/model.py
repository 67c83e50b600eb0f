"""The fitted rig: two axes and their optics, and the file model.json that carries them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.axis import STATE_HEAD, AxisModel, numbers_of
from hysteresis.bench import Bench
from hysteresis.compliance_axis import FORM, ComplianceAxis
from hysteresis.errors import InputError
from hysteresis.files import read_json, write_json
from hysteresis.operators.preisach import CAPACITY, Preisach
from hysteresis.optics import RigOptics, deflection_from_spot, spot_from_deflection
from hysteresis.plain_content import (
    FINITE,
    PartFault,
    check_numbers,
    entries,
    number,
    numbers,
    within,
    word,
)
from hysteresis.tables import Floats

SCHEMA = "hysteresis model"
SCHEMA_VERSION = 1
LARGEST_MM = 1e5  # as for the distances of bench.toml
MOST_SPREAD = 20.0  # natural logarithm

Axis = AxisModel | ComplianceAxis


def axis_from_json(data: dict[str, Any]) -> Axis:
    """The axis of either form that a file holds.

    ValueError (a PartFault where the place is known) or KeyError on anything else.
    """
    check_numbers(data, words=("form", "family"), empty=("swing",))
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
        """Inverse of `to_json`; PartFault, with the place, on anything else."""
        axes = []
        for name in ("axis_x", "axis_y"):
            content = entries(data, name)
            with within(name):
                axes.append(axis_from_json(content))
        return RigModel(axes[0], axes[1], _optics_from_json(data))


def _optics_from_json(data: dict[str, Any]) -> RigOptics:
    content = {"turn_rad": 0.0} | entries(data, "optics")
    with within("optics"):
        check_numbers(content)
        # Distances as in bench.toml. At a mirror angle of π/4 the beam runs along the plane.
        # Couplings of 1 make one axis of two; tilts are tangents per distance (here at most 84°).
        distance = number(content, "distance_mm", 1.0, LARGEST_MM)
        for name, least, most in (
            ("gap_mm", 0.0, LARGEST_MM),
            ("full_scale_x_rad", 1e-9, np.pi / 4), ("full_scale_y_rad", 1e-9, np.pi / 4),
            ("coupling_xy", -0.99, 0.99), ("coupling_yx", -0.99, 0.99),
            ("offset_x_mm", -LARGEST_MM, LARGEST_MM), ("offset_y_mm", -LARGEST_MM, LARGEST_MM),
            ("tilt_x_per_mm", -10.0 / distance, 10.0 / distance),
            ("tilt_y_per_mm", -10.0 / distance, 10.0 / distance),
            ("log_distance", -3.0, 3.0), ("turn_rad", -2 * np.pi, 2 * np.pi),
        ):  # fmt: skip
            number(content, name, least, most)
        return RigOptics(**numbers_of(RigOptics, content))


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
    data = read_json(path, mend="fit it again")
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise InputError(
            "this is not a model of this toolkit", file=path, mend="make one with: hysteresis fit"
        )
    version = data.get("schema_version")
    if type(version) is not int or version < 1:  # True is an int, too
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
    except PartFault as fault:
        raise content_error(fault, path) from fault
    if bench is not None:
        _same_bench(fitted, bench, path)
    return fitted


def content_error(fault: PartFault, path: Path | str) -> InputError:
    """What a person is told of a model that has been edited or damaged."""
    return InputError(
        f"the model's content is not as it should be: {fault}", file=path, mend="fit it again"
    )


def _from_json(data: dict[str, Any]) -> FittedModel:
    rigs = []
    for name in ("model", "without_memory"):
        content = entries(data, name)
        with within(name):
            rigs.append(RigModel.from_json(content))
    start, end = (_state_from_json(data, key, rigs[0]) for key in ("start_state", "end_state"))
    figures = entries(data, "figures")
    with within("figures"):
        check_numbers(figures, empty=tuple(figures), most=FINITE)
        told = {k: float("nan") if v is None else float(v) for k, v in figures.items()}
    notes = data.get("notes")
    if not isinstance(notes, list) or not all(isinstance(n, str) for n in notes):
        raise PartFault("notes", "is not a list of texts")
    return FittedModel(
        model=rigs[0],
        without_memory=rigs[1],
        start=start,
        end=end,
        parameters=_parameters_from_json(data),
        discrepancy=_discrepancy_from_json(data),
        bench=entries(data, "bench"),
        figures=told,
        notes=tuple(notes),
        provenance=_provenance_from_json(data),
        trust=None if data.get("trust") is None else entries(data, "trust"),
    )


def _parameters_from_json(data: dict[str, Any]) -> tuple[Parameter, ...]:
    rows = data.get("parameters")
    if not isinstance(rows, list):
        raise PartFault("parameters", "is not a list")
    out = []
    for k, row in enumerate(rows):
        with within(f"parameters[{k}]"):
            check_numbers(row, words=("name", "unit"), empty=("standard_error",), most=FINITE)
            error = row["standard_error"]
            out.append(Parameter(
                word(row, "name"), number(row, "value", -FINITE, FINITE),
                float("nan") if error is None else float(error), word(row, "unit"),
            ))  # fmt: skip
    return tuple(out)


def _discrepancy_from_json(data: dict[str, Any]) -> Discrepancy:
    gap = entries(data, "discrepancy")
    with within("discrepancy"):
        groups = number(gap, "groups", 0, 1e6)
        if groups != int(groups):
            raise PartFault("groups", f"is {groups}, not a whole number")
        return Discrepancy(
            number(gap, "typical_mm", 0.0, LARGEST_MM),
            number(gap, "spread_ln", 0.0, MOST_SPREAD),
            int(groups),
            number(gap, "zero_mm", 0.0, LARGEST_MM),
        )


def _provenance_from_json(data: dict[str, Any]) -> dict[str, Any]:
    """As it is; but what it says of input files must be names and hashes."""
    provenance = entries(data, "provenance")
    with within("provenance"):
        inputs = entries(provenance, "inputs") if "inputs" in provenance else {}
        for what in inputs:
            with within("inputs"):
                about = entries(inputs, what)
                with within(what):
                    for name in about:
                        word(about, name)
    return provenance


def _state_to_json(state: RigState) -> dict[str, list[float]]:
    return {"x": state.x.tolist(), "y": state.y.tolist()}


def _state_from_json(data: dict[str, Any], key: str, model: RigModel) -> RigState:
    content = entries(data, key)
    out = []
    for name, axis in (("x", model.axis_x), ("y", model.axis_y)):
        with within(key):
            state = numbers(content, name)
            with within(name):
                _check_state(axis, state)
        out.append(state)
    return RigState(*out)


def _check_state(axis: Axis, state: Floats) -> None:
    """ValueError for a state that the axis cannot be in."""
    if state.shape != axis.rest().shape:
        raise ValueError(f"{state.size} numbers do not fit the axis' {axis.rest().size}")
    if isinstance(axis, ComplianceAxis):
        axis.deflection(np.empty(0), 1.0, state)  # it knows how its plays may lie
    elif isinstance(axis.friction, Preisach):
        kept = float(state[len(STATE_HEAD)])
        if not (kept == int(kept) and 0 <= kept <= CAPACITY):
            raise ValueError(f"{kept:g} reversals cannot be kept")


def _same_bench(fitted: FittedModel, bench: Bench, path: Path | str) -> None:
    for key, value in bench_identity(bench).items():
        if fitted.bench.get(key) != value:
            raise InputError(
                f"the model belongs to another bench: its {key} is {fitted.bench.get(key)!r}, "
                f"that of bench.toml is {value!r}",
                file=path, mend="use the model of this bench, or fit again",
            )  # fmt: skip
