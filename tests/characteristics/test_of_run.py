"""Figures of whole runs: what is told, by whom, under which definition, and why something is not.

Runs come from the virtual bench, or are made by hand where a closed form is wanted. Whether the
intervals hold the truth is the business of `experiments.figure_coverage`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import bench, filmed, read_by_ruler, typed_fit
from verify_data import (
    ladder,
    pattern_of,
    plain_model,
    play_spot,
    recording_of,
    straight_spot,
    template_bench,
)

from hysteresis.bench import Bench
from hysteresis.characteristics import DEFINITIONS, absent, figures_of
from hysteresis.characteristics.absent import WANTED
from hysteresis.characteristics.modelled import frames_of, grid_of
from hysteresis.characteristics.of_run import FAMILIES, view_of
from hysteresis.characteristics.standard import KEYS, NOTE
from hysteresis.findings import check_fit
from hysteresis.fit.fitted import fitted_model
from hysteresis.fit.uncertainty import Trust
from hysteresis.metrics import conditioned_from_s
from hysteresis.recording import observations


def test_every_definition_is_whole_and_every_absence_has_words() -> None:
    assert set(WANTED) == set(DEFINITIONS)
    assert set(DEFINITIONS) >= KEYS
    for key, definition in DEFINITIONS.items():
        assert definition.key == key and key.replace("_", "").isalpha() and key == key.lower()
        assert definition.better in ("less", "more", "neither")
        assert min(len(t) for t in (definition.words, definition.formula, definition.source)) > 3
        assert definition.unit


@pytest.fixture(scope="module")
def camera():
    pattern, recording = filmed("braided-thread", 3)
    return pattern, recording, figures_of(pattern, recording, bench())


def test_a_filmed_run_tells_every_figure_but_a_recovery_of_friction(camera) -> None:
    pattern, recording, pairs = camera
    told = {(p.definition.key, p.either.axis) for p in pairs if not p.either.conditions}
    missing = set(DEFINITIONS) - {key for key, _ in told}
    # friction never lets the thread back to within 0.05 mm; two minutes hold two conditionings
    assert missing <= {"recovery_time", "zero_drift"}
    for key in set(DEFINITIONS) - missing:
        assert {(key, "x"), (key, "y")} <= told
    reasons = dict(absent(pattern, recording, bench(), pairs=pairs))
    assert set(reasons) == missing
    there = {p.definition.key for p in pairs}
    for key, reason in reasons.items():
        partly = "it is not summed up: not every part" if key in there else "the recording shows no"
        assert reason.startswith(partly)


def test_one_sum_per_key_and_axis_and_numbers_that_are_numbers(camera) -> None:
    _, _, pairs = camera
    sums = [(p.definition.key, p.either.axis) for p in pairs if not p.either.conditions]
    assert len(sums) == len(set(sums))
    order = [list(DEFINITIONS).index(p.definition.key) for p in pairs]
    assert order == sorted(order)
    for pair in pairs:
        one = pair.either
        assert np.isfinite(one.value) and np.isfinite(one.u) and one.u > 0 and one.dof > 0
        assert pair.modelled is None and pair.disagree is None
        if one.definition.better == "less" and not one.conditions and one.key not in (
            "zero_return", "repeat_shift", "zero_drift", "dead_band", "loss_factor",
            "hysteresis_less_dead_band", "after_effect_per_decade", "drive_for_full_scale",
        ):  # fmt: skip
            assert one.value >= 0.0


def test_the_same_run_gives_the_same_figures(camera) -> None:
    pattern, recording, pairs = camera
    assert figures_of(pattern, recording, bench()) == pairs


def test_few_runs_are_said(camera) -> None:
    notes = {p.either.note for p in camera[2] if p.definition.key == "positioning_accuracy"}
    assert notes and all("ISO 230-2 asks for 5" in note for note in notes)


def test_a_run_without_any_of_it_says_why() -> None:
    pattern = pattern_of([("sweep/001", 3.0, (0.9, 0.0)), ("sweep/001", 6.0, (-0.9, 0.0)),
                          ("sweep/001", 3.0, (0.0, 0.0))])  # fmt: skip
    recording = recording_of(pattern, straight_spot)
    there = {p.definition.key for p in figures_of(pattern, recording, template_bench(Bench))}
    reasons = dict(absent(pattern, recording, template_bench(Bench)))
    assert {"hysteresis", "loss_factor", "drive_for_full_scale"} <= there
    assert {"return_to_zero", "reversal_value", "resonance", "recovery_time"} <= set(reasons)
    assert there.isdisjoint(reasons)
    assert "held excursion" in reasons["return_to_zero"]


# ---- beside a model ----------------------------------------------------------------------------


def test_frames_of_a_model_are_those_that_the_fit_is_checked_with() -> None:
    pattern, recording = read_by_ruler("braided-thread", 1)
    fitted = fitted_model(typed_fit(), bench(), {})
    view = view_of(pattern, recording, bench(), fitted)
    told = frames_of(fitted.model, fitted.start, grid_of(pattern, fitted.model), view.seen)
    check = check_fit(pattern, recording, fitted)
    late = observations(pattern, recording).start_s >= conditioned_from_s(pattern)
    assert (view.seen.x_mm - told.x_mm)[late] == pytest.approx(check.residual_x_mm, nan_ok=True)


def test_typed_readings_carry_no_loop_but_their_model_foretells_one() -> None:
    pattern, recording = read_by_ruler("braided-thread", 1)
    fitted = fitted_model(typed_fit(), bench(), {})
    alone = {p.definition.key for p in figures_of(pattern, recording, bench())}
    assert {"return_to_zero", "creep_at_zero", "drive_for_full_scale"} <= alone
    assert alone.isdisjoint({"hysteresis", "loss_factor", "resonance", "after_effect_per_decade"})
    pairs = {
        (p.definition.key, p.either.axis): p
        for p in figures_of(pattern, recording, bench(), fitted) if not p.either.conditions
    }  # fmt: skip
    for key in ("hysteresis", "loss_factor", "after_effect_per_decade"):
        pair = pairs[key, "x"]
        assert pair.measured is None and pair.modelled is not None
        assert pair.modelled.note == NOTE and pair.modelled.u > 0
    assert ("resonance", "x") not in pairs
    zero = pairs["return_to_zero", "x"]
    assert zero.measured is not None and zero.modelled is not None and zero.disagree is False
    reasons = dict(absent(pattern, recording, bench(), fitted))
    assert "resonance" in reasons and "hysteresis" not in reasons


def test_refits_widen_what_the_model_tells() -> None:
    """Refits drawn about the solution with a known spread: what they add is their own spread.

    Twice the spread of the refits doubles it; with none, the known discrepancy is left.
    """
    pattern, recording = read_by_ruler("braided-thread", 1)
    fit = typed_fit()
    fitted = fitted_model(fit, bench(), {})
    plan, short = fit.solution.layout, fit.solution.short
    rng = np.random.default_rng(1)
    moved = 0.02 * np.abs(short) * rng.standard_normal((8, len(short)))
    doubts = []
    for factor in (0.0, 1.0, 2.0):
        known = Trust(plan.recipe, short, short + factor * moved, 0.0, 100.0, 0.0, 0.0)
        trusting = replace(fitted, trust=known.to_json())
        (pair,) = [
            p for p in figures_of(pattern, recording, bench(), trusting)
            if p.definition.key == "return_to_zero_worst" and p.either.axis == "x"
        ]  # fmt: skip
        assert pair.modelled is not None
        doubts.append(pair.modelled.u)
    own = [np.sqrt(u**2 - doubts[0] ** 2) for u in doubts[1:]]
    assert own[1] == pytest.approx(2.0 * own[0], rel=0.1) and own[0] > 0


def test_data_that_contradict_the_model_are_flagged() -> None:
    """A model without memory beside a rig that comes back 3 mm off: 6 % of full scale."""
    pattern = pattern_of([*ladder(1, (0.8, 0.0), 3.0), *ladder(2, (0.8, 0.0), 3.0)])
    fitted = plain_model(template_bench(Bench))

    def spot(t, drive_x, drive_y):
        return 50.0 * drive_x + 3.0 * (t > pattern.t_s[4]) + 3.0 * (t > pattern.t_s[9]), 0.0 * t

    pairs = figures_of(pattern, recording_of(pattern, spot), template_bench(Bench), fitted)
    (worst,) = [p for p in pairs if p.definition.key == "return_to_zero_worst"]
    assert worst.modelled is not None and worst.modelled.value == pytest.approx(0.0, abs=1e-9)
    assert worst.measured is not None and worst.measured.value == pytest.approx(6.0, abs=0.05)
    assert worst.disagree is True


def test_an_axis_that_stands_still_has_no_figures() -> None:
    pattern = pattern_of(ladder(1, (0.8, 0.0), 3.0))
    fitted = plain_model(template_bench(Bench))
    pairs = figures_of(pattern, recording_of(pattern, straight_spot), template_bench(Bench), fitted)
    assert {p.either.axis for p in pairs} == {"x"}


def test_families_share_no_key() -> None:
    pattern, recording = filmed("braided-thread", 3)
    view = view_of(pattern, recording, bench(), None)
    keys = [{found.key for found in family(view)} for family in FAMILIES]
    assert sum(len(one) for one in keys) == len(set().union(*keys))


# ---- closed forms through a whole run ---------------------------------------------------------


def test_loss_factor_of_a_play_by_its_loop() -> None:
    """sin δ = W / (π F₀ x₀) with W = 4 r (X − r), F₀ = X, x₀ = X − r: 4 r / (π X).

    The loop starts in the middle of the play, so r² / 2 of its area is missing; frames cut the four
    corners by less than a frame's move times 2 r each.
    """
    radius, top, rate = 0.05, 0.9, 0.3
    pattern = pattern_of([
        ("sweep/001", top / rate, (top, 0.0)), ("sweep/001", 2 * top / rate, (-top, 0.0)),
        ("sweep/001", top / rate, (0.0, 0.0)),
    ])  # fmt: skip
    recording = recording_of(pattern, play_spot(radius))
    pairs = figures_of(pattern, recording, template_bench(Bench))
    one = next(p.measured for p in pairs if p.definition.key == "loss_factor")
    assert one is not None
    conditions = {c.name: c.value for c in one.conditions}
    assert conditions["rate_per_s"] == pytest.approx(rate, rel=1e-6)
    area = 4 * radius * (top - radius)
    bound = (radius**2 / 2 + 4 * (rate / 30.0) * 2 * radius) / (np.pi * top * (top - radius))
    assert one.value == pytest.approx(area / (np.pi * top * (top - radius)), abs=bound)
    assert one.value == pytest.approx(4 * radius / (np.pi * top), rel=0.05)


def test_drift_of_zero_between_conditionings() -> None:
    """A spot that walks by 0.36 mm in an hour is 0.72 % of 50 mm per hour."""
    pieces = []
    for n in range(1, 6):
        pieces += [(f"conditioning/{n:03d}", 1.0, (0.0, 0.0)), (f"recovery/{n:03d}", 1.5, (0, 0)),
                   *ladder(n, (0.5, 0.0), 4.0)]  # fmt: skip
        # a move within the conditioning, so that its rest is a stretch of its own
        pieces[-7:-6] = [(f"conditioning/{n:03d}", 0.5, (0.2, 0.0)),
                         (f"conditioning/{n:03d}", 0.5, (0.0, 0.0))]  # fmt: skip
    pattern = pattern_of(pieces)

    def spot(t, drive_x, drive_y):
        return 50.0 * drive_x + 0.36 * t / 3600.0, 0.0 * t

    pairs = figures_of(pattern, recording_of(pattern, spot, sigma_mm=1e-5), template_bench(Bench))
    one = next(
        p.measured for p in pairs if p.definition.key == "zero_drift" and p.either.axis == "x"
    )
    assert one is not None and one.value == pytest.approx(0.72, rel=1e-3)
