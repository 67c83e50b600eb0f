"""Bounded least squares against SciPy, and its compression against the definition."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import lsq_linear

from hysteresis.fit.bounded import compress, solve_bounded

EPS = np.finfo(float).eps
many = settings(max_examples=150, deadline=None)


@st.composite
def problems(draw):
    """A full-rank matrix with columns of very unequal length, a target, and who is bounded."""
    columns = draw(st.integers(1, 8))
    rows = draw(st.integers(columns, 40))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    matrix = rng.normal(size=(rows, columns)) * 10.0 ** rng.uniform(-4, 4, columns)
    target = matrix @ (rng.normal(size=columns) / np.linalg.norm(matrix, axis=0))
    target += draw(st.sampled_from([0.0, 1e-3, 1.0])) * rng.normal(size=rows)
    return matrix, target, rng.random(columns) < draw(st.sampled_from([0.0, 0.5, 1.0]))


@many
@given(problems())
def test_solve_bounded_is_the_minimum_scipy_finds(problem) -> None:
    """scipy.optimize.lsq_linear (bounded-variable least squares) on unit columns: the same
    minimum, to rounding times the condition of the scaled matrix."""
    matrix, target, not_negative = problem
    x = solve_bounded(matrix, target, not_negative)
    assert np.all(x[not_negative] >= 0.0)
    size = np.linalg.norm(matrix, axis=0)
    lower = np.where(not_negative, 0.0, -np.inf)
    other = lsq_linear(matrix / size, target, (lower, np.inf), method="bvls", tol=1e-14)
    condition = np.linalg.cond(matrix / size)
    bound = 256 * EPS * condition**2 * (1 + np.linalg.norm(target))
    np.testing.assert_allclose(x * size, other.x, rtol=0, atol=max(bound, 1e-12))
    cost = 0.5 * np.sum((matrix @ x - target) ** 2)
    assert cost <= other.cost * (1 + 1e-12) + bound**2 + EPS


@many
@given(problems())
def test_the_solution_meets_the_conditions_of_the_minimum(problem) -> None:
    """Karush-Kuhn-Tucker: no slope along what moves freely, none downhill into the bound."""
    matrix, target, not_negative = problem
    x = solve_bounded(matrix, target, not_negative)
    size = np.linalg.norm(matrix, axis=0)
    slope = (matrix / size).T @ (matrix @ x - target)
    bound = 256 * EPS * np.linalg.cond(matrix / size) * (1 + np.linalg.norm(target)) * len(target)
    held = not_negative & (x == 0.0)
    assert np.all(np.abs(slope[~held]) <= bound)
    assert np.all(slope[held] >= -bound)


@many
@given(problems(), st.integers(0, 2**32))
def test_compressing_loses_nothing(problem, seed) -> None:
    """‖A x − b‖² = ‖R x − c‖² + rest at every x, and hence the same bounded minimum."""
    matrix, target, not_negative = problem
    r, rotated, rest = compress(matrix, target)
    columns = matrix.shape[1]
    assert r.shape == (columns, columns)
    assert rotated.shape == (columns,)
    assert rest >= 0.0
    np.testing.assert_array_equal(r, np.triu(r))
    size = np.linalg.norm(matrix, axis=0)
    rng = np.random.default_rng(seed)
    for _ in range(5):
        x = rng.normal(size=columns) / size
        whole = np.sum((matrix @ x - target) ** 2)
        small = np.sum((r @ x - rotated) ** 2) + rest
        # QR keeps lengths to a few roundings of the whole
        assert abs(whole - small) <= 1e3 * EPS * (whole + np.sum(target**2) + columns)
    condition = np.linalg.cond(matrix / size)
    np.testing.assert_allclose(
        solve_bounded(r, rotated, not_negative) * size,
        solve_bounded(matrix, target, not_negative) * size,
        rtol=0,
        atol=max(256 * EPS * condition**2 * (1 + np.linalg.norm(target)), 1e-12),
    )


def test_compressing_a_wide_problem_keeps_its_rows() -> None:
    """Fewer rows than unknowns: nothing to leave over."""
    rng = np.random.default_rng(0)
    matrix, target = rng.normal(size=(3, 5)), rng.normal(size=3)
    r, rotated, rest = compress(matrix, target)
    x = rng.normal(size=5)
    assert rest == 0.0
    whole, small = np.sum((matrix @ x - target) ** 2), np.sum((r @ x - rotated) ** 2)
    assert abs(whole - small) < 1e-13 * whole


def test_a_column_of_zeros_gets_zero_and_disturbs_nobody() -> None:
    rng = np.random.default_rng(1)
    matrix, target = rng.normal(size=(9, 4)), rng.normal(size=9)
    for bounded in (False, True):
        not_negative = np.array([True, bounded, False, True])
        with_zero = matrix.copy()
        with_zero[:, 1] = 0.0
        x = solve_bounded(with_zero, target, not_negative)
        rest = solve_bounded(matrix[:, [0, 2, 3]], target, not_negative[[0, 2, 3]])
        assert x[1] == 0.0
        np.testing.assert_allclose(x[[0, 2, 3]], rest, rtol=1e-12, atol=1e-14)
