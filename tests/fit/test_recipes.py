"""What the data can carry: which recipes are tried, and what is refused in one sentence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import observed
from verify_data import ladder, pattern_of

from hysteresis.errors import DataError
from hysteresis.fit.recipes import FEWEST, NAMES, ON_DEMAND, RICH, candidates, measured_axes
from hysteresis.recording import Observations
from hysteresis.tables import Pattern


def reading_pattern(count: int) -> Pattern:
    """One settled step of 5 s per reading, alternating sides."""
    levels = 0.8 * np.sin(1.7 * np.arange(1, count + 1))
    return pattern_of([(f"reading/{k + 1:03d}", 5.0, (u, -0.7 * u)) for k, u in enumerate(levels)])


def readings(count: int, *, timed: bool = True) -> tuple[Pattern, Observations]:
    pattern = reading_pattern(count)
    t, x, y = pattern.t_s[1:], 50 * pattern.drive_x[1:], 50 * pattern.drive_y[1:]
    return pattern, observed(t, x, y, pattern.segment[:-1], sigma_mm=0.5, exposure_s=0, timed=timed)


def film(pattern: Pattern) -> Observations:
    t = np.arange(0.0, pattern.t_s[-1] - 0.01, 1 / 30)
    row = np.searchsorted(pattern.t_s, t, side="right") - 1
    group = np.array(["/".join(s.split("/")[:2]) for s in pattern.segment[row]], object)
    x, y = (50 * np.interp(t, pattern.t_s, u) for u in (pattern.drive_x, pattern.drive_y))
    return observed(t, x, y, group)


def refused(pattern: Pattern, seen: Observations, memory: str = "auto") -> str:
    with pytest.raises(DataError) as caught:
        candidates(pattern, seen, memory)
    message = str(caught.value)
    assert "\n" not in message and message[0].islower() and ". " not in message
    return message


def excursions(levels: list[float]) -> tuple[Pattern, Observations]:
    """Readings at the end of every step to one of these levels, both axes alike."""
    pattern = pattern_of([(f"reading/{k + 1:03d}", 5.0, (u, u)) for k, u in enumerate(levels)])
    t, x = pattern.t_s[1:], 50 * pattern.drive_x[1:]
    return pattern, observed(t, x, x, pattern.segment[:-1], sigma_mm=0.5, exposure_s=0)


# ---- refused -----------------------------------------------------------------------------------


def test_too_few_readings_are_counted_and_the_remedy_is_a_command() -> None:
    pattern, seen = readings(FEWEST)
    assert candidates(pattern, seen).recipes
    said = refused(pattern, seen.take(np.arange(FEWEST) > 0))
    assert f"only {FEWEST - 1} usable readings" in said and f"at least {FEWEST}" in said
    assert "hysteresis plan RUN --kind reading-steps" in said


def test_the_axis_with_more_readings_counts() -> None:
    pattern, seen = readings(FEWEST)
    y = seen.y_mm.copy()
    y[2:] = np.nan
    assert candidates(pattern, replace(seen, y_mm=y)).recipes


@pytest.mark.parametrize("axis", ["x", "y"])
def test_a_constant_drive_of_a_measured_axis_is_refused(axis: str) -> None:
    pattern, seen = readings(20)
    still = replace(pattern, **{f"drive_{axis}": np.full(len(pattern), 0.3)})
    said = refused(still, seen)
    assert f"hardly moves axis {axis}" in said and "leave that axis empty" in said
    # left empty it is no fault
    found = candidates(still, replace(seen, **{f"{axis}_mm": np.full(20, np.nan)}))
    assert all(r.axes == "xy".replace(axis, "") for r in found.recipes.values())


def test_a_drive_that_never_turns_back_is_refused() -> None:
    said = refused(*excursions(list(np.linspace(0.1, 0.9, 12))))
    assert "never turns back" in said and "hysteresis plan RUN" in said


def test_one_excursion_only_is_refused() -> None:
    said = refused(*excursions([0.6, 0.0] * 8))
    assert "ends at a drive of about 0.60" in said and "several excursions" in said
    assert candidates(*excursions([0.6, 0.0, 0.3, 0.0] * 4)).recipes


def test_what_memory_cannot_be_told_from_is_still_calibrated_without_memory() -> None:
    assert list(candidates(*excursions([0.6, 0.0] * 8), "none").recipes) == ["none"]


def test_readings_cut_off_at_the_edge_of_the_picture_are_refused() -> None:
    pattern, seen = readings(24)
    cut = np.minimum(seen.x_mm, 20.0)
    assert (cut == 20.0).sum() > 4
    said = refused(pattern, replace(seen, x_mm=cut))
    assert "very same largest value, 20 mm" in said and "cut off" in said
    # a spot that comes back to the same place from the same drive is no ceiling
    assert candidates(*excursions([0.6, 0.0, 0.3, 0.0] * 4)).recipes


@pytest.mark.parametrize("axis", ["x", "y"])
def test_equal_readings_are_refused(axis: str) -> None:
    pattern, seen = readings(20)
    said = refused(pattern, replace(seen, **{f"{axis}_mm": np.full(20, 1.5)}))
    assert f"all readings of axis {axis} are equal" in said and "coil is connected" in said


def test_nothing_but_sync_and_conditioning_cannot_be_checked() -> None:
    pattern = pattern_of([("conditioning/001", 20.0, (0.8, 0.8)), ("sync/001", 10.0, (-0.5, 0.5))])
    assert "nothing can be held out" in refused(pattern, film(pattern))


def test_a_memory_that_the_data_do_not_carry_is_told_with_the_choices() -> None:
    pattern, seen = readings(20, timed=False)
    said = refused(pattern, seen, "after-effect")
    assert "'after-effect' cannot be fitted" in said and "auto, none, friction" in said
    assert list(candidates(pattern, seen, "friction").recipes) == ["friction"]


# ---- few readings ------------------------------------------------------------------------------


def test_readings_without_times_carry_no_creep() -> None:
    found = candidates(*readings(40, timed=False))
    assert list(found.recipes) == ["none", "friction"]
    assert not any(r.relaxation_times_s for r in found.recipes.values())
    assert any("readings without times carry no creep" in note for note in found.notes)


def test_timed_readings_carry_the_strength_of_creep_and_nothing_fast() -> None:
    found = candidates(*readings(40))
    assert list(found.recipes) == ["none", "friction", "after-effect", "both"]
    assert not any(r.dynamics or r.heating or r.history or r.clock for r in found.recipes.values())
    assert found.recipes["both"].after_effect == "log"
    assert any("not its spectrum" in note and "no resonance" in note for note in found.notes)


@pytest.mark.parametrize(("count", "curve", "slips"), [(8, False, 3), (16, True, 3), (30, True, 5)])
def test_fewer_readings_get_fewer_unknowns(count: int, curve: bool, slips: int) -> None:
    found = candidates(*readings(count)).recipes
    assert found["both"].curve is curve and len(found["both"].slip_limits) == slips
    assert found["none"].slip_limits == found["after-effect"].slip_limits == ()


@pytest.mark.parametrize("empty", ["x", "y"])
def test_an_axis_left_empty_is_said(empty: str) -> None:
    pattern, seen = readings(20)
    seen = replace(seen, **{f"{empty}_mm": np.full(20, np.nan)})
    assert measured_axes(seen) == "xy".replace(empty, "")
    found = candidates(pattern, seen)
    assert any(f"axis {empty} was not measured" in note for note in found.notes)


# ---- a camera log ------------------------------------------------------------------------------


def long_pattern(hold_s: float, kinds: tuple[str, ...] = (), repeats: int = 4) -> Pattern:
    pieces = []
    for number in range(1, repeats + 1):
        size = 1.0 if number % 2 else 0.5
        pieces += ladder(number, (0.6 * size, -0.4 * size), hold_s)
    return pattern_of(pieces + [(f"{kind}/001", 5.0, (0.0, 0.0)) for kind in kinds])


def test_a_camera_log_gets_the_full_recipe_with_all_that_it_shows() -> None:
    pattern = long_pattern(25.0, ("steps",))
    seen = film(pattern)
    assert len(seen) > RICH and pattern.t_s[-1] > 120
    found = candidates(pattern, seen)
    assert list(found.recipes) == [n for n in NAMES if n not in ON_DEMAND]
    assert len(found.recipes) == 8
    assert found.rich and found.notes == ()
    full = found.recipes["both"]
    assert full.dynamics and full.heating and full.history and full.clock and full.tilt
    times, limits = np.array(full.relaxation_times_s), np.array(full.slip_limits)
    # from about a frame to beyond the longest hold, without gaps; slips within the excursion
    assert times[0] < 2 / 30 and times[-1] > 25.0
    assert (np.diff(np.log10(times)) <= 1 / 3 + 1e-9).all()
    assert limits[0] < 0.01 and 0.4 < limits[-1] < 0.6


def test_what_a_short_pattern_cannot_tell_is_said() -> None:
    pattern = long_pattern(1.0, repeats=6)
    found = candidates(pattern, film(pattern))
    assert not found.recipes["both"].heating and not found.recipes["both"].dynamics
    notes = " ".join(found.notes)
    for words in ("resonance and damping are weak", "too short to tell heating",
                  "no hold is longer than 1.0 s"):  # fmt: skip
        assert words in notes


def test_many_frames_without_times_are_treated_as_few() -> None:
    pattern = long_pattern(25.0)
    found = candidates(pattern, replace(film(pattern), timed=False))
    assert list(found.recipes) == ["none", "friction"]


def test_every_memory_of_a_camera_log_can_be_asked_for_by_name() -> None:
    pattern = long_pattern(25.0, ("steps",))
    for name in NAMES:
        assert list(candidates(pattern, film(pattern), name).recipes) == [name]
