"""Hysteresis, reversal value and repeatability of recordings made from known operators."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from verify_data import (
    FULL_SCALE_MM,
    ladder,
    pattern_of,
    play_spot,
    recording_of,
    template_bench,
)

from hysteresis.bench import Bench
from hysteresis.loops import loops, step_hysteresis, straight_line, sweep_gaps, sweep_hysteresis
from hysteresis.optics import nominal_optics, spot_from_deflection
from hysteresis.recording import observations
from hysteresis.settled import repeatability, reversal_value, settled_readings

OPTICS = nominal_optics(template_bench(Bench).optics)
RADIUS = 0.03


def sweep_pattern(peak: float, cycles: int, rate: float, axis: int = 0):
    pieces, at = [], 0.0
    for target in [*([peak, -peak] * cycles), 0.0]:
        to = (target, 0.0) if axis == 0 else (0.0, target)
        pieces.append(("sweep/001", abs(target - at) / rate, to))
        at = target
    return pattern_of(pieces)


def stairs(name: str, levels: list[float]) -> list[tuple[str, float, tuple[float, float]]]:
    out = []
    for level in levels:
        out += [(name, 0.1, (level, -level)), (name, 0.4, (level, -level))]
    return [*out, (name, 0.1, (0.0, 0.0)), (name, 0.3, (0.0, 0.0))]


@pytest.mark.parametrize("axis", ["x", "y"])
def test_hysteresis_of_a_play_element_is_its_width(axis: str) -> None:
    """Up and down differ by 2 r wherever both slip; the span is 2 (A − r) (textbook: play).

    Definition: IEC 61298-2:2008, 4.1.7 (from memory).
    """
    pattern = sweep_pattern(0.9, 2, 0.4, "xy".index(axis))
    seen = observations(pattern, recording_of(pattern, play_spot(RADIUS)))
    (loop,) = loops(pattern, seen, OPTICS, FULL_SCALE_MM)
    assert (loop.axis, loop.alone, loop.kind) == (axis, True, "sweep")
    assert loop.rate_per_s == pytest.approx(0.4)
    found = sweep_hysteresis(loop)
    assert found is not None
    assert found.percent_span == pytest.approx(100.0 * 2 * RADIUS / (2 * (0.9 - RADIUS)), rel=0.01)
    assert found.span_fs == pytest.approx(2 * (0.9 - RADIUS), rel=0.01)
    assert 0 < found.u_percent < 0.05


def test_hysteresis_of_the_rayleigh_region() -> None:
    """B = (μ + ν Ĥ) H ± (ν/2)(Ĥ² − H²): widest at H = 0 by ν Ĥ² (IEC 60050-221, 221-03-32)."""
    mu, nu, top = 0.8, 0.3, 0.9
    pattern = sweep_pattern(top, 2, 0.3)

    def spot(t, drive_x, drive_y):
        falling = np.gradient(drive_x) < 0
        initial = t < pattern.t_s[1]
        half = 0.5 * nu * (top**2 - drive_x**2)
        branch = (mu + nu * top) * drive_x + np.where(falling, half, -half)
        theta = np.where(initial, mu * drive_x + nu * drive_x**2, branch)
        return spot_from_deflection(theta, 0.0 * theta, OPTICS)

    seen = observations(pattern, recording_of(pattern, spot))
    (loop,) = loops(pattern, seen, OPTICS, FULL_SCALE_MM)
    found = sweep_hysteresis(loop)
    assert found is not None
    # eleven test points put one at zero drive; a local line over ± 1/22 bends by ν h²/6
    expected = 100.0 * nu * top**2 / (2.0 * (mu + nu * top) * top)
    assert found.percent_span == pytest.approx(expected, rel=0.01)
    assert found.at_drive == pytest.approx(0.0, abs=0.02)


def test_a_rig_without_memory_has_no_hysteresis_beyond_its_noise() -> None:
    pattern = sweep_pattern(0.9, 2, 0.4)

    def spot(t, drive_x, drive_y):
        return spot_from_deflection(drive_x, drive_y, OPTICS)

    recording = recording_of(pattern, spot, noise=np.random.default_rng(8))
    (loop,) = loops(pattern, observations(pattern, recording), OPTICS, FULL_SCALE_MM)
    found = sweep_hysteresis(loop)
    assert found is not None and found.percent_span < 4.5 * found.u_percent
    line = straight_line((loop,), "x")
    assert line is not None and line.slope == pytest.approx(1.0, abs=1e-3)
    assert np.std(line.departure(loop.drive, loop.deflection_fs)) < 3e-4


def test_too_few_frames_give_no_hysteresis() -> None:
    pattern = sweep_pattern(0.9, 1, 20.0)
    seen = observations(pattern, recording_of(pattern, play_spot(RADIUS)))
    assert [sweep_hysteresis(loop) for loop in loops(pattern, seen, OPTICS, FULL_SCALE_MM)] in (
        [], [None],
    )  # fmt: skip


LEVELS = [0.2, 0.4, 0.6, 0.8, 0.6, 0.4, 0.2, -0.2, -0.4, -0.6, -0.4, -0.2, 0.2, 0.4]


def test_steps_give_hysteresis_and_reversal_value() -> None:
    """A play of radius r lags by r on either way: B = 2 r (ISO 230-2, 2.12 to 2.14)."""
    pattern = pattern_of(
        [*stairs("staircase/001", LEVELS), *stairs("repeat/001/staircase", LEVELS)]
    )
    seen = observations(pattern, recording_of(pattern, play_spot(RADIUS)))
    readings = settled_readings(pattern, seen, OPTICS, ("staircase",))
    assert {r.group for r in readings} == {"staircase/001", "repeat/001"}
    for k, axis in enumerate("xy"):
        b = reversal_value(readings, axis, 50.0)
        assert b is not None
        assert b.largest_mm == pytest.approx(50.0 * 2 * RADIUS, rel=1e-6)
        assert b.mean_mm == pytest.approx(-50.0 * 2 * RADIUS, rel=1e-6)  # up lags behind down
        assert (b.runs, b.targets) == (2, 5)  # not 0.8 and -0.6, which end a way
        found = step_hysteresis(readings, axis, 50.0)
        assert found is not None and "steps of 0.40 s" in found.how
        span = np.ptp([r.deflection_fs[k] for r in readings])
        assert found.percent_span == pytest.approx(100.0 * 2 * RADIUS / span, rel=1e-6)


def test_no_reversal_value_without_both_ways() -> None:
    pattern = pattern_of(stairs("staircase/001", [0.2, 0.4, 0.6]))
    seen = observations(pattern, recording_of(pattern, play_spot(0.0)))
    readings = settled_readings(pattern, seen, OPTICS, ("staircase",))
    assert reversal_value(readings[:3], "x", 50.0) is None
    assert reversal_value((), "x", 50.0) is None


def test_repeatability_finds_the_drift_and_the_extreme() -> None:
    """Extreme difference at the same input in the same direction (IEC 61298-2, from memory)."""
    pieces = [*stairs("staircase/001", [0.3, 0.6, 0.3]), *ladder(1, (0.5, 0.0), 1.0)]
    again = [(name.replace("staircase/001", "repeat/001/staircase"), d, to)
             for name, d, to in stairs("staircase/001", [0.3, 0.6, 0.3])]  # fmt: skip
    pattern = pattern_of([*pieces, *again])
    start = pattern.t_s[len(pieces)]

    def spot(t, drive_x, drive_y):
        x, y = spot_from_deflection(drive_x, drive_y, OPTICS)
        late = t > start
        return x + np.where(late, 0.3, 0.0), y + np.where(late & (drive_x > 0.5), -0.7, 0.0)

    seen = observations(pattern, recording_of(pattern, spot))
    found = {r.axis: r for r in repeatability(pattern, seen)}
    assert found["x"].first_group == "staircase/001" and found["x"].points == 4
    assert found["x"].later_s == pytest.approx(start)
    assert found["x"].mean_mm == pytest.approx(0.3, abs=1e-9)
    assert found["y"].largest_mm == pytest.approx(-0.7, abs=1e-9)
    assert found["y"].mean_mm == pytest.approx(-0.7 / 4, abs=1e-9)


def test_a_repeat_of_nothing_is_passed_over() -> None:
    pattern = pattern_of([
        *stairs("staircase/001", [0.3, 0.6]), *stairs("repeat/001/staircase", [0.3, 0.7])
    ])  # fmt: skip
    seen = observations(pattern, recording_of(pattern, play_spot(0.0)))
    assert repeatability(pattern, seen) == ()


def test_one_stray_frame_makes_no_hysteresis() -> None:
    pattern = sweep_pattern(0.9, 2, 0.4)
    clean = recording_of(pattern, play_spot(RADIUS))
    x = clean.x_mm.copy()
    x[90] += 8.0
    dirty = replace(clean, x_mm=x)
    found = [
        sweep_hysteresis(loops(pattern, observations(pattern, r), OPTICS, FULL_SCALE_MM)[0])
        for r in (clean, dirty)
    ]
    assert found[0] is not None and found[1] is not None
    assert found[1].percent_span == pytest.approx(found[0].percent_span, rel=0.01)


def test_frames_of_a_quick_jump_do_not_belong_to_a_loop() -> None:
    pattern = pattern_of([
        ("decaying/001", 2.0, (0.8, 0.0)), ("decaying/001", 3.0, (-0.6, 0.0)),
        ("decaying/001", 1.5, (0.1, 0.0)), ("decaying/001", 0.05, (0.0, 0.0)),
    ])  # fmt: skip
    seen = observations(pattern, recording_of(pattern, play_spot(0.0)))
    (loop,) = loops(pattern, seen, OPTICS, FULL_SCALE_MM)
    assert set(loop.run[:-2].tolist()) == {0, 1, 2}
    assert loop.run[-1] == -2


def test_gaps_tell_which_reading_is_which() -> None:
    """A lagging loop reads lower going up: the gap, down less up, is positive on both sides."""
    pattern = sweep_pattern(0.9, 1, 0.3)
    (loop,) = loops(
        pattern, observations(pattern, recording_of(pattern, play_spot(RADIUS))), OPTICS,
        FULL_SCALE_MM,
    )  # fmt: skip
    gaps = sweep_gaps(loop)
    assert len(gaps) == 22
    inner = [gap for gap in gaps if 0.1 < abs(gap.at_drive) < 0.75]
    # a play of threshold r lags by r on either side, away from the start and the reversals
    assert [gap.fs for gap in inner] == pytest.approx([2 * RADIUS] * len(inner), abs=1e-6)
    assert all(gap.up_fs < gap.down_fs for gap in inner)
