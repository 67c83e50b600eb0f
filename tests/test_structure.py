"""Which unknowns a fit has, and how they reach the model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hysteresis.fit.predict import _axis_columns
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
from hysteresis.operators.preisach import cell_indices
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
    np.testing.assert_allclose(
        own.shorten(columns, short), columns @ own.spread, rtol=1e-14, atol=1e-14
    )


def test_a_power_law_moves_all_branches_by_two_unknowns() -> None:
    """Derivatives against central differences: error ε² times the third derivative, below 100."""
    own = layout(Recipe(relaxation_times_s=(0.1, 1.0, 10.0, 100.0), after_effect="power"))
    short = np.full(len(own.names), 0.02)
    short[own.index("x_branch_exponent")] = 0.2
    columns = np.eye(own.base.size)
    slopes = own.shorten(columns, short)
    small = 1e-5
    for k in range(short.size):
        step = small * (np.arange(short.size) == k)
        numeric = (own.full(short + step) - own.full(short - step)) / (2 * small)
        np.testing.assert_allclose(slopes[:, k], numeric, rtol=0, atol=100 * small**2)


def test_neighbouring_cells_of_a_plane_are_expected_to_be_alike() -> None:
    """An even density costs nothing; a single full cell does."""
    own = layout(KINDS["preisach"])
    rows, expected = own.prior_rows()
    node = np.array(KINDS["preisach"].nodes)
    i, j = cell_indices(node.size - 1)
    area = np.diff(node)[i] * np.diff(node)[j] * np.where(i == j, 0.5, 1.0)
    short = np.zeros(len(own.names))
    for axis in "xy":
        for k in range(area.size):
            short[own.index(f"{axis}_cell_{k + 1:03d}")] = 0.3 * area[k]
    own_rows = own.smooth_rows
    assert len(own_rows) and len(rows) == len(expected) == len(own_rows) + len(short)
    np.testing.assert_allclose(own_rows @ short, 0.0, atol=1e-12)
    short[own.index("x_cell_003")] += 0.1
    assert np.abs(own_rows @ short).max() > 0.1


def test_what_a_recipe_leaves_out_has_no_unknown() -> None:
    names = set(layout(RECIPES["nothing"]).names)
    assert names == {"x_k1", "y_k1", "offset_x_mm", "offset_y_mm"}
    assert "x_branch_all" in layout(RECIPES["log"]).names
    everything = set(layout(RECIPES["everything"]).names)
    assert {"x_heat1", "y_inertia", "x_history_02", "tilt_y_per_mm", "clock_drift",
            "drift_y_mm"} <= everything  # fmt: skip


KINDS = {
    "maxwell-slip": RECIPES["everything"],
    "preisach": replace(RECIPES["everything"], memory="preisach", smoothness=1.0,
                        nodes=(-1.2, -0.5, -0.2, 0.0, 0.2, 0.5, 1.2)),
    "bouc-wen": replace(RECIPES["everything"], memory="bouc-wen"),
    "drive chain": replace(RECIPES["everything"], droop=True, lag=True, saturation=True),
    "compliance": Recipe("compliance", slip_limits=LIMITS, relaxation_times_s=TIMES, history=True),
}  # fmt: skip
MEMORY = {
    "preisach": list(0.01 + 0.02 * np.random.default_rng(3).uniform(size=21)),
    "bouc-wen": [0.3, 0.15, 0.7, 1.6, 0.05, 0.2],
}


@pytest.mark.parametrize("kind", KINDS)
def test_full_parameters_are_in_the_order_of_the_derivatives(kind: str) -> None:
    """Build an axis from distinct full parameters and move each: the column of that place is the
    derivative. Central differences: error ε² and rounding / ε."""
    recipe = KINDS[kind]
    own = layout(recipe)
    memory = MEMORY.get(kind, [0.1, 0.2, 0.05])
    if kind == "compliance":
        part = np.array([0.9, 0.03, 0.04, *memory, 0.03, 0.07, 0.01, -0.02])
    else:
        part = np.array([0.9, 0.03, 0.04, 0.01, 0.02, 1e-3, 2e-5,  # SHAPE
                         *memory, 0.03, 0.07, 0.01, -0.02])  # fmt: skip
        assert len(SHAPE) == LINEAR
    if recipe.chain:
        part = np.append(part, [0.4, 2e-3, 0.1])
    assert part.size == own.per_axis
    t = np.arange(1, 401) * 5e-3
    drive, steps = 0.6 * np.sin(3.1 * t) + 0.2 * np.sin(17 * t), np.full(t.size, 5e-3)

    def run(values):
        axis, history = axis_from_full(recipe, values)
        return axis.deflection(drive, steps, axis.branch_state(history))[0]

    theta, slope = _axis_columns(own, part, drive, steps, True)
    # in compliance form a history fades exactly, here as in the state: to rounding
    np.testing.assert_allclose(theta, run(part), rtol=0, atol=1e-13)
    assert slope is not None and slope.shape[1] == part.size
    for p in range(part.size):
        small = 1e-6 * max(abs(part[p]), 1e-3)
        up, down = part.copy(), part.copy()
        up[p] += small
        down[p] -= small
        numeric = (run(up) - run(down)) / (2 * small)
        size = np.abs(numeric).max()
        close = np.abs(slope[:, p] - numeric) <= 1e-4 * size + 1e-14 / small
        # an element may start to slip between the two runs: few samples, and no others
        assert np.mean(close) > 0.97, full_names(recipe)[p]
        assert size > 0


def test_negative_weights_are_cut_and_a_branch_keeps_a_trace() -> None:
    """A step of the fit may overshoot its bound by rounding: the model stays passive."""
    recipe = Recipe(slip_limits=(0.1,), relaxation_times_s=(1.0,), history=True)
    part = np.array([1.0, 0, 0, 0, 0, 0, 0, -1e-18, -1e-18, 2e-10])
    axis, stretch = axis_from_full(recipe, part)
    assert axis.friction.stiffness[0] == 0.0
    assert axis.after_effect.stiffness[0] == TRACE
    assert stretch[0] == pytest.approx(0.2)
