"""Speed of the Bouc-Wen memory: table building, and the torque along smooth and wild paths.

The measure R is as in `test_speed`: a scalar one-pole recursion over the same samples. Limits are
some three times what was measured when this was written; `pytest -s tests/benchmarks` prints both.
"""

from __future__ import annotations

import numpy as np
import pytest
from test_speed import best_s, one_pole

from hysteresis.kernels.bouc_wen_table import table
from hysteresis.operators.bouc_wen import BoucWen

SAMPLES = 4_000  # a run short enough to be left undisturbed now and then


PATHS = {
    "smooth, 400 samples a period": (np.sin(np.arange(SAMPLES) * 2 * np.pi / 400), 180.0),
    "white noise": (np.random.default_rng(0).uniform(-1, 1, SAMPLES), 450.0),
}


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("n", [1.0, 1.7, 4.0])
def test_torque(n, path) -> None:
    theta, limit = PATHS[path]
    operator = BoucWen(0.8, 0.3, 0.7, n)
    measure = best_s(lambda: one_pole(theta, 0.99), 100)
    time_s = best_s(lambda: operator.torque(theta, theta, operator.rest()), 100)
    print(f"\nn = {n}, {path}: {1e9 * time_s / SAMPLES:.0f} ns a sample, {time_s / measure:.0f} R")
    assert time_s < limit * measure


@pytest.mark.parametrize("depth", [0.0, 0.7])
@pytest.mark.parametrize("n", [1.0, 1.7, 4.0])
def test_table(n, depth) -> None:
    """Asked for: at most 1 ms, as a fit makes one at every step. In 4000 samples of R."""
    measure = best_s(lambda: one_pole(PATHS["white noise"][0], 0.99), 100)
    time_s = best_s(lambda: table(1.0, -0.4, n, depth, 0.3, np.inf), 100)
    print(f"\nn = {n}, pinching {depth}: table in {1e3 * time_s:.2f} ms, {time_s / measure:.1f} R")
    assert time_s < 200.0 * measure
