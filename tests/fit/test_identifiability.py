"""Which causes are told apart, against closed forms, textbook formulas and real scatter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import EXPOSURE_S, bench, observed
from verify_data import ladder, pattern_of

from hysteresis.fit.causes import block_of
from hysteresis.fit.finish import Solution, finish
from hysteresis.fit.identifiability import (
    PROBE_HOLD_S,
    PROBE_SHARE,
    Block,
    aims,
    identifiability,
    lines,
    residue,
    table_rows,
    widened,
)
from hysteresis.fit.predict import predict
from hysteresis.fit.structure import Layout, Recipe, full_names, layout, memory_names
from hysteresis.fit.uncertainty import design_effect
from hysteresis.optics import nominal_optics
from hysteresis.recording import Grid, simulation_grid
from hysteresis.tables import Floats, Pattern

from .test_finish import GRID, RECIPE, own_data, true_short

NOMINAL = nominal_optics(bench().optics)


def spot_mm(axis: str, theta: float) -> float:
    """Spot of one mirror alone: d tan 2a, with the other's gap added for x (ray geometry)."""
    optics = bench().optics
    far = optics.plane_distance_mm + (optics.mirror_gap_mm if axis == "x" else 0.0)
    full = optics.full_scale_x_mm if axis == "x" else optics.full_scale_y_mm
    return float(far * np.tan(np.arctan(full / far) * theta))


def by_label(blocks: tuple[Block, ...]) -> dict[str, Block]:
    return {f"{b.name} {b.axis}".strip(): b for b in blocks}


def grid_of(pattern: Pattern) -> Grid:
    return simulation_grid(
        pattern.t_s, pattern.drive_x, pattern.drive_y, fine_step_s=0.01, settle_s=0.0, growth=0.2
    )


def test_every_unknown_of_the_richest_recipe_has_a_cause() -> None:
    rich = Recipe(slip_limits=(0.1,), relaxation_times_s=(1.0,), heating=True, dynamics=True,
                  history=True, tilt=True, clock=True, drift=True)  # fmt: skip
    causes = {name: block_of(name) for name in full_names(rich)}
    assert causes["x_k2"] == ("x", "spring") and causes["y_heat1"] == ("y", "heating")
    assert causes["x_slip_01"] == ("x", "friction memory")
    assert causes["y_branch_01"] == ("y", "after-effect")
    assert causes["x_history_01"] == ("x", "history") and causes["y_inertia"] == ("y", "dynamics")
    assert causes["offset_y_mm"] == ("y", "zero") and causes["tilt_x_per_mm"] == ("", "optics")
    assert causes["clock_drift"] == ("", "clock") and causes["drift_x_mm"] == ("x", "drift")
    for name in ("x_droop_per_s", "x_lag_s", "x_saturation"):
        assert block_of(name) == ("x", "drive chain")
    # the unknowns of another memory than slip elements are friction memory all the same
    for recipe in (
        Recipe(memory="preisach", nodes=(0.0, 0.1, 1.0)), Recipe(memory="bouc-wen"),
        Recipe(form="compliance", slip_limits=(0.1, 0.3)),
    ):  # fmt: skip
        for name in memory_names(recipe):
            assert block_of(f"y_{name}") == ("y", "friction memory")
    for word in ("creep_01", "branch_all", "branch_strength", "branch_exponent"):
        assert block_of(f"x_{word}") == ("x", "after-effect")


# ---- figures -------------------------------------------------------------------------------------


def alone(recipe: Recipe, values: dict[str, float]) -> tuple[Layout, Floats]:
    plan = layout(recipe)
    short = np.zeros(len(plan.names))
    for axis in "xy":
        short[plan.index(f"{axis}_k1")] = values["k1"]
        for name, value in values.items():
            short[plan.index(f"{axis}_{name}")] = value
    return plan, short


def members(plan: Layout, axis: str, name: str) -> Floats:
    return np.array([block_of(str(n)) == (axis, name) for n in plan.names])


@pytest.mark.parametrize("axis", ["x", "y"])
def test_the_after_effects_residue_is_that_of_a_standard_linear_solid(axis: str) -> None:
    """Creep compliance J(t) = 1/k − (1/k − 1/(k+m)) e^{−t k/((k+m) τ)} (textbook), superposed.

    The moves of 0.15 s are ramps: J is averaged over them. Grid of 10 ms and coarser later: the
    branch is exact for a straight angle, which costs a few parts in a thousand here.
    """
    k, m, tau = 0.8, 0.1, 6.0
    plan, short = alone(Recipe(relaxation_times_s=(tau,)), {"k1": k, "branch_01": m})
    value, _ = residue(plan, short, axis, members(plan, axis, "after-effect"), GRID, NOMINAL)
    fade = tau * (k + m) / k
    top = PROBE_SHARE * np.abs(GRID.drive_x if axis == "x" else GRID.drive_y).max()

    def compliance(t: Floats) -> Floats:
        return 1 / k - (1 / k - 1 / (k + m)) * np.exp(-t / fade)

    ramp = (np.arange(300) + 0.5) / 300 * 0.15
    # the way back begins 10.15 s after the way out did, and is read 0.5 to 1 s after its end
    theta = [
        top * np.mean(compliance(t + 0.3 + PROBE_HOLD_S - ramp) - compliance(t + 0.15 - ramp))
        for t in np.linspace(0.5, 1.0, 51)
    ]
    assert value == pytest.approx(spot_mm(axis, float(np.mean(theta))), rel=5e-3)


@pytest.mark.parametrize("axis", ["x", "y"])
def test_the_frictions_residue_is_that_of_one_stop(axis: str) -> None:
    """Spring and one stop: after slipping θ = k (θmax − r) / (k1 + k) (balance, elementary)."""
    k1, k, r = 0.8, 0.1, 0.2
    plan, short = alone(Recipe(slip_limits=(r,)), {"k1": k1, "slip_01": k})
    value, _ = residue(plan, short, axis, members(plan, axis, "friction memory"), GRID, NOMINAL)
    top = PROBE_SHARE * np.abs(GRID.drive_x if axis == "x" else GRID.drive_y).max()
    peak = (top - k * r) / k1
    theta = min(k * (peak - r) / (k1 + k), k * r / k1)  # the latter if it slipped backwards too
    assert value == pytest.approx(spot_mm(axis, theta), rel=1e-6)


def test_gradients_of_the_residue_are_its_derivatives() -> None:
    plan = layout(RECIPE)
    short = true_short(plan)
    for name in ("friction memory", "after-effect"):
        own = members(plan, "x", name)
        _, gradient = residue(plan, short, "x", own, GRID, NOMINAL)
        for k, unknown in enumerate(plan.names):
            step = 1e-6
            up, down = short.copy(), short.copy()
            up[k] += step
            down[k] -= 0.0 if plan.not_negative[k] and short[k] < step else step
            width = up[k] - down[k]
            slope = (
                residue(plan, up, "x", own, GRID, NOMINAL)[0]
                - residue(plan, down, "x", own, GRID, NOMINAL)[0]
            ) / width
            if "history" in unknown:  # the probe has no past
                assert slope == gradient[k] == 0.0
            else:
                # differences of 1e-6 of figures of about 1: second order, and rounding 1e-9
                assert gradient[k] == pytest.approx(slope, rel=1e-3, abs=2e-4), unknown


# ---- how well told -------------------------------------------------------------------------------


def fitted(sigma_mm: float = 0.02, seed: int = 1) -> tuple[Solution, tuple[Block, ...]]:
    plan, seen = own_data(sigma_mm, sigma_mm, seed)
    solution = finish(plan, true_short(plan), GRID, seen, NOMINAL)
    return solution, identifiability(solution, GRID, seen, NOMINAL)


def test_inflation_is_the_textbooks_for_a_single_unknown() -> None:
    """VIF = 1/(1 − R²) of the column regressed on all others (Belsley, Kuh & Welsch 1980; from
    memory), by numpy's least squares on the root; and the angle is that between them."""
    solution, blocks = fitted()
    plan = solution.layout
    k = plan.index("offset_x_mm")
    free = ~plan.not_negative | (solution.short > 0)
    others = free.copy()
    others[k] = False
    zero = by_label(blocks)["zero x"]
    column, rest = solution.root[:, k], solution.root[:, others]
    left = column - rest @ np.linalg.lstsq(rest, column, rcond=None)[0]
    ratio = np.sum(left**2) / np.sum(column**2)  # 1 − R² about zero, as the model has no mean
    # the design effect divides the data's part alone: a per cent where priors hardly speak
    assert zero.inflation == pytest.approx(1 / ratio, rel=0.1)
    assert zero.angle_deg == pytest.approx(np.degrees(np.arcsin(np.sqrt(ratio))), rel=0.05)
    assert zero.figure.standard_error >= zero.alone_error > 0


def test_the_design_effect_widens_the_data_and_not_the_priors() -> None:
    solution, _ = fitted()
    prior = np.where(np.isfinite(solution.layout.prior_sd), 1 / solution.layout.prior_sd, 0.0)
    whole = solution.root.T @ solution.root
    got = widened(solution, 4.0)
    wanted = (whole - np.diag(prior**2)) / 4.0 + np.diag(prior**2)
    np.testing.assert_allclose(got.T @ got, wanted, atol=1e-9 * np.abs(wanted).max())


def test_standard_errors_of_the_figures_are_the_scatter_of_repeated_fits() -> None:
    """Self-recovery, 60 draws: a standard deviation is then known to 1/√(2·59) = 9 %; three
    times that is allowed, and what the bound at zero cuts off makes the scatter no larger."""
    draws = [by_label(fitted(seed=seed)[1]) for seed in range(60)]
    for label in ("friction memory x", "after-effect x", "after-effect y", "zero x", "spring x"):
        values = np.array([d[label].figure.value for d in draws])
        claimed = np.mean([d[label].figure.standard_error for d in draws])
        assert np.std(values, ddof=1) == pytest.approx(claimed, rel=0.3), label
    more = np.array([[f.value for f in d["after-effect x"].more] for d in draws])
    claimed = np.mean([d["after-effect x"].more[0].standard_error for d in draws])
    assert np.std(more[:, 0], ddof=1) == pytest.approx(claimed, rel=0.3)


def told(dwells_s: list[float], waits_s: list[float], *, sigma_mm: float = 0.03,
         friction: float = 0.06) -> dict[str, Block]:  # fmt: skip
    """Returns to zero, each dwell and wait with three excursions, read at the end of each."""
    pieces = []
    rows = [(e, d, w) for d in dwells_s for w in waits_s for e in (0.9, -0.6, 0.35)]
    for n, (size, dwell, wait) in enumerate(rows, 1):
        pieces += ladder(n, (size, -size), dwell, wait)
    pattern = pattern_of(pieces)
    ends = np.flatnonzero(
        [a != b for a, b in zip(pattern.segment[1:], pattern.segment[:-1], strict=True)]
    )
    reads = pattern.t_s[ends + 1] - 2 * EXPOSURE_S
    holds = [str(pattern.segment[k]).rsplit("/", 1)[-1] in ("hold", "watch", "rest") for k in ends]
    reads = reads[holds]
    plan = layout(Recipe(slip_limits=(0.05, 0.3), relaxation_times_s=(1.0, 3.0, 10.0, 30.0),
                         after_effect="log", curve=False, coupling=False))  # fmt: skip
    short = np.zeros(len(plan.names))
    for axis in "xy":
        short[plan.index(f"{axis}_k1")] = 0.8
        short[plan.index(f"{axis}_slip_01")] = short[plan.index(f"{axis}_slip_02")] = friction
        short[plan.index(f"{axis}_branch_all")] = 0.01
    blank = observed(reads, 0 * reads, 0 * reads, "ladder/001", sigma_mm=sigma_mm)
    grid = grid_of(pattern)
    x, y, _ = predict(plan, short, grid, blank, NOMINAL, slopes=False)
    rng = np.random.default_rng(1)
    seen = replace(blank, x_mm=x + sigma_mm * rng.standard_normal(len(x)),
                   y_mm=y + sigma_mm * rng.standard_normal(len(y)))  # fmt: skip
    solution = finish(plan, short, grid, seen, NOMINAL)
    return by_label(identifiability(solution, grid, seen, NOMINAL))


def test_two_dwells_and_two_waits_tell_creep_from_friction_better_than_one_of_each() -> None:
    """The table of causes (project's references, §6): friction asks not how long, creep does."""
    one, four = told([2.0], [1.5]), told([2.0, 20.0], [1.5, 10.0])
    for axis in "xy":
        label = f"after-effect {axis}"
        assert one[label].inflation > 2 * four[label].inflation
        assert four[label].told and four[f"friction memory {axis}"].told
        ratio = one[label].figure.standard_error / four[label].figure.standard_error
        assert ratio > 2.0  # twelve excursions instead of three alone would give two


def test_poor_data_say_so_and_name_the_other_cause() -> None:
    poor = told([2.0], [1.5], sigma_mm=3.0)
    blocks = [poor[f"{name} x"] for name in ("friction memory", "after-effect")]
    assert not any(b.told for b in blocks)
    for b in blocks:
        assert b.verdict in ("weakly", "not seen") or b.verdict.startswith("not told apart from ")
        assert b.because
    said = lines(tuple(poor.values()))
    assert any("after-effect x" in line for line in said)
    # figures stand in the table: the reasons alone are said, each of them once
    assert not any("±" in line or " mm" in line for line in said)
    reasons = [line.split(": ", 1)[1] for line in said]
    assert len(reasons) == len(set(reasons))
    rows = table_rows(tuple(poor.values()))
    assert len(rows) == len(poor) and all(len(row) == 5 for row in rows)


def test_a_compliance_is_told_as_one_and_held_against_the_memory_in_its_own_unit() -> None:
    """Plays and creep of the drive: k1 is deflection per drive, and so is what remembers."""
    recipe = Recipe(form="compliance", slip_limits=(0.05, 0.3), relaxation_times_s=(1.0, 10.0))
    plan, short = alone(recipe, {"k1": 0.8, "play_01": 0.04, "play_02": 0.03, "creep_01": 0.02,
                                 "creep_02": 0.01})  # fmt: skip
    t = np.arange(60.0) * 4.0 + 1.0
    seen = observed(t, 0 * t, 0 * t, "ladder/001")
    x, y, _ = predict(plan, short, GRID, seen, NOMINAL, slopes=False)
    rough = Solution(plan, short, 0 * x, 0 * y, np.eye(len(short)), float("nan"), 0, True)
    found = {(a.axis, a.name): a for a in aims(rough, GRID, seen, NOMINAL)}
    for axis in "xy":
        spring = found[axis, "spring"]
        assert (spring.words, spring.unit) == ("compliance", "FS/drive")
        assert spring.value == 0.8 and spring.size == pytest.approx(0.1, rel=1e-6)


def test_a_cause_at_its_bound_gets_an_upper_limit() -> None:
    """All elements at zero: what is said is how large equal ones together could still be.

    Checked with numpy's least squares on the root: the amplitude's standard error is one over
    the length of what the other columns do not explain (textbook, one added regressor).
    """
    plan, seen = own_data(0.005, 0.005)
    solution = finish(plan, true_short(plan), GRID, seen, NOMINAL)
    own = members(plan, "x", "friction memory")
    bound = replace(solution, short=np.where(own, 0.0, solution.short))
    block = by_label(identifiability(bound, GRID, seen, NOMINAL))["friction memory x"]
    assert block.free == 0 and block.unknowns == 3 and block.figure.value == 0.0
    free = ~own & (~plan.not_negative | (solution.short > 0))
    equal = own / np.sqrt(3.0)
    _, gradient = residue(plan, bound.short, "x", own, GRID, NOMINAL)
    added, rest = solution.root @ equal, solution.root[:, free]
    left = added - rest @ np.linalg.lstsq(rest, added, rcond=None)[0]
    least = abs(gradient @ equal) / np.linalg.norm(left)
    # priors hardly speak here, so the design effect widens all alike
    effect = design_effect(bound, seen)
    assert block.figure.standard_error == pytest.approx(least * np.sqrt(effect), rel=0.02)


def test_an_upper_limit_that_is_small_enough_is_a_verdict() -> None:
    """Data of a rig without friction, fitted: nothing is seen of it, and it is said how much."""
    found = told([2.0, 20.0], [1.5, 10.0], sigma_mm=0.005, friction=0.0)
    for axis in "xy":
        block = found[f"friction memory {axis}"]
        assert abs(block.figure.value) < 4 * block.figure.standard_error < 0.05
        if not block.free and block.told:
            assert "less than" in block.because


def test_everything_told_is_said_in_one_line() -> None:
    found = told([2.0, 20.0], [1.5, 10.0], sigma_mm=0.001)
    memory = tuple(b for b in found.values() if b.name in ("friction memory", "after-effect"))
    assert all(b.told for b in memory)
    assert lines(memory) == ["every cause is told apart from the others"]
