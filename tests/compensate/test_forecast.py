"""The error that is foretold: what the numbers mean, and that the interval holds its promise."""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.compensate.forecast import SITUATIONS, forecast
from hysteresis.model import Discrepancy

ON = np.array([True, True, False, True])
X, Y = np.array([3.0, 3.0, 99.0, 3.0]), np.array([-4.0, -4.0, 99.0, -4.0])


def test_before_is_the_traced_part_alone() -> None:
    told = forecast(Discrepancy(0.1, 0.3, 10, 0.0), X, Y, ON)
    assert told.before_rms_mm == pytest.approx(5.0)
    assert (told.before_bias_x_mm, told.before_bias_y_mm) == (3.0, -4.0)


def test_a_path_without_a_trace_is_judged_whole() -> None:
    told = forecast(Discrepancy(0.1, 0.3, 10, 0.0), X, Y, np.zeros(4, bool))
    assert told.before_rms_mm == pytest.approx(np.sqrt(np.mean(X**2 + Y**2)))


def test_without_spread_the_error_left_is_that_of_the_groups() -> None:
    told = forecast(Discrepancy(0.2, 0.0, 50, 0.0), X, Y, ON)
    assert told.after_low_mm == told.after_rms_mm == told.after_high_mm == 0.2


def test_the_middle_is_that_of_the_groups_logarithms() -> None:
    """Of lognormal sizes the rms is exp(μ + s²) (moments of the lognormal; textbook)."""
    logs = np.random.default_rng(6).normal(np.log(0.05), 0.6, 100_000)
    gap = Discrepancy(
        float(np.sqrt(np.mean(np.exp(2 * logs)))), float(np.std(logs)), len(logs), 0.0
    )
    told = forecast(gap, X, Y, ON)
    assert told.after_rms_mm == pytest.approx(0.05, rel=0.02)
    assert told.after_low_mm * told.after_high_mm == pytest.approx(0.05**2, rel=0.04)


def test_the_interval_holds_and_widens_with_spread_and_with_fewer_groups() -> None:
    def width(spread: float, groups: int) -> float:
        told = forecast(Discrepancy(0.2, spread, groups, 0.0), X, Y, ON)
        assert 0 < told.after_low_mm < told.after_rms_mm < told.after_high_mm
        return float(np.log(told.after_high_mm / told.after_low_mm))

    assert width(0.3, 10) < width(0.6, 10) and width(0.3, 30) < width(0.3, 3)


def test_absolute_positions_add_in_square() -> None:
    bare = forecast(Discrepancy(0.2, 0.3, 10, 0.0), X, Y, ON)
    told = forecast(Discrepancy(0.2, 0.3, 10, 0.15), X, Y, ON)
    assert told.after_rms_mm == pytest.approx(np.hypot(bare.after_rms_mm, 0.15))
    assert told.after_high_mm == pytest.approx(np.hypot(bare.after_high_mm, 0.30))
    assert told.after_low_mm == bare.after_low_mm


def test_a_spread_that_is_not_known_is_taken_as_wide() -> None:
    told = forecast(Discrepancy(0.2, float("nan"), 0, 0.0), X, Y, ON)
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
        told = forecast(gap, X, Y, ON)
        met = np.exp(np.mean(rng.normal(np.log(0.05), 0.5, int(SITUATIONS))))
        inside += told.after_low_mm <= met <= told.after_high_mm
    assert 0.90 <= inside / 2000 <= 0.98
