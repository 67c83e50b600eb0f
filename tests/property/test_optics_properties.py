"""Optics there and back, and its derivatives, over random benches within what benches can be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.bench import Optics
from hysteresis.optics import (
    FREE,
    RigOptics,
    deflection_from_spot,
    nominal_optics,
    spot_from_deflection,
    spot_with_slopes,
)

EPS = np.finfo(float).eps
many = settings(max_examples=150, deadline=None)


@st.composite
def rigs(draw) -> RigOptics:
    """A bench of 100 mm to 3 m with a field of up to ±35°, and what a fit may find on top."""
    between = lambda low, high: draw(st.floats(low, high, allow_subnormal=False))  # noqa: E731
    distance = between(100.0, 3000.0)
    nominal = nominal_optics(
        Optics(
            plane_distance_mm=distance,
            mirror_gap_mm=between(0.0, 40.0),
            full_scale_x_mm=distance * between(0.02, 0.7),
            full_scale_y_mm=distance * between(0.02, 0.7),
        )
    )
    return replace(
        nominal,
        coupling_xy=between(-0.1, 0.1),
        coupling_yx=between(-0.1, 0.1),
        offset_x_mm=between(-20.0, 20.0),
        offset_y_mm=between(-20.0, 20.0),
        tilt_x_per_mm=between(-0.1, 0.1) / distance,
        tilt_y_per_mm=between(-0.1, 0.1) / distance,
        log_distance=between(-0.1, 0.1),
    )


def deflections(seed: int) -> np.ndarray:
    """40 pairs within ±1, the corners and the centre among them."""
    rng = np.random.default_rng(seed)
    corners = [[-1, -1], [1, -1], [1, 1], [-1, 1], [0, 0]]
    return np.vstack([corners, rng.uniform(-1, 1, (35, 2))]).T


seeds = st.integers(0, 2**32)


@many
@given(rigs(), seeds)
def test_deflection_of_spot_of_deflection(optics, seed) -> None:
    """Closed form both ways: rounding only, magnified by 1 / field angle and by offsets in mm."""
    theta_x, theta_y = deflections(seed)
    x, y = spot_from_deflection(theta_x, theta_y, optics)
    again_x, again_y = deflection_from_spot(x, y, optics)
    per_mm = 1 / (optics.distance_mm * min(optics.full_scale_x_rad, optics.full_scale_y_rad))
    bound = 64 * EPS * per_mm * (1 + np.abs(x).max() + np.abs(y).max() + 40)
    assert bound < 1e-11
    np.testing.assert_allclose(again_x, theta_x, rtol=0, atol=bound)
    np.testing.assert_allclose(again_y, theta_y, rtol=0, atol=bound)


@many
@given(rigs(), seeds)
def test_spot_of_deflection_of_spot(optics, seed) -> None:
    across_x = optics.distance_mm * np.tan(2 * optics.full_scale_x_rad)
    across_y = optics.distance_mm * np.tan(2 * optics.full_scale_y_rad)
    x, y = deflections(seed) * np.array([[across_x], [across_y]])
    again = spot_from_deflection(*deflection_from_spot(x, y, optics), optics)
    bound = 128 * EPS * (1 + across_x + across_y + 40)
    np.testing.assert_allclose(again, (x, y), rtol=0, atol=bound)


@many
@given(rigs(), seeds)
def test_spot_with_slopes_are_the_derivatives(optics, seed) -> None:
    """Against central differences, ε and ε/2: 4/3 of their difference is the rule's own error,
    and rounding of the spot / ε. Unknowns per mm have units as small as 1 / distance."""
    theta_x, theta_y = deflections(seed)
    x, y, by_angle, by_optics = spot_with_slopes(theta_x, theta_y, optics)
    plain = spot_from_deflection(theta_x, theta_y, optics)
    size = 1 + np.abs(x).max() + np.abs(y).max() + 40
    np.testing.assert_allclose((x, y), plain, rtol=0, atol=16 * EPS * size)

    def check(spot_at, exact: np.ndarray, unit: float) -> None:
        small = 1e-4 * unit
        at = {part: np.array(spot_at(part * small)) for part in (-1.0, -0.5, 0.5, 1.0)}
        central, finer = (at[1] - at[-1]) / (2 * small), (at[0.5] - at[-0.5]) / small
        bound = 4 / 3 * np.abs(central - finer) + 64 * EPS * size / small
        assert bound.max() * unit < 1e-4 * size
        assert np.all(np.abs(exact.T - finer) <= bound)

    check(lambda s: spot_from_deflection(theta_x + s, theta_y, optics), by_angle[:, :, 0], 1.0)
    check(lambda s: spot_from_deflection(theta_x, theta_y + s, optics), by_angle[:, :, 1], 1.0)
    for k, name in enumerate(FREE):

        def moved(shift: float, name: str = name) -> tuple[np.ndarray, np.ndarray]:
            other = replace(optics, **{name: getattr(optics, name) + shift})
            return spot_from_deflection(theta_x, theta_y, other)

        check(moved, by_optics[:, :, k], 1 / optics.distance_mm if "tilt" in name else 1.0)


@many
@given(rigs())
def test_full_scale_of_a_nominal_bench_is_what_the_bench_says(optics) -> None:
    """Drive 1 on one axis, the other at zero: the spot stands at full scale."""
    bench = Optics(
        plane_distance_mm=optics.distance_mm,
        mirror_gap_mm=optics.gap_mm,
        full_scale_x_mm=0.3 * optics.distance_mm,
        full_scale_y_mm=0.4 * optics.distance_mm,
    )
    nominal = nominal_optics(bench)
    x, y = spot_from_deflection(np.array([1.0, 0.0]), np.array([0.0, 1.0]), nominal)
    np.testing.assert_allclose(x, [bench.full_scale_x_mm, 0.0], rtol=8 * EPS)
    np.testing.assert_allclose(y, [0.0, bench.full_scale_y_mm], rtol=8 * EPS)
