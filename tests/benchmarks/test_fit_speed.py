"""Speed of the fit's linear algebra as ratios, side by side in one process on one BLAS thread.

Beside each compressed solve stands the same problem on all of its rows: that is what the
compression saves, and that both give the same numbers is asserted with it. Times are the best of
several runs (noise of a shared machine only ever adds); `pytest -s
tests/benchmarks/test_fit_speed.py` prints them.
"""

from __future__ import annotations

from time import perf_counter

import numpy as np
from scipy.optimize import nnls
from scipy.signal import lfilter
from threadpoolctl import threadpool_limits

from hysteresis.fit.block_bootstrap import KEEP, compressed, drawn_counts, refits
from hysteresis.fit.bounded import compress, solve_bounded
from hysteresis.tables import Bools, Floats

BOOTSTRAPS, FRAMES, UNKNOWNS, BLOCKS = 200, 18_000, 80, 100
"""200 refits of ten minutes at 30 frames/s, two axes, 80 unknowns, blocks of about 6 s."""
CONVEX_START, CONVEX_START_NNLS, REFITS_WITH_ASSEMBLY = 14 / 2, 11 / 2, 185 / 2
"""Half of the least seen on a busy two-core machine: 14 to 26, 11 to 19, 185 to 210."""


def quickest(work, runs: int) -> tuple[float, object]:
    """Shortest of several runs in s, and what the last one gave."""
    times, out = [], None
    for _ in range(runs):
        begin = perf_counter()
        out = work()
        times.append(perf_counter() - begin)
    return min(times), out


def friction_and_creep(rows: int) -> tuple[Floats, Floats, Bools]:
    """A torque balance as of a convex start: 40 columns of an angle walking through its range.

    The angle, its square and cube, 28 stops with their limits on a logarithmic scale and 9
    exponential branches; all but square and cube are bounded. Written here from the textbook
    formulas of stop and Maxwell branch; weights all positive, 1 % of noise.
    """
    rng = np.random.default_rng(0)
    t = 1e-3 * np.arange(rows)
    knots = np.concatenate([[0.0], rng.uniform(-1, 1, rows // 2000 + 1)])
    theta = np.interp(t, 2.0 * np.arange(len(knots)), knots)
    step = np.diff(theta, prepend=0.0)
    limit = np.geomspace(0.005, 0.85, 28)
    stop, z = np.empty((rows, 28)), np.zeros(28)
    for k in range(rows):
        z = np.minimum(np.maximum(z + step[k], -limit), limit)
        stop[k] = z
    tau = np.geomspace(0.01, 300.0, 9)
    branch = np.column_stack([lfilter([1.0], [1.0, -np.exp(-1e-3 / s)], step) for s in tau])
    matrix = np.ascontiguousarray(
        np.column_stack([theta, theta**2, theta**3, stop, branch])
    )
    target = matrix @ (rng.uniform(0.5, 1.5, 40) / 40) + 0.01 * rng.standard_normal(rows)
    return matrix, target, ~np.isin(np.arange(40), (1, 2))


def test_a_convex_start_is_far_quicker_compressed() -> None:
    """200 000 rows, 40 columns: against the same bounded solve on all rows, and against
    scipy.optimize.nnls alone on all rows (with every column bounded); weights equal to 1e-9.
    """
    matrix, target, not_negative = friction_and_creep(200_000)
    everyone = np.ones(40, bool)
    print("\n200 000 rows × 40 columns, ms")
    ratios = {}
    with threadpool_limits(limits=1):
        for name, bound, direct in (
            ("bounded solve on all rows", not_negative,
             lambda: solve_bounded(matrix, target, not_negative)),
            ("scipy.optimize.nnls on all rows", everyone,
             lambda: nnls(matrix, target, maxiter=4000)[0]),
        ):  # fmt: skip
            whole_s, whole = quickest(direct, 3)
            small_s, small = quickest(
                lambda bound=bound: solve_bounded(*compress(matrix, target)[:2], bound), 7
            )
            ratios[name] = whole_s / small_s
            apart = np.abs(small - whole).max() / np.abs(whole).max()
            print(f"{name:36}{1e3 * whole_s:8.1f}   compressed {1e3 * small_s:6.1f}   "
                  f"ratio {ratios[name]:6.1f}   apart {apart:.1e}")  # fmt: skip
            assert apart < 1e-9
    assert ratios["bounded solve on all rows"] > CONVEX_START
    assert ratios["scipy.optimize.nnls on all rows"] > CONVEX_START_NNLS


def test_two_hundred_refits_are_far_quicker_compressed() -> None:
    """The same draws, the same bounded problem: every tenth draw on all rows, weights equal to
    1e-9 of the largest in units of each column's length."""
    rng = np.random.default_rng(1)
    rows = 2 * FRAMES
    matrix = rng.standard_normal((rows, UNKNOWNS))
    for k in range(1, UNKNOWNS):  # neighbours alike, as those of a spectrum are
        matrix[:, k] += 0.9 * matrix[:, k - 1]
    matrix *= 10.0 ** rng.uniform(-2, 2, UNKNOWNS)
    size = np.linalg.norm(matrix, axis=0)
    target = matrix @ (np.maximum(rng.standard_normal(UNKNOWNS), 0.0) / size)
    target += 2.0 * rng.standard_normal(rows) / np.sqrt(rows)
    block = np.arange(rows) % FRAMES * BLOCKS // FRAMES
    names = np.array([f"ladder/{k:03d}" for k in range(BLOCKS)], object)
    not_negative = np.arange(UNKNOWNS) % 4 != 0
    none = np.zeros((0, UNKNOWNS)), np.zeros(0)
    top = np.full(UNKNOWNS, np.inf)
    draws = drawn_counts(BLOCKS, BOOTSTRAPS, rng)
    with threadpool_limits(limits=1):
        short = solve_bounded(*compress(matrix, target)[:2], not_negative)

        def assemble():
            return compressed(matrix, target, block, names, none, short, not_negative, top)

        assembly_s, small = quickest(assemble, 3)
        refits_s, found = quickest(lambda: refits(small, draws), 5)
        keep = np.sqrt(KEEP) * small.root

        def on_all_rows(count: Floats) -> Floats:
            weight = np.sqrt(count[block])
            return solve_bounded(
                np.vstack([matrix * weight[:, None], keep]),
                np.concatenate([target * weight, keep @ short]),
                not_negative,
            )

        some = range(0, BOOTSTRAPS, 10)
        direct_s, direct = quickest(lambda: np.array([on_all_rows(draws[k]) for k in some]), 1)
    direct_s *= BOOTSTRAPS / len(some)
    apart = np.abs((found[::10] - direct) * size).max() / np.abs(direct * size).max()
    print(f"\n{BOOTSTRAPS} refits, {rows} rows × {UNKNOWNS} unknowns: all rows {direct_s:.1f} s, "
          f"compressed {refits_s:.3f} s,\nratio {direct_s / refits_s:.0f}; with the "
          f"{assembly_s:.3f} s of compressing {direct_s / (refits_s + assembly_s):.0f}; "
          f"apart {apart:.1e}")  # fmt: skip
    assert apart < 1e-9
    # the goal is 500; 407 to 780 were measured on two machines, one of them busy
    assert direct_s > 250 * refits_s
    assert direct_s > REFITS_WITH_ASSEMBLY * (refits_s + assembly_s)
