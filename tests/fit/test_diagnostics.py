"""What residuals say: every reading is triggered by its own error, and noise triggers none.

The residuals are made here, with formulas of their own; no fit is needed.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from fitted_rigs import FRAME_S, bench, observed
from scipy.signal import lfilter

from hysteresis.fit.diagnostics import TEXTS, Finding, diagnose
from hysteresis.plan import plan
from hysteresis.recording import Grid, Observations, simulation_grid
from hysteresis.tables import Floats, group_of

NOISE = 0.02
FULL_MM = 50.0
SEEDS = 120


@cache
def played(minutes: float = 2.0) -> tuple[Grid, Observations]:
    """A characterisation and frames of it, with nothing measured yet."""
    pattern = plan("characterisation", bench(), minutes=minutes)
    grid = simulation_grid(
        pattern.t_s, pattern.drive_x, pattern.drive_y, fine_step_s=0.01, settle_s=0.0, growth=0.2
    )
    frames = np.arange(9.0, pattern.t_s[-1] - 0.1, FRAME_S)
    row = np.searchsorted(pattern.t_s, frames, side="right") - 1
    group = np.array([group_of(s) for s in pattern.segment[row]], object)
    return grid, observed(frames, 0 * frames, 0 * frames, group, sigma_mm=NOISE)


@cache
def read() -> tuple[Grid, Observations]:
    """Forty typed readings, the spot looked at before the end of each rest."""
    pattern = plan("reading-steps", bench(), readings=40)
    grid = simulation_grid(
        pattern.t_s, pattern.drive_x, pattern.drive_y, fine_step_s=0.01, settle_s=0.0, growth=0.2
    )
    groups = [group_of(s) for s in pattern.segment]
    names = [g for g in dict.fromkeys(groups) if g.startswith("reading")]
    last = [max(k for k, g in enumerate(groups) if g == name) for name in names]
    at = pattern.t_s[np.minimum(np.array(last) + 1, len(pattern) - 1)] - 0.2
    nothing = np.zeros(len(at))
    return grid, observed(at, nothing, nothing, np.array(names, object), sigma_mm=0.3)


def white(seen: Observations, seed: int) -> tuple[Floats, Floats]:
    x, y = np.random.default_rng(seed).standard_normal((2, len(seen)))
    return x * seen.sigma_x_mm, y * seen.sigma_y_mm


def said(error_x: Floats, seed: int = 0) -> tuple[Finding, ...]:
    """Findings for noise on both axes and an error on x, in six minutes."""
    grid, seen = played(6.0)
    x, y = white(seen, seed)
    return diagnose(seen, x + error_x, y, grid)


def at_frames(values: Floats) -> Floats:
    grid, seen = played(6.0)
    return np.interp(seen.start_s + 0.5 * seen.exposure_s, grid.t_s, values)


def creep(tau_s: float) -> Floats:
    """Kelvin element, creep of the drive with one retardation time, on an even clock of 10 ms:
    s' = (u − s)/τ (textbook)."""
    grid, _ = played(6.0)
    t = np.arange(grid.t_s[0], grid.t_s[-1], 0.01)
    keep = np.exp(-0.01 / tau_s)
    return np.interp(
        grid.t_s, t, lfilter([1 - keep], [1, -keep], np.interp(t, grid.t_s, grid.drive_x))
    )


# ---- noise says nothing ------------------------------------------------------------------------


@pytest.mark.parametrize("view", [played, read])
def test_white_noise_raises_no_alarm_in_95_of_100(view) -> None:
    """200 seeds, both axes, all readings together: at most 5 %, and three binomial standard
    deviations on top (textbook)."""
    grid, seen = view()
    alarms = sum(bool(diagnose(seen, *white(seen, seed), grid)) for seed in range(SEEDS))
    print(f"\n{view.__name__}: {alarms} false alarms of {SEEDS}")
    assert alarms <= SEEDS * 0.05 + 3 * np.sqrt(SEEDS * 0.05 * 0.95)


def test_the_significance_alone_keeps_its_promise(monkeypatch) -> None:
    """Without asking for a size that matters: still at most 5 % of the seeds."""
    from hysteresis.fit import diagnostics

    monkeypatch.setattr(diagnostics, "PRACTICAL", 0.0)
    for view in (played, read):
        grid, seen = view()
        alarms = sum(bool(diagnose(seen, *white(seen, seed), grid)) for seed in range(SEEDS))
        print(f"\n{view.__name__}: {alarms} of {SEEDS} by significance alone")
        assert alarms <= SEEDS * 0.05 + 3 * np.sqrt(SEEDS * 0.05 * 0.95)


def test_noise_that_is_larger_than_claimed_is_no_structure() -> None:
    grid, seen = played()
    for seed in range(20):
        x, y = white(seen, seed)
        assert not diagnose(seen, 3 * x, 3 * y, grid)


# ---- every error has its reading ---------------------------------------------------------------


def errors() -> dict[str, Floats]:
    """Errors in mm on x, by the reading that should name them."""
    grid, seen = played(6.0)
    u, v = at_frames(grid.drive_x), at_frames(grid.drive_y)
    length = seen.exposure_s
    rate = (
        np.interp(seen.start_s + length, grid.t_s, grid.drive_x)
        - np.interp(seen.start_s, grid.t_s, grid.drive_x)
    ) / length
    busy = np.isin([g.split("/")[0] for g in seen.group], ["steps", "sync"])
    rng = np.random.default_rng(99)
    part = np.floor(seen.start_s / 0.2).astype(int)
    return {
        "drift": 0.08 * (seen.start_s / seen.start_s[-1] - 0.5),
        "level": 0.06 * (u**2 - np.mean(u**2)),
        "other": 0.05 * v,
        "speed": 0.002 * FULL_MM * rate,  # 2 ms late
        "creep": 0.01 * FULL_MM * (at_frames(creep(0.5)) - u),
        "dwell": 0.01 * FULL_MM * at_frames(creep(40.0)),
        "reversals": np.where(busy, 0.05 * rng.standard_normal(part.max() + 1)[part], 0.0),
        "colour": 0.03 * rng.standard_normal(part.max() + 1)[part],
    }


@pytest.mark.parametrize("kind", list(TEXTS))
def test_an_error_is_named_first_of_all_on_its_axis_and_nowhere_else(kind: str) -> None:
    error = errors()[kind]
    for seed in range(5):
        found = said(error, seed)
        assert found and all(f.axis == "x" for f in found)
        assert found[0].kind == kind
        assert found[0].noise_mm == NOISE and found[0].chance < 0.01
        assert TEXTS[kind] in found[0].text and "mm" in found[0].text


def test_the_size_is_that_of_the_error() -> None:
    """Rms of the error where it acts, to the 5 % that noise of as many frames leaves."""
    for kind in ("drift", "other", "level"):
        size = np.std(errors()[kind])
        assert said(errors()[kind])[0].size_mm == pytest.approx(size, rel=0.05), kind


def test_where_is_the_kind_of_segment_in_which_it_is_largest() -> None:
    _, seen = played(6.0)
    forc = np.array([g.startswith("forc") for g in seen.group])
    part = np.floor(seen.start_s / 0.2).astype(int)
    shared = np.random.default_rng(3).standard_normal(part.max() + 1)[part]
    found = said(np.where(forc, 0.05 * shared, 0.0))
    assert [f.where for f in found] == ["forc"]
    assert found[0].size_mm == pytest.approx(0.05, rel=0.3)


def test_a_trifle_is_not_spoken_of_however_sure() -> None:
    """A quarter of the noise of a frame, seen in thousands of frames."""
    error = errors()["drift"]
    assert not said(0.25 * NOISE * error / np.sqrt(np.mean(error**2)))


def test_a_few_wild_frames_are_no_cause() -> None:
    grid, seen = played()
    for seed in range(10):
        x, y = white(seen, seed)
        x[np.random.default_rng(seed).integers(0, len(x), 3)] += 40 * NOISE
        assert not diagnose(seen, x, y, grid)


def test_readings_that_say_less_are_not_asked_more() -> None:
    """An axis not measured, too few rows, a drive that never moves: no finding and no fault."""
    grid, seen = played()
    x, y = white(seen, 1)
    assert not diagnose(seen, np.full(len(x), np.nan), y, grid)
    few = seen.take(np.arange(len(seen)) < 10)
    assert not diagnose(few, x[:10], y[:10], grid)
    still = Grid(grid.t_s, grid.step_s, 0 * grid.drive_x, 0 * grid.drive_y)
    assert not diagnose(seen, x, y, still)


def test_a_ruler_shows_a_bent_spring_too() -> None:
    """Forty readings of 0.3 mm: an error of 2 mm at full drive that goes with its square."""
    grid, seen = read()
    x, y = white(seen, 2)
    u = np.interp(seen.start_s, grid.t_s, grid.drive_x)
    found = diagnose(seen, x + 2.0 * u**2, y, grid)
    assert found[0].kind == "level" and found[0].axis == "x"
