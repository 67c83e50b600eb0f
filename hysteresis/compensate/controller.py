"""Positions for a controller that knows no memory: what it must be told to put out our drives."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.errors import DataError
from hysteresis.model import FittedModel, RigModel
from hysteresis.tables import Floats

Controller = Literal["linear", "calibrated"]
"""linear: drive = position / full scale of bench.toml, as plain controllers do; calibrated: the
controller holds the calibration without memory of this very fit (springs and optics)."""


def positions_for(
    controller: Controller, fitted: FittedModel, bench: Bench, drive_x: Floats, drive_y: Floats
) -> tuple[Floats, Floats]:
    """Positions (mm) that `controller` turns into the drives; the inverse of `drives_of`."""
    if controller == "linear":
        return drive_x * bench.optics.full_scale_x_mm, drive_y * bench.optics.full_scale_y_mm
    x_mm, y_mm, _ = still(fitted).spots(drive_x, drive_y, 1.0)
    return x_mm, y_mm


def drives_of(
    controller: Controller, fitted: FittedModel, bench: Bench, x_mm: Floats, y_mm: Floats
) -> tuple[Floats, Floats]:
    """Drives that `controller` puts out for positions (mm): each by itself, without a past."""
    if controller == "linear":
        return x_mm / bench.optics.full_scale_x_mm, y_mm / bench.optics.full_scale_y_mm
    drive_x, drive_y, _ = still(fitted).drives(x_mm, y_mm, 1.0)
    return drive_x, drive_y


def still(fitted: FittedModel) -> RigModel:
    """The calibration without memory, without inertia and heat: a map from drive to spot.

    Raises DataError for an axis that is no sum of operators.
    """
    axes = []
    for axis in (fitted.without_memory.axis_x, fitted.without_memory.axis_y):
        if not isinstance(axis, AxisModel):
            raise DataError("this model holds no calibration without memory; use a linear one")
        axes.append(AxisModel(elastic=axis.elastic))
    return replace(fitted.without_memory, axis_x=axes[0], axis_y=axes[1])
