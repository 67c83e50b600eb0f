"""Planes from reversal curves: self-recovery on torques, both sides, and what is refused.

Curves made by the Preisach torque itself: this shows that the fit finds what it is meant to find,
not that a rig is a Preisach plane. The judgement on measured curves is in
tests/published/test_forc_measured.py.
"""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.errors import DataError
from hysteresis.fit.reversal_curves import (
    Curve,
    choose_plane,
    fit_plane,
    graded_nodes,
    mixed_difference,
)
from hysteresis.operators.preisach import RESISTS, Preisach, cell_indices

EPS = np.finfo(float).eps
NODE = graded_nodes(1.0, 12)


def plane(node: np.ndarray = NODE) -> Preisach:
    """A smooth density, large in the middle."""
    i, j = cell_indices(node.size - 1)
    middle = (node[1:] + node[:-1]) / 2
    area = np.diff(node)[i] * np.diff(node)[j] * np.where(i == j, 0.5, 1.0)
    density = np.exp(-((middle[i] - 0.2) ** 2 + (middle[j] + 0.2) ** 2) / 0.3)
    return Preisach(node, 0.3 * density * area)


def family(reversals: np.ndarray, side: float, points: int = 40) -> list[Curve]:
    """Torque and a spring along curves from saturation on one side, through the operator alone."""
    made = plane()
    curves = []
    for r in reversals:
        at = np.linspace(r, side, points)
        path = np.concatenate([[1.5 * side], at])
        torque, _ = made.torque(path, np.ones(path.size), made.rest())
        curves.append(Curve(at, torque[1:] + 0.8 * at + 0.05))
    return curves


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_self_recovery_of_a_torque_from_curves_of_either_side(side: float) -> None:
    """Curves come back; what is left is the smoothing that the small weight does.

    At the true masses the fit's target is weight² × roughness², so its residual is at most weight
    × roughness; columns are at most 2 (masses) and 1 (rises) and the rows of roughness have their
    norm. Held-out curves lie between fitted ones and see the same cells: ten times that."""
    reversals = -side * np.linspace(-0.9, 0.95, 25)
    curves = family(reversals, side)
    fit = fit_plane(curves[::2], NODE, 1e-6, RESISTS)
    held = np.sqrt(np.mean(fit.errors(curves[1::2]) ** 2))
    mass, rise = plane().mass, 0.8 * np.diff(NODE)
    bound = 1e-6 * (2 * mass.size**0.5 * np.linalg.norm(mass) + 12**0.5 * np.linalg.norm(rise))
    print(f"self-recovery, side {side:+.0f}: {fit.rms:.1e}, held out {held:.1e}, bound {bound:.1e}")
    assert fit.rms <= bound
    assert held <= 10 * bound
    assert np.all(fit.mass >= 0)
    assert np.all(fit.rise >= 0)


def test_the_weight_is_chosen_by_held_out_curves() -> None:
    """With noise, the chosen weight is the one of the list that does best on curves nobody used,
    or its error is within a tenth of that one's."""
    rng = np.random.default_rng(3)
    noisy = [
        Curve(c.at, c.value + 2e-3 * rng.normal(size=c.at.size))
        for c in family(np.linspace(-0.9, 0.9, 18), 1.0, 25)
    ]
    fresh = family(np.linspace(-0.85, 0.85, 17), 1.0, 25)
    weights = (1e-4, 1e-2, 1e-1, 1.0)
    chosen = choose_plane(noisy, NODE, weights, RESISTS)
    by_weight = [
        np.sqrt(np.mean(fit_plane(noisy, NODE, w, RESISTS).errors(fresh) ** 2)) for w in weights
    ]
    own = np.sqrt(np.mean(chosen.errors(fresh) ** 2))
    assert own <= 1.1 * min(by_weight)
    assert own < max(by_weight)


def test_grading_keeps_symmetry_and_ends() -> None:
    node = graded_nodes(0.7, 10, 0.25)
    np.testing.assert_array_equal(node, -node[::-1])
    assert node[-1] == 0.7
    assert np.all(np.diff(node[5:], 2) > 0)


def test_curves_that_say_nothing_are_refused() -> None:
    curves = family(np.linspace(-0.5, 0.5, 4), 1.0)
    with pytest.raises(DataError, match="reversal"):
        fit_plane([curves[0], curves[0]], NODE, 0.1)
    with pytest.raises(DataError, match="too few"):
        choose_plane(curves, NODE, (0.1, 1.0))
    for weight in (0.0, -1.0, np.nan):
        with pytest.raises(ValueError, match="weight"):
            fit_plane(curves, NODE, weight)
    with pytest.raises(ValueError, match="one way"):
        Curve(np.array([0.0, 0.2, 0.1]), np.zeros(3))
    with pytest.raises(ValueError, match="equal length"):
        Curve(np.array([0.0, 0.2]), np.zeros(3))
    with pytest.raises(ValueError, match="smoothing"):
        mixed_difference(curves, 0)
    with pytest.raises(ValueError, match="side"):
        mixed_difference(curves + family(np.array([0.1]), -1.0), 1)
    with pytest.raises(ValueError, match="folds"):
        choose_plane(curves, NODE, (0.1,), folds=1)
