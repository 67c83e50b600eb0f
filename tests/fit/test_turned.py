"""A camera or a ruler that lies askew: places told in turned axes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import bench, filmed, read_by_ruler

from hysteresis.fit import fit_recording
from hysteresis.fit.fitted import fitted_model, quality
from hysteresis.fit.improvement import known
from hysteresis.fit.rows import turned
from hysteresis.optics import deflection_from_spot, nominal_optics, spot_from_deflection
from hysteresis.recording import observations
from hysteresis.tables import Recording

NOMINAL = nominal_optics(bench().optics)
DEGREES = [-170.0, -80.0, -35.0, 12.0, 90.0]


def askew(recording: Recording, degrees: float) -> Recording:
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    x, y = recording.x_mm, recording.y_mm
    return replace(recording, x_mm=c * x - s * y, y_mm=s * x + c * y)


@pytest.mark.parametrize("degrees", DEGREES)
def test_the_turn_is_found_from_drives_and_places(degrees: float) -> None:
    """To the cross-coupling and turn of marks that the unit itself has, below 2°."""
    pattern, recording = filmed("braided-thread", 1)
    seen = observations(pattern, askew(recording, degrees))
    found = turned(pattern, seen, NOMINAL).turn_rad
    assert abs(np.angle(np.exp(1j * (found - np.deg2rad(degrees))), deg=True)) < 2.0


def test_a_turn_of_a_few_degrees_is_left_to_the_cross_coupling() -> None:
    pattern, recording = filmed("braided-thread", 1)
    seen = observations(pattern, askew(recording, 1.0))
    assert turned(pattern, seen, NOMINAL).turn_rad == 0.0


def test_one_axis_alone_tells_no_turn() -> None:
    pattern, recording = filmed("braided-thread", 1)
    seen = observations(pattern, recording)
    nothing = np.full(len(seen), np.nan)
    assert turned(pattern, replace(seen, y_mm=nothing), NOMINAL).turn_rad == 0.0


def test_a_ruler_askew_gives_the_same_memory() -> None:
    """The noise turns with the axes and the priors of the optics do not: within a tenth."""
    pattern, recording = read_by_ruler("braided-thread", 1)
    straight, turned_fit = (
        quality(fit_recording(pattern, askew(recording, d), bench(), memory="both"))
        for d in (0.0, 40.0)
    )
    for key in ("friction_share_x", "friction_share_y", "after_effect_per_decade_x",
                "after_effect_per_decade_y"):  # fmt: skip
        assert turned_fit[key] == pytest.approx(straight[key], rel=0.1)


@pytest.mark.parametrize("degrees", DEGREES)
def test_spots_and_deflections_are_inverse_in_turned_axes(degrees: float) -> None:
    """To rounding of the arc tangent and of mm: 1e-13 of full scale."""
    optics = replace(nominal_optics(bench().optics), coupling_xy=0.01, offset_x_mm=0.4,
                     tilt_y_per_mm=1e-4, turn_rad=float(np.deg2rad(degrees)))  # fmt: skip
    rng = np.random.default_rng(0)
    theta = rng.uniform(-1, 1, (2, 50))
    again = deflection_from_spot(*spot_from_deflection(*theta, optics), optics)
    np.testing.assert_allclose(again, theta, rtol=0, atol=1e-13)
    plain = spot_from_deflection(*theta, replace(optics, turn_rad=0.0))
    x, y = spot_from_deflection(*theta, optics)
    np.testing.assert_allclose(np.hypot(x, y), np.hypot(*plain), rtol=1e-13)


def test_what_to_measure_next_is_asked_of_the_turned_rig_too() -> None:
    """A fit taken up from its files has the residuals of the fit, however askew the camera was:
    to rounding of mm, since places are computed by the same equations."""
    pattern, recording = filmed("braided-thread", 1)
    recording = askew(recording, 40.0)
    fit = fit_recording(pattern, recording, bench(), memory="both")
    taken_up = known(fitted_model(fit, bench(), {}), pattern, recording, bench()).solution
    np.testing.assert_allclose(taken_up.residual_x_mm, fit.residual_x_mm, rtol=0, atol=1e-9)
    np.testing.assert_allclose(taken_up.residual_y_mm, fit.residual_y_mm, rtol=0, atol=1e-9)
