"""bench.toml: one rig with its optics, output chain, limits and camera, checked and frozen.

Each complaint is one sentence with the line of the file, the dotted key, the value and a remedy.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable
from itertools import combinations
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import ErrorDetails, PydanticCustomError

from hysteresis.bench_template import TEMPLATE
from hysteresis.errors import InputError
from hysteresis.files import read_toml

__all__ = [
    "TEMPLATE",
    "Beam",
    "Bench",
    "Camera",
    "DriveOutput",
    "Fiducial",
    "Limits",
    "Optics",
    "Tolerance",
    "read_bench",
]

# A triangle lower than this part of its longest side counts as three points on one line.
FLATTEST_TRIANGLE = 0.02

Word = Annotated[str, Field(min_length=1, max_length=200)]


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Optics(_Section):
    """Nominal geometry, mm. `full_scale_*_mm` is the spot's distance from the centre at drive 1."""

    plane_distance_mm: float = Field(ge=1, le=100_000)
    mirror_gap_mm: float = Field(ge=0, le=1000)
    full_scale_x_mm: float = Field(ge=0.01, le=100_000)
    full_scale_y_mm: float = Field(ge=0.01, le=100_000)

    @model_validator(mode="after")
    def _angles(self) -> Optics:
        for key in ("full_scale_x_mm", "full_scale_y_mm"):
            if getattr(self, key) > 2 * self.plane_distance_mm:
                raise _fault(
                    "the beam would have to turn by more than 63 degrees at drive 1",
                    key,
                    "give the distance from the centre at drive 1, and plane_distance_mm in mm",
                )
        return self


class DriveOutput(_Section):
    """The output that drives the coils: sample rate, and whether it passes a constant drive."""

    sample_rate_hz: float = Field(ge=1000, le=192_000)
    coupling: Literal["dc", "ac"]
    corner_hz: float | None = Field(default=None, ge=0.0001, le=1000)

    @model_validator(mode="after")
    def _together(self) -> DriveOutput:
        if self.sample_rate_hz != round(self.sample_rate_hz):
            raise _fault("this is not a whole number", "sample_rate_hz", "write it in Hz")
        if self.coupling == "ac" and self.corner_hz is None:
            raise _fault(
                "an ac-coupled output needs its corner frequency",
                "corner_hz",
                "add corner_hz, or set coupling to dc",
            )
        if self.coupling == "dc" and self.corner_hz is not None:
            raise _fault(
                "a dc-coupled output has no corner frequency",
                "corner_hz",
                "delete it, or set coupling to ac",
            )
        return self


class Limits(_Section):
    """What a drive signal must keep to. Drive is a fraction of full scale."""

    max_drive: float = Field(gt=0, le=1)
    slew_per_s: float = Field(ge=0.01, le=1e6)
    bandwidth_hz: float = Field(ge=0.1, le=96_000)
    coil_rms: float = Field(gt=0, le=1)
    coil_window_s: float = Field(ge=0.1, le=3600)


class Beam(_Section):
    """Whether the beam can be switched off."""

    mode: Literal["switched", "always-on"]


class Fiducial(_Section):
    """One mark on the target plane: where the camera sees it (px) and where it is (mm)."""

    u_px: float = Field(ge=-1e5, le=1e5)
    v_px: float = Field(ge=-1e5, le=1e5)
    x_mm: float = Field(ge=-1e5, le=1e5)
    y_mm: float = Field(ge=-1e5, le=1e5)


class Camera(_Section):
    """The camera and the marks by which its pixels become mm; none where a target is used."""

    exposure_s: float = Field(ge=1e-6, le=10)
    frame_rate_hz: float = Field(ge=0.1, le=10_000)
    fiducials: tuple[Fiducial, ...] = Field(
        default=(), strict=False, min_length=4, max_length=40
    )  # a default is not checked: none at all is well where the printed target is used

    @model_validator(mode="after")
    def _together(self) -> Camera:
        if self.exposure_s * self.frame_rate_hz > 1 + 1e-9:
            raise _fault(
                f"a frame cannot be exposed for longer than the {1 / self.frame_rate_hz:.4g} s "
                "from one to the next",
                "exposure_s",
                "write it in seconds",
            )
        if not self.fiducials:
            return self
        for plane, a, b in (("on the plane", "x_mm", "y_mm"), ("in the picture", "u_px", "v_px")):
            points = np.array([[getattr(mark, a), getattr(mark, b)] for mark in self.fiducials])
            if _on_one_line(points):
                raise _fault(
                    f"the fiducials lie on one line {plane}, or nearly so",
                    "fiducials",
                    "spread them over the field, best to its corners",
                )
            if not _general_position(points):
                raise _fault(
                    f"of any four fiducials three lie on one line {plane}, or nearly so",
                    "fiducials",
                    "add one so that four of them form a quadrangle, best at the corners",
                )
        return self


class Tolerance(_Section):
    """How far the spot may be off for the job to be good."""

    target_mm: float = Field(ge=1e-4, le=1000)


class Bench(_Section):
    """One rig as described in bench.toml."""

    name: Word
    suspension: Word
    unit: Word
    ambient_c: float = Field(ge=-40, le=80)
    optics: Optics
    drive: DriveOutput
    limits: Limits
    beam: Beam
    camera: Camera | None = None
    tolerance: Tolerance

    @model_validator(mode="after")
    def _together(self) -> Bench:
        if self.limits.bandwidth_hz > self.drive.sample_rate_hz / 2:
            raise _fault(
                "the bandwidth is above half the sample rate of the output",
                "limits.bandwidth_hz",
                f"write at most {self.drive.sample_rate_hz / 2:g}",
            )
        return self


def read_bench(path: Path | str) -> Bench:
    """Read and check bench.toml; raises one `InputError` for the first of its faults by line."""
    content, line_of = read_toml(path)
    try:
        return Bench.model_validate(content)
    except ValidationError as error:
        faults = sorted(
            (_told(d, line_of) for d in error.errors(include_url=False) if not _follows(d)),
            # A misspelt key first: it explains the missing one.
            key=lambda fault: (not fault["mend"].startswith("did you"), fault["row"] or math.inf),
        )
    first = faults[0]
    if len(faults) > 1:
        more = len(faults) - 1
        first["mend"] += f" ({more} more fault{'s' if more > 1 else ''} in this file)"
    raise InputError(first.pop("what"), file=path, **first)


def _fault(what: str, key: str, mend: str) -> PydanticCustomError:
    """A fault that no single key shows; `key` is where to mend it."""
    # The text goes in as a value, so that braces in it are not taken for a format.
    return PydanticCustomError("bench", "{what}", {"what": what, "key": key, "mend": mend})


def _follows(details: ErrorDetails) -> bool:
    """Whether a list only seems too short because members of it are faulty themselves."""
    return (
        details["type"] == "too_short" and len(details["input"]) > details["ctx"]["actual_length"]
    )


def _told(details: ErrorDetails, line_of: Callable[[Any], int | None]) -> dict[str, Any]:
    """What, where and how to mend, from one fault as pydantic lists it."""
    kind, context = details["type"], details.get("ctx", {})
    loc = details["loc"] + tuple(context.get("key", "").split(".") if "key" in context else ())
    key = ".".join(str(part + 1) if isinstance(part, int) else part for part in loc)
    row = next((line for n in range(len(loc), 0, -1) if (line := line_of(loc[:n]))), None)
    told: dict[str, Any] = {"row": row, "column": key, "value": None}
    if isinstance(details["input"], (bool, int, float, str)):
        told["value"] = details["input"]
    if kind == "bench":
        told |= {"what": context["what"], "mend": context["mend"]}
        told["value"] = _at(details["input"], context["key"])
    elif kind == "missing":
        section = details["loc"][:-1]
        told |= {"what": "this setting is missing"}
        told["mend"] = f"add it below [{'.'.join(map(str, section))}]" if section else "add it"
    elif kind == "extra_forbidden":
        near = difflib.get_close_matches(str(loc[-1]), _known(loc[:-1]), 1, 0.6)
        told |= {"what": "this setting is not known", "value": None}
        told["mend"] = f"did you mean {near[0]}?" if near else "delete it"
    elif kind in {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}:
        bound = next(iter(context.values()))
        side = {"greater_than": "above", "greater_than_equal": "at least"}.get(kind, "at most")
        told |= {"what": "this value is not plausible", "mend": f"write a number {side} {bound:g}"}
    elif kind in {"float_type", "finite_number", "float_parsing"}:
        told |= {"what": "this is not a finite number", "mend": "write a number without quotes"}
    elif kind == "string_type":
        told |= {"what": "this is not text", "mend": "write it in quotation marks"}
    elif kind == "literal_error":
        told |= {"what": "this word is not known", "mend": f"write {context['expected']}"}
    elif kind == "too_short":
        told |= {"what": f"there are {context['actual_length']} fiducials", "value": None}
        told["mend"] = f"give at least {context['min_length']}, best at the corners of the field"
    elif kind == "too_long":
        told |= {"what": "there are too many fiducials", "value": None}
        told["mend"] = f"give at most {context['max_length']}"
    elif kind == "string_too_short":
        told |= {"what": "this text is empty", "mend": "write a word or two"}
    elif kind == "string_too_long":
        told |= {"what": "this text is too long", "value": None, "mend": "write a word or two"}
    elif kind in {"model_type", "tuple_type"}:
        told |= {"what": "this is not a section", "mend": f"write [{key}] and its settings below"}
    else:
        told |= {"what": details["msg"], "mend": "compare it with the template"}
    return told


def _at(model: Any, key: str) -> Any:
    """The plain value at a dotted key of a section as it was read; None for whole sections."""
    for part in key.split("."):
        model = model.get(part) if isinstance(model, dict) else getattr(model, part, None)
    return model if isinstance(model, (int, float, str)) else None


def _known(section: tuple[int | str, ...]) -> list[str]:
    """Names of the settings of a section."""
    model: Any = Bench
    sections = {"optics": Optics, "drive": DriveOutput, "limits": Limits, "beam": Beam}
    sections |= {"camera": Camera, "tolerance": Tolerance, "fiducials": Fiducial}
    for part in section:
        model = sections.get(str(part), model)
    return list(model.model_fields)


def _flat(points: npt.NDArray[np.float64]) -> bool:
    """Whether three points (3, 2) lie nearly on one line."""
    sides = np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1)
    (ax, ay), (bx, by) = points[1] - points[0], points[2] - points[0]
    longest = float(sides.max())
    return longest == 0 or abs(ax * by - ay * bx) / longest < FLATTEST_TRIANGLE * longest


def _on_one_line(points: npt.NDArray[np.float64]) -> bool:
    """Whether all points (n, 2) lie nearly on one line: thin in their narrowest direction."""
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return bool(spread[1] <= FLATTEST_TRIANGLE * spread[0])


def _general_position(points: npt.NDArray[np.float64]) -> bool:
    """Whether some four of the points have no three on one line, as a homography needs."""
    flat = {trio: _flat(points[list(trio)]) for trio in combinations(range(len(points)), 3)}
    return any(
        not any(flat[trio] for trio in combinations(four, 3))
        for four in combinations(range(len(points)), 4)
    )
