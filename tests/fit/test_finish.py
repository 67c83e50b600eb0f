"""The exact finish: what it recovers, what it keeps to, and what a few wild frames do to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import EXPOSURE_S, FRAME_S, bench, observed
from scipy.integrate import solve_ivp
from verify_data import ladder, pattern_of

from hysteresis.fit.finish import Solution, finish
from hysteresis.fit.predict import predict
from hysteresis.fit.structure import Layout, Recipe, layout
from hysteresis.optics import nominal_optics
from hysteresis.recording import Observations, simulation_grid
from hysteresis.tables import Floats, Pattern

NOMINAL = nominal_optics(bench().optics)
RECIPE = Recipe(slip_limits=(0.05, 0.2, 0.6), relaxation_times_s=(0.1, 3.0), history=True)
TRUE = {
    "k1": 0.8, "k2": 0.02, "k3": 0.03, "slip_01": 0.1, "slip_02": 0.05, "slip_03": 0.0,
    "branch_01": 0.04, "branch_02": 0.06, "history_01": 0.0, "history_02": 0.004,
}  # fmt: skip


def walk() -> Pattern:
    """Excursions of several sizes, both signs, axes together and apart."""
    pieces = []
    for n, (x, y) in enumerate(
        [(0.8, 0.3), (-0.5, 0.7), (0.3, -0.8), (-0.9, -0.4), (0.6, 0.0), (0.0, 0.5)], 1
    ):
        pieces += ladder(n, (x, y), 2.0, 2.0)
    return pattern_of(pieces)


PATTERN = walk()
GRID = simulation_grid(
    PATTERN.t_s, PATTERN.drive_x, PATTERN.drive_y, fine_step_s=0.01, settle_s=0.0, growth=0.2
)
FRAMES = np.arange(0.0, PATTERN.t_s[-1] - EXPOSURE_S, FRAME_S)


def groups() -> np.ndarray:
    row = np.searchsorted(PATTERN.t_s, FRAMES, side="right") - 1
    return np.array(["/".join(s.split("/")[:2]) for s in PATTERN.segment[row]], object)


def true_short(plan: Layout) -> Floats:
    short = np.zeros(len(plan.names))
    for axis, scale in (("x", 1.0), ("y", 1.2)):
        for name, value in TRUE.items():
            short[plan.index(f"{axis}_{name}")] = value * (scale if "slip" in name else 1.0)
    for name, value in (("coupling_xy", 0.01), ("coupling_yx", -0.02), ("offset_x_mm", 0.7)):
        short[plan.index(name)] = value
    return short


def own_data(sigma_mm: float, noise_mm: float = 0.0, seed: int = 1) -> tuple[Layout, Observations]:
    """Frames of the very model that is fitted: for tests of the optimiser, and of nothing else."""
    plan = layout(RECIPE)
    blank = observed(FRAMES, np.zeros(len(FRAMES)), np.zeros(len(FRAMES)), groups())
    x, y, _ = predict(plan, true_short(plan), GRID, blank, NOMINAL, slopes=False)
    rng = np.random.default_rng(seed)
    x, y = (v + noise_mm * rng.standard_normal(len(v)) for v in (x, y))
    return plan, observed(FRAMES, x, y, groups(), sigma_mm=sigma_mm)


def first_guess(plan: Layout) -> Floats:
    """No memory, nominal gain."""
    short = np.zeros(len(plan.names))
    short[[plan.index("x_k1"), plan.index("y_k1")]] = 1.0
    return short


def rms(values: Floats) -> float:
    return float(np.sqrt(np.nanmean(values**2)))


def test_the_optimiser_recovers_the_model_that_made_the_data() -> None:
    """Own data, without noise: what is left is the pull of the priors, σ²/(sd² n) of each."""
    plan, seen = own_data(1e-3)
    solution = finish(plan, first_guess(plan), GRID, seen, NOMINAL)
    assert solution.converged
    assert rms(solution.residual_x_mm) < 1e-4 and rms(solution.residual_y_mm) < 1e-4
    np.testing.assert_allclose(solution.short, true_short(plan), atol=2e-3)
    # the element that is not there comes out as nothing
    assert solution.short[plan.index("x_slip_03")] < 1e-4


def test_bounds_are_kept_and_the_spring_stays_a_spring() -> None:
    plan, seen = own_data(0.02, 0.02)
    backwards = replace(seen, x_mm=-seen.x_mm)  # a coil connected the wrong way round
    for data in (seen, backwards):
        solution = finish(plan, first_guess(plan), GRID, data, NOMINAL)
        assert (solution.short[plan.not_negative] >= 0).all()
        assert solution.short[plan.index("x_k1")] >= 0.05
        assert np.isfinite(solution.short).all()
    assert rms(solution.residual_x_mm) > 10  # and it shows


def test_every_step_lowers_the_cost_and_an_early_stop_is_told() -> None:
    plan, seen = own_data(0.02, 0.02)
    costs: list[float] = []
    whole = finish(plan, first_guess(plan), GRID, seen, NOMINAL,
                   progress=lambda n, cost: costs.append(cost))  # fmt: skip
    assert len(costs) >= 2 and (np.diff(costs) < 0).all() and whole.cost == costs[-1]
    # noise alone: half a χ² of as many rows as there are, less the unknowns
    rows = 2 * len(seen)
    assert abs(2 * whole.cost / rows - 1) < 5 * np.sqrt(2 / rows) + len(plan.names) / rows
    short = finish(plan, first_guess(plan), GRID, seen, NOMINAL, steps=1)
    assert not short.converged and short.iterations == 1 and short.cost > whole.cost


def test_a_few_wild_frames_hardly_matter() -> None:
    """Robust loss: 5 % of frames tens of mm off move the fit by less than the noise of a frame."""
    plan, seen = own_data(0.02, 0.02)
    clean = finish(plan, first_guess(plan), GRID, seen, NOMINAL)
    rng = np.random.default_rng(7)
    x = seen.x_mm.copy()
    wild = rng.random(len(x)) < 0.05
    x[wild] += rng.uniform(-60, 60, wild.sum())
    spoiled = finish(plan, first_guess(plan), GRID, replace(seen, x_mm=x), NOMINAL)
    moved = (x - spoiled.residual_x_mm) - (seen.x_mm - clean.residual_x_mm)
    assert rms(moved) < 0.02
    assert np.median(np.abs(spoiled.residual_x_mm[~wild])) < 0.02


def test_rows_that_were_not_measured_are_left_out() -> None:
    plan, seen = own_data(0.02, 0.02)
    holes = np.arange(len(seen)) % 3 == 0
    x = np.where(holes, np.nan, seen.x_mm)
    solution = finish(plan, first_guess(plan), GRID, replace(seen, x_mm=x), NOMINAL)
    np.testing.assert_array_equal(np.isnan(solution.residual_x_mm), holes)
    assert np.isfinite(solution.residual_y_mm).all()
    np.testing.assert_allclose(solution.short, true_short(plan), atol=0.05)


# ---- against SciPy -----------------------------------------------------------------------------


def standard_solid(pattern: Pattern, u: Floats, *, k: float, branch: float, tau: float,
                   damping: float, inertia: float) -> tuple[Floats, Floats]:  # fmt: skip
    """inertia θ'' + damping θ' + k θ + branch s = u, s' = θ' − s/τ, by solve_ivp (RK45, 1e-9)."""

    def slope(t: float, state: Floats) -> list[float]:
        theta, omega, s = state
        push = np.interp(t, pattern.t_s, u) - damping * omega - k * theta - branch * s
        return [omega, push / inertia, omega - s / tau]

    at = np.arange(0.0, pattern.t_s[-1], 1e-3)
    done = solve_ivp(slope, (0, at[-1]), [0, 0, 0], t_eval=at, rtol=1e-9, atol=1e-10,
                     max_step=5e-3)  # fmt: skip
    return done.t, done.y[0]


def test_it_recovers_a_solid_whose_motion_scipy_worked_out() -> None:
    """Spring, after-effect, damping and inertia of SciPy's own solution of the same equations.

    Tolerance: steps of 1 ms lower a frequency by (ω h)² / 3, 0.2 % at 12 Hz, inertia twice that,
    and the grid after a corner is fine for 0.15 s only.
    """
    true = {"k": 0.9, "branch": 0.1, "tau": 0.5, "damping": 2e-3,
            "inertia": 1.0 / (2 * np.pi * 12.0) ** 2}  # fmt: skip
    pattern = pattern_of([p for n in (1, 2, 3) for p in ladder(n, (0.3 * n, 0.9 - 0.3 * n), 1.5)])
    recipe = Recipe(relaxation_times_s=(0.5,), curve=False, coupling=False, dynamics=True)
    plan = layout(recipe)
    frames = np.arange(0.0, pattern.t_s[-1] - EXPOSURE_S, FRAME_S)
    o = bench().optics
    spots = []
    for u in (pattern.drive_x, pattern.drive_y):
        t, theta = standard_solid(pattern, u, **true)
        within = [(t >= f - 1e-9) & (t <= f + EXPOSURE_S + 1e-9) for f in frames]
        spots.append(np.array([np.mean(theta[w]) for w in within]))
    d, e = o.plane_distance_mm, o.mirror_gap_mm
    y = d * np.tan(np.arctan(o.full_scale_y_mm / d) * spots[1])
    x = (e + np.hypot(d, y)) * np.tan(np.arctan(o.full_scale_x_mm / (e + d)) * spots[0])
    seen = observed(frames, x, y, "ladder/001", sigma_mm=0.01)
    grid = simulation_grid(pattern.t_s, pattern.drive_x, pattern.drive_y)
    short = first_guess(plan)
    for axis in "xy":
        short[plan.index(f"{axis}_inertia")] = 1.0 / (2 * np.pi * 14.0) ** 2
        short[plan.index(f"{axis}_damping")] = 1e-3
    solution: Solution = finish(plan, short, grid, seen, NOMINAL)
    for axis in "xy":
        for name, key, relative in (
            ("k1", "k", 2e-3), ("branch_01", "branch", 0.02),
            ("inertia", "inertia", 0.02), ("damping", "damping", 0.05),
        ):  # fmt: skip
            value = solution.short[plan.index(f"{axis}_{name}")]
            assert value == pytest.approx(true[key], rel=relative)
