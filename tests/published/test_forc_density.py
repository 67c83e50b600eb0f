"""The density of first-order reversal curves: found again where it is known.

Sources: density `−½ ∂²M/∂H_r ∂H` of reversal curves and its local quadratic fit over (2·SF+1)²
points: Pike, Roberts & Verosub, J. Appl. Phys. 85 (1999) 6660 (from memory); that the second
derivative magnifies noise: arXiv 1811.00096. The curves here come from Everett's integral over a
smooth density f(a) g(b), a ≥ b, by SciPy's quadrature: nothing of the toolkit made them.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from hysteresis.fit.reversal_curves import Curve, mixed_difference
from hysteresis.operators.preisach import LAGS, cell_indices, kernel_shape, path_values

EPS = np.finfo(float).eps
F = stats.norm(0.25, 0.22)
G = stats.norm(-0.2, 0.3)
H = 0.05
AXIS = H * np.arange(-20, 21)
QUAD = 1e-11  # asked of the quadrature, absolute


def everett(alpha: float, beta: float) -> float:
    """∫∫ f(a) g(b) over β ≤ b ≤ a ≤ α."""
    value, error = integrate.quad(
        lambda a: F.pdf(a) * (G.cdf(a) - G.cdf(beta)), beta, alpha, epsabs=QUAD, epsrel=0
    )
    assert error < 10 * QUAD
    return value


@pytest.fixture(scope="module")
def curves() -> list[Curve]:
    """Reversals at every point of the axis; response 0 at the reversal, as no density sees it."""
    return [
        Curve(AXIS[k:], np.array([everett(h, AXIS[k]) for h in AXIS[k:]]))
        for k in range(AXIS.size - 1)
    ]


def interior(reversal: np.ndarray, at: np.ndarray, smoothing: int) -> np.ndarray:
    """Points with all (2·SF+1)² neighbours."""
    width = (smoothing + 0.25) * H
    return (
        (reversal > AXIS[0] + width - H / 2) & (at < AXIS[-1] - width + H / 2)
        & (at - reversal > 2 * width - H / 2) & (reversal < AXIS[-2] - width + H / 2)
    )  # fmt: skip


def curvature(x: np.ndarray, density, reach: float) -> np.ndarray:
    """Largest |second derivative| of a normal density within `reach` of x."""
    mean, sd = density.mean(), density.std()
    near = x[:, None] + np.linspace(-reach, reach, 41)
    u = (near - mean) / sd
    return np.max(np.abs((u**2 - 1) / sd**2) * density.pdf(near), axis=1) * 1.02


@pytest.mark.parametrize("smoothing", [1, 2, 3])
def test_mixed_difference_returns_a_known_density(curves: list[Curve], smoothing: int) -> None:
    """The fit's mixed term is a product of two slopes by least squares, each of which errs by at
    most h² (3 SF² + 3 SF − 1)/30 × the largest second derivative within its window (Taylor)."""
    got = mixed_difference(curves, smoothing)
    inside = interior(got.reversal, got.at, smoothing)
    f, g = F.pdf(got.at[inside]), G.pdf(got.reversal[inside])
    factor = H**2 * (3 * smoothing**2 + 3 * smoothing - 1) / 30
    e_f = factor * curvature(got.at[inside], F, smoothing * H)
    e_g = factor * curvature(got.reversal[inside], G, smoothing * H)
    bound = 0.5 * (f * e_g + g * e_f + e_f * e_g) + 10 * QUAD / H**2
    off = np.abs(got.density[inside] - 0.5 * f * g)
    assert inside.sum() > 300
    assert np.all(off <= bound)
    peak = 0.5 * f.max() * g.max()
    worst, allowed = off.max() / peak, bound.max() / peak
    print(f"SF {smoothing}: worst error {worst:.1e} of the peak, bound {allowed:.1e}")
    assert allowed < 0.6
    assert np.corrcoef(got.density[inside], f * g)[0, 1] > 0.995


def test_uniform_density_is_returned_everywhere() -> None:
    """Its curves are quadratic, so the local fit is exact up to the edge and on the diagonal, also
    for curves that come from below; rounding of the values over h²."""
    nu = 1.7
    for side in (1, -1):
        curves = []
        for k in range(AXIS.size - 2):
            at = side * AXIS[k:]
            curves.append(Curve(at, 0.3 * at + side * nu * (at - at[0]) ** 2 / 2))
        got = mixed_difference(curves, 2)
        told = np.isfinite(got.density)
        assert told.mean() > 0.95
        np.testing.assert_allclose(got.density[told], nu / 2, rtol=0, atol=1e3 * EPS / H**2)


def test_noise_is_magnified_as_the_window_says() -> None:
    """Independent noise σ: the mixed term has the standard deviation σ / Σx², Σx² = h² SF (SF+1)
    (2 SF+1)/3, as Σx²y² = (Σx²)². Tolerance: four standard errors of a standard deviation from
    as many independent values as windows fit side by side."""
    rng = np.random.default_rng(1)
    sigma = 1e-3
    curves = [Curve(AXIS[k:], sigma * rng.normal(size=AXIS.size - k)) for k in range(AXIS.size - 1)]
    for smoothing in (1, 2, 3):
        got = mixed_difference(curves, smoothing)
        inside = interior(got.reversal, got.at, smoothing)
        sum_x2 = H**2 * smoothing * (smoothing + 1) * (2 * smoothing + 1) / 3
        want = 0.5 * sigma / sum_x2
        windows = inside.sum() / (2 * smoothing + 1) ** 2
        spread = np.sqrt(np.mean(got.density[inside] ** 2)) / want
        print(f"SF {smoothing}: noise of the density {spread:.3f} of what is foretold")
        assert abs(spread - 1) < 4 / np.sqrt(2 * windows)


def test_everett_at_the_nodes_is_exact_for_any_density() -> None:
    """Cells with the right masses give the curves at the nodes, whatever lies inside a cell."""
    i, j = cell_indices(AXIS.size - 1)
    mass = np.diff(F.cdf(AXIS))[i] * np.diff(G.cdf(AXIS))[j]
    for k in range(AXIS.size - 1):
        mass[k * (k + 1) // 2 + k] = everett(AXIS[k + 1], AXIS[k])
    shape = kernel_shape((AXIS - AXIS[::-1]) / 2, mass, LAGS)
    for k in (0, 7, 20, 33):
        path = np.concatenate([[AXIS[-1]], AXIS[k:]])
        got = path_values(shape, path, np.zeros(202))[1:]
        want = [everett(h, AXIS[k]) for h in AXIS[k:]]
        np.testing.assert_allclose(got - got[0], want, rtol=0, atol=100 * AXIS.size * QUAD)
