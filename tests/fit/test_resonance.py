"""The scan for resonance and damping, on data made by SciPy and by hand, not by our kernel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import EXPOSURE_S, FRAME_S, bench, observed
from scipy.signal import StateSpace, lsim

from hysteresis.fit.resonance import RATIOS, RESONANCES_HZ, start_dynamics
from hysteresis.fit.structure import Recipe, layout
from hysteresis.operators.elastic import Dynamics
from hysteresis.optics import nominal_optics
from hysteresis.plan.segments import small_steps
from hysteresis.recording import Grid, Observations, simulation_grid
from hysteresis.tables import Floats, Pattern

NOMINAL = nominal_optics(bench().optics)
REST_S = 1.0


def steps_pattern() -> Pattern:
    """A rest, then the repeated small steps of a characterisation, as one group."""
    t, x, y = [0.0], [0.0], [0.0]
    for piece in small_steps(0.1, (0.3, -0.2), FRAME_S, 24, bench().limits):
        start = t[-1] if len(t) > 1 else REST_S
        t += list(start + piece.t_s)[len(t) > 1 :]
        x += list(piece.drive[:, 0])[len(x) > 1 :]
        y += list(piece.drive[:, 1])[len(y) > 1 :]
    name = np.array(["rest/001", *["steps/001"] * (len(t) - 1)], object)
    return Pattern(np.array(t), np.array(x), np.array(y), np.ones(len(t), bool), name)


def second_order(t: Floats, drive: Floats, resonance_hz: float, ratio: float) -> Floats:
    """θ'' + 2 ζ ω θ' + ω² θ = ω² u (textbook), solved by scipy.signal.lsim for linear pieces."""
    w = 2 * np.pi * resonance_hz
    system = StateSpace([[0, 1], [-(w**2), -2 * ratio * w]], [[0], [w**2]], [[1, 0]], [[0]])
    return np.asarray(lsim(system, drive, t)[1])


def film(
    pattern: Pattern, x_of: tuple[float, float], y_of: tuple[float, float], noise_mm: float
) -> tuple[Grid, Observations]:
    """Frames of both axes; each is the mean of the spot over its exposure, in steps of 0.1 ms.

    Spots by the textbook formula of two mirrors: y = d tan 2a, x = (e + √(d² + y²)) tan 2a.
    """
    fine = np.arange(0.0, pattern.t_s[-1], 1e-4)
    theta_x, theta_y = (
        second_order(fine, np.interp(fine, pattern.t_s, u), *how)
        for u, how in ((pattern.drive_x, x_of), (pattern.drive_y, y_of))
    )
    o = bench().optics
    d, e = o.plane_distance_mm, o.mirror_gap_mm
    y = d * np.tan(np.arctan(o.full_scale_y_mm / d) * theta_y)
    x = (e + np.hypot(d, y)) * np.tan(np.arctan(o.full_scale_x_mm / (e + d)) * theta_x)
    start = np.arange(REST_S + 0.005, pattern.t_s[-1] - EXPOSURE_S, FRAME_S)
    inside = [(fine >= s) & (fine <= s + EXPOSURE_S) for s in start]
    rng = np.random.default_rng(1)
    mean_x, mean_y = (
        np.array([v[k].mean() for k in inside]) + noise_mm * rng.standard_normal(len(start))
        for v in (x, y)
    )
    grid = simulation_grid(pattern.t_s, pattern.drive_x, pattern.drive_y)
    return grid, observed(start, mean_x, mean_y, "steps/001", sigma_mm=max(noise_mm, 1e-3))


@pytest.mark.parametrize(
    ("x_of", "y_of"), [((22.0, 0.04), (61.0, 0.04)), ((35.0, 0.1), (28.0, 0.015))]
)
def test_the_scan_finds_both_resonances_above_half_the_frame_rate(x_of, y_of) -> None:
    """To the nearest of 130 frequencies, 2.5 % apart, and of five damping ratios.

    To that adds what steps of h = 1 ms do: a second-order backward difference lowers a frequency
    by (ω h)² / 3 (from its series; 5 % at 61 Hz), so the scan names one that is higher by this.
    """
    pattern = steps_pattern()
    grid, seen = film(pattern, x_of, y_of, 0.02)
    # a shift that the slow part does not explain must not speak for a resonance
    seen = replace(seen, x_mm=seen.x_mm + 1.0, y_mm=seen.y_mm - 1.0)
    plan = layout(Recipe(dynamics=True))
    short = np.zeros(len(plan.names))
    short[[plan.index("x_k1"), plan.index("y_k1")]] = 1.0
    found = start_dynamics(plan, short, grid, seen, NOMINAL)
    for axis, (resonance_hz, ratio) in (("x", x_of), ("y", y_of)):
        dynamics = Dynamics(
            found[plan.index(f"{axis}_damping")], found[plan.index(f"{axis}_inertia")]
        )
        lag = (2 * np.pi * resonance_hz * 1e-3) ** 2 / 3
        apart = np.log(RESONANCES_HZ[1] / RESONANCES_HZ[0])
        assert -apart < np.log(dynamics.resonance_hz(1.0) / resonance_hz) < apart + lag
        place = np.argmin(np.abs(np.log(np.array(RATIOS) / dynamics.damping_ratio(1.0))))
        right = np.argmin(np.abs(np.log(np.array(RATIOS) / ratio)))
        assert abs(place - right) <= 1
    kept = [not name.endswith(("inertia", "damping")) for name in plan.names]
    np.testing.assert_array_equal(found[kept], short[kept])


def test_without_small_steps_or_dynamics_nothing_changes() -> None:
    pattern = steps_pattern()
    grid = simulation_grid(pattern.t_s, pattern.drive_x, pattern.drive_y)
    t = np.arange(REST_S, REST_S + 3.0, FRAME_S)
    elsewhere = observed(t, np.zeros(len(t)), np.zeros(len(t)), "forc/001")
    steps = observed(t, np.zeros(len(t)), np.zeros(len(t)), "steps/001")
    for dynamics, seen in ((True, elsewhere), (False, steps)):
        plan = layout(Recipe(dynamics=dynamics))
        short = np.linspace(0.1, 1.0, len(plan.names))
        np.testing.assert_array_equal(start_dynamics(plan, short, grid, seen, NOMINAL), short)


def test_an_axis_that_was_not_measured_is_left_out() -> None:
    pattern = steps_pattern()
    grid, seen = film(pattern, (35.0, 0.1), (61.0, 0.1), 0.02)
    few = seen.take(seen.start_s < REST_S + 1.0)
    few = replace(few, y_mm=np.full(len(few), np.nan))
    plan = layout(Recipe(dynamics=True, axes="x"))
    short = np.zeros(len(plan.names))
    short[plan.index("x_k1")] = 1.0
    found = start_dynamics(plan, short, grid, few, NOMINAL)
    assert found[plan.index("x_inertia")] > 0
    assert not any(name.startswith("y_") for name in plan.names)
