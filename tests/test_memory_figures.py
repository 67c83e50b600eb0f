"""Pictures of a fitted friction memory: which ones there are, and that they hold something."""

from __future__ import annotations

from io import BytesIO
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

from hysteresis.axis import AxisModel
from hysteresis.compliance_axis import ComplianceAxis
from hysteresis.operators.bouc_wen import BoucWen
from hysteresis.operators.elastic import Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.operators.preisach import Preisach
from hysteresis.report.drawing import styled
from hysteresis.report.memory_figures import memory_pictures

NODES = np.array([-1.1, -0.3, -0.05, 0.0, 0.05, 0.3, 1.1])
SLIPS = AxisModel(Elastic(0.8), friction=MaxwellSlip(np.array([0.1, 0.4]), np.array([0.1, 0.2])))
PLANE = AxisModel(Elastic(0.8), friction=Preisach(NODES, np.full(21, 0.01)))
SMOOTH = AxisModel(Elastic(0.8), friction=BoucWen(0.2, 0.1))
NONE = AxisModel()


def keys(axis_x, axis_y) -> list[str]:
    fitted = SimpleNamespace(model=SimpleNamespace(axis_x=axis_x, axis_y=axis_y))
    with styled():
        found = memory_pictures(fitted)  # type: ignore[arg-type]
    for one in found:
        colours = Image.open(BytesIO(one.png)).convert("RGB").getcolors(100_000)
        assert colours is not None and len(colours) > 10
        assert one.caption and one.alt
    return [one.key for one in found]


@pytest.mark.parametrize(
    ("axis_x", "axis_y", "wanted"),
    [
        (SLIPS, SMOOTH, ["friction"]),
        (PLANE, PLANE, ["friction", "preisach plane"]),
        (PLANE, NONE, ["friction", "preisach plane"]),
        (NONE, NONE, []),
        (ComplianceAxis(1.0), ComplianceAxis(1.0), []),
    ],
)
def test_pictures_of_a_friction_memory(axis_x, axis_y, wanted) -> None:
    assert keys(axis_x, axis_y) == wanted


def test_no_model_no_picture() -> None:
    assert memory_pictures(None) == []
