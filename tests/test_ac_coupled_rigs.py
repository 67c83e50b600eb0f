"""An AC-coupled output imitates memory: it is told from spring memory, and the other way round.

Simulated rigs of the virtual bench, whose output is a first-order high pass of its own; corner
frequencies of the units are those of the bench within ±10 %.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from fitted_rigs import bench_with

from hysteresis import virtual_bench
from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.fit import Fit, fit_recording
from hysteresis.measure import measure_camera
from hysteresis.plan import plan
from hysteresis.tables import Pattern, Recording

CORNER_HZ = {"metal-flexure": 0.1, "braided-thread": 0.02}


def ac_bench(corner_hz: float) -> Bench:
    return bench_with(drive={"coupling": "ac", "corner_hz": corner_hz})


@cache
def filmed_behind_ac(suspension: str) -> tuple[Pattern, Recording, Bench, virtual_bench.Rig]:
    bench = ac_bench(CORNER_HZ[suspension])
    pattern = plan("characterisation", bench, minutes=2.0)
    rig = virtual_bench.make_rig(bench, suspension, 1)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    log = virtual_bench.photograph(played, bench, 1)
    return pattern, measure_camera(log, pattern, bench).recording, bench, rig


@cache
def fitted_behind_ac(suspension: str) -> Fit:
    pattern, recording, bench, _ = filmed_behind_ac(suspension)
    return fit_recording(pattern, recording, bench)


def chosen(fit: Fit) -> str:
    return next(c.name for c in fit.choices if c.chosen)


def axes(fit: Fit) -> list[AxisModel]:
    out = [fit.model.axis_x, fit.model.axis_y]
    assert all(isinstance(axis, AxisModel) for axis in out)
    return out  # type: ignore[return-value]


def test_an_output_that_droops_is_not_reported_as_spring_memory() -> None:
    fit = fitted_behind_ac("metal-flexure")
    assert chosen(fit) == "droop"
    rig = filmed_behind_ac("metal-flexure")[3]
    for axis, true in zip(axes(fit), rig.axes, strict=True):
        assert axis.friction_share() == 0.0 and axis.after_effect_share() == 0.0
        assert axis.chain.corner_hz == pytest.approx(true.coupling_corner_hz, rel=0.01)


def test_spring_memory_and_droop_together_are_told_apart() -> None:
    fit = fitted_behind_ac("braided-thread")
    assert chosen(fit) == "both-and-droop"
    rig = filmed_behind_ac("braided-thread")[3]
    for axis, true in zip(axes(fit), rig.axes, strict=True):
        # slow creep and droop act against each other: the corner is known less well than alone
        assert axis.chain.corner_hz == pytest.approx(true.coupling_corner_hz, rel=0.2)
        assert axis.friction_share() > 0.03 and axis.after_effect_share() > 0.01


def test_a_bench_that_hides_the_coupling_is_told_so_with_the_remedy() -> None:
    pattern, _, bench, rig = filmed_behind_ac("metal-flexure")
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    log = virtual_bench.photograph(played, bench, 1)
    with pytest.raises(InputError) as caught:
        measure_camera(log, pattern, bench_with())
    said = str(caught.value)
    assert "AC-coupled" in said and 'coupling = "ac"' in said and "corner_hz = " in said


def test_droop_counts_for_nothing_where_the_output_is_dc_coupled() -> None:
    """From the other side: the thread behind a DC-coupled output; see test_fit_recording, too."""
    from fitted_rigs import camera_fit

    fit = camera_fit()
    assert "droop" not in chosen(fit)
    assert all(axis.chain.is_plain for axis in axes(fit))
    by_name = {c.name: c for c in fit.choices}
    assert by_name["droop"].worse_by > 4 * by_name["droop"].uncertain_by


def test_the_drive_goes_through_the_droop_and_back() -> None:
    """What pre-distortion adds for the output, the output takes away: identity to rounding, which
    grows with the number of samples as the droop's inverse is an integrator."""
    axis = axes(fitted_behind_ac("braided-thread"))[0]
    t = np.arange(1, 4001) * 1e-3
    wanted = 0.4 * np.sin(2 * np.pi * 0.7 * t)
    drive, _ = axis.drive(wanted, 1e-3)
    again, _ = axis.deflection(drive, 1e-3)
    np.testing.assert_allclose(again, wanted, rtol=0, atol=1e-9)
