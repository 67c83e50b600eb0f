"""What holds for every Bouc-Wen element that can be made, and every path."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.kernels.bouc_wen_table import TOLERANCE
from hysteresis.operators.bouc_wen import BoucWen

some = settings(max_examples=60, deadline=None)
X, W = np.polynomial.legendre.leggauss(40)


@st.composite
def elements(draw) -> BoucWen:
    """The whole admissible set, its edges often."""
    number = st.floats
    return BoucWen(
        stiffness=draw(number(0.01, 3.0)),
        reach=draw(number(0.02, 3.0)),
        sigma=draw(st.sampled_from([0.5, 1.0]) | number(0.5, 1.0) | number(1.0, 4.0)),
        exponent=draw(st.sampled_from([1.0, 2.0, 3.0]) | number(1.0, 8.0)),
        asymmetry=draw(st.just(0.0) | number(-0.9, 0.9)),
        pinching=draw(st.just(0.0) | number(0.0, 0.9)),
        pinching_width=draw(number(0.05, 2.0)),
    )


corners = st.lists(st.floats(-1.0, 1.0), min_size=1, max_size=12).map(np.array)


def run(operator: BoucWen, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return operator.torque(theta, np.ones(theta.size), operator.rest())


def legs(vertices: np.ndarray, per_leg: int) -> np.ndarray:
    """Samples along straight legs from zero through the vertices."""
    start = np.concatenate(([0.0], vertices[:-1]))
    return (start[:, None] + np.diff(vertices, prepend=0.0)[:, None]
            * np.arange(1, per_leg + 1) / per_leg).ravel()  # fmt: skip


def stored(operator: BoucWen, z: float) -> float:
    """Energy that can be had back, ∫ k z dz / (dz/dθ on the way back). Derived: k z dθ − dW is
    zero on the way back and k z dθ (1 − F_out / F_back) ≥ 0 on the way out."""
    up, down = operator.limits()
    limit = up if z > 0 else down
    p = np.abs(z) / limit
    total = 0.0
    for low, high in ((0.0, 0.5 * p), (0.5 * p, p)):
        w = 0.5 * (low + high) + 0.5 * (high - low) * X
        h = 1.0 - operator.pinching * np.exp(-((w / operator.pinching_width) ** 2))
        back = h * (1.0 + (2.0 * operator.sigma - 1.0) * w**operator.exponent)
        total += 0.5 * (high - low) * float(np.sum(W * w / back))
    return operator.stiffness * limit**2 * total


@some
@given(elements(), corners)
def test_the_work_done_on_it_covers_what_it_can_give_back(operator, vertices) -> None:
    """Passive: from rest, ∫ torque dθ ≥ stored energy ≥ 0, for every path; so no closed cycle
    gives energy away. The trapezoidal rule's error: 4/3 of what halving changes for the coarse
    one, a third for the fine; doubled, as a kink inside a step can spoil the order."""
    work = []
    for per_leg in (400, 800):
        theta = legs(vertices, per_leg)
        torque, state = run(operator, theta)
        before = np.concatenate(([0.0], torque[:-1]))
        work.append(float(np.sum(0.5 * (torque + before) * np.diff(theta, prepend=0.0))))
    scale = operator.stiffness * max(operator.limits())
    rule = 2.0 / 3.0 * abs(work[1] - work[0]) + 1e-9 * scale
    travel = float(np.abs(np.diff(vertices, prepend=0.0)).sum())
    rounding = (1 + 2 * vertices.size) * TOLERANCE * scale * travel * 10
    energy = stored(operator, state[1])
    assert energy >= 0.0
    assert work[1] >= energy - rule - rounding


@some
@given(elements(), corners)
def test_the_stretch_stays_within_the_limits(operator, vertices) -> None:
    torque, _ = run(operator, np.concatenate([vertices * 5, vertices]))
    up, down = operator.limits()
    assert np.all(torque <= operator.stiffness * up * (1 + 1e-15))
    assert np.all(torque >= -operator.stiffness * down * (1 + 1e-15))


@some
@given(elements(), corners)
def test_only_the_reversals_count_not_the_samples_between(operator, vertices) -> None:
    coarse, _ = run(operator, vertices)
    fine, _ = run(operator, legs(vertices, 37))
    scale = operator.stiffness * max(operator.limits()) / (1.0 - operator.pinching)
    np.testing.assert_allclose(fine[36::37], coarse, rtol=0, atol=1e-12 * scale * vertices.size)


@some
@given(elements(), corners)
def test_torque_never_falls_while_the_angle_rises(operator, vertices) -> None:
    theta = legs(vertices, 60)
    torque, _ = run(operator, theta)
    move, change = np.diff(theta, prepend=0.0), np.diff(torque, prepend=0.0)
    assert np.all(change * np.sign(move) >= -4e-16 * operator.stiffness * max(operator.limits()))
    steepest = 2.0 * operator.sigma * operator.stiffness
    assert np.all(np.abs(change) <= steepest * np.abs(move) + 1e-10 * operator.stiffness)


@some
@given(elements(), corners)
def test_mirrored_sides_mirror_the_torque(operator, vertices) -> None:
    mirrored = replace(operator, asymmetry=-operator.asymmetry)
    np.testing.assert_array_equal(run(operator, vertices)[0], -run(mirrored, -vertices)[0])
