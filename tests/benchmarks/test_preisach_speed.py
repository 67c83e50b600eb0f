"""Time of a Preisach sample: by the path, not by the number of cells. Printed with `pytest -s`.

Best of several runs, side by side in one process. A smooth path stays in one piece for many
samples; white noise reverses and leaps at every second one. Thirteen times the cells cost a leap
two more bisections, so less than twice the time is allowed.
"""

from __future__ import annotations

from time import perf_counter

import numpy as np
import pytest

from hysteresis.kernels import memory
from hysteresis.operators.preisach import CAPACITY, Preisach

SAMPLES = 200_000
T = np.linspace(0, 60, SAMPLES)
PATHS = {
    "smooth path": 0.9 * np.sin(T) * np.cos(0.11 * T),
    "white noise": np.random.default_rng(8).uniform(-0.9, 0.9, SAMPLES),
}


def best_ns(theta: np.ndarray, levels: int) -> float:
    cells = levels * (levels + 1) // 2
    plane = Preisach(np.linspace(-1, 1, levels + 1), np.full(cells, 1.0 / cells))
    shape = plane.shape()
    work, best = np.empty(memory.work_size(plane.kind, shape)), np.inf
    for _ in range(7):
        z = np.zeros(1 + CAPACITY)
        start = perf_counter()
        memory.torque_path(plane.kind, shape, theta, 0.0, z, work)
        best = min(best, perf_counter() - start)
    return best / theta.size * 1e9


@pytest.mark.parametrize("name", PATHS)
def test_time_per_sample_does_not_grow_with_the_plane(name: str) -> None:
    few, many = best_ns(PATHS[name], 16), best_ns(PATHS[name], 60)
    print(f"Preisach, {name}: {few:.1f} ns (136 cells), {many:.1f} ns (1830 cells)")
    assert many < 2 * few
