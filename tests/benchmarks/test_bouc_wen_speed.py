"""Speed of the Bouc-Wen memory: table building, and the torque along smooth and wild paths.

The measure R is that of `test_speed`, beside every run. Limits are some twice what was measured;
`pytest -s tests/benchmarks` prints both.
"""

from __future__ import annotations

import numpy as np
import pytest
from test_speed import SAMPLES, side_by_side

from hysteresis.kernels.bouc_wen_table import table
from hysteresis.operators.bouc_wen import BoucWen

PATHS = {
    "smooth, 400 samples a period": (np.sin(np.arange(SAMPLES) * 2 * np.pi / 400), 24.0),
    "white noise": (np.random.default_rng(0).uniform(-1, 1, SAMPLES), 200.0),
}


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("n", [1.0, 1.7, 4.0])
def test_torque(n, path) -> None:
    theta, limit = PATHS[path]
    operator = BoucWen(0.8, 0.3, 0.7, n)
    taken = side_by_side(lambda: operator.torque(theta, theta, operator.rest()), theta.size)
    ratio = taken.seconds / taken.measure
    print(f"\nn = {n}, {path}: {1e9 * taken.seconds:.0f} ns a sample, {ratio:.1f} R")
    assert ratio < limit


@pytest.mark.parametrize("depth", [0.0, 0.7])
@pytest.mark.parametrize("n", [1.0, 1.7, 4.0])
def test_table(n, depth) -> None:
    """Asked for: at most 1 ms, as a fit makes one at every step. In 4000 samples of R."""
    taken = side_by_side(lambda: table(1.0, -0.4, n, depth, 0.3, np.inf), 1)
    ratio = taken.seconds / (4000 * taken.measure)
    print(f"\nn = {n}, pinching {depth}: table in {1e3 * taken.seconds:.2f} ms, {ratio:.1f} R")
    assert ratio < 200.0
