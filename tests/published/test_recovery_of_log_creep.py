"""After-effect per decade and recovery time from the recovery of logarithmic creep.

Boltzmann's sum for one hold T: the residue t after the return is C log₁₀((t + T)/t) of the
excursion (J. D. Ferry, Viscoelastic Properties of Polymers; from memory). For C = 2 %: T = 10 s,
t = 1 s 2.0828 %; 60 s, 1 s 3.5707 %; 60 s, 10 s 1.6902 %; 600 s, 60 s 2.0828 %.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from verify_data import ladder, pattern_of, recording_of, template_bench

from hysteresis.bench import Bench, Tolerance
from hysteresis.characteristics import figures_of
from hysteresis.characteristics.after_effect import fadings
from hysteresis.characteristics.of_run import view_of

C_PERCENT, HELD_MM = 2.0, 40.0


def recovered(dwell_s: float, watch_s: float, rest_mm: float = 0.0, noise=None):
    """One hold of 40 mm whose return fades by the law, with a constant rest of friction beside."""
    pattern = pattern_of(ladder(1, (0.8, 0.0), dwell_s, watch_s))
    zero_s = pattern.t_s[4]

    def spot(t, drive_x, drive_y):
        after = np.maximum(t - zero_s, 1e-4)
        left = 0.01 * C_PERCENT * HELD_MM * np.log10((after + dwell_s) / after) + rest_mm
        held = (t >= pattern.t_s[2]) & (t < pattern.t_s[3])
        return np.where(t > zero_s, left, np.where(held, HELD_MM, 0.0)), 0.0 * t

    return pattern, recording_of(pattern, spot, noise=noise)


@pytest.mark.parametrize(
    ("dwell_s", "wait_s", "percent"),
    [(10.0, 1.0, 2.0828), (60.0, 1.0, 3.5707), (60.0, 10.0, 1.6902), (600.0, 60.0, 2.0828)],
)
def test_residue_by_the_line_of_the_recovery(dwell_s, wait_s, percent) -> None:
    """The line that is found gives the table's residues; bound: a bin of an eighth of a decade
    bends by less than 1 % of its own residue's change within the bin."""
    view = view_of(*recovered(dwell_s, 1.3 * wait_s + 2.0), template_bench(Bench), None)
    (one,) = fadings(view)
    residue = one.rest_mm + one.slope_mm * np.log10((wait_s + dwell_s) / wait_s)
    assert 100.0 * residue / HELD_MM == pytest.approx(percent, rel=2e-3)


@pytest.mark.parametrize("rest_mm", [0.0, 0.5, -0.3])
def test_slope_is_the_after_effect_and_the_rest_stays_apart(rest_mm: float) -> None:
    pairs = figures_of(*recovered(10.0, 10.0, rest_mm), template_bench(Bench))
    (one,) = [
        p.measured for p in pairs
        if p.definition.key == "after_effect_per_decade" and not p.either.conditions
    ]  # fmt: skip
    assert one is not None and one.value == pytest.approx(C_PERCENT, rel=3e-3)
    (fading,) = fadings(view_of(*recovered(10.0, 10.0, rest_mm), template_bench(Bench), None))
    assert fading.rest_mm == pytest.approx(rest_mm, abs=3e-3)


@pytest.mark.parametrize("seed", [1, 2])
def test_its_interval_with_noise(seed: int) -> None:
    """z of many seeds is in tests/characteristics; here that noise does not bias it grossly."""
    run = recovered(10.0, 10.0, 0.2, np.random.default_rng(seed))
    pairs = figures_of(*run, template_bench(Bench))
    (one,) = [
        p.measured for p in pairs
        if p.definition.key == "after_effect_per_decade" and not p.either.conditions
    ]  # fmt: skip
    assert one is not None and abs(one.value - C_PERCENT) < 4.0 * one.u + 3e-3 * C_PERCENT


def test_recovery_time_solves_the_law_for_the_tolerance() -> None:
    """t = T / (10^(tolerance / (C x)) − 1): for 0.6 mm of 0.8 mm per decade and T = 10 s 2.16 s."""
    bench = template_bench(Bench).model_copy(update={"tolerance": Tolerance(target_mm=0.6)})
    exact = 10.0 / (10.0 ** (0.6 / 0.8) - 1.0)
    assert exact == pytest.approx(2.163, abs=5e-4)
    pairs = figures_of(*recovered(10.0, 10.0), bench)
    times = [p.measured for p in pairs if p.definition.key == "recovery_time"]
    assert len(times) == 2 and all(t is not None for t in times)
    for one in times:
        assert one is not None and one.value == pytest.approx(exact, rel=0.01)


def test_no_recovery_time_where_it_is_not_back_within_its_watch() -> None:
    bench = template_bench(Bench).model_copy(update={"tolerance": Tolerance(target_mm=0.1)})
    keys = {p.definition.key for p in figures_of(*recovered(10.0, 10.0), bench)}
    assert "recovery_time" not in keys and "after_effect_per_decade" in keys


def test_a_rest_beyond_the_tolerance_never_comes_back() -> None:
    view = view_of(*recovered(10.0, 10.0, 1.0), template_bench(Bench), None)
    (one,) = fadings(view)
    assert one.back_s(0.5, one.rest_mm, one.slope_mm) == np.inf
    assert one.back_s(5.0, one.rest_mm, one.slope_mm) < 0.1
    assert replace(one, slope_mm=-one.slope_mm).back_s(0.1, 0.0, -one.slope_mm) > 1.0
