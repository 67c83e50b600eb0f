"""Whole paths: what the model plays is what was planned, beam marks and all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import bench, bench_with
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.compensate import compensate_path, state_after_pause
from hysteresis.errors import DataError, InputError
from hysteresis.model import RigModel
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.drive_chain import DriveChain
from hysteresis.operators.elastic import Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.optics import nominal_optics
from hysteresis.tables import SpotPath

from .models import (
    STEP_S,
    fitted,
    on_the_clock,
    one_rig,
    pasts,
    paths,
    played_by,
    rigs,
    tile,
)

some = settings(max_examples=40, deadline=None)


@some
@given(st.data())
def test_the_model_plays_what_was_planned(data: st.DataObject) -> None:
    """The main promise: to 1e-9 mm, lead-in and way out included, whatever the past was.

    Bound: rounding of the drive (inertia over step² its largest part) through the rig.
    """
    model = data.draw(rigs())
    path, start = data.draw(paths()), data.draw(pasts(model))
    result = compensate_path(fitted(model), bench(), path, start=start)
    x, y = played_by(model, result.drive, start)
    rows = on_the_clock(result.planned.t_s)
    np.testing.assert_allclose(x, result.planned.x_mm[rows], rtol=0, atol=1e-9)
    np.testing.assert_allclose(y, result.planned.y_mm[rows], rtol=0, atol=1e-9)


@some
@given(st.data())
def test_plan_and_beam_are_those_that_were_asked_for(data: st.DataObject) -> None:
    model, path = data.draw(rigs()), data.draw(paths())
    result = compensate_path(fitted(model), bench(), path)
    t = result.planned.t_s - result.lead_in_s + path.t_s[0]
    end = path.t_s[-1]
    inside = (t > path.t_s[0] - 1e-9) & (t < end + 1e-9)
    for planned, wanted in (
        (result.planned.x_mm, path.x_mm), (result.planned.y_mm, path.y_mm)
    ):  # fmt: skip
        np.testing.assert_allclose(
            planned[inside], np.interp(t[inside], path.t_s, wanted), atol=1e-9
        )
    # the beam at any moment: that of the path's row before it, and off outside the path
    moments = np.concatenate([
        0.5 * (path.t_s[1:] + path.t_s[:-1]), path.t_s[:-1] + 1e-7, path.t_s[1:] - 1e-7
    ])  # fmt: skip
    row = np.searchsorted(path.t_s, moments, side="right") - 1
    played = np.searchsorted(t, moments + 1e-9, side="right") - 1
    np.testing.assert_array_equal(result.drive.beam[played], path.beam[row])
    assert not result.drive.beam[t < path.t_s[0] - 1e-9].any()
    assert not result.drive.beam[t > end - 1e-9].any()
    for other in (result.planned, result.plain):
        np.testing.assert_array_equal(other.beam, result.drive.beam)
        np.testing.assert_array_equal(other.t_s, result.drive.t_s)


@some
@given(st.data())
def test_drives_start_and_end_at_rest(data: st.DataObject) -> None:
    """From a rig at rest within the first move's first step; to exactly zero."""
    model = data.draw(rigs())
    path, start = data.draw(paths()), data.draw(pasts(model))
    result = compensate_path(fitted(model), bench(), path, start=start)
    for drive in (result.drive.drive_x, result.drive.drive_y):
        assert abs(drive[0]) < 5e-3 and drive[-1] == 0.0
    for drive in (result.plain.drive_x, result.plain.drive_y):
        assert drive[-1] == 0.0
    assert (np.diff(result.drive.t_s) > 0).all() and result.drive.t_s[0] == 0.0


@some
@given(st.data())
def test_the_state_at_the_end_is_where_a_next_job_can_go_on(data: st.DataObject) -> None:
    model, path = data.draw(rigs()), data.draw(paths())
    first = compensate_path(fitted(model), bench(), path)
    state = state_after_pause(model, first.end, 20.0)
    second = compensate_path(fitted(model), bench(), path, start=state)
    rows = on_the_clock(first.drive.t_s)
    t = np.append(first.drive.t_s[rows], first.drive.t_s[rows][-1] + STEP_S)
    *_, end = model.spots(
        first.drive.drive_x[rows], first.drive.drive_y[rows], np.diff(t, prepend=-STEP_S)[:-1]
    )
    for mine, played in ((first.end.x, end.x), (first.end.y, end.y)):
        assert mine[0] == pytest.approx(played[0], abs=1e-9)
    x, _ = played_by(model, second.drive, state)
    rows = on_the_clock(second.planned.t_s)
    np.testing.assert_allclose(x, second.planned.x_mm[rows], rtol=0, atol=1e-9)


@some
@given(st.data())
def test_conditioning_swings_keep_within_the_drive(data: st.DataObject) -> None:
    model = data.draw(rigs())
    narrow = bench_with(limits={"max_drive": data.draw(st.floats(0.1, 1.0))})
    result = compensate_path(fitted(model), narrow, tile(1.0, 0.5), start=data.draw(pasts(model)))
    lead = result.drive.t_s < result.lead_in_s
    for drive in (result.drive.drive_x, result.drive.drive_y):
        assert np.abs(drive[lead]).max() <= narrow.limits.max_drive * (1 + 1e-9)


def test_what_friction_did_before_is_wiped_out_by_the_lead_in() -> None:
    """Wiping-out (Brokate & Sprekels, Hysteresis and Phase Transitions, 1996; from memory): a
    swing over more than twice a slip limit leaves nothing of that element's past."""
    axis = AxisModel(Elastic(0.8), friction=MaxwellSlip(np.array([0.05, 0.3]), np.full(2, 0.1)))
    model = RigModel(axis, axis, nominal_optics(bench().optics))
    t = np.linspace(0, 1, 200)
    states = [None]
    for size in (0.9, -0.9):
        u = size * np.sin(np.pi * t)
        states.append(model.spots(u, -u, 5e-3)[2])
    results = [compensate_path(fitted(model), bench(), tile(), start=s) for s in states]
    assert states[1].x[-1] != states[2].x[-1]
    trace = results[0].planned.t_s >= results[0].lead_in_s
    for other in results[1:]:
        np.testing.assert_allclose(
            other.drive.drive_x[trace], results[0].drive.drive_x[trace], atol=1e-12
        )
    # without the swings the past is still there, and is compensated
    apart = [
        compensate_path(fitted(model), bench(), tile(), start=s, condition=False)
        for s in states[1:]
    ]
    assert np.abs(apart[0].drive.drive_x - apart[1].drive.drive_x).max() > 1e-3


def test_without_memory_there_is_nothing_to_compensate() -> None:
    axis = AxisModel(Elastic(0.9, 0.02, 0.03))
    model = RigModel(axis, axis, nominal_optics(bench().optics))
    result = compensate_path(fitted(model, model), bench(), tile())
    rows = on_the_clock(result.drive.t_s)
    np.testing.assert_allclose(result.plain.drive_x[rows], result.drive.drive_x[rows], atol=1e-12)
    assert result.forecast.before_model_mm < 1e-9


def test_memory_is_what_the_plain_drive_leaves() -> None:
    """Forecast before: the plain drive played by the model; bias towards where it was parked."""
    model = one_rig()
    path = tile()
    result = compensate_path(fitted(model), bench(), path, start=model.rest())
    x, y = played_by(model, result.plain, model.rest())
    rows = on_the_clock(result.planned.t_s)
    on = result.planned.beam[rows]
    off = np.hypot(x - result.planned.x_mm[rows], y - result.planned.y_mm[rows])[on]
    assert result.forecast.before_model_mm == pytest.approx(np.sqrt(np.mean(off**2)), rel=1e-6)
    assert result.forecast.before_model_mm > 0.3


def test_a_path_of_one_point_is_refused() -> None:
    path = SpotPath(np.zeros(1), np.zeros(1), np.zeros(1), np.ones(1, bool))
    with pytest.raises(DataError, match="fewer than two points"):
        compensate_path(fitted(one_rig()), bench(), path)


# ---- a pause -----------------------------------------------------------------------------------


@pytest.mark.parametrize("pause_s", [0.5, 30.0, 600.0])
def test_the_state_after_a_pause_is_that_of_a_long_simulation(pause_s: float) -> None:
    """In even steps of 1 ms. Steps that grow by a fixed ratio see recovery as even; their error
    here is below 1e-6 of it, ten times that is allowed."""
    model = one_rig()
    t = np.arange(0.0, 12.0, 1e-3)
    u = np.interp(t, [0, 0.2, 10, 10.2, 12], [0, 0.9, 0.9, 0, 0])
    *_, begin = model.spots(u, -0.5 * u, 1e-3)
    quick = state_after_pause(model, begin, pause_s)
    rest = np.zeros(round(pause_s / 1e-3))
    *_, slow = model.spots(rest, rest, 1e-3, begin)
    for a, b, before in ((quick.x, slow.x, begin.x), (quick.y, slow.y, begin.y)):
        recovered = abs(before[0] - b[0])
        assert recovered > 1e-4
        assert abs(a[0] - b[0]) < 1e-5 * recovered
        np.testing.assert_allclose(a[8:], b[8:], atol=1e-5 * np.abs(before[8:]).max())


def test_no_pause_changes_nothing_and_an_endless_one_is_told() -> None:
    model = one_rig()
    u = np.sin(np.arange(300) / 40)
    *_, state = model.spots(u, u, 0.01)
    for pause_s in (0.0, -1.0):
        assert state_after_pause(model, state, pause_s) is state
    for pause_s in (np.inf, np.nan):
        with pytest.raises(InputError, match="not a finite time"):
            state_after_pause(model, state, pause_s)


def test_after_a_very_long_pause_creep_has_gone() -> None:
    axis = AxisModel(Elastic(0.8), after_effect=AfterEffect(np.array([0.1, 10.0]), np.full(2, 0.1)))
    model = RigModel(axis, axis, nominal_optics(bench().optics))
    *_, state = model.spots(np.full(1000, 0.8), np.full(1000, -0.8), 0.01)
    *_, state = model.spots(np.zeros(1), np.zeros(1), 0.01, state)
    assert abs(state.x[0]) > 0.01
    later = state_after_pause(model, state, 1e4).x
    assert abs(later[0]) < 1e-6 and np.abs(later[8:]).max() < 1e-6


# ---- what is said ------------------------------------------------------------------------------


def notes_of(rig_bench: Bench, known: bool = True) -> list[str]:
    model = one_rig()
    start = model.rest() if known else None
    return list(compensate_path(fitted(model), rig_bench, tile(), start=start).notes)


def test_notes_say_what_cannot_be_helped() -> None:
    assert notes_of(bench()) == []
    (unknown,) = notes_of(bench(), known=False)
    assert "past is not known" in unknown and "minutes of rest" in unknown
    (lit,) = notes_of(bench_with(beam={"mode": "always-on"}))
    assert "cannot be switched off" in lit and "cover the work during the lead-in" in lit
    lead_in_s = compensate_path(fitted(one_rig()), bench(), tile()).lead_in_s
    assert f"({lead_in_s:.1f} s)" in lit
    (droop,) = notes_of(bench_with(drive={"coupling": "ac", "corner_hz": 0.5}))
    assert "AC-coupled" in droop and "fitted model has no droop" in droop
    assert "--memory both-and-droop" in droop
    all_at_once = bench_with(beam={"mode": "always-on"}, drive={"coupling": "ac", "corner_hz": 0.5})
    assert len(notes_of(all_at_once, known=False)) == 3


def test_droop_that_was_fitted_is_compensated_and_how_long_a_place_can_be_held_is_said() -> None:
    """The output's own high pass takes away what the drive adds: the model plays what was
    planned; 0.5 FS of a spring of stiffness about 1 may be held until the drive is at its limit."""
    chain = DriveChain(droop_per_s=0.05)
    model = one_rig()
    model = replace(model, axis_x=replace(model.axis_x, chain=chain),
                    axis_y=replace(model.axis_y, chain=chain))  # fmt: skip
    here = bench_with(drive={"coupling": "ac", "corner_hz": 0.008})
    result = compensate_path(fitted(model), here, tile(), start=model.rest())
    (note,) = result.notes
    assert "its droop is compensated" in note and "0.5 FS for at most" in note
    x, y = played_by(model, result.drive, model.rest())
    rows = on_the_clock(result.planned.t_s)
    np.testing.assert_allclose(x, result.planned.x_mm[rows], rtol=0, atol=1e-9)
    np.testing.assert_allclose(y, result.planned.y_mm[rows], rtol=0, atol=1e-9)
    plain = compensate_path(fitted(one_rig()), here, tile(), start=one_rig().rest())
    assert np.abs(result.drive.drive_x - plain.drive.drive_x).max() > 1e-3


def test_asking_twice_gives_the_same_answer() -> None:
    model = one_rig()
    *_, state = model.spots(np.full(50, 0.5), np.zeros(50), 0.01)
    kept = replace(state, x=state.x.copy(), y=state.y.copy())
    one, two = (compensate_path(fitted(model), bench(), tile(), start=state) for _ in range(2))
    np.testing.assert_array_equal(one.drive.drive_x, two.drive.drive_x)
    np.testing.assert_array_equal(state.x, kept.x)
    np.testing.assert_array_equal(state.y, kept.y)
