"""Which unknowns a fit has, and how they reach the model."""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.fit.structure import (
    CLOCK,
    DRIFT,
    SHAPE,
    TRACE,
    Recipe,
    axis_from_full,
    full_names,
    layout,
)
from hysteresis.kernels.torque_balance import LINEAR
from hysteresis.optics import FREE

LIMITS, TIMES = (0.05, 0.2, 0.6), (0.1, 3.0)
RECIPES = {
    "nothing": Recipe(curve=False, coupling=False),
    "friction": Recipe(slip_limits=LIMITS),
    "spectrum": Recipe(slip_limits=LIMITS, relaxation_times_s=TIMES),
    "log": Recipe(slip_limits=LIMITS, relaxation_times_s=TIMES, after_effect="log"),
    "everything": Recipe(
        slip_limits=LIMITS, relaxation_times_s=TIMES, heating=True, dynamics=True, history=True,
        tilt=True, clock=True, drift=True,
    ),
}  # fmt: skip
every_recipe = pytest.mark.parametrize("recipe", RECIPES.values(), ids=RECIPES.keys())


@every_recipe
def test_shapes_and_names_belong_together(recipe: Recipe) -> None:
    own = layout(recipe)
    every = full_names(recipe)
    short, full = len(own.names), len(every)
    assert len(set(own.names)) == short
    assert len(set(every)) == full == 2 * own.per_axis + len(FREE) + len(CLOCK) + len(DRIFT)
    assert own.base.shape == (full,)
    assert own.spread.shape == (full, short)
    for column in (own.not_negative, own.prior_mean, own.prior_sd):
        assert column.shape == (short,)
    assert np.all(own.prior_sd > 0)
    for k, name in enumerate(own.names):
        assert own.index(name) == k
    with pytest.raises(KeyError):
        own.index("x_nothing")


@every_recipe
def test_every_unknown_moves_something_and_no_two_the_same(recipe: Recipe) -> None:
    own = layout(recipe)
    assert np.linalg.matrix_rank(own.spread) == len(own.names)
    # one unknown per full parameter at most
    assert np.all(np.count_nonzero(own.spread, axis=1) <= 1)


@every_recipe
def test_a_single_unknown_moves_the_full_parameter_of_its_name(recipe: Recipe) -> None:
    own, every = layout(recipe), full_names(recipe)
    for k, name in enumerate(own.names):
        moved = {every[i] for i in np.flatnonzero(own.spread[:, k])}
        if name.endswith("_branch_all"):
            axis = name[0]
            assert moved == {f"{axis}_branch_{m:02d}" for m in range(1, len(TIMES) + 1)}
        else:
            assert moved == {name}


@every_recipe
def test_weights_are_bounded_and_shapes_are_not(recipe: Recipe) -> None:
    own = layout(recipe)
    for name, bounded in zip(own.names, own.not_negative, strict=True):
        kind = name.split("_", 1)[1] if name[:2] in ("x_", "y_") else name
        weight = kind.startswith(("k1", "slip", "branch", "damping", "inertia"))
        assert bounded == weight, name


@every_recipe
def test_shortened_derivatives_are_the_chain_rule(recipe: Recipe) -> None:
    """full = base + spread · short, hence d/dshort = d/dfull · spread, for any function."""
    own = layout(recipe)
    rng = np.random.default_rng(0)
    short = rng.normal(size=len(own.names))
    np.testing.assert_allclose(own.full(short), own.base + own.spread @ short, rtol=1e-15)
    columns = rng.normal(size=(11, own.base.size))
    np.testing.assert_allclose(own.shorten(columns), columns @ own.spread, rtol=1e-14, atol=1e-14)


def test_what_a_recipe_leaves_out_has_no_unknown() -> None:
    names = set(layout(RECIPES["nothing"]).names)
    assert names == {"x_k1", "y_k1", "offset_x_mm", "offset_y_mm"}
    assert "x_branch_all" in layout(RECIPES["log"]).names
    everything = set(layout(RECIPES["everything"]).names)
    assert {"x_heat1", "y_inertia", "x_history_02", "tilt_y_per_mm", "clock_drift",
            "drift_y_mm"} <= everything  # fmt: skip


def test_full_parameters_are_in_the_order_of_the_sensitivities() -> None:
    """Build an axis from distinct full parameters and move each: the kernel's column of that place
    is the derivative. History is a torque, the kernel's column a stretch: torque = stiffness times
    stretch. Central differences: error ε² and rounding / ε."""
    recipe = RECIPES["everything"]
    own = layout(recipe)
    part = np.array([0.9, 0.03, 0.04, 0.01, 0.02, 1e-3, 2e-5,  # SHAPE
                     0.1, 0.2, 0.05, 0.03, 0.07, 0.01, -0.02])  # fmt: skip
    assert part.size == own.per_axis == LINEAR + len(LIMITS) + 2 * len(TIMES)
    assert len(SHAPE) == LINEAR
    t = np.arange(1, 401) * 5e-3
    drive, steps = 0.6 * np.sin(3.1 * t) + 0.2 * np.sin(17 * t), np.full(t.size, 5e-3)

    def run(values):
        axis, stretch = axis_from_full(recipe, values)
        return axis.deflection(drive, steps, axis.branch_state(stretch))[0]

    axis, stretch = axis_from_full(recipe, part)
    assert axis.elastic.linear == 0.9
    assert axis.heating.softening == (0.01, 0.02)
    assert axis.dynamics.inertia_s2 == 2e-5
    np.testing.assert_array_equal(axis.friction.stiffness, part[7:10])
    np.testing.assert_array_equal(axis.after_effect.stiffness, part[10:12])
    np.testing.assert_allclose(stretch, [0.01 / 0.03, -0.02 / 0.07], rtol=1e-15)
    _, slope = axis.deflection_with_slopes(drive, steps, axis.branch_state(stretch))
    by_stretch = slope[:, -2:]
    slope[:, 10:12] -= by_stretch * stretch / part[10:12]
    slope[:, -2:] = by_stretch / part[10:12]
    for p in range(part.size):
        small = 1e-6 * max(abs(part[p]), 1e-3)
        up, down = part.copy(), part.copy()
        up[p] += small
        down[p] -= small
        numeric = (run(up) - run(down)) / (2 * small)
        size = np.abs(numeric).max()
        close = np.abs(slope[:, p] - numeric) <= 1e-4 * size + 1e-14 / small
        # an element may start to slip between the two runs: few samples, and no others
        assert np.mean(close) > 0.97, own.names
        assert size > 0


def test_negative_weights_are_cut_and_a_branch_keeps_a_trace() -> None:
    """A step of the fit may overshoot its bound by rounding: the model stays passive."""
    recipe = Recipe(slip_limits=(0.1,), relaxation_times_s=(1.0,), history=True)
    part = np.array([1.0, 0, 0, 0, 0, 0, 0, -1e-18, -1e-18, 2e-10])
    axis, stretch = axis_from_full(recipe, part)
    assert axis.friction.stiffness[0] == 0.0
    assert axis.after_effect.stiffness[0] == TRACE
    assert stretch[0] == pytest.approx(0.2)
