"""The characterisation: budget, limits, and whether it separates what it is to separate."""

import numpy as np
import pytest

from hysteresis.errors import InputError, LimitError
from hysteresis.plan import characterisation, preview
from tests.plan.conftest import bench_with, spans


def _cells(pattern):
    """Dwell (n,), excursion (n, 2), start (n,) of the ladder."""
    holds = [s for s in spans(pattern, "/hold") if s[0].startswith("ladder/")]
    return (
        np.array([s[2] for s in holds]),
        np.array([s[3] for s in holds]),
        np.array([s[1] for s in holds]),
    )


def _kinds(pattern):
    return {name.split("/")[0] for name in pattern.segment}


@pytest.mark.parametrize("minutes", [2.0, 3.0, 4.7, 6.0, 10.0, 20.0])
def test_it_takes_the_time_that_was_asked_for(bench, minutes):
    pattern = characterisation(bench, minutes)
    assert 60 * minutes - 0.02 <= pattern.t_s[-1] <= 60 * minutes
    assert {
        "sync", "conditioning", "staircase", "decaying", "growing", "forc", "ladder", "sweep",
        "steps", "repeat",
    } <= _kinds(pattern)  # fmt: skip
    starts = [pattern.segment[0], pattern.segment[-1]]
    assert [s.split("/")[0] for s in starts] == ["sync", "sync"]
    dwells = {round(d) for d in _cells(pattern)[0]}
    assert {1, 3, 10} <= dwells
    assert (30 in dwells) == (minutes >= 3.0) and (60 in dwells) == (minutes >= 5.0)


def test_the_same_arguments_give_the_same_pattern(bench):
    one, two, other = (characterisation(bench, 6.0, seed=s) for s in (1, 1, 2))
    assert np.array_equal(one.t_s, two.t_s) and np.array_equal(one.drive_x, two.drive_x)
    assert list(one.segment) == list(two.segment)
    assert list(one.segment) != list(other.segment)


@pytest.mark.parametrize("minutes", [6.0, 10.0, 20.0])
def test_dwell_excursion_and_time_are_not_mixed_up(bench, minutes):
    dwell, excursion, start = _cells(characterisation(bench, minutes))
    table = np.column_stack([np.log(dwell), excursion, np.abs(excursion), start])
    r = np.corrcoef(table.T)
    assert np.abs(r[-1, :-1]).max() < 0.35  # nothing goes with the time in the run
    assert abs(r[1, 2]) < 0.35  # x and y excursions
    assert np.abs(r[0, 1:3]).max() < 0.5  # the sign of the long dwells


@pytest.mark.parametrize("minutes", [6.0, 10.0, 20.0])
def test_sizes_and_signs_of_the_ladder_span_the_field(bench, minutes):
    dwell, excursion, _ = _cells(characterisation(bench, minutes))
    top = bench.limits.max_drive
    for axis in range(2):
        size = np.abs(excursion[:, axis])
        assert size.max() == pytest.approx(top) and size.min() < 0.3
        assert len(np.unique(size.round(2))) >= 5
        long = dwell >= 30.0
        # Heat has the same sign on both sides, the after-effect has not.
        assert {np.sign(e) for e in excursion[long, axis]} == {1.0, -1.0}
    assert len({tuple(np.sign(e)) for e in excursion}) == 4


def test_each_watch_is_at_zero_and_as_long_as_its_dwell_asks(bench):
    pattern = characterisation(bench)
    holds = {s[0].rsplit("/", 1)[0]: s[2] for s in spans(pattern, "/hold")}
    watches = {s[0].rsplit("/", 1)[0]: s for s in spans(pattern, "/watch")}
    assert holds.keys() == watches.keys()
    for cell, dwell in holds.items():
        _, _, length, at = watches[cell]
        assert not at.any() and length >= min(0.7 * dwell, 19.9) and length >= 2.0 - 1e-9


def test_the_early_block_comes_again_to_the_last_vertex(bench):
    pattern = characterisation(bench)
    drive = np.column_stack([pattern.drive_x, pattern.drive_y])
    group = np.array(["/".join(s.split("/")[:2]) for s in pattern.segment[:-1]])
    early = np.isin(group, ["staircase/001", "sweep/001", "ladder/001"])
    again = np.isin(group, ["repeat/001", "repeat/002", "repeat/003"])
    assert early.sum() == again.sum() > 50
    assert np.array_equal(drive[:-1][early], drive[:-1][again])
    gap = np.diff(pattern.t_s)
    assert np.allclose(gap[early], gap[again], atol=1e-9)
    # Both begin from the state that conditioning leaves.
    for first in (np.flatnonzero(early)[0], np.flatnonzero(again)[0]):
        assert pattern.segment[first - 1].startswith("conditioning/")


def test_both_axes_move_alone_and_together(bench):
    pattern = characterisation(bench)
    moving = np.diff(np.column_stack([pattern.drive_x, pattern.drive_y]), axis=0) != 0
    dt = np.diff(pattern.t_s)
    alone_x, alone_y = (dt[moving[:, a] & ~moving[:, 1 - a]].sum() for a in range(2))
    assert min(alone_x, alone_y) > 5.0 and dt[moving.all(axis=1)].sum() > 30.0
    fine = np.arange(0, pattern.t_s[-1], 0.02)
    x, y = (np.interp(fine, pattern.t_s, u) for u in (pattern.drive_x, pattern.drive_y))
    moves = (np.gradient(x) != 0) | (np.gradient(y) != 0)
    assert abs(np.corrcoef(x[moves], y[moves])[0, 1]) < 0.2
    # Corners and edges of the field, for the optics: a 3 × 3 grid has readings in every square.
    seen = np.histogram2d(x, y, bins=np.linspace(-1, 1, 4))[0]
    assert seen.min() > 20


@pytest.mark.parametrize(("axes", "still"), [("x", "drive_y"), ("y", "drive_x")])
def test_one_axis_can_be_driven_alone(bench, axes, still):
    pattern = characterisation(bench, 4.0, axes)
    assert not getattr(pattern, still).any()
    assert pattern.t_s[-1] == pytest.approx(240.0, abs=0.02)
    assert any("rests" in note for note in preview(pattern, bench).notes)


def test_weak_coils_get_rests_and_lower_long_holds_and_the_notes_say_so():
    weak = bench_with(limits={"coil_rms": 0.5, "coil_window_s": 30.0})
    pattern = characterisation(weak, 8.0)
    dwell, excursion, _ = _cells(pattern)
    assert np.abs(excursion[dwell >= 30]).max() <= 0.5
    assert np.abs(excursion[dwell <= 3]).max() > 0.9
    notes = " ".join(preview(pattern, weak).notes)
    assert "put in" in notes and "30 s and more reach 0.50 in x" in notes
    assert preview(characterisation(bench_with(), 8.0), bench_with()).notes == ()


def test_an_ac_output_gets_no_holds_that_it_cannot_hold():
    droopy = bench_with(drive={"coupling": "ac", "corner_hz": 0.5})
    pattern = characterisation(droopy, 4.0)
    assert _cells(pattern)[0].max() < 3.5 and pattern.t_s[-1] == pytest.approx(240, abs=0.02)
    assert any("AC-coupled" in note for note in preview(pattern, droopy).notes)


@pytest.mark.parametrize("minutes", [1.9, 20.5, float("nan"), -3.0])
def test_a_time_of_no_use_is_refused(bench, minutes):
    with pytest.raises(InputError, match="2 to 20 minutes"):
        characterisation(bench, minutes)


def test_the_time_that_a_slow_bench_asks_for_is_enough():
    slow = bench_with(limits={"slew_per_s": 1.0, "bandwidth_hz": 2.0})
    with pytest.raises(LimitError, match=r"slew_per_s = 1, bandwidth_hz = 2") as told:
        characterisation(slow, 2.5)
    asked = float(str(told.value).split("at least ")[1].split()[0])
    assert 2.5 < asked < 15 and characterisation(slow, asked).t_s[-1] <= 60 * asked
    with pytest.raises(LimitError):
        characterisation(slow, asked - 0.2)
