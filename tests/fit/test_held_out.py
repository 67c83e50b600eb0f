"""Held-out residuals: each row is foretold by a fit that has not seen its group."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import observed

from hysteresis.fit.finish import finish
from hysteresis.fit.held_out import folds_of, held_out
from hysteresis.fit.predict import predict

from .test_finish import GRID, NOMINAL, first_guess, own_data, rms


@pytest.fixture(scope="module")
def fitted():
    plan, seen = own_data(0.02, 0.02)
    solution = finish(plan, first_guess(plan), GRID, seen, NOMINAL)
    return plan, seen, solution


def foretold(seen, held):
    return seen.x_mm - held.residual_x_mm, seen.y_mm - held.residual_y_mm


@pytest.mark.parametrize("fold", [0, 3])
def test_a_spoiled_group_does_not_change_its_own_prediction(fitted, fold: int) -> None:
    _, seen, solution = fitted
    before = held_out(solution, GRID, seen, NOMINAL)
    mine = before.fold == fold
    spoiled = replace(seen, x_mm=seen.x_mm + 5.0 * mine, y_mm=seen.y_mm - 3.0 * mine)
    after = held_out(solution, GRID, spoiled, NOMINAL)
    for a, b in zip(foretold(seen, before), foretold(spoiled, after), strict=True):
        np.testing.assert_allclose(b[mine], a[mine], rtol=0, atol=1e-9)
        # but the others, which have seen it, are changed
        assert np.abs(b[~mine] - a[~mine]).max() > 1e-3
    # so that the damage is seen in full where it is
    assert np.abs(after.residual_x_mm[mine] - before.residual_x_mm[mine] - 5.0).max() < 1e-9


def test_nor_does_it_when_the_whole_fit_is_made_anew(fitted) -> None:
    """Then it moves the point about which the fit is linear, and nothing else."""
    plan, seen, solution = fitted
    before = held_out(solution, GRID, seen, NOMINAL)
    mine = before.fold == 2
    spoiled = replace(seen, x_mm=seen.x_mm + 2.0 * mine)
    again = finish(plan, solution.short, GRID, spoiled, NOMINAL)
    after = held_out(again, GRID, spoiled, NOMINAL)
    moved_held = (foretold(spoiled, after)[0] - foretold(seen, before)[0])[mine]
    moved_fit = ((spoiled.x_mm - again.residual_x_mm) - (seen.x_mm - solution.residual_x_mm))[mine]
    assert rms(moved_held) < 0.2 * rms(moved_fit)


@pytest.mark.parametrize("fold", [1, 4])
def test_one_linear_step_foretells_as_a_real_fit_without_the_group_does(fitted, fold: int) -> None:
    plan, seen, solution = fitted
    held = held_out(solution, GRID, seen, NOMINAL)
    without = finish(plan, solution.short, GRID, seen.take(held.fold != fold), NOMINAL)
    x, y, _ = predict(plan, without.short, GRID, seen, NOMINAL, slopes=False)
    mine = held.fold == fold
    for linear, real in zip(foretold(seen, held), (x, y), strict=True):
        # apart by a small part of the noise of one frame
        assert rms(linear[mine] - real[mine]) < 0.15 * 0.02


def test_held_out_residuals_are_larger_than_those_of_the_fit_but_not_by_much(fitted) -> None:
    """Where the model is the right one: noise, and a little for what the group would have told."""
    _, seen, solution = fitted
    held = held_out(solution, GRID, seen, NOMINAL)
    for inside, outside in (
        (solution.residual_x_mm, held.residual_x_mm), (solution.residual_y_mm, held.residual_y_mm)
    ):  # fmt: skip
        assert rms(inside) < rms(outside) < 1.5 * rms(inside)
    assert np.isfinite(held.residual_x_mm).all() and len(seen) == len(held.fold)


def test_folds_keep_groups_whole_and_leave_sync_and_conditioning_in() -> None:
    names = ["sync/001", "conditioning/001", *(f"ladder/{k:03d}" for k in range(1, 15)), "sync/002"]
    group = np.repeat(np.array(names, object), 7)
    t = np.arange(len(group)) / 30
    fold = folds_of(observed(t, t, t, group), 6)
    for name in names:
        one = set(fold[group == name])
        assert len(one) == 1
        assert (one == {-1}) is name.startswith(("sync", "conditioning"))
    assert set(fold) == {-1, 0, 1, 2, 3, 4, 5}
    sizes = np.bincount(fold[fold >= 0])
    assert sizes.max() - sizes.min() <= 7


def test_neighbouring_readings_share_a_fold() -> None:
    """Excursion and return are left out together, so that neither foretells the other."""
    group = np.array([f"reading/{k:03d}" for k in range(1, 41)], object)
    t = 8.0 * np.arange(40)
    fold = folds_of(observed(t, t, t, group), 6)
    assert set(fold) == set(range(6))
    assert (np.diff(fold) == 0).sum() >= 15


def test_rows_of_no_fold_are_nan() -> None:
    plan, seen = own_data(0.02, 0.02)
    group = seen.group.copy()
    group[seen.start_s < 3.0] = "sync/001"
    seen = replace(seen, group=group)
    held = held_out(finish(plan, first_guess(plan), GRID, seen, NOMINAL), GRID, seen, NOMINAL)
    np.testing.assert_array_equal(np.isnan(held.residual_x_mm), seen.start_s < 3.0)
    np.testing.assert_array_equal(held.fold == -1, seen.start_s < 3.0)
