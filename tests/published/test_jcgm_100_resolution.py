"""JCGM 100:2008 (GUM), 4.3.7 and F.2.2.1: what rounding adds to the uncertainty of a reading.

4.3.7 gives a quantity that lies anywhere within ±a with equal probability the variance a²/3;
F.2.2.1 applies it to a resolution δ (a = δ/2): u = δ/√12 = 0.29 δ. Recalled from memory and
checked here against its own derivation, drawn numbers; the figure 0.29 is the one in the text.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hysteresis.measure.granularity import rounding_sigma, rounding_step


def test_resolution_of_one_gives_029() -> None:
    assert round(rounding_sigma(1.0), 2) == 0.29
    assert rounding_sigma(0.5) ** 2 == pytest.approx((0.5 / 2) ** 2 / 3, rel=1e-14)


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
def test_against_drawn_readings(step: float) -> None:
    true = np.random.default_rng(0).uniform(-60, 60, 200_000)
    error = np.round(true / step) * step - true
    # standard deviation of a uniform draw from 200 000: known to 0.1 %
    assert error.std() == pytest.approx(rounding_sigma(step), rel=0.005)


@pytest.mark.parametrize("step", [5.0, 2.0, 1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.01, 0.001])
def test_the_step_is_seen_in_forty_readings(step: float) -> None:
    for seed in range(20):
        values = np.round(np.random.default_rng(seed).uniform(-60, 60, 40) / step) * step
        values[3] = np.nan
        assert rounding_step(np.round(values, 6)) == pytest.approx(step)


def test_a_slip_of_the_pen_does_not_hide_the_step() -> None:
    values = np.round(np.random.default_rng(1).uniform(-60, 60, 40) * 2) / 2
    values[7] = 2.85  # 28.5 mm written in cm
    assert rounding_step(values) == 0.5


@given(st.lists(st.floats(-100, 100), min_size=20, max_size=60, unique=True))
def test_unrounded_values_have_no_step_they_are_not_on(values: list[float]) -> None:
    step = rounding_step(np.array(values))
    if step > 0:
        off = np.abs(np.array(values) / step - np.round(np.array(values) / step))
        assert np.mean(off[np.array(values) != 0] < 1e-6) >= 0.8


def test_too_few_values_show_no_step() -> None:
    assert rounding_step(np.array([1.0, 2.0, 3.0])) == 0.0
    assert rounding_step(np.array([0.0, 0.0, 0.0, 0.0, np.nan])) == 0.0
    assert rounding_step(np.random.default_rng(2).normal(0, 10, 40)) == 0.0
