"""How much of a memory's stiffness lags: a Preisach plane against stops that mean the same."""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.axis import AxisModel
from hysteresis.operators.bouc_wen import BoucWen
from hysteresis.operators.elastic import Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.operators.preisach import Preisach, cell_indices

EPS = np.finfo(float).eps


def line_of_mass(stiffness: float, limit: float, levels: int) -> Preisach:
    """Mass `stiffness` per full scale in the cells along a − b = 2 limit, over ±1."""
    i, j = cell_indices(levels)
    wide = 2.0 / levels
    line = i - j == round(2.0 * limit / wide)
    return Preisach(np.linspace(-1, 1, levels + 1), np.where(line, stiffness * wide, 0.0))


def test_a_line_of_mass_is_a_stop_and_a_spring_of_the_same_stiffness() -> None:
    """E = k D + k min(D, 2r) by counting the cells passed (see kernels.everett): at nodes, where
    no cell is cut, the torque is that of an elasto-plastic stop (x clamped by the play, by hand)
    plus k θ, to the rounding of the sums; from rest and through nested reversals alike."""
    k, r, levels = 0.3, 0.1, 40
    plane = line_of_mass(k, r, levels)
    turns = np.array([0.0, 0.6, -0.3, 0.5, 0.2, 0.4, -0.7, 0.0, 0.1, -0.1, 0.8, -0.8, 0.05])
    counts = np.round(np.abs(np.diff(turns)) / 0.05).astype(int)
    path = np.concatenate([
        np.round(np.linspace(a, b, n + 1)[1:] * 20) / 20
        for a, b, n in zip(turns, turns[1:], counts, strict=False)
    ])  # fmt: skip
    path = plane.node[np.searchsorted(plane.node, path - 0.01)]
    stretch, before, stop = 0.0, 0.0, []
    for x in path:
        stretch = float(np.clip(stretch + x - before, -r, r))
        before = float(x)
        stop.append(k * stretch)
    torque, _ = plane.torque(path, np.ones(path.size), plane.rest())
    bound = 4 * EPS * plane.mass.sum() * levels  # sums of up to `levels` masses per run
    np.testing.assert_allclose(torque, np.array(stop) + k * path, rtol=0, atol=bound)
    assert np.ptp(stop) == pytest.approx(2 * k * r)


@pytest.mark.parametrize("limit", [0.05, 0.1, 0.4])
def test_a_line_of_mass_lags_as_much_as_its_stop(limit: float) -> None:
    """The spring beside the stop is stiffness, but not friction: share k / (k1 + 2 k)."""
    k1, k = 0.8, 0.05
    on_plane = AxisModel(Elastic(k1), friction=line_of_mass(k, limit, 40))
    stop = MaxwellSlip(np.array([limit]), np.array([k]))
    beside = AxisModel(Elastic(k1 + k), friction=stop)
    assert on_plane.friction.lagging_stiffness() == pytest.approx(k, rel=1e-14)
    assert on_plane.friction_share() == pytest.approx(k / (k1 + 2 * k), rel=1e-14)
    assert beside.friction_share() == pytest.approx(on_plane.friction_share(), rel=1e-14)


def test_half_of_what_a_reversal_meets_is_lost_on_a_long_swing() -> None:
    """Stiffness right after a reversal less that before it, up and down, at any place of any
    plane: together what the reversal meets, so half of it each on the average."""
    node = np.array([-1.0, -0.6, -0.3, -0.1, 0.0, 0.1, 0.3, 0.6, 1.0])
    plane = Preisach(node, np.random.default_rng(0).uniform(0, 1, 36) / 64)
    d = 1e-6

    def slope(*path: float) -> float:
        torque, _ = plane.torque(np.array([*path]), np.ones(len(path)), plane.rest())
        return float((torque[-1] - torque[-2]) / (path[-1] - path[-2]))

    met, lost = [], []
    for x in 0.5 * (node[1:] + node[:-1]):
        back_down, back_up = slope(-1, x, x - d), slope(1, x, x + d)
        on_up, on_down = slope(-1, x, x + d), slope(1, x, x - d)
        met.append(back_down)
        lost.append(0.5 * (back_down - on_up + back_up - on_down))
    # slopes over 1e-6 in torques near 1: rounding 1e-9, and the bend of a run over that way
    assert max(met) == pytest.approx(plane.small_signal_stiffness(), rel=1e-4)
    assert max(lost) == pytest.approx(plane.lagging_stiffness(), rel=1e-4)


def test_all_of_a_stop_or_a_bouc_wen_element_lags() -> None:
    slips = MaxwellSlip(np.array([0.1, 0.3]), np.array([0.02, 0.05]))
    smooth = BoucWen(0.07, 0.2, sigma=0.7, exponent=1.5, pinching=0.25)
    for memory in (slips, smooth):
        far = np.concatenate([np.linspace(0, 40, 4001), [40 - 1e-7]])
        torque, _ = memory.torque(far, np.ones(far.size), memory.rest())
        early, late = torque[1:3], torque[-3:-1]
        # at the far end the torque no longer rises: all that a small move met is lost
        assert abs(late[1] - late[0]) < 1e-9 * abs(early[1] - early[0])
        assert memory.lagging_stiffness() == memory.small_signal_stiffness() > 0
