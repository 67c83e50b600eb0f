"""The lens: both ways agree to rounding, derivatives are derivatives, its end is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hysteresis.measure.lens import Lens

LENSES = (
    Lens(330.0, 250.0, 400.0, -0.3, 0.1, 0.002, -0.001),
    Lens(640.0, 470.0, 800.0, 0.15, -0.02, -0.001, 0.0005),
    Lens(320.0, 240.0, 400.0, -0.1),
    Lens(320.0, 240.0, 400.0),
)


@pytest.mark.parametrize("lens", LENSES)
def test_seen_and_back(lens: Lens) -> None:
    rng = np.random.default_rng(0)
    u, v = rng.uniform(0, 660, (200, 50)), rng.uniform(0, 500, (200, 50))
    a, b = lens.pinhole(u, v)
    assert a.shape == u.shape
    again = lens.seen(a, b)
    # goal 1e-9 px; Newton ends at rounding, a few parts in 1e16 of some hundred px
    assert np.max(np.abs(again[0] - u)) < 1e-9 and np.max(np.abs(again[1] - v)) < 1e-9
    there = lens.pinhole(*lens.seen(a, b))
    assert np.max(np.hypot(there[0] - a, there[1] - b)) < 1e-9


@pytest.mark.parametrize("lens", LENSES[:3])
def test_slopes(lens: Lens) -> None:
    at, h = np.array([[100.0, 200.0], [500.0, 30.0]]), 1e-3
    slopes, by = lens.slopes(*at.T), lens.by_coefficients(*at.T)
    for axis in range(2):
        step = h * np.eye(2)[axis]
        high, low = (np.stack(lens.seen(*(at + s * step).T), -1) for s in (1, -1))
        # central differences err by h² f''' / 6, here below 1e-9, and by rounding 1e-13 / h
        assert np.allclose((high - low) / (2 * h), slopes[:, :, axis], atol=1e-8)
    names = ("k1", "k2", "p1", "p2", "centre_u_px", "centre_v_px")
    for k, name in enumerate(names):
        h = 1e-4 if k < 4 else 1e-2
        high, low = (
            np.stack(replace(lens, **{name: getattr(lens, name) + s * h}).seen(*at.T), -1)
            for s in (1, -1)
        )
        assert np.allclose((high - low) / (2 * h), by[:, :, k], atol=1e-6)


def test_beyond_the_turning_radius_nothing_is_seen() -> None:
    lens = Lens(0.0, 0.0, 100.0, -0.5)
    turning = np.sqrt(1 / 1.5)  # r (1 − 0.5 r²) is largest there
    largest = 100.0 * turning * (1 - 0.5 * turning**2)
    u, v = lens.pinhole(np.array([0.999 * largest, 1.001 * largest]), np.zeros(2))
    assert np.isfinite(u[0]) and u[0] < 100.0 * turning
    assert np.isnan(u[1]) and np.isnan(v[1])


def test_a_larger_picture_of_the_same_lens() -> None:
    lens = LENSES[0]
    twice = lens.enlarged(2.0)
    u, v = lens.seen(np.array([12.0]), np.array([34.0]))
    a, b = twice.seen(np.array([2 * 12.5 - 0.5]), np.array([2 * 34.5 - 0.5]))
    assert a[0] == pytest.approx(2 * (u[0] + 0.5) - 0.5, abs=1e-10)
    assert b[0] == pytest.approx(2 * (v[0] + 0.5) - 0.5, abs=1e-10)
