"""Hysteresis, dead band and non-linearity of textbook elements: IEC 61298-2 and ANSI/ISA-51.1.

Clauses from memory. Loops are made sample by sample; nothing of the toolkit's kernels makes them.
A play element of threshold r and weight 1 lags by r on either side: hysteresis 2 r over its span
2 (X − r), dead band 2 r over the drive's span 2 X, and hysteresis less dead band of a play is what
the two spans differ by.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from verify_data import FRAME_S, pattern_of, play, recording_of, template_bench

from hysteresis.bench import Bench
from hysteresis.characteristics import figures_of
from hysteresis.characteristics.loop_figures import dead_bands, non_repeatability
from hysteresis.characteristics.of_run import collected, view_of
from hysteresis.loops import loops
from hysteresis.optics import nominal_optics, spot_from_deflection
from hysteresis.recording import observations
from hysteresis.tables import Pattern, Recording

TOP, RATE = 0.9, 0.3  # drive, and drive per second
SLOW = [("sweep/001", TOP / RATE, (TOP, 0.0)), ("sweep/001", 2 * TOP / RATE, (-TOP, 0.0)),
        ("sweep/001", TOP / RATE, (0.0, 0.0))]  # fmt: skip


def swept(law, sigma_mm: float = 1e-4) -> tuple[Pattern, Recording]:
    """A slow cycle of x alone through the template's nominal optics; law(drive) in full scale."""
    bench = template_bench(Bench)
    pattern = pattern_of(SLOW)

    def spot(t, drive_x, drive_y):
        return spot_from_deflection(law(drive_x), 0.0 * t, nominal_optics(bench.optics))

    return pattern, recording_of(pattern, spot, sigma_mm=sigma_mm)


def sums(pattern: Pattern, recording: Recording) -> dict[str, float]:
    """What the definitions give of these frames as they are, without a correction for noise."""
    view = replace(view_of(pattern, recording, template_bench(Bench), None), exact=True)
    return {key: found.value for (key, _, place), found in collected(view).items() if not place}


@pytest.mark.parametrize("radius", [0.02, 0.05, 0.1])
def test_play_has_hysteresis_and_dead_band_of_twice_its_threshold(radius: float) -> None:
    """Bound: the test points next to a reversal see part of the dead band, none sees more."""
    told = sums(*swept(lambda u: play(u, radius)))
    span = 2.0 * (TOP - radius)
    assert told["hysteresis"] == pytest.approx(100.0 * 2.0 * radius / span, abs=0.02)
    if radius < 0.09:  # beyond, the straight response starts inside the window of the line
        inside = 2.0 * radius < 0.02 * TOP
        assert inside or told["dead_band"] < 100.0 * 2.0 * radius / (2.0 * TOP)


def test_dead_band_of_a_play_that_ends_before_the_window() -> None:
    """2 r = 0.016 < 2 % of half the span: the line after the reversal sees the straight part alone;
    100 × 2 r / 2 X = 0.889 % of the span, and hysteresis 2 r / 2 (X − r) less that."""
    radius = 0.008
    pattern, recording = swept(lambda u: play(u, radius))
    told = sums(pattern, recording)
    assert told["dead_band"] == pytest.approx(100.0 * radius / TOP, abs=0.01)
    hysteresis = 100.0 * 2 * radius / (2 * (TOP - radius))
    assert told["hysteresis"] == pytest.approx(hysteresis, abs=0.01)
    left = told["hysteresis_less_dead_band"]
    assert left == pytest.approx(hysteresis - 100.0 * radius / TOP, abs=0.02)


def test_with_the_stated_noise_the_intervals_hold_the_closed_form() -> None:
    """All test points of a play tie for the largest difference: the hardest case to correct."""
    radius = 0.008
    pattern, recording = swept(lambda u: play(u, radius), sigma_mm=0.02)
    noise = 0.02 * np.random.default_rng(3).standard_normal(len(recording))
    recording = replace(recording, x_mm=recording.x_mm + noise)
    exact = {"hysteresis": 100.0 * radius / (TOP - radius), "dead_band": 100.0 * radius / TOP}
    for pair in figures_of(pattern, recording, template_bench(Bench)):
        one = pair.measured
        if one is not None and one.key in exact and not one.conditions:
            low, high = one.interval()
            assert low <= exact.pop(one.key) <= high
    assert not exact


def test_a_spring_has_none_of_these() -> None:
    told = sums(*swept(lambda u: 1.1 * u))
    for key in ("hysteresis", "dead_band", "nonlinearity_terminal", "nonlinearity_best_fit"):
        assert told[key] == pytest.approx(0.0, abs=2e-3)
    assert told["drive_for_full_scale"] == pytest.approx(1.0 / 1.1, rel=1e-4)


def test_dead_band_is_told_at_both_reversals() -> None:
    pattern, recording = swept(lambda u: play(u, 0.008))
    bench = template_bench(Bench)
    (loop,) = loops(pattern, observations(pattern, recording), nominal_optics(bench.optics),
                    (50.0, 50.0))  # fmt: skip
    assert [band for band, _ in dead_bands(loop)] == pytest.approx([0.016, 0.016], abs=2e-4)


def test_terminal_based_and_best_fit_nonlinearity_of_a_parabola() -> None:
    """y = u + c (1 − u²): from the line through both ends c (a² − u²), largest c a² at zero; from
    the least-squares line c |a²/3 − u²| on even points, largest 2/3 c a² at the ends (calculus).

    The readings stand in the middle of test points, so a is that of the outermost one and the sum
    over even points replaces the integral. Frames come within one frame's move of the drive's end,
    which enters squared: that bounds the difference.
    """
    c = 0.05
    pattern, recording = swept(lambda u: u + c * (1.0 - u**2))
    told = sums(pattern, recording)
    span = 2.0 * TOP  # of the loop: the parabola adds the same at both ends
    at = TOP * (2.0 * np.arange(11) + 1.0) / 22.0  # test points of one side
    at = np.concatenate([-at[::-1], at])
    # the mean over a test point's frames adds the same to every point
    terminal = 100.0 * c * (at[-1] ** 2 - np.min(at**2)) / span
    best = 100.0 * c * np.max(np.abs(np.mean(at**2) - at**2)) / span
    bound = 2.0 * RATE * FRAME_S / TOP
    assert told["nonlinearity_terminal"] == pytest.approx(terminal, rel=bound)
    assert told["nonlinearity_best_fit"] == pytest.approx(best, rel=bound)
    assert terminal == pytest.approx(100.0 * c * TOP**2 / span, rel=0.1)


def test_non_repeatability_is_the_extreme_difference() -> None:
    """Three cycles of two points: ranges 0.5 and 0.7 by hand."""
    cycles = np.array([[1.0, 2.0], [1.5, 2.7], [1.2, 2.1]])
    assert float(non_repeatability(cycles)) == pytest.approx(0.7)
