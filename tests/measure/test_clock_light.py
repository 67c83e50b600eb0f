"""What light tells: the exposure by drawn-out spots, the clock by a beam that blinks."""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.measure.clock import Clock
from hysteresis.measure.clock_beam import BeamClock, beam_edges, by_beam, lit_part, with_beam
from hysteresis.measure.exposure_estimate import disagrees, estimate_exposure
from hysteresis.tables import Pattern


@pytest.mark.parametrize("exposure_s", [0.004, 0.008, 0.02])
def test_the_exposure_from_the_spread_of_points(exposure_s: float) -> None:
    """Moments counted over points spread evenly along the way, not by the formula."""
    rng = np.random.default_rng(1)
    n = 400
    velocity = rng.normal(0, 600.0, (n, 2)) * (rng.random((n, 1)) < 0.6)
    when = np.linspace(-0.5, 0.5, 2001) * exposure_s
    moments = np.empty((n, 3))
    for k in range(n):
        u, v = velocity[k, 0] * when, velocity[k, 1] * when
        moments[k] = 2.0 + u.var(), 0.3 + (u * v).mean(), 2.5 + v.var()  # not round at rest
    moments *= 1 + rng.normal(0, 0.02, moments.shape)
    moments[::17] *= 3.0  # something else in the light
    found = estimate_exposure(*moments.T, velocity, np.ones(n, bool))
    assert found is not None
    assert abs(found.exposure_s - exposure_s) < 3 * found.u_exposure_s
    assert found.u_exposure_s < 0.05 * exposure_s
    assert not disagrees(found, exposure_s) and disagrees(found, 2 * exposure_s)


def test_light_that_is_cut_where_it_moves_fast_tells_no_exposure() -> None:
    """A tracker that sees streaks as no longer than 6 px: what it measures is not the exposure."""
    rng = np.random.default_rng(5)
    velocity = rng.normal(0, 900.0, (400, 2))
    length = np.minimum(np.linalg.norm(velocity, axis=1) * 0.008, 6.0)
    along = (velocity.T / np.linalg.norm(velocity, axis=1)).T
    uu, uv, vv = (
        length**2 / 12 * p for p in (along[:, 0] ** 2, along[:, 0] * along[:, 1], along[:, 1] ** 2)
    )
    found = estimate_exposure(2.0 + uu, uv, 2.0 + vv, velocity, np.ones(400, bool))
    assert found is None or not disagrees(found, 0.008)


def test_no_exposure_without_motion() -> None:
    still = np.zeros((100, 2))
    two = np.full(100, 2.0)
    assert estimate_exposure(two, 0 * two, two, still, np.ones(100, bool)) is None
    rng = np.random.default_rng(2)
    slow = rng.normal(0, 5.0, (100, 2))  # 5 px/s: a spread of 0.04 px
    assert estimate_exposure(two, 0 * two, two, slow, np.ones(100, bool)) is None


def blinking(seed: int) -> Pattern:
    rng = np.random.default_rng(seed)
    off = 1.0 + np.arange(24) * 2.0 + rng.uniform(0, 1.5, 24)
    on = off + rng.uniform(0.04, 0.07, 24)
    t = np.sort(np.concatenate([[0.0], off, on, [60.0]]))
    lit = np.ones(len(t), bool)
    lit[1:-1:2] = False
    return Pattern(t, 0 * t, 0 * t, lit, np.full(len(t), "sync/001", dtype=object))


def test_the_lit_part_by_counting() -> None:
    pattern = blinking(0)
    start = np.random.default_rng(1).uniform(0.5, 55, 300)
    fine = start[:, None] + (np.arange(4000) + 0.5) / 4000 * 0.01
    lit = pattern.beam[np.searchsorted(pattern.t_s, fine, side="right") - 1]
    ours = lit_part(beam_edges(pattern), start, 0.01)
    np.testing.assert_allclose(ours, lit.mean(axis=1), atol=1 / 4000 * 1.01)


@pytest.mark.parametrize("light", [False, True])
def test_the_beam_alone_tells_the_time(light: bool) -> None:
    """A camera that loses frames lit for less than half of the exposure; clock 1.5 ms off."""
    errors, within = [], 0
    for seed in range(12):
        pattern, rng = blinking(seed), np.random.default_rng(100 + seed)
        frame = np.arange(1700)
        true = 0.8 * rng.random() + frame / 30.0
        part = lit_part(beam_edges(pattern), true, 0.01)
        seen = (part > 0.5) & (rng.random(len(frame)) > 0.01)
        flux = 1000 * part * (1 + 0.01 * rng.normal(size=len(frame))) if light else part * np.nan
        found = by_beam(pattern, frame[seen], true[seen] + 1.5e-3, np.ones(seen.sum(), bool),
                        flux[seen], 0.01)  # fmt: skip
        assert found is not None and found.edges == 48
        errors.append(found.shift_s - 1.5e-3)
        within += abs(errors[-1]) < 2 * found.u_shift_s
    assert within >= 11
    assert np.sqrt(np.mean(np.square(errors))) < (2e-4 if light else 1e-3)


def test_a_beam_that_does_not_blink_is_not_believed() -> None:
    pattern = blinking(3)
    frame = np.arange(1700)
    always = np.ones(len(frame), bool)
    assert by_beam(pattern, frame, frame / 30.0, always, np.full(1700, np.nan), 0.01) is None
    lit = Pattern(pattern.t_s, pattern.drive_x, pattern.drive_y, np.ones(len(pattern), bool),
                  pattern.segment)  # fmt: skip
    assert by_beam(lit, frame, frame / 30.0, always, np.full(1700, np.nan), 0.01) is None


def test_motion_and_beam_together_by_hand() -> None:
    motion = Clock(offset_s=2.0, drift=0.0, u_offset_s=1e-3, u_drift=0.0, score=1.0)
    both = with_beam(motion, BeamClock(1e-3, 1e-3, 48, 0))
    assert both.offset_s == pytest.approx(2.0005) and both.u_offset_s == pytest.approx(
        7.07e-4, 1e-3
    )
    apart = with_beam(motion, BeamClock(6e-3, 1e-3, 48, 0))
    assert apart.offset_s == pytest.approx(2.006) and "the beam decided" in apart.evidence[-1]
    assert with_beam(motion, None) is motion
