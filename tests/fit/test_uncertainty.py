"""Standard errors against real scatter, and the size of what the model leaves unexplained."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from fitted_rigs import bench, observed

from hysteresis.fit.finish import Solution, finish
from hysteresis.fit.fitted import CLICK_PX, absolute_uncertainty_mm
from hysteresis.fit.held_out import HeldOut
from hysteresis.fit.structure import Recipe, layout
from hysteresis.fit.uncertainty import (
    FEW_SPREAD,
    Trust,
    design_effect,
    discrepancy,
    standard_errors,
)
from hysteresis.measure.registration import register
from hysteresis.plain_content import PartFault
from hysteresis.recording import Observations
from hysteresis.tables import Floats

from .test_finish import GRID, NOMINAL, own_data, true_short

T = np.arange(3000) / 30


def solution_with(residual_x: Floats, residual_y: Floats) -> Solution:
    plan = layout(Recipe(curve=False, coupling=False))
    size = len(plan.names)
    return Solution(plan, np.ones(size), residual_x, residual_y, np.eye(size), 0.0, 1, True)


def frames(x: Floats, y: Floats, sigma_mm: float, group: str | np.ndarray = "forc/001"
           ) -> Observations:  # fmt: skip
    return observed(T[: len(x)], x, y, group, sigma_mm=sigma_mm)


# ---- standard errors ---------------------------------------------------------------------------


def errors_of(sigma_mm: float, seed: int) -> tuple[Floats, Floats, Solution]:
    plan, seen = own_data(sigma_mm, sigma_mm, seed)
    solution = finish(plan, true_short(plan), GRID, seen, NOMINAL)
    return standard_errors(solution, seen), solution.short, solution


def test_twice_the_noise_gives_twice_the_standard_error() -> None:
    """For every unknown that the data tell far better than its prior does."""
    fine, _, solution = errors_of(0.005, 1)
    coarse, _, _ = errors_of(0.01, 1)
    plan = solution.layout
    told = np.isfinite(fine) & np.isfinite(coarse) & (10 * coarse < plan.prior_sd)
    assert told.sum() > 10 and "x_k1" in plan.names[told] and "y_branch_02" in plan.names[told]
    assert coarse[told] / fine[told] == pytest.approx(2.0, rel=0.1)


def test_standard_errors_are_the_scatter_of_repeated_fits() -> None:
    """80 draws: a standard deviation is then known to 1/√(2·79) = 8 %; three times that allowed.

    Looked at for unknowns far from a bound, whose scatter is not cut off.
    """
    plan, _ = own_data(0.02, 0.02)
    far = [n for n in plan.names if n.endswith(("_k1", "_k3", "branch_02", "offset_x_mm",
                                                "history_02", "coupling_xy"))]  # fmt: skip
    draws = [errors_of(0.02, seed)[:2] for seed in range(80)]
    claimed = np.array([d[0] for d in draws])
    found = np.array([d[1] for d in draws])
    truth = true_short(plan)
    for name in far:
        k = plan.index(name)
        scatter = np.std(found[:, k], ddof=1)
        assert scatter == pytest.approx(np.mean(claimed[:, k]), rel=0.25), name
        assert abs(np.mean(found[:, k]) - truth[k]) < 4 * scatter / np.sqrt(80) + 0.2 * scatter


def test_an_unknown_at_its_bound_has_none() -> None:
    claimed, short, solution = errors_of(0.02, 3)
    at_bound = solution.layout.not_negative & (short == 0)
    assert at_bound.any()
    np.testing.assert_array_equal(np.isnan(claimed), at_bound)


def test_design_effect_of_independent_noise_is_one_and_of_a_shared_error_the_block() -> None:
    """Kish (1965): 1 + (m − 1) ρ for clusters of m; here m = 30 frames a second (from memory)."""
    rng = np.random.default_rng(0)
    x, y = rng.standard_normal((2, 3000)) * 0.02
    assert 1.0 <= design_effect(solution_with(x, y), frames(x, y, 0.02)) < 1.3
    shared = np.full(3000, 0.02)
    assert design_effect(solution_with(shared, shared), frames(x, y, 0.02)) == pytest.approx(30)
    # ρ = 1/2: half of the variance is common to each second
    common = np.repeat(rng.standard_normal(100), 30) * 0.02
    both = [(common + 0.02 * rng.standard_normal(3000)) / np.sqrt(2) for _ in range(2)]
    assert design_effect(solution_with(*both), frames(x, y, 0.02)) == pytest.approx(15.5, rel=0.35)


# ---- what the model leaves unexplained ---------------------------------------------------------


def held_of(x: Floats, y: Floats, groups: int = 20) -> tuple[HeldOut, Observations]:
    number = np.arange(len(x)) * groups // len(x)
    names = np.array([f"ladder/{k:03d}" for k in number], object)
    seen = frames(x, y, 0.02, names)
    return HeldOut(x, y, (number % 6).astype(np.int64)), seen


def test_noise_alone_is_no_discrepancy() -> None:
    x, y = np.random.default_rng(1).standard_normal((2, 3000)) * 0.02
    gap = discrepancy(*held_of(x, y), 0.02, 0.0, rich=True)
    assert gap.typical_mm < 0.3 * 0.02 and gap.groups == 20


def test_a_known_error_under_noise_is_found() -> None:
    """Each group is off by its own (x, y): the rms distance, noise taken out."""
    rng = np.random.default_rng(2)
    own = np.repeat(rng.normal(0, 0.1, (2, 20)), 150, axis=1)
    x, y = own + 0.02 * rng.standard_normal((2, 3000))
    gap = discrepancy(*held_of(x, y), 0.02, 0.03, rich=True)
    assert gap.typical_mm == pytest.approx(np.sqrt(np.mean((own**2).sum(axis=0))), rel=0.03)
    logs = np.log(np.hypot(*own[:, ::150]))
    assert gap.spread_ln == pytest.approx(np.std(logs, ddof=1), rel=0.1)
    assert gap.zero_mm == 0.03


def test_readings_cannot_vouch_for_less_than_their_own_scatter() -> None:
    x, y = np.random.default_rng(3).standard_normal((2, 40)) * 0.3
    number = np.arange(40) // 2
    seen = observed(8.0 * np.arange(40), x, y, np.array([f"reading/{k:03d}" for k in range(40)]),
                    sigma_mm=0.3)  # fmt: skip
    gap = discrepancy(HeldOut(x, y, number % 6), seen, 0.3, 0.0, rich=False)
    assert gap.groups == 6 and gap.spread_ln >= FEW_SPREAD
    assert gap.typical_mm == pytest.approx(0.3 * np.sqrt(2), rel=0.3)


def test_rows_that_were_never_held_out_do_not_count() -> None:
    x = np.zeros(3000)
    held, seen = held_of(x, x)
    fold = held.fold.copy()
    fold[:1500] = -1
    big = np.where(fold < 0, 99.0, 0.1)
    gap = discrepancy(replace(held, residual_x_mm=big, fold=fold), seen, 0.02, 0.0, rich=True)
    assert gap.groups == 10 and gap.typical_mm == pytest.approx(0.1, rel=0.1)


# ---- absolute positions ------------------------------------------------------------------------


def test_uncertainty_of_absolute_positions_is_what_clicks_really_do() -> None:
    """Marks clicked with `CLICK_PX` of error, 100 times: the rms distance over the marks."""
    camera = bench().camera
    assert camera is not None
    rng = np.random.default_rng(4)
    true = register(camera).homography
    marks = np.array([[x, y] for x in (-50, -17, 17, 50) for y in (-50, 0, 50)], float)
    back = true.inverse()
    u, v = back.apply(*marks.T)
    off, claimed = [], []
    for _ in range(100):
        du, dv = CLICK_PX * rng.standard_normal((2, len(marks)))
        fiducials = tuple(
            camera.fiducials[0].model_copy(update={"u_px": a, "v_px": b, "x_mm": x, "y_mm": y})
            for a, b, (x, y) in zip(u + du, v + dv, marks, strict=True)
        )
        clicked = camera.model_copy(update={"fiducials": fiducials})
        x, y = register(clicked).homography.apply(u, v)
        off.append(np.mean((x - marks[:, 0]) ** 2 + (y - marks[:, 1]) ** 2))
        claimed.append(absolute_uncertainty_mm(bench().model_copy(update={"camera": clicked})))
    assert np.sqrt(np.mean(off)) == pytest.approx(np.mean(claimed), rel=0.2)
    assert absolute_uncertainty_mm(bench().model_copy(update={"camera": None})) == 0.0


# ---- trust in a file ---------------------------------------------------------------------------


def trust_in_a_file() -> dict[str, Any]:
    plan, _ = own_data(0.02, 0.02)
    short = true_short(plan)
    known = Trust(plan.recipe, short, short + 0.01 * np.ones((3, len(short))), 0.1, 60.0, 0.05, 0.0)
    return json.loads(json.dumps(known.to_json()))


def test_trust_as_it_was_written_is_read() -> None:
    data = trust_in_a_file()
    assert json.loads(json.dumps(Trust.from_json(data).to_json())) == data


@pytest.mark.parametrize(
    ("spoil", "place"),
    [
        ({"recipe": []}, "recipe "),
        ({"recipe": {"nonsense": 1}}, "recipe.nonsense "),
        ({"recipe": {"memory": "wizard"}}, "recipe.memory "),
        ({"recipe": {"memory": ["preisach"]}}, "recipe.memory "),
        ({"recipe": {"form": "rubber"}}, "recipe.form "),
        ({"recipe": {"after_effect": "some"}}, "recipe.after_effect "),
        ({"recipe": {"axes": "xyz"}}, "recipe.axes "),
        ({"recipe": {"heating": 1}}, "recipe.heating "),
        ({"recipe": {"smoothness": -1.0}}, "recipe.smoothness "),
        ({"recipe": {"heat_lag_s": [1.0]}}, "recipe.heat_lag_s "),
        ({"recipe": {"slip_limits": "0.1"}}, "recipe.slip_limits "),
        ({"recipe": {"memory": "preisach"}}, "short"),
        ({"short": [1.0]}, "short "),
        ({"short": None}, "short "),
        ({"moved": []}, "moved "),
        ({"moved": None}, "moved "),
        ({"moved": [[1.0, 2.0], [1.0]]}, "moved "),
        ({"moved": ["one", "two"]}, "moved.row "),
        ({"length_s": 0.0}, "length_s "),
        ({"ahead_mm": -1.0}, "ahead_mm "),
        ({"zero_mm": float("nan")}, "zero_mm "),
        ({"counted_mm": 1e300}, "counted_mm "),
        ({"counted_mm": True}, "counted_mm "),
    ],
)
def test_trust_that_makes_no_sense_is_told_with_its_place(
    spoil: dict[str, Any], place: str
) -> None:
    with pytest.raises(PartFault) as caught:
        Trust.from_json(trust_in_a_file() | spoil)
    assert str(caught.value).startswith(place)


@pytest.mark.parametrize("change", ["one huge", "all zero", "one refit"])
def test_unknowns_that_make_no_rig_are_refused(change: str) -> None:
    data = trust_in_a_file()
    if change == "one huge":
        data["short"][0] = 1e300
    elif change == "all zero":
        data["short"] = [0.0] * len(data["short"])
    else:
        data["moved"] = data["moved"][:1]
    with pytest.raises(PartFault, match="moved" if change == "one refit" else "short"):
        Trust.from_json(data)
