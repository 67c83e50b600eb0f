"""Speed, rise and heat of a pattern: against closed forms and dense sampling."""

import numpy as np
import pytest
from scipy import integrate

from hysteresis.errors import LimitError
from hysteresis.plan.demands import energy, require_within, rises, rolling_rms
from hysteresis.tables import Pattern
from tests.plan.conftest import bench_with


def _pattern(t, x, y=None):
    t, x = np.asarray(t, float), np.asarray(x, float)
    names = np.array(["ladder/001/hold"] * len(t), object)
    return Pattern(
        t, x, np.zeros_like(x) if y is None else np.asarray(y), np.ones(len(t), bool), names
    )


def test_rms_of_a_hold_in_closed_form():
    """A constant drive a for T within a window W: a √(T/W), and a once T ≥ W (by definition)."""
    t, u = np.array([0.0, 1e-6, 12.0]), np.array([0.0, 0.8, 0.8])
    at, rms = rolling_rms(t, u, 30.0)
    assert rms[-1] == pytest.approx(0.8 * np.sqrt(12 / 30), rel=1e-6) and at[-1] == 12.0
    at, rms = rolling_rms(np.array([0.0, 1e-6, 50.0]), u, 30.0)
    assert rms.max() == pytest.approx(0.8, rel=1e-6)


def test_rms_of_random_drives_against_dense_sampling():
    rng = np.random.default_rng(2)
    for _ in range(5):
        t = np.concatenate([[0.0], np.cumsum(rng.uniform(0.05, 2.0, 60))])
        u = rng.uniform(-1, 1, 61)
        window = rng.uniform(0.5, 20.0)
        fine = np.arange(0.0, t[-1], 1e-3)
        squared = np.interp(fine, t, u) ** 2
        area = integrate.cumulative_trapezoid(squared, dx=1e-3, initial=0.0)
        total = np.concatenate([np.zeros(round(window * 1e3)), area])
        mean = (total[-len(fine) :] - total[: len(fine)]) / window
        at, rms = rolling_rms(t, u, window)
        assert np.interp(at, fine, np.sqrt(mean)) == pytest.approx(rms, abs=5e-3)
        assert rms.max() == pytest.approx(np.sqrt(mean.max()), rel=2e-3)  # no peak is missed
        assert energy(t, u, t[-1]) == pytest.approx(np.trapezoid(squared, fine), rel=1e-3)


def test_rises_are_the_runs_in_one_direction():
    t = np.arange(9.0)
    starts, lengths = rises(t, np.array([0, 1, 2, 2, 2, 1, 2, 0, -1.0]))
    assert list(starts) == [0, 4, 5, 6] and list(lengths) == [2, 1, 1, 2]


LIMITS = bench_with(
    limits={
        "max_drive": 0.9, "slew_per_s": 20.0, "bandwidth_hz": 10.0, "coil_rms": 0.5,
        "coil_window_s": 10.0,
    }
).limits  # fmt: skip


@pytest.mark.parametrize(
    ("t", "x", "words"),
    [
        ([0, 1, 2], [0, 0.95, 0], ("limits.max_drive", "0.950", "at 1.00 s")),
        ([0, 1, 1.048, 2], [0, 0, 0.9, 0], ("limits.bandwidth_hz", "48 ms", "at 1.00 s")),
        ([0, 1, 1.06, 1.12, 2], [0, -0.9, 0.0, 0.9, 0], ("limits.slew_per_s", "15", "")),
        ([0, 1, 9, 10], [0, 0.8, 0.8, 0], ("limits.coil_rms", "rms", "axis x")),
    ],
)
def test_each_limit_is_named_with_place_and_remedy(t, x, words):
    limits = LIMITS.model_copy(update={"slew_per_s": 14.0}) if "slew" in words[0] else LIMITS
    with pytest.raises(LimitError) as told:
        require_within(_pattern(t, x), limits)
    message = str(told.value)
    assert all(word in message for word in words) and "ladder/001/hold" in message
    assert ";" in message  # what to change follows
    with pytest.raises(LimitError, match="axis y"):
        require_within(_pattern(t, np.zeros(len(t)), np.array(x, float)), limits)


def test_what_is_within_every_limit_passes():
    require_within(_pattern([0, 1, 1.1, 2, 2.1, 8], [0, 0, 0.9, 0.9, 0, 0]), LIMITS)
