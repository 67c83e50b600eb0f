"""Spot centres against independent centroids and fits, and against the Cramér-Rao bound.

The bound: pixels x of expectation M(x; u) and normal noise of variance V = r² + k·M0 have the
Fisher information Σ (∂M/∂u)² / V on u (Kay, Fundamentals of Statistical Signal Processing:
Estimation Theory, on signals in white noise, from memory; V is taken to be known, as the
estimator does). With light and width unknown it is the same, for by symmetry they do not covary
with the place.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage, optimize
from scipy.special import erf
from skimage.measure import regionprops

from hysteresis.measure.film_light import Ground, Noise
from hysteresis.measure.spot import desk_for, find_spots

HEIGHT, WIDTH, LEVEL = 64, 72, 18.0


def drawn(u, v, sigma, top):
    def along(count, at):
        edges = np.arange(count + 1) - 0.5
        return np.diff(0.5 * erf((edges - at) / (sigma * np.sqrt(2.0))))

    return top * 2 * np.pi * sigma**2 * np.outer(along(HEIGHT, v), along(WIDTH, u))


def found(picture, read, per_level):
    ground = Ground(np.full((HEIGHT, WIDTH), LEVEL), Noise(read**2, per_level), 255)
    return find_spots(picture, ground, ground.limit(1.0), 1.0, desk_for(HEIGHT, WIDTH))[0][0]


PLACES = [(33.0, 30.0), (33.27, 30.61), (35.5, 28.5), (30.93, 31.08)]


@pytest.mark.parametrize(("u", "v"), PLACES)
@pytest.mark.parametrize("sigma", [1.5, 2.5, 4.0])
def test_noise_free_against_scipy_scikit_image_and_a_fit(u, v, sigma) -> None:
    """Rounding to whole levels leaves each pixel ±1/2: 0.01 px here."""
    picture = np.rint(LEVEL + drawn(u, v, sigma, 200.0)).astype(np.uint8)
    spot = found(picture, 0.3, 0.0)
    lit = picture - LEVEL
    row, column = ndimage.center_of_mass(lit)
    (region,) = regionprops((lit > 0).astype(int), intensity_image=lit)
    weighted = region.centroid_weighted
    y, x = np.mgrid[:HEIGHT, :WIDTH]

    def left(p):
        return (p[3] * np.exp(-((x - p[0]) ** 2 + (y - p[1]) ** 2) / 2 / p[2] ** 2) - lit).ravel()

    fit = optimize.least_squares(left, (u + 0.4, v - 0.4, sigma * 1.2, 150.0)).x
    mine = np.array([spot["u"], spot["v"]])
    for other in ((column, row), weighted[::-1], fit[:2]):
        assert mine == pytest.approx(other, abs=0.015)
    assert mine == pytest.approx((u, v), abs=0.01)


def test_rms_against_the_cramer_rao_bound() -> None:
    """Within 1.3 times the bound at every brightness and width; `pytest -s` prints them."""
    read, per_level, rng = 1.5, 0.15, np.random.default_rng(20)
    print(f"\n{'width px':>9}{'top':>6}{'rms px':>9}{'bound':>9}{'ratio':>7}{'sigma/rms':>11}")
    for sigma in (1.2, 2.0, 3.5):
        for top in (25.0, 70.0, 200.0):
            errors, stated = [], []
            for _ in range(300):
                u, v = 34 + rng.uniform(), 31 + rng.uniform()
                mean = LEVEL + drawn(u, v, sigma, top)
                noise = rng.standard_normal(mean.shape) * np.sqrt(read**2 + per_level * mean)
                spot = found(np.clip(np.rint(mean + noise), 0, 255).astype(np.uint8), read,
                             per_level)  # fmt: skip
                errors += [spot["u"] - u, spot["v"] - v]
                stated += [spot["sigma_u"], spot["sigma_v"]]
            h = 1e-4
            slope = (drawn(34.4 + h, 31.7, sigma, top) - drawn(34.4 - h, 31.7, sigma, top)) / 2 / h
            variance = read**2 + per_level * (LEVEL + drawn(34.4, 31.7, sigma, top)) + 1 / 12
            bound = 1 / np.sqrt((slope**2 / variance).sum())
            rms = float(np.sqrt(np.mean(np.square(errors))))
            claimed = float(np.sqrt(np.mean(np.square(stated)))) / rms
            print(f"{sigma:9.1f}{top:6.0f}{rms:9.4f}{bound:9.4f}{rms / bound:7.2f}{claimed:11.2f}")
            assert rms < 1.3 * bound
            # below the bound by more than chance (600 errors: 3 %) would be a wrong bound
            assert rms > 0.88 * bound
            assert claimed == pytest.approx(1.0, abs=0.2)
