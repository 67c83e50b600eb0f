"""Covariances and robust weights of the fit against textbook formulas, SciPy and statsmodels.

statsmodels (BSD licence) is a general statistics library; where it is not installed its three
tests say so and the others still hold the same code to closed forms and to SciPy.
"""

from __future__ import annotations

import numpy as np
import pytest
from fitted_rigs import bench, observed
from scipy.optimize import least_squares

from hysteresis.fit.block_bootstrap import compressed, drawn_counts, refits
from hysteresis.fit.bounded import compress, solve_bounded
from hysteresis.fit.finish import Solution, finish
from hysteresis.fit.gauss_newton import minimise
from hysteresis.fit.structure import Recipe, layout
from hysteresis.fit.uncertainty import covariance, design_effect, standard_errors
from hysteresis.optics import nominal_optics
from hysteresis.recording import Grid
from hysteresis.tables import Floats

HUBER = 3.0


def general_library():
    """statsmodels' interface, or a skip that says what to install."""
    return pytest.importorskip(
        "statsmodels.api", reason="statsmodels is not installed: pip install statsmodels"
    )


def line(rows: int = 200, seed: int = 0) -> tuple[Floats, Floats, Floats]:
    """Matrix of a straight line, readings, and their standard deviations."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0, 10, rows))
    sigma = rng.uniform(0.1, 0.4, rows)
    matrix = np.column_stack([np.ones(rows), t, np.sin(t)])
    return matrix, matrix @ [1.0, 0.3, -0.5] + sigma * rng.standard_normal(rows), sigma


def with_wild(values: Floats, share: float = 0.1, seed: int = 1) -> Floats:
    rng = np.random.default_rng(seed)
    return values + np.where(rng.random(len(values)) < share, rng.uniform(-9, 9, len(values)), 0)


def linear(matrix: Floats):
    return lambda x, slopes: (matrix @ x, matrix if slopes else None)


def robust(matrix: Floats, values: Floats, sigma: Floats, huber: float = HUBER):
    """To rounding: stop only where a step changes the cost by less than 1e-14 of it."""
    size = matrix.shape[1]
    return minimise(
        linear(matrix), np.zeros(size), values, sigma, not_negative=np.zeros(size, bool),
        huber=huber, steps=300, enough=(0.0, 1e-14),
    )  # fmt: skip


# ---- textbook formulas -------------------------------------------------------------------------


def frames_of(x: Floats, y: Floats, sigma_mm: float):
    t = np.arange(len(x)) / 30
    return t, observed(t, x, y, "ladder/001", sigma_mm=sigma_mm, exposure_s=0.0)


def test_a_static_rig_has_the_covariance_of_its_normal_equations() -> None:
    """Gain, offset and drift of one axis by a whole fit, beside (JᵀJ/σ²)⁻¹ written out by hand.

    Spot y = d tan(2·a·θ) + offset + drift·τ with θ = u/k, so that ∂y/∂k = −2 a d θ / (k cos²),
    ∂y/∂offset = 1, ∂y/∂drift = τ (two mirrors, textbook). The design effect is divided out:
    it is tested elsewhere.
    """
    optics = bench().optics
    t = np.arange(0.0, 60.0, 1 / 30)
    u = 0.8 * np.sin(2 * np.pi * t / 7.0) + 0.1
    grid = Grid(t, np.diff(t, prepend=-1 / 30), u, 0.0 * u)
    grid = Grid(grid.t_s, grid.step_s, 0.0 * u, u)
    nominal = nominal_optics(optics)
    d = optics.plane_distance_mm
    twice = np.arctan(optics.full_scale_y_mm / d)
    tau = (t - 0.5 * (t[0] + t[-1])) / (t[-1] - t[0])
    rng = np.random.default_rng(3)
    k, offset, drift, sigma = 0.95, 0.7, 0.2, 0.05
    y = d * np.tan(twice * u / k) + offset + drift * tau + sigma * rng.standard_normal(len(t))
    seen = observed(t, np.full(len(t), np.nan), y, "ladder/001", sigma_mm=sigma, exposure_s=0.0)
    plan = layout(Recipe(curve=False, coupling=False, drift=True, axes="y"))
    names = ["y_k1", "offset_y_mm", "drift_y_mm"]
    assert set(plan.names) == set(names)
    short = np.zeros(3)
    short[plan.index("y_k1")] = 1.0
    solution = finish(plan, short, grid, seen, nominal)
    found = covariance(solution, seen) / design_effect(solution, seen)
    k = solution.short[plan.index("y_k1")]
    slope = -twice * d * u / k**2 / np.cos(twice * u / k) ** 2
    by_hand = np.linalg.inv(
        (lambda j: j.T @ j / sigma**2)(np.column_stack([slope, np.ones_like(t), tau]))
    )
    order = [plan.index(n) for n in names]
    scale = np.sqrt(np.outer(np.diag(by_hand), np.diag(by_hand)))
    # Huber's weights take the few residuals beyond 3 sigma (0.3 %) a little less
    np.testing.assert_allclose(found[np.ix_(order, order)] / scale, by_hand / scale, atol=2e-3)


def test_errors_of_a_straight_line_are_those_of_the_textbook() -> None:
    """var slope = σ²/Σ(t − t̄)², var intercept = σ² (1/n + t̄²/Σ(t − t̄)²), their covariance
    −t̄ σ²/Σ(t − t̄)² (any textbook of regression)."""
    rng = np.random.default_rng(5)
    t, sigma, rows = np.sort(rng.uniform(0, 10, 50)), 0.3, 50
    matrix = np.column_stack([np.ones(rows), t])
    root, _, _ = compress(matrix / sigma, np.zeros(rows))
    solution = solution_of(root, rows)
    _, seen = frames_of(np.zeros(rows), np.zeros(rows), 1.0)
    found = covariance(solution, seen)
    square = np.sum((t - t.mean()) ** 2)
    expected = sigma**2 * np.array(
        [[1 / rows + t.mean() ** 2 / square, -t.mean() / square], [-t.mean() / square, 1 / square]]
    )
    np.testing.assert_allclose(found, expected, rtol=1e-12)
    np.testing.assert_allclose(standard_errors(solution, seen), np.sqrt(np.diag(expected)))


def solution_of(root: Floats, rows: int) -> Solution:
    """A solution of two free unknowns, `root` given, whose residuals are nothing."""
    plan = layout(Recipe(curve=False, coupling=False, axes="y"))
    return Solution(plan, np.ones(2), np.zeros(rows), np.zeros(rows), root, 0.0, 1, True)


def test_robust_minimum_and_weights_are_those_of_scipy() -> None:
    """scipy.optimize.least_squares(loss='huber', f_scale=3), to its own tolerance of 1e-12 in the
    cost: 1e-6 in the unknowns."""
    matrix, values, sigma = line()
    values = with_wild(values)
    ours = robust(matrix, values, sigma)
    theirs = least_squares(
        lambda x: (matrix @ x - values) / sigma, np.zeros(3), jac=lambda x: matrix / sigma[:, None],
        loss="huber", f_scale=HUBER, xtol=1e-14, ftol=1e-14, gtol=1e-14,
    )  # fmt: skip
    np.testing.assert_allclose(ours.at, theirs.x, rtol=0, atol=1e-6)
    assert ours.cost == pytest.approx(theirs.cost, rel=1e-10)
    # weights min(1, 3/|z|) in the Hessian that the covariance is made of
    z = np.abs(values - matrix @ theirs.x) / sigma
    weight = np.minimum(1.0, HUBER / z) / sigma**2
    assert (z > HUBER).sum() > 5
    expected = (matrix * weight[:, None]).T @ matrix
    np.testing.assert_allclose(ours.root.T @ ours.root, expected, rtol=1e-5)


# ---- statsmodels -------------------------------------------------------------------------------


def test_weighted_least_squares_is_that_of_statsmodels() -> None:
    """WLS with known weights: estimates and normalised covariance, to 1e-9."""
    sm = general_library()
    matrix, values, sigma = line()
    ours = robust(matrix, values, sigma, huber=np.inf)
    theirs = sm.WLS(values, matrix, weights=1 / sigma**2).fit()
    np.testing.assert_allclose(ours.at, theirs.params, rtol=1e-9)
    two = matrix[:, :2]
    root, _, _ = compress(two / sigma[:, None], values / sigma)
    _, seen = frames_of(np.zeros(len(values)), np.zeros(len(values)), 1.0)
    found = covariance(solution_of(root, len(values)), seen)
    expected = sm.WLS(values, two, weights=1 / sigma**2).fit().normalized_cov_params
    np.testing.assert_allclose(found, expected, rtol=1e-9)


def test_robust_fit_is_the_m_estimator_of_statsmodels() -> None:
    """RLM with HuberT(3) and a scale held at one: estimates to its own tolerance, and its
    weights min(1, 3/|z|)."""
    sm = general_library()
    matrix, values, sigma = line()
    values = with_wild(values)
    model = sm.RLM(values / sigma, matrix / sigma[:, None], M=sm.robust.norms.HuberT(t=HUBER))
    model._estimate_scale = lambda *_: 1.0  # readings come with their sigma
    theirs = model.fit(maxiter=500, tol=1e-13, conv="coefs")
    ours = robust(matrix, values, sigma)
    np.testing.assert_allclose(ours.at, theirs.params, rtol=0, atol=1e-7)
    z = np.abs(ours.residual) / sigma
    np.testing.assert_allclose(np.minimum(1.0, HUBER / z), theirs.weights, rtol=1e-6)


def test_the_block_bootstrap_is_as_wide_as_the_cluster_robust_errors_of_statsmodels() -> None:
    """OLS(...).fit(cov_type='cluster') for 150 clusters that share errors; 3000 refits tell a
    standard deviation to 1/√6000, clusters agree to first order in 1/150."""
    sm = general_library()
    rng = np.random.default_rng(8)
    blocks, rows = 150, 4500
    block = np.arange(rows) * blocks // rows
    matrix = np.column_stack([np.ones(rows), rng.standard_normal(blocks)[block]])
    values = matrix @ [0.4, 1.0] + rng.standard_normal(blocks)[block]
    values += 0.5 * rng.standard_normal(rows)
    free = np.zeros(2, bool)
    short = solve_bounded(matrix, values, free)
    names = np.array([f"ladder/{k}" for k in range(blocks)], object)
    small = compressed(matrix, values, block, names, (np.zeros((0, 2)), np.zeros(0)), short, free,
                       np.full(2, np.inf))  # fmt: skip
    drawn = refits(small, drawn_counts(blocks, 3000, rng))
    theirs = sm.OLS(values, matrix).fit(
        cov_type="cluster", cov_kwds={"groups": block, "use_correction": False}
    )
    np.testing.assert_allclose(short, theirs.params, rtol=1e-10)
    assert np.std(drawn, axis=0) == pytest.approx(theirs.bse, rel=4 / np.sqrt(6000) + 4 / blocks)
