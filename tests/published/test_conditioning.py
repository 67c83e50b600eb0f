"""What a decaying alternating sweep leaves of friction memory.

Source: derived from the play operator (textbook: Brokate & Sprekels, Hysteresis and Phase
Transitions; Visintin, Differential Models of Hysteresis; from memory). A play of threshold r that
the sweep still moved ends with |z| ≤ Δ/2 after a linear decay by Δ per half cycle, and with
|z| ≤ r (1 − ρ)/(1 + ρ) after a geometric one by the factor ρ. Figures beside the checks were
computed from these formulas by a program of its own.
"""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.axis import AxisModel
from hysteresis.operators.elastic import Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip

EPS = np.finfo(float).eps
THRESHOLDS = np.linspace(0.02, 0.95, 400)
BANK = MaxwellSlip(THRESHOLDS, np.full(400, 1e-3))


def alternating(amplitudes: np.ndarray) -> np.ndarray:
    """Extremes of a sweep that ends at zero. Friction needs no samples in between."""
    return np.append(amplitudes * (-1.0) ** np.arange(amplitudes.size), 0.0)


def left_in_play(path: np.ndarray, start: np.ndarray | None = None) -> np.ndarray:
    """Play of each element after the path: at zero angle it is the stop's stretch, reversed."""
    state = BANK.rest() if start is None else start
    _, after = BANK.torque(path, np.ones(path.size), state)
    assert after[0] == 0.0
    return np.abs(after[1:])


@pytest.mark.parametrize(
    ("decrement", "at_most", "seen"),
    [(0.05, 0.025, 0.02495), (0.025, 0.0125, 0.01249), (1 / 90, 0.00556, 0.00556)],
)
def test_linear_decay_leaves_half_a_decrement(decrement, at_most, seen) -> None:
    path = alternating(np.arange(1.0, decrement / 2, -decrement))
    left = left_in_play(path)[decrement < THRESHOLDS]
    print(f"linear, decrement {decrement:.4f}: {left.max():.5f} (bound {decrement / 2:.5f})")
    assert np.all(left <= decrement / 2 + 20 * EPS)
    assert left.max() <= at_most
    # and no less: the bound is reached, to the spacing of thresholds (0.0023)
    assert left.max() == pytest.approx(seen, abs=0.0024 / 2)


@pytest.mark.parametrize(
    ("ratio", "share", "half_cycles"), [(0.8, 0.1111, 21), (0.9, 0.0526, 44), (0.95, 0.0256, 90)]
)
def test_geometric_decay_leaves_a_share_of_the_threshold(ratio, share, half_cycles) -> None:
    """(1 − ρ)/(1 + ρ): 0.1111, 0.0526, 0.0256; 1 % is reached after 21, 44, 90 half cycles."""
    assert (1 - ratio) / (1 + ratio) == pytest.approx(share, abs=5e-5)
    assert int(np.ceil(np.log(0.01) / np.log(ratio))) == half_cycles
    path = alternating(ratio ** np.arange(half_cycles + 1))
    moved = THRESHOLDS > 0.01
    left = (left_in_play(path) / THRESHOLDS)[moved]
    print(f"geometric, ratio {ratio}: {left.max():.4f} (bound {share})")
    assert np.all(left <= (1 - ratio) / (1 + ratio) + 100 * EPS)
    assert left.max() > 0.98 * share  # reached


def test_linear_beats_geometric_in_large_thresholds() -> None:
    """For equally many half cycles (44), down to the same last amplitude."""
    geometric = left_in_play(alternating(0.9 ** np.arange(45)))
    linear = left_in_play(alternating(np.linspace(1.0, 0.9**44, 45)))
    large = THRESHOLDS > 0.3
    assert linear[large].max() < 0.6 * geometric[large].max()


def test_the_past_does_not_matter_after_conditioning() -> None:
    """Whatever came before, the sweep from full scale leaves the same (wiping-out)."""
    path = alternating(np.arange(1.0, 0.01, -0.02))
    rng = np.random.default_rng(3)
    clean = left_in_play(path)
    for _ in range(5):
        _, lived = BANK.torque(rng.uniform(-0.95, 0.95, 30), np.ones(30), BANK.rest())
        left = left_in_play(path, lived)
        np.testing.assert_allclose(left, clean, rtol=0, atol=100 * EPS)


def test_conditioning_by_drive_leaves_little_deflection() -> None:
    """The same as a person meets it: a sweep of the drive, and what the mirror is off by after
    it. In the drive's own thresholds the axis is a bank of plays of weight wᵢ, so it is off by at
    most Σ wᵢ Δ/2; an excursion without conditioning is off by ten times as much."""
    weight = np.concatenate(([1.0], np.full(12, 0.02)))
    threshold = np.concatenate(([0.0], np.linspace(0.06, 0.8, 12)))
    total = np.cumsum(weight)
    stiffness = weight[1:] / (total[1:] * total[:-1])
    limit = np.array([np.sum(weight[: i + 1] * (threshold[i] - threshold[: i + 1]))
                      for i in range(1, 13)])  # fmt: skip
    axis = AxisModel(
        Elastic(float(1 / weight[0] - stiffness.sum())), friction=MaxwellSlip(limit, stiffness)
    )
    held, state = axis.deflection([0.9, 0.0], 1.0)
    decrement = 0.05
    swept, _ = axis.deflection(alternating(np.arange(1.0, 0.02, -decrement)), 1.0, state)
    bound = weight[1:].sum() * decrement / 2
    assert abs(swept[-1]) <= bound + 100 * EPS
    inner = threshold[1:]
    unswept = weight[1:] @ np.minimum(np.maximum(0.9 - inner, 0.0), inner)
    assert held[-1] == pytest.approx(unswept, abs=100 * EPS)
    assert abs(swept[-1]) < held[-1] / 9
