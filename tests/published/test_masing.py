"""Masing's rule: every later branch is the first loading curve, doubled in both directions.

Source: G. Masing, "Eigenspannungen und Verfestigung beim Messing", Proc. 2nd Int. Congress of
Applied Mechanics, Zürich 1926, 332-335 (from memory): after a reversal at (x_r, f_r)
f = f_r + 2 g((x − x_r)/2), g the initial curve. Exact for a bank of stops.
"""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.axis import AxisModel
from hysteresis.operators.elastic import Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip

EPS = np.finfo(float).eps
SLIPS = MaxwellSlip(np.array([0.1, 0.25, 0.5, 0.9]), np.array([1.0, 0.6, 0.4, 0.3]))
LINEAR = 0.5


def initial(x):
    """First loading from rest, written out: k₀ x + Σ kᵢ min(|x|, rᵢ), odd."""
    size = np.abs(x)
    total = LINEAR * size
    for k, r in zip(SLIPS.stiffness, SLIPS.limit, strict=True):
        total = total + k * np.minimum(size, r)
    return np.sign(x) * total


AXIS = AxisModel(Elastic(LINEAR), friction=SLIPS)
# a sum of five terms, along paths of some hundred steps, each rounded once
ROUNDING = 500 * EPS * 3


def torque(x) -> np.ndarray:
    return AXIS.drive(np.asarray(x, float), 1.0)[0]


def leg(a: float, b: float, samples: int = 80) -> np.ndarray:
    return a + (b - a) * np.arange(1, samples + 1) / samples


def test_initial_curve() -> None:
    x = leg(0.0, 1.3)
    np.testing.assert_allclose(torque(x), initial(x), atol=ROUNDING)
    np.testing.assert_allclose(torque(-x), -initial(x), atol=ROUNDING)
    both = np.concatenate([x, -x])
    np.testing.assert_allclose(
        LINEAR * both + SLIPS.initial_curve(both), initial(both), atol=ROUNDING
    )


@pytest.mark.parametrize("turns", [(0.8, -0.8), (0.3, -0.3), (1.2, -1.2), (0.8, -0.8, 0.8)])
def test_branches_between_equal_extremes(turns) -> None:
    path, x_r = leg(0.0, turns[0]), turns[0]
    f_r = initial(x_r)
    for x in turns[1:]:
        branch = leg(x_r, x)
        path = np.concatenate([path, branch])
        got = torque(path)[-branch.size :]
        np.testing.assert_allclose(got, f_r + 2 * initial((branch - x_r) / 2), atol=ROUNDING)
        x_r, f_r = x, got[-1]


def test_branches_of_a_decaying_family() -> None:
    """Each reversal smaller than the last: the rule holds from every one of them."""
    x_r, path = 0.0, np.zeros(1)
    f_r, rule, last = 0.0, initial, 0.0
    for turn in (1.1, -0.9, 0.7, -0.55, 0.4, -0.2, 0.1):
        branch = leg(x_r, turn)
        path = np.concatenate([path, branch])
        got = torque(path)[-branch.size :]
        wanted = rule(branch) if last == 0.0 else f_r + 2 * initial((branch - x_r) / 2)
        np.testing.assert_allclose(got, wanted, atol=ROUNDING)
        x_r, f_r, last = turn, got[-1], turn


def test_a_minor_loop_closes_and_is_forgotten() -> None:
    """Down to a smaller turn and back up: the loop closes at the turn it left, and the major
    branch goes on as though the minor loop had not been."""
    major = np.concatenate([leg(0, -1.0), leg(-1.0, 0.4)])
    minor = np.concatenate([major, leg(0.4, 0.1), leg(0.1, 0.4)])
    assert torque(minor)[-1] == pytest.approx(torque(major)[-1], abs=ROUNDING)
    onward = leg(0.4, 0.9)
    with_loop = torque(np.concatenate([minor, onward]))[-onward.size :]
    without = torque(np.concatenate([major, onward]))[-onward.size :]
    np.testing.assert_allclose(with_loop, without, atol=ROUNDING)


def test_minor_loops_between_the_same_turns_are_congruent() -> None:
    """Whatever the past: the same two turns give a loop of the same shape (a bank of stops is a
    Preisach operator: Mayergoyz, Mathematical Models of Hysteresis, from memory)."""
    shapes = []
    for past in ([], [1.0], [-1.0], [1.2, -0.7], [-0.2, 0.9, -0.5]):
        path, at = np.zeros(1), 0.0
        for turn in [*past, 0.5, 0.1]:
            path, at = np.concatenate([path, leg(at, turn)]), turn
        loop = np.concatenate([leg(0.1, 0.5), leg(0.5, 0.1)])
        got = torque(np.concatenate([path, loop]))[-loop.size :]
        shapes.append(got - got[-1])
    for shape in shapes[1:]:
        np.testing.assert_allclose(shape, shapes[0], atol=ROUNDING)


def test_masing_holds_for_the_angle_under_drive_as_well() -> None:
    """The inverse of a bank of stops is a bank of plays, and obeys the same rule with its own
    initial curve: angle over drive."""
    first = np.linspace(0, 1.2, 200)[1:]
    curve, _ = AXIS.deflection(first, 1.0)
    x = np.linspace(0, 3, 20001)
    inverse = lambda f: np.sign(f) * np.interp(np.abs(f), initial(x), x)  # noqa: E731
    # the table is of straight pieces, as the curve is: exact but next to a knee
    np.testing.assert_allclose(curve, inverse(first), atol=3 / 20000)
    down = leg(1.2, -1.2)
    branch = AXIS.deflection(np.concatenate([first, down]), 1.0)[0][-down.size :]
    halves, _ = zip(*(AXIS.deflection([(1.2 - u) / 2], 1.0) for u in down), strict=True)
    wanted = curve[-1] - 2 * np.concatenate(halves)
    # the solver's own tolerance, 2e-16 (1 + |θ|), and rounding along the path
    np.testing.assert_allclose(branch, wanted, atol=ROUNDING)
