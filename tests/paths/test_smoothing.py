"""Smoothing against its integral form, its spectrum and its promises at rest.

References: scipy.signal.windows.hann (periodic form) for the weights; scipy.integrate.quad for
the convolution written as an integral.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.signal.windows import hann

from hysteresis.errors import InputError
from hysteresis.paths.smoothing import (
    SAG_PER_T2,
    STEPS_PER_KERNEL,
    hann_weights,
    kernel_for,
    smooth,
)

T = 0.02
ON = np.array([True])


def run(x_of, end_s, beam_from=(0.0,), beam=(True,)):
    return smooth(
        lambda t: (x_of(np.clip(t, 0, end_s)), np.zeros_like(t)),
        end_s, np.array(beam_from), np.array(beam), T,
    )  # fmt: skip


def test_weights_are_a_hann_window_of_sum_one():
    w = hann(STEPS_PER_KERNEL, sym=False)[1:]
    np.testing.assert_allclose(hann_weights(), w / w.sum(), atol=1e-15)
    assert hann_weights().sum() == pytest.approx(1, abs=1e-15)


def test_spectrum_has_its_first_zero_at_the_bandwidth_and_stays_below_31_db_above():
    bandwidth_hz = 100.0
    step_s = kernel_for(bandwidth_hz) / STEPS_PER_KERNEL
    w = hann_weights()
    k = np.arange(len(w)) - len(w) // 2

    def gain(f):
        return np.array([np.sum(w * np.cos(2 * np.pi * g * k * step_s)) for g in np.atleast_1d(f)])

    assert gain(bandwidth_hz)[0] == pytest.approx(0, abs=1e-14)
    assert gain(0.5 * bandwidth_hz)[0] == pytest.approx(0.5, abs=1e-12)
    assert (gain(np.linspace(1, 0.999 * bandwidth_hz, 400)) > 0).all()
    above = np.linspace(bandwidth_hz, 4 * bandwidth_hz, 4000)  # up to half the grid's rate
    assert np.abs(gain(above)).max() < 10 ** (-31 / 20)


def test_a_path_has_no_content_above_the_bandwidth():
    """A zigzag at 40 mm/s with jumps, seen through its own spectrum (Hann-windowed FFT)."""
    rng = np.random.default_rng(5)
    t = np.arange(0, 2.0, 0.011)
    x = rng.uniform(-20, 20, len(t))
    found = run(lambda at: np.interp(at, t, x), t[-1])
    step = found.path.t_s[1] - found.path.t_s[0]
    inner = found.path.x_mm[:-2]
    power = np.abs(np.fft.rfft((inner - inner.mean()) * np.hanning(len(inner)))) ** 2
    f = np.fft.rfftfreq(len(inner), step)
    raw = np.interp(found.clock_s[:-2], t, x)
    before = np.abs(np.fft.rfft((raw - raw.mean()) * np.hanning(len(inner)))) ** 2
    beyond = f > 1.02 * 2 / T
    assert power[beyond].max() < 2e-3 * before[f < 2 / T].max()
    assert power[beyond].sum() < 0.027**2 * before[beyond].sum()  # the side lobes' bound


@pytest.mark.parametrize(
    ("x_of", "largest_second_derivative"),
    [
        (lambda t: 30 * t - 4, 0.0),
        (lambda t: 500 * t**2 - 100 * t, 1000.0),
        (lambda t: 3 * np.sin(2 * np.pi * 8 * t), 3 * (2 * np.pi * 8) ** 2),
    ],
)
def test_equals_the_convolution_integral(x_of, largest_second_derivative):
    """The sum over the grid differs from the integral by the difference of the variances, half
    of it times the second derivative (Taylor), and by nothing on a straight line."""
    end = 0.5
    found = run(x_of, end)
    inside = (found.clock_s > T) & (found.clock_s < end - T)

    def integral(t):
        return quad(lambda s: (1 + np.cos(2 * np.pi * s / T)) / T * x_of(t - s), -T / 2, T / 2)[0]

    picks = np.flatnonzero(inside)[::40]
    expected = [integral(t) for t in found.clock_s[picks]]
    sag = 0.5 * (1 / 12 - 1 / (2 * np.pi**2))  # of the integral
    bound = abs(SAG_PER_T2 - sag) * T**2 * largest_second_derivative
    assert abs(SAG_PER_T2 / sag - 1) < 2e-4
    np.testing.assert_allclose(found.path.x_mm[picks], expected, rtol=0, atol=bound + 1e-12)


def test_exact_at_rest_and_in_even_motion():
    t = np.array([0, 0.1, 0.4, 0.5, 1.0])
    x = np.array([-40.0, 20.0, 20.0, 40.0, 40.0])
    found = run(lambda at: np.interp(at, t, x), 1.0)
    resting = (found.clock_s > 0.1 + T / 2) & (found.clock_s < 0.4 - T / 2)
    assert resting.sum() > 200
    np.testing.assert_allclose(found.path.x_mm[resting], 20.0, atol=1e-13)
    even = (found.clock_s > T / 2) & (found.clock_s < 0.1 - T / 2)
    np.testing.assert_allclose(
        found.path.x_mm[even], np.interp(found.clock_s[even], t, x), atol=1e-12
    )
    assert found.path.x_mm[0] == pytest.approx(-40, abs=1e-13)
    assert found.path.x_mm[-1] == pytest.approx(40, abs=1e-13)


def test_no_delay_an_even_path_stays_even():
    t = np.array([0, 0.3, 0.6])
    found = run(lambda at: np.interp(at, t, [0, 7.0, 0]), 0.6)
    grid = np.abs(np.diff(found.path.t_s, prepend=-1) - T / STEPS_PER_KERNEL) < 1e-9
    x = found.path.x_mm[grid | (np.arange(len(grid)) == 0)]
    np.testing.assert_allclose(x, x[::-1], atol=1e-12)


def test_sag_under_constant_acceleration():
    a = 800.0
    found = run(lambda t: 0.5 * a * t**2, 0.4)
    middle = (found.clock_s > 0.1) & (found.clock_s < 0.3)
    off = found.path.x_mm[middle] - 0.5 * a * found.clock_s[middle] ** 2
    np.testing.assert_allclose(off, a * T**2 * SAG_PER_T2, rtol=1e-9)


def test_rows_stand_at_every_change_of_the_beam():
    beam_from, beam = (0.0, 0.0317, 0.2, 0.2503), (False, True, False, True)
    found = run(lambda t: 10 * t, 0.4, beam_from, beam)
    path = found.path
    assert (np.diff(path.t_s) > 0).all()
    changes = path.t_s[1:][np.diff(path.beam)] - T / 2
    np.testing.assert_allclose(changes, [0.0317, 0.2, 0.2503, 0.4], atol=1e-12)
    for at, on in ((0.03, False), (0.1, True), (0.22, False), (0.3, True), (0.405, False)):
        row = np.searchsorted(path.t_s - T / 2, at, side="right") - 1
        assert path.beam[row] == on
    even = np.flatnonzero((found.clock_s > T) & (found.clock_s < 0.4 - T))
    np.testing.assert_allclose(path.x_mm[even], 10 * found.clock_s[even], atol=1e-12)


def test_a_path_of_days_is_refused_before_memory_is_taken():
    with pytest.raises(InputError, match="more than 20000000 rows"):
        run(lambda t: t, 1e7)
