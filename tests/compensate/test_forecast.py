"""The error that is foretold: what the numbers mean, and that the interval holds its promise."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from fitted_rigs import bench, observed
from verify_data import ladder, pattern_of

from compensate.models import fitted, one_rig
from hysteresis.compensate import compensate_path
from hysteresis.compensate.forecast import (
    LEAST,
    SITUATIONS,
    Forecast,
    PlainError,
    forecast,
    forecast_on_path,
    past_unknown,
    plain_error,
    played_grid,
)
from hysteresis.compensate.scan import ErrorSums
from hysteresis.fit.predict import predict
from hysteresis.fit.structure import Recipe, layout
from hysteresis.fit.uncertainty import Trust, moved_on_path
from hysteresis.model import Discrepancy, Parameter
from hysteresis.optics import nominal_optics
from hysteresis.tables import DriveSignal, Floats, SpotPath

FAR = plain_error(np.array([3.0, 3.0]), np.array([-4.0, -4.0]))
"""A plain drive that misses by 5 mm."""


def sums_of(beam: list[bool]) -> ErrorSums:
    x, y = np.array([3.0, 3.0, 99.0, 3.0]), np.array([-4.0, -4.0, 99.0, -4.0])
    sums = ErrorSums()
    sums.add(SimpleNamespace(error_x_mm=x, error_y_mm=y, beam=np.array(beam)))  # type: ignore[arg-type]
    return sums


def test_the_plain_error_is_that_of_the_traced_part_alone() -> None:
    found = sums_of([True, True, False, True]).plain()
    assert (found.rms_mm, found.bias_x_mm, found.bias_y_mm) == (5.0, 3.0, -4.0)


def test_a_path_without_a_trace_is_judged_whole() -> None:
    assert sums_of([False] * 4).plain().rms_mm == pytest.approx(np.sqrt((3 * 25 + 2 * 99**2) / 4))


# ---- plain against compensated -----------------------------------------------------------------


def test_plain_and_compensated_suffer_the_same_doubt() -> None:
    """Nothing foretold to be wrong without compensation: both errors are the same, draw by draw."""
    told = forecast(Discrepancy(0.2, 0.5, 10, 0.1), PlainError(0.0, 0.0, 0.0))
    assert (told.gain_low, told.gain, told.gain_high) == pytest.approx((1.0, 1.0, 1.0))
    assert told.before_low_mm < told.before_rms_mm < told.before_high_mm
    assert told.before_model_mm == 0.0


def test_the_plain_error_of_an_unknown_shape_adds_by_the_law_of_cosines() -> None:
    """Two rms sizes a and b of correlation ρ add to √(a² + b² + 2 ρ a b) (textbook); ρ even in
    ±1, whose quantiles are 2p − 1."""
    a, b = 0.3, 0.2
    told = forecast(Discrepancy(b, 0.0, 10_000, 0.0), PlainError(a, 0.0, 0.0))
    for found, p in ((told.before_low_mm, 0.025), (told.before_rms_mm, 0.5),
                     (told.before_high_mm, 0.975)):  # fmt: skip
        assert found == pytest.approx(np.sqrt(a**2 + b**2 + 2 * (2 * p - 1) * a * b), rel=1e-2)
    # the plain drive may be the better one, and the interval of the gain knows it
    assert told.gain_low < 1.0 < told.gain < told.gain_high
    assert told.gain == pytest.approx(told.before_rms_mm / b, rel=1e-2)


def test_a_gain_far_beyond_the_doubt_is_shown() -> None:
    told = forecast(Discrepancy(0.2, 0.3, 10, 0.05), FAR)
    assert told.gain_low > 5.0
    # doubt that both share: the ratio of the intervals' ends would be wider
    assert told.gain_high < told.before_high_mm / told.after_low_mm


def test_without_spread_the_error_left_is_that_of_the_groups() -> None:
    told = forecast(Discrepancy(0.2, 0.0, 50, 0.0), FAR)
    assert told.after_low_mm == told.after_rms_mm == told.after_high_mm == 0.2


def test_the_middle_is_that_of_the_groups_logarithms() -> None:
    """Of lognormal sizes the rms is exp(μ + s²) (moments of the lognormal; textbook)."""
    logs = np.random.default_rng(6).normal(np.log(0.05), 0.6, 100_000)
    gap = Discrepancy(
        float(np.sqrt(np.mean(np.exp(2 * logs)))), float(np.std(logs)), len(logs), 0.0
    )
    told = forecast(gap, FAR)
    assert told.after_rms_mm == pytest.approx(0.05, rel=0.02)
    assert told.after_low_mm * told.after_high_mm == pytest.approx(0.05**2, rel=0.04)


def test_the_interval_holds_and_widens_with_spread_and_with_fewer_groups() -> None:
    def width(spread: float, groups: int) -> float:
        told = forecast(Discrepancy(0.2, spread, groups, 0.0), FAR)
        assert 0 < told.after_low_mm < told.after_rms_mm < told.after_high_mm
        return float(np.log(told.after_high_mm / told.after_low_mm))

    assert width(0.3, 10) < width(0.6, 10) and width(0.3, 30) < width(0.3, 3)


def test_absolute_positions_add_in_square() -> None:
    bare = forecast(Discrepancy(0.2, 0.3, 10, 0.0), FAR)
    told = forecast(Discrepancy(0.2, 0.3, 10, 0.15), FAR)
    assert told.after_rms_mm == pytest.approx(np.hypot(bare.after_rms_mm, 0.15))
    assert told.after_high_mm == pytest.approx(np.hypot(bare.after_high_mm, 0.30))
    assert told.after_low_mm == bare.after_low_mm


def test_a_spread_that_is_not_known_is_taken_as_wide() -> None:
    told = forecast(Discrepancy(0.2, float("nan"), 0, 0.0), FAR)
    assert np.isfinite([told.after_low_mm, told.after_rms_mm, told.after_high_mm]).all()
    assert told.after_high_mm / told.after_low_mm > 10


def test_the_interval_covers_what_its_model_promises() -> None:
    """Groups with lognormal errors; the path meets three more of them (their logarithmic mean).

    2000 trials: coverage is known to 0.5 %; a spread estimated from 15 groups costs some of the
    95 %.
    """
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(2000):
        logs = rng.normal(np.log(0.05), 0.5, 15)
        gap = Discrepancy(
            float(np.sqrt(np.mean(np.exp(2 * logs)))), float(np.std(logs, ddof=1)), 15, 0.0
        )
        told = forecast(gap, FAR)
        met = np.exp(np.mean(rng.normal(np.log(0.05), 0.5, int(SITUATIONS))))
        inside += told.after_low_mm <= met <= told.after_high_mm
    assert 0.90 <= inside / 2000 <= 0.98


# ---- on a path ---------------------------------------------------------------------------------

RECIPE = Recipe(slip_limits=(0.05, 0.3), relaxation_times_s=(0.5, 20.0))
PLAN = layout(RECIPE)
NOMINAL = nominal_optics(bench().optics)
BEFORE = pattern_of([p for n in (1, 2) for p in ladder(n, (0.6, -0.5), 3.0, 3.0)])
AWAY = Discrepancy(1e-9, 0.0, 50, 0.0)
"""Nothing left on groups held out."""


def unknowns() -> Floats:
    short = np.zeros(len(PLAN.names))
    for axis in "xy":
        for name, value in (("k1", 0.85), ("slip_01", 0.05), ("slip_02", 0.05),
                            ("branch_01", 0.03), ("branch_02", 0.04)):  # fmt: skip
            short[PLAN.index(f"{axis}_{name}")] = value
    return short


def known(refits: Floats | None = None, **changed: float) -> Trust:
    """Trust of the recipe above; without `refits`, all of them are the solution."""
    short = unknowns()
    sizes = {"ahead_mm": 0.0, "length_s": float(BEFORE.t_s[-1]), "zero_mm": 0.0, "counted_mm": 0.0}
    return Trust(RECIPE, short, short[None, :] if refits is None else refits, **sizes | changed)


def output(seconds: float = 6.0) -> DriveSignal:
    t = np.arange(0.0, seconds, 0.005)
    return DriveSignal(
        t, 0.5 * np.sin(2 * np.pi * 0.4 * t), 0.4 * np.sin(2 * np.pi * 0.7 * t), t >= 1.0
    )


def told(trust: Trust, gap: Discrepancy = AWAY, pause_s: float = 5.0) -> Forecast:
    return on_path(trust, gap, pause_s, np.zeros(len(output().t_s)))


def on_path(trust: Trust, gap: Discrepancy, pause_s: float, error_x_mm: Floats) -> Forecast:
    drive, nothing = output(), np.zeros(len(error_x_mm))
    on = drive.beam
    return forecast_on_path(
        gap, trust, NOMINAL, BEFORE, pause_s, drive, on, error_x_mm, nothing,
        plain_error(error_x_mm[on], nothing[on]),
    )  # fmt: skip


def test_a_refit_that_makes_the_plain_error_good_shows_no_gain() -> None:
    """The model says that the spot is off by what one refit moves it: if that refit is right the
    plain drive was, and the compensated one misses by as much (and the other way round)."""
    stiffer = unknowns()
    stiffer[PLAN.index("x_k1")] *= 1.01
    drive = output()
    grid = played_grid(BEFORE, 5.0, drive)
    at = grid.t_s[-1] - drive.t_s[-1] + drive.t_s
    moved, _ = moved_on_path(known(stiffer[None, :]), NOMINAL, grid, at)
    told = on_path(known(stiffer[None, :]), AWAY, 5.0, -moved[0])
    assert told.before_rms_mm < 1e-3 * told.before_model_mm
    assert told.gain_high < 1e-3 and told.after_rms_mm == pytest.approx(
        told.before_model_mm, rel=0.01
    )
    # doubled instead of undone
    assert on_path(known(stiffer[None, :]), AWAY, 5.0, moved[0]).gain == pytest.approx(
        2.0, rel=0.01
    )


def test_refits_count_by_what_they_do_to_this_path() -> None:
    """One refit stiffer by 1 %: the rms over the trace of the spots that moves, by simulating
    both, to the second order that a first-order estimate leaves out (1 % of it)."""
    stiffer = unknowns()
    stiffer[PLAN.index("x_k1")] *= 1.01
    forecast = told(known(stiffer[None, :]))
    drive = output()
    grid = played_grid(BEFORE, 5.0, drive)
    at = grid.t_s[-1] - drive.t_s[-1] + drive.t_s[drive.beam]
    blank = observed(at, 0 * at, 0 * at, "path", exposure_s=0.0)
    one, two = (
        predict(PLAN, s, grid, blank, NOMINAL, slopes=False)[:2] for s in (unknowns(), stiffer)
    )
    rms = np.sqrt(np.mean((two[0] - one[0]) ** 2 + (two[1] - one[1]) ** 2))
    assert rms > 0.1
    assert forecast.after_rms_mm == pytest.approx(rms, rel=0.03)
    assert forecast.after_low_mm == pytest.approx(forecast.after_high_mm)


def test_shifts_have_the_size_that_is_stated() -> None:
    """zero_mm is the rms distance of a shift drawn from a round normal: its square is χ² of two
    degrees of freedom over two, quantiles −ln(1 − p) (textbook)."""
    forecast = told(known(zero_mm=0.2))
    low, middle, high = forecast.after_low_mm, forecast.after_rms_mm, forecast.after_high_mm
    for found, part in ((low, 0.025), (middle, 0.5), (high, 0.975)):
        # 2000 draws: the end of an interval is known to √(0.025/2000)/0.025, 14 % in p
        assert found == pytest.approx(0.2 * np.sqrt(-np.log(1 - part)), rel=0.1)


def test_what_goes_astray_grows_with_the_logarithm_of_time_since() -> None:
    """Twice the logarithm, twice the error; none at all would be foretold for no time ahead."""
    length = float(BEFORE.t_s[-1])
    middle = 3.5  # of the trace
    pauses = (length - middle, 3 * length - middle)
    near, far = (told(known(ahead_mm=0.3), pause_s=pause_s) for pause_s in pauses)
    assert far.after_rms_mm / near.after_rms_mm == pytest.approx(2.0, rel=0.03)
    assert near.after_rms_mm == pytest.approx(0.3 * np.log(2.0), rel=0.4)
    assert told(known()).after_rms_mm < 1e-6


def test_the_error_on_groups_held_out_stays_and_is_not_counted_twice() -> None:
    gap = Discrepancy(0.2, 0.0, 50, 0.0)
    assert told(known(), gap).after_rms_mm == pytest.approx(0.2)
    assert told(known(counted_mm=0.16), gap).after_rms_mm == pytest.approx(0.12)
    assert told(known(counted_mm=5.0), gap).after_rms_mm == pytest.approx(LEAST * 0.2)
    assert told(known(), gap) == told(known(), gap)


def test_of_a_few_readings_the_path_says_nothing_more() -> None:
    gap, drive, error = Discrepancy(0.2, 0.5, 6, 0.05), output(), np.full(1200, -2.0)
    same = forecast_on_path(gap, None, NOMINAL, BEFORE, 5.0, drive, drive.beam, error, error, FAR)
    assert same == forecast(gap, FAR)


def test_the_grid_plays_pattern_pause_and_output_in_order() -> None:
    drive = output()
    grid = played_grid(BEFORE, 5.0, drive)
    assert (np.diff(grid.t_s) > 0).all()
    end = BEFORE.t_s[-1] + 5.0
    at = BEFORE.t_s[:-1]
    here = np.interp(at, grid.t_s, grid.drive_x)
    np.testing.assert_allclose(here, BEFORE.drive_x[:-1], atol=1e-9)
    inside = np.linspace(0.05, drive.t_s[-1], 50)
    np.testing.assert_allclose(
        np.interp(end + inside, grid.t_s, grid.drive_x),
        np.interp(inside, drive.t_s, drive.drive_x), atol=2e-3,
    )  # fmt: skip
    pause = np.linspace(BEFORE.t_s[-1] + 0.1, end - 0.1, 9)
    assert not np.interp(pause, grid.t_s, grid.drive_y).any()


def test_trust_survives_a_file() -> None:
    rng = np.random.default_rng(0)
    spread = 1 + 0.1 * rng.standard_normal((20, len(PLAN.names)))
    before = known(unknowns() * spread, ahead_mm=0.3)
    data = json.loads(json.dumps(before.to_json()))
    after = Trust.from_json(data)
    assert after.recipe == before.recipe
    np.testing.assert_array_equal(after.short, before.short)
    # four digits of each difference
    moved = before.refits - before.short
    np.testing.assert_allclose(after.refits - after.short, moved, rtol=1e-3, atol=1e-12)
    assert told(after).after_rms_mm == pytest.approx(told(before).after_rms_mm, rel=1e-2)


def test_a_job_from_an_unknown_past_is_in_doubt_by_the_zero() -> None:
    """Standard errors of the zero add in square to that of absolute places (JCGM 100, 5.1.2)."""
    rig = fitted(one_rig())
    told = (
        Parameter("offset_x_mm", 1.0, 0.3, "mm"),
        Parameter("offset_y_mm", -2.0, 0.4, "mm"),
        Parameter("x_k1", 0.8, 7.0, "drive/FS"),
    )
    rig = replace(rig, parameters=told, discrepancy=replace(rig.discrepancy, zero_mm=1.2))
    assert past_unknown(rig, None).discrepancy.zero_mm == pytest.approx(1.3)
    # at its bound a zero has no standard error, and adds none
    held = replace(rig, parameters=(replace(told[0], standard_error=np.nan), told[2]))
    assert past_unknown(held, None).discrepancy.zero_mm == 1.2


def test_a_path_is_in_that_doubt_where_the_past_is_not_told() -> None:
    rig = fitted(one_rig())
    rig = replace(rig, parameters=(Parameter("offset_x_mm", 0.0, 0.8, "mm"),))
    path = SpotPath(
        np.array([0.0, 0.5, 1.0]), np.array([0.0, 5.0, 5.0]), np.zeros(3), np.ones(3, bool)
    )
    unknown, known = (
        compensate_path(rig, bench(), path, start=start).forecast
        for start in (None, rig.model.rest())
    )
    assert unknown.after_rms_mm == pytest.approx(np.hypot(known.after_rms_mm, 0.8))
