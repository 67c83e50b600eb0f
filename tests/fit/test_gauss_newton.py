"""The minimiser on problems whose answer is known without it: linear algebra, SciPy, conditions of
a minimum. Certified problems: tests/published/test_nist_strd.py."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from hysteresis.fit.gauss_newton import minimise, solve_boxed

EPS = float(np.finfo(float).eps)
T = np.linspace(0.0, 4.0, 60)


def decay(x, slopes):
    """x0 e^(−x1 t) + x2, with derivatives."""
    e = np.exp(-x[1] * T)
    return x[0] * e + x[2], np.column_stack([e, -x[0] * T * e, np.ones_like(T)]) if slopes else None


def readings(seed: int = 3) -> np.ndarray:
    return decay(np.array([2.0, 1.3, 0.4]), False)[0] + 0.05 * np.random.default_rng(
        seed
    ).standard_normal(T.size)


FREE = np.zeros(3, bool)
START = np.array([1.0, 0.5, 0.0])
SIGMA = np.full(T.size, 0.05)
FINE = (0.0, 1e-13)


def off(cost: float, root: np.ndarray) -> np.ndarray:
    """How far each unknown may be off when gains end at 1e-13 of the cost: ten times
    √(2 gain) standard deviations (linear convergence)."""
    return 10 * np.sqrt(2e-13 * cost) * np.sqrt(np.sum(np.linalg.inv(root) ** 2, axis=1))


def test_a_linear_problem_with_linked_priors_is_plain_algebra() -> None:
    """Rows of a prior that links neighbours (second differences) stand below the data's rows."""
    rng = np.random.default_rng(1)
    matrix, target = rng.standard_normal((40, 8)), rng.standard_normal(40)
    link = 3.0 * np.diff(np.eye(8), 2, axis=0)
    wanted = rng.standard_normal(6)
    sigma = rng.uniform(0.5, 2.0, 40)
    found = minimise(
        lambda x, slopes: (matrix @ x, matrix if slopes else None), np.zeros(8), target, sigma,
        not_negative=np.zeros(8, bool), prior_rows=(link, wanted), enough=FINE,
    )  # fmt: skip
    rows = np.vstack([matrix / sigma[:, None], link])
    exact, square, _, _ = np.linalg.lstsq(rows, np.concatenate([target / sigma, wanted]))
    assert found.converged
    np.testing.assert_allclose(found.at, exact, atol=off(found.cost, found.root).max())
    assert 2 * found.cost == pytest.approx(float(square[0]), rel=1e-12)
    np.testing.assert_allclose(found.root.T @ found.root, rows.T @ rows, atol=1e-12)


@pytest.mark.parametrize("bend", [False, True])
@pytest.mark.parametrize("huber", [np.inf, 1.0])
def test_the_minimum_is_that_of_scipy(huber: float, bend: bool) -> None:
    """scipy.optimize.least_squares, a trust-region method: same cost, whatever the loss."""
    y = readings()
    y[::7] += 1.0  # outliers, for the robust loss
    found = minimise(decay, START, y, SIGMA, not_negative=FREE, huber=huber, enough=FINE, bend=bend)
    theirs = least_squares(
        lambda x: (y - decay(x, False)[0]) / SIGMA, START, ftol=1e-15, xtol=1e-15, gtol=1e-12,
        loss="linear" if np.isinf(huber) else "huber", f_scale=min(huber, 1e9),
    )  # fmt: skip
    assert found.converged
    assert found.cost == pytest.approx(theirs.cost, rel=1e-11)
    # Huber's weights make the convergence linear; ten times ten
    np.testing.assert_allclose(found.at, theirs.x, atol=10 * off(found.cost, found.root).max())


def test_bounds_hold_and_the_rest_is_at_its_best() -> None:
    """Against scipy's bounded trust region; an unknown at its bound is not free."""
    y = readings()
    upper = np.array([1.5, np.inf, np.inf])
    low = np.array([-np.inf, -np.inf, 0.0])
    shifted = y - 0.6  # the constant would be negative
    found = minimise(decay, START, shifted, SIGMA, not_negative=low == 0, upper=upper, enough=FINE)
    theirs = least_squares(
        lambda x: (shifted - decay(x, False)[0]) / SIGMA, np.array([1.0, 0.5, 0.1]),
        bounds=(low, upper), ftol=1e-15, xtol=1e-15, gtol=1e-14, max_nfev=2000,
    )  # fmt: skip
    assert found.converged
    np.testing.assert_array_equal(found.free, [False, True, False])
    np.testing.assert_array_equal(found.at[[0, 2]], [1.5, 0.0])
    assert found.cost <= theirs.cost * (1 + 1e-12)
    assert found.at[1] == pytest.approx(theirs.x[1], rel=1e-4)  # their walls repel a little


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 9))
def test_a_boxed_linear_problem_meets_the_conditions_of_its_minimum(seed: int, n: int) -> None:
    """Slope zero where free, outward at a bound: enough, as the problem is convex."""
    rng = np.random.default_rng(seed)
    matrix = rng.standard_normal((n + 3, n)) * 10.0 ** rng.uniform(-4, 4, n)
    target = rng.standard_normal(n + 3)
    not_negative = rng.random(n) < 0.6
    free = np.linalg.lstsq(matrix, target)[0]
    upper = np.where(rng.random(n) < 0.6, np.abs(free) * rng.uniform(0.1, 2.0, n), np.inf)
    x = solve_boxed(matrix, target, not_negative, upper)
    assert (x[not_negative] >= 0).all() and (x <= upper).all()
    size = np.linalg.norm(matrix, axis=0)
    slope = (matrix / size).T @ (matrix @ x - target)
    trifle = 100 * EPS * np.linalg.cond(matrix / size) * np.linalg.norm(target)
    at_low, at_high = not_negative & (x == 0), x == upper
    assert (slope[at_low] >= -trifle).all() and (slope[at_high] <= trifle).all()
    assert (np.abs(slope[~at_low & ~at_high]) <= trifle).all()


def test_rows_without_a_reading_or_an_error_bar_are_left_out() -> None:
    y, sigma = readings(), SIGMA.copy()
    y[::3], sigma[1::5] = np.nan, np.inf
    keep = np.isfinite(y) & np.isfinite(sigma)
    found = minimise(decay, START, y, sigma, not_negative=FREE, enough=FINE)

    def kept(x, slopes):
        values, jacobian = decay(x, slopes)
        return values[keep], jacobian[keep] if slopes else None

    alone = minimise(kept, START, y[keep], sigma[keep], not_negative=FREE, enough=FINE)
    np.testing.assert_allclose(found.at, alone.at, rtol=1e-13)
    np.testing.assert_array_equal(np.isnan(found.residual), np.isnan(y))


def test_wrong_derivatives_are_told() -> None:
    """A slope of the wrong sign promises a gain that no step brings: not converged."""

    def wrong(x, slopes):
        values, jacobian = decay(x, slopes)
        return values, -jacobian if slopes else None

    found = minimise(wrong, START, readings(), SIGMA, not_negative=FREE)
    assert not found.converged
    np.testing.assert_array_equal(found.at, START)


def test_steps_that_run_out_are_told_and_every_step_lowers_the_cost() -> None:
    costs: list[float] = []
    found = minimise(decay, START, readings(), SIGMA, not_negative=FREE, enough=FINE,
                     progress=lambda n, cost: costs.append(cost))  # fmt: skip
    assert found.converged and (np.diff(costs) < 0).all() and costs[-1] == found.cost
    short = minimise(decay, START, readings(), SIGMA, not_negative=FREE, enough=FINE, steps=2)
    assert not short.converged and short.iterations == 2 and short.cost == costs[1]


def test_what_cannot_be_meant_is_refused() -> None:
    y = readings()
    for bad in (
        {"upper": np.array([1.0, 0.0, 1.0]), "not_negative": np.ones(3, bool)},
        {"prior_rows": (np.eye(2), np.zeros(2))},
        {"upper": np.ones(2)},
    ):
        with pytest.raises(ValueError):
            minimise(decay, START, y, SIGMA, **{"not_negative": FREE, **bad})
    with pytest.raises(ValueError):
        minimise(decay, START, y, SIGMA[:-1], not_negative=FREE)
    with pytest.raises(ValueError, match="not finite at the start"):
        minimise(lambda x, s: (T + np.inf, np.ones((60, 3))), START, y, SIGMA, not_negative=FREE)
