"""Rayleigh's law is a Preisach plane of uniform density.

Sources: branches `B = (μ_i + ν Ĥ) H ± (ν/2)(Ĥ² − H²)`, upper sign descending: IEC 60050-221,
entry 221-03-32. Initial curve `μ_i H + ν H²`, loss `(4/3) ν Ĥ³` (its integral) and the value left
after an excursion to Ĥ and back, `ν Ĥ²/2` = h(Ĥ) − 2 h(Ĥ/2) (derived from the branches). As a
torque the memory resists instead of lagging: the same law with ν negative and μ_i = ν × (width of
the plane), which is what a bank of stops with evenly spread limits follows (Materials 16 (2023)
2422: Rayleigh's law is the simplest case of both families).

All cells are uniform here, so only rounding separates the model from the law: it is allowed
`ROUNDINGS` roundings of the largest output for every reversal on the way.
"""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.operators.preisach import LAGS, RESISTS, Preisach, kernel_shape, path_values
from hysteresis.operators.preisach import plane as density_of

EPS = np.finfo(float).eps
ROUNDINGS = 100
TOP = 1.5
U = np.linspace(-1.0, 1.0, 25)
GRIDS = {
    "even": TOP * np.linspace(-1, 1, 13),
    "graded": TOP * U * (0.1 + 0.9 * np.abs(U)),
    "two cells": TOP * np.array([-1.0, 0.0, 1.0]),
}
every_grid = pytest.mark.parametrize("node", GRIDS.values(), ids=GRIDS.keys())
every_sense = pytest.mark.parametrize("sense", [LAGS, RESISTS], ids=["response", "torque"])
NU = 1.4


def uniform(node: np.ndarray, density: float = NU) -> np.ndarray:
    area = 1.0 / density_of(node, np.ones(node.size * (node.size - 1) // 2)).density
    return density * area


def law(sense: float) -> tuple[float, float]:
    """μ_i and ν of the law that the uniform plane follows."""
    return (0.0, NU) if sense == LAGS else (2 * TOP * NU, -NU)


def along(node: np.ndarray, sense: float, path: np.ndarray) -> np.ndarray:
    state = np.zeros(202)
    return path_values(kernel_shape(node, uniform(node), sense), np.ascontiguousarray(path), state)


def bound(mu: float, nu: float, peak: float, reversals: int = 3) -> float:
    return ROUNDINGS * EPS * reversals * (mu * peak + abs(nu) * TOP**2)


@every_grid
@every_sense
@pytest.mark.parametrize("peak", [0.03, 0.4, 1.3])
def test_initial_curve_and_both_branches(node: np.ndarray, sense: float, peak: float) -> None:
    mu, nu = law(sense)
    h = np.linspace(-peak, peak, 301)
    up = np.linspace(0.0, peak, 150)
    got = along(node, sense, np.concatenate([up, h[::-1], h, h[::-1]]))
    initial, first, rising, falling = np.split(got, [150, 451, 752])
    small = bound(mu, nu, peak)
    np.testing.assert_allclose(initial, mu * up + nu * up**2, rtol=0, atol=small)
    descending = (mu + nu * peak) * h + nu / 2 * (peak**2 - h**2)
    ascending = (mu + nu * peak) * h - nu / 2 * (peak**2 - h**2)
    np.testing.assert_allclose(first[::-1], descending, rtol=0, atol=small)
    np.testing.assert_allclose(rising, ascending, rtol=0, atol=small)
    np.testing.assert_allclose(falling[::-1], descending, rtol=0, atol=small)
    # and downwards first: the mirror image
    mirrored = along(node, sense, -up)
    np.testing.assert_allclose(mirrored, -(mu * up + nu * up**2), rtol=0, atol=small)


@every_grid
@every_sense
def test_loss_and_return_to_zero(node: np.ndarray, sense: float) -> None:
    """Simpson's rule is exact for the parabolas of the branches. ∮H dB = −∮B dH: a response loses
    by the first, a torque by the second."""
    mu, nu = law(sense)
    peak, n = 1.3, 200
    h = np.linspace(-peak, peak, n + 1)
    weight = np.where(np.arange(n + 1) % 2 == 1, 4.0, 2.0)
    weight[[0, -1]] = 1.0
    got = along(node, sense, np.concatenate([[peak], h[::-1], h]))
    falling, rising = got[1 : n + 2][::-1], got[n + 2 :]
    area = float((falling - rising) @ weight) * (h[1] - h[0]) / 3  # −∮B dH
    loss = area if sense == LAGS else -area
    small = bound(mu, nu, peak) * 4 * peak
    assert loss == pytest.approx(4 / 3 * NU * peak**3, abs=small)
    assert loss == pytest.approx(4.10107, abs=5e-6)  # the figure for ν = 1.4, Ĥ = 1.3
    left = along(node, sense, np.array([peak, 0.0]))[1]
    assert left == pytest.approx(nu * peak**2 / 2, abs=bound(mu, nu, peak))


@every_grid
def test_evenly_spread_stops_are_the_uniform_plane(node: np.ndarray) -> None:
    """Stops of limits up to half the plane's width, stiffness 2ν per limit.

    Midpoint rule over the limits of `min(d, 2r)`: one knee of slope 2, so its error is at most
    density × 2 × spacing²/8 for each reversal, twice after the first (Masing).
    """
    count = 3000
    spacing = TOP / count
    limit = (np.arange(count) + 0.5) * spacing
    stops = MaxwellSlip(limit, np.full(count, 2 * NU * spacing))
    plane = Preisach(node, uniform(node))
    rng = np.random.default_rng(2)
    theta = TOP * rng.uniform(-1, 1, 6) * np.array([0.3, 0.9, 0.8, 0.6, 0.5, 0.2])
    one = np.ones(theta.size)
    by_stops, _ = stops.torque(theta, one, stops.rest())
    by_plane, _ = plane.torque(theta, one, plane.rest())
    worst = 2 * NU * 2 * spacing**2 / 8 * 2 * np.arange(1, theta.size + 1)
    worst += ROUNDINGS * EPS * count
    assert np.all(np.abs(by_stops - by_plane) <= worst)
    assert np.abs(by_plane).min() > 1e-2


def test_columns_of_the_uniform_plane_add_up_to_the_law() -> None:
    """Derivatives by the masses, times the masses, are the torque: it is linear in them."""
    node = GRIDS["graded"]
    plane = Preisach(node, uniform(node))
    h = np.linspace(0, 1.2, 50)
    mu, nu = law(RESISTS)
    torque = plane.columns(h) @ plane.mass
    np.testing.assert_allclose(torque, mu * h + nu * h**2, rtol=0, atol=bound(mu, nu, 1.2))
