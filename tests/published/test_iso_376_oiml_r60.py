"""Zero error, creep and zero return in the form of ISO 376 and OIML R 60, on made-up readings.

ISO 376:2011 (from memory): f₀ = 100 (i_f − i₀)/X_N; c = 100 (i₂ − i₁)/X_N after applying or
removing the load. OIML R 60-1:2021: 3.5.10 (minimum dead load output return, the difference of
the readings at minimum load before and after D_max), 3.7.1 (creep: change with time under constant
load).
"""

from __future__ import annotations

import numpy as np
import pytest
from verify_data import ladder, pattern_of, play, recording_of, template_bench

from hysteresis.bench import Bench
from hysteresis.characteristics import Pair, figures_of
from hysteresis.tables import Pattern, Recording

I_0, X_N, CREEP_PER_S, I_F = 0.4, 40.0, 0.05, 1.0  # mm, mm, mm/s, mm


def run(dwell_s: float = 10.0, watch_s: float = 10.0) -> tuple[Pattern, Recording]:
    """Zero at i₀; held at i₀ + X_N at the end, creeping outwards; back at i₀ + i_f, creeping in."""
    pattern = pattern_of(ladder(1, (0.8, 0.0), dwell_s, watch_s))
    hold_s, back_s, zero_s = pattern.t_s[2], pattern.t_s[3], pattern.t_s[4]

    def spot(t, drive_x, drive_y):
        x = np.full(len(t), I_0)
        held = (t >= hold_s) & (t < back_s)
        # X_N is the mean over the last half second of the hold, 0.25 s before its end
        x[held] += X_N + CREEP_PER_S * (t[held] - (back_s - 0.25))
        after = t >= zero_s
        x[after] += I_F - CREEP_PER_S * (t[after] - zero_s - 0.5)
        return x, 0.0 * t

    return pattern, recording_of(pattern, spot)


def by_key(pairs: tuple[Pair, ...], axis: str = "x") -> dict[tuple[str, bool], Pair]:
    """Pairs by key and whether they sum up the run."""
    return {(p.definition.key, not p.either.conditions): p for p in pairs if p.either.axis == axis}


# frames of 1/30 s: the mean of a line over a stretch is off by half a frame at most
FRAME_MM = CREEP_PER_S / 60.0


def test_relative_zero_error_and_zero_return() -> None:
    found = by_key(figures_of(*run(), template_bench(Bench)))
    zero = found["relative_zero_error", True].measured
    assert zero is not None
    assert zero.value == pytest.approx(100.0 * I_F / X_N, abs=3 * 100.0 * FRAME_MM / X_N)
    back = found["zero_return", True].measured
    assert back is not None and back.value == pytest.approx(I_F, abs=2 * FRAME_MM)
    in_full_scale = found["return_to_zero", True].measured
    assert in_full_scale is not None
    assert in_full_scale.value == pytest.approx(100.0 * I_F / 50.0, abs=4 * FRAME_MM)


def test_creep_after_removal_and_at_a_held_drive_with_their_times() -> None:
    found = by_key(figures_of(*run(), template_bench(Bench)))
    for key, sign in (("creep_at_zero", -1.0), ("creep_at_held_drive", 1.0)):
        one = found[key, False].measured
        assert one is not None
        times = {c.name: c.value for c in one.conditions}
        assert times["from_s"] == pytest.approx(0.5, abs=0.02)
        assert times["to_s"] == pytest.approx(9.75, abs=0.02)
        assert times["dwell_s"] == pytest.approx(10.0)
        change = CREEP_PER_S * (times["to_s"] - times["from_s"])
        assert one.value == pytest.approx(100.0 * sign * change / X_N, rel=1e-3)


def test_a_creep_that_is_read_in_the_limit_of_the_standard() -> None:
    """Class limits of ISO 376 (from memory): c 0.025 / 0.05 / 0.10 / 0.20 %, f₀ 0.012 … 0.10 %.

    A drift of 0.01 mm in 40 mm between both readings is exactly the limit of the first class.
    """
    rate = 0.01 / (9.75 - 0.5)
    pattern = run()[0]
    zero_s = pattern.t_s[4]

    def spot(t, drive_x, drive_y):
        held = (t >= pattern.t_s[2]) & (t < pattern.t_s[3])
        return np.where(held, X_N, np.where(t >= zero_s, -rate * (t - zero_s), 0.0)), 0.0 * t

    found = by_key(figures_of(pattern, recording_of(pattern, spot), template_bench(Bench)))
    one = found["creep_at_zero", False].measured
    assert one is not None and -one.value == pytest.approx(0.025, rel=5e-3)


@pytest.mark.parametrize("sizes", [(0.3, 0.5, 1.0), (0.25, 0.35, 0.8)])
def test_rms_of_play_elements_in_closed_form(sizes: tuple[float, ...]) -> None:
    """RTZ(H) = Σ w_i min((H − r_i)₊, r_i) (from Masing's rule, exact); their root mean square.

    Excursions of one sign and rising size: each starts from what the last one left, which by
    wiping-out (Mayergoyz, from memory) changes only the reading before.
    """
    weights, radii = np.array([0.3, 0.2]), np.array([0.1, 0.2])
    pattern = pattern_of([p for n, s in enumerate(sizes, 1) for p in ladder(n, (s, 0.0), 1.0)])

    def spot(t, drive_x, drive_y):
        return 50.0 * sum(w * play(drive_x, r) for w, r in zip(weights, radii, strict=True)), 0 * t

    left = [float(np.sum(weights * np.minimum(np.maximum(s - radii, 0.0), radii))) for s in sizes]
    errors = 100.0 * np.diff(np.concatenate([[0.0], left]))
    recording = recording_of(pattern, spot, sigma_mm=1e-6)
    found = by_key(figures_of(pattern, recording, template_bench(Bench)))
    rms = found["return_to_zero", True].measured
    worst = found["return_to_zero_worst", True].measured
    assert rms is not None and worst is not None
    assert rms.value == pytest.approx(np.sqrt(np.mean(errors**2)), abs=1e-4)
    assert worst.value == pytest.approx(np.max(np.abs(errors)), abs=1e-4)
