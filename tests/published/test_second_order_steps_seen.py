"""Resonance and damping from frames far slower than the resonance: the second-order step response.

The mirror is solved by SciPy (`signal.lsim`, matrix exponentials of a piecewise-linear input), and
by the textbook step response (overshoot exp(−πζ/√(1−ζ²)): ζ = .05 → 0.854468); nothing of the
toolkit makes the data. The pattern's small steps walk through the frame interval.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal
from verify_data import recording_of, template_bench

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.characteristics import figures_of
from hysteresis.characteristics.dynamics import of_axis
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.elastic import Dynamics, Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.optics import nominal_optics, spot_from_deflection
from hysteresis.plan.assemble import join
from hysteresis.plan.segments import small_steps
from hysteresis.tables import Pattern


def steps(phases: int = 8) -> Pattern:
    bench = template_bench(Bench)
    return join([small_steps(0.06, (0.0, 0.0), 1.0 / 30.0, phases, bench.limits)], bench)


def ringing(resonance_hz: float, ratio: float):
    """Spots of two equal mirrors on springs, solved by SciPy on a grid of a quarter millisecond.

    An infinite resonance: mirrors that follow at once.
    """
    omega = 2 * np.pi * resonance_hz

    def spot(t, drive_x, drive_y):
        fine = np.arange(0.0, t[-1] + 2.5e-4, 2.5e-4)
        theta = []
        for drive in (drive_x, drive_y):
            y = np.interp(fine, t, drive)
            if np.isfinite(omega):
                system = signal.lti([omega**2], [1.0, 2 * ratio * omega, omega**2])
                _, y, _ = signal.lsim(system, y, fine)
            # the mean over an exposure of 8 ms about the instant that is asked for
            total = np.concatenate([[0.0], np.cumsum((y[1:] + y[:-1]) / 2 * 2.5e-4)])
            low, high = (np.interp(t + s * 0.004, fine, total) for s in (-1, 1))
            theta.append((high - low) / 0.008)
        return spot_from_deflection(
            theta[0], theta[1], nominal_optics(template_bench(Bench).optics)
        )

    return spot


@pytest.mark.parametrize(("resonance_hz", "ratio"), [(25.0, 0.06), (80.0, 0.008)])
def test_resonance_and_damping_are_recovered(resonance_hz: float, ratio: float) -> None:
    """With 10 µm of noise the figures agree within their own intervals, and these are narrow."""
    pattern = steps()
    recording = recording_of(
        pattern, ringing(resonance_hz, ratio), noise=np.random.default_rng(5)
    )  # fmt: skip
    pairs = figures_of(pattern, recording, template_bench(Bench))
    found = {
        (p.definition.key, p.either.axis): p.measured for p in pairs if not p.either.conditions
    }
    for axis in "xy":
        for key, exact, narrow in (
            ("resonance", resonance_hz, 0.01), ("damping_ratio", ratio, 0.2)
        ):  # fmt: skip
            one = found[key, axis]
            assert one is not None
            print(f"{key} {axis}: {one.value:.5g} ± {one.expanded():.2g}, exact {exact:g}")
            assert one.value == pytest.approx(exact, abs=1.5 * one.expanded())
            assert one.expanded() < narrow * exact


def test_too_few_phases_leave_images_that_are_told() -> None:
    """Two phases at 30 frames/s sample every 1/60 s: 25 Hz and its image at 35 Hz fit alike unless
    exposure and rise tell them apart. What is stated must not be the wrong one."""
    pattern = steps(2)
    recording = recording_of(pattern, ringing(25.0, 0.06), noise=np.random.default_rng(6))
    for pair in figures_of(pattern, recording, template_bench(Bench)):
        if pair.definition.key == "resonance" and pair.measured is not None:
            assert pair.measured.value == pytest.approx(25.0, rel=0.05)


def test_a_mirror_that_does_not_ring_has_no_resonance() -> None:
    pattern = steps()
    recording = recording_of(pattern, ringing(np.inf, 0.0), noise=np.random.default_rng(7))
    keys = {p.definition.key for p in figures_of(pattern, recording, template_bench(Bench))}
    assert "resonance" not in keys


# ---- of a model --------------------------------------------------------------------------------


def spring(resonance_hz: float, ratio: float, **more) -> AxisModel:
    omega = 2 * np.pi * resonance_hz
    return AxisModel(Elastic(1.0), dynamics=Dynamics(2 * ratio / omega, 1 / omega**2), **more)


def test_free_oscillation_of_a_model_in_closed_form() -> None:
    assert of_axis(spring(35.0, 0.05)) == pytest.approx((35.0, 0.05), rel=1e-12)
    assert of_axis(AxisModel()) is None
    # friction sticks: the stops' stiffness adds to the spring's, f by the root
    stuck = spring(35.0, 0.05, friction=MaxwellSlip(np.array([0.2]), np.array([0.21])))
    hz, ratio = of_axis(stuck) or (0.0, 0.0)
    assert hz == pytest.approx(35.0 * 1.1, rel=1e-12)
    assert ratio == pytest.approx(0.05 / 1.1, rel=1e-12)


def test_one_maxwell_branch_against_the_roots_of_the_whole_system() -> None:
    """m s² + b s + k + k₁ s τ/(1 + s τ) = 0 solved by numpy; ζ ω is the decay of the complex pair.

    Storage and loss at real frequency stand for those on the decaying path: an error of the order
    ζ² and of the loss squared, the bound here.
    """
    k1, tau = 0.05, 0.01
    axis = spring(30.0, 0.03, after_effect=AfterEffect(np.array([tau]), np.array([k1])))
    m, b = axis.dynamics.inertia_s2, axis.dynamics.damping_s
    roots = np.roots([m * tau, m + b * tau, b + (1.0 + k1) * tau, 1.0])
    pole = roots[np.argmax(roots.imag)]
    hz, ratio = of_axis(axis) or (0.0, 0.0)
    bound = 3 * (0.03 + k1) ** 2
    assert hz == pytest.approx(abs(pole) / (2 * np.pi), rel=bound)
    assert ratio == pytest.approx(-pole.real / abs(pole), rel=10 * bound)


def test_the_pole_of_the_simulation_is_the_one_that_it_plays() -> None:
    """A free swing simulated with steps of 1 ms: its zero crossings against the stated pole.

    BDF2 with these steps makes 35 Hz ring 1.6 % slower; a tenth of that is the bound.
    """
    axis = spring(35.0, 0.02)
    drive = np.concatenate([np.full(3, 0.1), np.zeros(400)])
    theta, _ = axis.deflection(drive, 1e-3)
    sign = np.flatnonzero(np.diff(np.signbit(theta[10:]))) + 10
    crossing = sign + theta[sign] / (theta[sign] - theta[sign + 1])
    period = 2.0 * np.polyfit(np.arange(len(crossing)), crossing, 1)[0] * 1e-3
    hz, ratio = of_axis(axis, 0.0, 1e-3) or (0.0, 0.0)
    played = 1.0 / period / np.sqrt(1.0 - ratio**2)
    print(f"simulated {played:.4f} Hz, stated {hz:.4f} Hz, continuous 35 Hz")
    assert hz == pytest.approx(played, abs=0.1 * abs(35.0 - played))
    assert abs(35.0 - played) > 0.3
