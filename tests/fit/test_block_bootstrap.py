"""The block bootstrap: equal to refitting all rows, and as wide as published formulas say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import observed

from hysteresis.fit.block_bootstrap import (
    KEEP,
    Compressed,
    block_bootstrap,
    blocks_of,
    compressed,
    drawn_counts,
    refits,
)
from hysteresis.fit.bounded import compress, solve_bounded
from hysteresis.fit.finish import finish
from hysteresis.fit.predict import predict
from hysteresis.fit.structure import Recipe, layout
from hysteresis.fit.uncertainty import design_effect, standard_errors, trust
from hysteresis.tables import Bools, Floats, Ints

from .test_finish import FRAMES, GRID, NOMINAL, groups, own_data, true_short

EPS = np.finfo(float).eps


def problem(
    rows: int, unknowns: int, blocks: int, *, alike: float = 0.0, seed: int = 0
) -> tuple[Floats, Floats, Ints, Bools]:
    """Rows in blocks of about equal size, columns of unequal length and more or less `alike`."""
    rng = np.random.default_rng(seed)
    matrix = rng.standard_normal((rows, unknowns))
    common = rng.standard_normal((rows, 1))
    matrix = (1 - alike) * matrix + alike * common
    matrix *= 10.0 ** rng.uniform(-2, 2, unknowns)
    size = np.linalg.norm(matrix, axis=0)
    true = rng.uniform(0.5, 1.5, unknowns) * (rng.random(unknowns) < 0.7) / size
    target = matrix @ true + 0.2 * rng.standard_normal(rows) / np.sqrt(rows)
    not_negative = np.arange(unknowns) % 4 != 0
    return matrix, target, np.arange(rows) * blocks // rows, not_negative


def small_of(
    matrix: Floats, target: Floats, block: Ints, not_negative: Bools, sd: Floats | None = None
) -> Compressed:
    unknowns = matrix.shape[1]
    sd = np.full(unknowns, np.inf) if sd is None else sd
    names = np.array([f"ladder/{k:03d}" for k in range(block.max() + 1)], object)
    short = solve_bounded(matrix, target, not_negative)
    rows = np.diag(np.where(np.isfinite(sd), 1.0 / sd, 0.0)), np.zeros(unknowns)
    top = np.full(unknowns, np.inf)
    return compressed(matrix, target, block, names, rows, short, not_negative, top)


def all_rows(
    small: Compressed, matrix: Floats, target: Floats, block: Ints, count: Floats, sd: Floats
) -> Floats:
    """The refit that `refits` speaks of, on every row, weighted by how often its block came."""
    weight = np.sqrt(count[block])
    pull = np.where(np.isfinite(sd), 1.0 / sd, 0.0)
    keep = np.sqrt(KEEP) * small.root
    return solve_bounded(
        np.vstack([matrix * weight[:, None], np.diag(pull), keep]),
        np.concatenate([target * weight, 0.0 * pull, keep @ small.short]),
        small.not_negative,
    )


@pytest.mark.parametrize("alike", [0.0, 0.99, 0.9999])
def test_a_refit_is_that_of_all_rows(alike: float) -> None:
    """To what a QR of all rows itself may lose: u cond of the scaled matrix, and as much again
    for the condition number of the drawn Gram matrix (at most (most + 1)/KEEP, here below 100).
    """
    matrix, target, block, not_negative = problem(3000, 24, 40, alike=alike)
    size = np.linalg.norm(matrix, axis=0)
    sd = np.full(24, np.inf)
    sd[::6] = 5.0 / size[::6]
    small = small_of(matrix, target, block, not_negative, sd)
    draws = drawn_counts(40, 25, np.random.default_rng(1))
    found = refits(small, draws) * size
    direct = np.array([all_rows(small, matrix, target, block, c, sd) for c in draws]) * size
    bound = 100 * 24 * EPS * np.linalg.cond(matrix / size)
    assert np.abs(found - direct).max() <= max(bound, 1e-12) * np.abs(direct).max()
    assert 0 < (direct[:, not_negative] == 0).mean() < 1
    np.testing.assert_array_equal(found == 0, direct == 0)


def test_a_draw_without_the_only_block_that_tells_an_unknown_keeps_its_value() -> None:
    matrix, target, block, not_negative = problem(800, 6, 8)
    matrix[block != 3, 2] = 0.0
    small = small_of(matrix, target, block, not_negative)
    count = np.ones((1, 8))
    count[0, 3], count[0, 4] = 0.0, 2.0
    found = refits(small, count)[0]
    # what the others' moves leave of it, far less than it would without the pull: nothing
    assert found[2] == pytest.approx(small.short[2], rel=0.02)
    np.testing.assert_allclose(
        found, all_rows(small, matrix, target, block, count[0], np.full(6, np.inf)), rtol=1e-8
    )


def test_every_block_once_gives_the_solution() -> None:
    matrix, target, block, not_negative = problem(2000, 20, 25, alike=0.9)
    small = small_of(matrix, target, block, not_negative)
    np.testing.assert_allclose(refits(small, np.ones((1, 25)))[0], small.short, rtol=1e-10)
    identity = small.gram.sum(axis=0) + small.prior_gram
    np.testing.assert_allclose(identity, np.eye(20), atol=1e-12)


def test_a_mean_scatters_as_efron_says() -> None:
    """Bootstrap variance of a mean of b equal blocks: Σ (mean_b − mean)² / b² (Efron 1979; from
    memory). 4000 draws tell a standard deviation to 1/√8000; four times that allowed.
    """
    rng = np.random.default_rng(2)
    value = np.repeat(rng.standard_normal(12), 30) + 0.3 * rng.standard_normal(360)
    small = small_of(np.ones((360, 1)), value, np.arange(360) // 30, np.array([False]))
    drawn = refits(small, drawn_counts(12, 4000, rng))[:, 0]
    means = value.reshape(12, 30).mean(axis=1)
    expected = np.sqrt(np.sum((means - means.mean()) ** 2)) / 12
    assert np.std(drawn) == pytest.approx(expected, rel=4 / np.sqrt(8000))
    assert np.mean(drawn) == pytest.approx(value.mean(), abs=4 * expected / np.sqrt(4000))


def test_it_is_as_wide_as_the_cluster_robust_covariance() -> None:
    """Sandwich of sums over clusters, (XᵀX)⁻¹ Σ s sᵀ (XᵀX)⁻¹, s = Xᵀe of a cluster (Liang & Zeger
    1986; from memory), for errors that each block shares. They agree to first order in 1/blocks;
    independent rows would make it three times narrower.
    """
    rng = np.random.default_rng(3)
    blocks, rows = 200, 6000
    block = np.arange(rows) * blocks // rows
    matrix = rng.standard_normal((blocks, 4))[block] + 0.3 * rng.standard_normal((rows, 4))
    target = matrix @ np.ones(4) + rng.standard_normal(blocks)[block]
    target += 0.3 * rng.standard_normal(rows)
    small = small_of(matrix, target, block, np.zeros(4, bool))
    drawn = refits(small, drawn_counts(blocks, 2000, rng))
    inverse = np.linalg.inv(matrix.T @ matrix)
    error = target - matrix @ small.short
    sums = np.array([matrix[block == b].T @ error[block == b] for b in range(blocks)])
    sandwich = np.sqrt(np.diag(inverse @ (sums.T @ sums) @ inverse))
    naive = np.sqrt(np.diag(inverse) * (error @ error) / rows)
    assert np.std(drawn, axis=0) == pytest.approx(
        sandwich, rel=4 / np.sqrt(4000) + 4 / blocks + 0.02
    )
    assert (sandwich > 3 * naive).all()


def test_an_unknown_that_only_a_prior_holds_scatters_by_the_prior() -> None:
    """1000 draws: a standard deviation to 1/√2000."""
    matrix, target, block, _ = problem(600, 3, 12)
    matrix = np.column_stack([matrix, np.zeros(600)])
    sd = np.array([np.inf, np.inf, np.inf, 0.05])
    small = small_of(matrix, target, block, np.zeros(4, bool), sd)
    rng = np.random.default_rng(4)
    drawn = refits(small, drawn_counts(12, 1000, rng), rng.standard_normal((1000, 4)))
    assert np.std(drawn[:, 3]) == pytest.approx(0.05, rel=4 / np.sqrt(2000))


def test_blocks_are_groups_and_pieces_of_long_ones() -> None:
    t = np.arange(0.0, 40.0, 0.1)
    group = np.where(t < 3, "sync/001", np.where(t < 28, "ladder/001", "ladder/002"))
    block, names = blocks_of(observed(t, t, t, group.astype(object)), 10.0)
    assert list(names) == ["sync/001"] + ["ladder/001"] * 3 + ["ladder/002"] * 2
    assert (np.diff(block) >= 0).all() and block[-1] == len(names) - 1
    for b, name in enumerate(names):
        assert set(group[block == b]) == {name}
        assert np.ptp(t[block == b]) <= 10.0
    # a group of one reading is a block of its own
    block, names = blocks_of(observed(t[:3], t[:3], t[:3], np.array(["a", "b", "c"], object)))
    assert list(block) == [0, 1, 2]


# ---- of a fit ----------------------------------------------------------------------------------


def shared_error(seed: int) -> tuple[Floats, Floats]:
    """An error of 0.03 mm that the frames of half a second share, beside noise of 0.01 mm."""
    _, seen = own_data(0.01, 0.01, seed)
    rng = np.random.default_rng(1000 + seed)
    part = np.floor(seen.start_s / 0.5).astype(int)
    return tuple(
        v + 0.03 * rng.standard_normal(part.max() + 1)[part] for v in (seen.x_mm, seen.y_mm)
    )  # type: ignore[return-value]


def test_it_foretells_the_scatter_of_repeated_fits() -> None:
    """Frames that share errors, 30 fits: their scatter is known to 1/√58 = 13 %, and so is the
    median ratio over unknowns within a fraction of that; blocks of 2 s, 27 of them.
    """
    plan, seen = own_data(0.01, 0.01)
    names = ["x_k1", "y_k1", "x_k3", "y_k3", "x_branch_02", "y_branch_02", "offset_x_mm",
             "offset_y_mm", "coupling_xy", "coupling_yx"]  # fmt: skip
    places = [plan.index(n) for n in names]
    found, claimed, textbook = [], [], []
    for seed in range(30):
        x, y = shared_error(seed)
        data = replace(seen, x_mm=x, y_mm=y)
        solution = finish(plan, true_short(plan), GRID, data, NOMINAL)
        found.append(solution.short[places])
        if seed < 6:
            drawn = block_bootstrap(solution, GRID, data, NOMINAL, longest_s=2.0)
            claimed.append(drawn.standard_error[places])
            textbook.append(
                standard_errors(solution, data)[places] / np.sqrt(design_effect(solution, data))
            )
    scatter = np.std(found, axis=0, ddof=1)
    ratio = np.median(claimed, axis=0) / scatter
    assert np.median(ratio) == pytest.approx(1.0, abs=0.2)
    # what errors that frames share do to a covariance that knows nothing of it
    assert np.median(np.median(textbook, axis=0) / scatter) < 0.6


def test_summaries_are_those_of_the_refits_and_the_same_seed_gives_the_same() -> None:
    plan, seen = own_data(0.02, 0.02)
    solution = finish(plan, true_short(plan), GRID, seen, NOMINAL)
    told: list[float] = []
    one = block_bootstrap(solution, GRID, seen, NOMINAL, count=50, progress=told.append)
    two = block_bootstrap(solution, GRID, seen, NOMINAL, count=50)
    np.testing.assert_array_equal(one.values, two.values)
    assert one.values.shape == (50, len(plan.names)) and told[-1] == 1.0
    assert (one.values[:, plan.not_negative] >= 0).all()
    error, low, high = one.summary(np.eye(len(plan.names)))
    np.testing.assert_allclose(error, one.standard_error)
    np.testing.assert_allclose(np.stack([low, high]), np.stack([one.low, one.high]))
    weights = np.random.default_rng(0).standard_normal(len(plan.names))
    assert one.summary(weights)[0][0] ** 2 == pytest.approx(weights @ one.covariance() @ weights)
    with pytest.raises(ValueError, match="at least two"):
        block_bootstrap(solution, GRID, seen, NOMINAL, count=1)
    with pytest.raises(ValueError, match="one block"):
        drawn_counts(1, 5, np.random.default_rng(0))


# ---- beyond the data ---------------------------------------------------------------------------


def test_going_astray_is_seen_in_what_early_fits_foretell() -> None:
    """A spring that drifts by A ln(1 + t/T₀) = A ln(1 + h/T) + … is off by at least A times the
    logarithm after any T ≫ T₀, and by what an offset fitted to the earlier rows lags behind, one
    A (mean of the logarithm up to T: ln T − 1; calculus). Noise alone: less than a frame's.
    """
    plan = layout(Recipe(curve=False, coupling=False))
    short = np.zeros(len(plan.names))
    short[[plan.index("x_k1"), plan.index("y_k1")]] = 0.9
    still = observed(FRAMES, 0 * FRAMES, 0 * FRAMES, groups(), sigma_mm=0.01)
    x, y, _ = predict(plan, short, GRID, still, NOMINAL, slopes=False)
    rng = np.random.default_rng(1)
    x, y = (v + 0.01 * rng.standard_normal(len(v)) for v in (x, y))
    for size in (0.0, 0.3):
        data = replace(still, x_mm=x + size * np.log1p(FRAMES / 0.3), y_mm=y)
        solution = finish(plan, short, GRID, data, NOMINAL)
        known = trust(solution, GRID, data, NOMINAL, 0.05)
        assert known is not None
        if size == 0.0:
            assert known.ahead_mm < 0.01 and known.counted_mm < 0.01
        else:
            # the least lead looked at is ln(1.1) to ln(1.25), on which a lag of one weighs most
            assert size < known.ahead_mm < size * (1 + 1 / np.log(1.175))
        assert known.zero_mm == 0.05 and known.refits.shape == (64, len(plan.names))
        assert known.length_s >= np.ptp(FRAMES) and known.recipe == plan.recipe


# ---- compression -------------------------------------------------------------------------------


@pytest.mark.parametrize("alike", [0.0, 0.999, 1 - 1e-7, 1 - 1e-11])
def test_compression_by_blocks_is_that_of_a_qr(alike: float) -> None:
    """R of a tall matrix is unique up to signs; both are known to about u cond, unit columns
    (Sun 1991; from memory), and so are the minimum and what is left there. Conditions up to
    1e12 take the route that can bear them.
    """
    matrix, target, _, _ = problem(20_000, 30, 10, alike=alike)
    r, rotated, rest = compress(matrix, target)
    q = np.linalg.qr(np.column_stack([matrix, target]), mode="r")
    sign = np.sign(np.diag(q)[:30])
    size = np.linalg.norm(matrix, axis=0)
    lost = 100 * EPS * np.linalg.cond(q[:30, :30] / size)
    turned = np.sign(np.diag(r))[:, None] * r - sign[:, None] * q[:30, :30]
    assert np.abs(turned / size).max() <= lost
    assert abs(rest - q[30, 30] ** 2) <= lost * (target @ target)
    x = solve_bounded(r, rotated, np.zeros(30, bool)) * size
    other = solve_bounded(q[:30, :30], q[:30, 30], np.zeros(30, bool)) * size
    assert np.abs(x - other).max() <= lost * np.abs(other).max()


def test_columns_that_are_the_same_or_empty_are_no_trouble() -> None:
    matrix, target, _, _ = problem(5000, 10, 10)
    for spoil in (matrix[:, 3], 0.0):
        other = matrix.copy()
        other[:, 7] = spoil
        r, rotated, rest = compress(other, target)
        x = np.random.default_rng(0).standard_normal(10) / np.linalg.norm(matrix, axis=0)
        whole = np.sum((other @ x - target) ** 2)
        assert np.sum((r @ x - rotated) ** 2) + rest == pytest.approx(whole, rel=1e-11)


def test_rows_that_matter_rarely_are_found_all_the_same() -> None:
    """A column that lives in three rows out of thousands, none among the first looked at."""
    matrix, target, _, _ = problem(20_000, 10, 10)
    matrix[:, 5] = 0.0
    matrix[[1001, 1003, 7007], 5] = [3.0, 1.0, -2.0]
    r, rotated, rest = compress(matrix, target)
    x = np.random.default_rng(0).standard_normal(10)
    whole = np.sum((matrix @ x - target) ** 2)
    assert np.sum((r @ x - rotated) ** 2) + rest == pytest.approx(whole, rel=1e-11)
