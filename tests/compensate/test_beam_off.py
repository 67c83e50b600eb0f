"""What happens while the beam is off: where windows begin and end, what they leave, what they
may not do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import bench, bench_with
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.axis import STATE_HEAD, AxisModel
from hysteresis.compensate.beam_off import (
    AT_REST_PER_S,
    LEAST_S,
    OPTIONS,
    beam_off_window,
    edges,
    least_s,
)
from hysteresis.compensate.null_memory import (
    Shapes,
    friction_left,
    least_memory,
    memory_left,
    nulling,
    stretches,
)
from hysteresis.compensate.swings import decay, half_cycles, rise, swings_s, through
from hysteresis.model import RigModel, RigState
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.drive_chain import DriveChain
from hysteresis.operators.elastic import Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.tables import Floats

from .models import STEP_S, axes, numbers, one_rig

MM = 50.0


def lived(model: RigModel, places_mm: list[tuple[float, float]], hold_s: float = 1.0) -> RigState:
    """State after waiting at places, at rest at the last one."""
    x, y = ways(places_mm, hold_s)
    return model.drives(x, y, STEP_S, None)[2]


def ways(places_mm: list[tuple[float, float]], hold_s: float) -> tuple[Floats, Floats]:
    hold = round(hold_s / STEP_S)
    out = []
    for axis in (0, 1):
        at, parts = 0.0, []
        for place in places_mm:
            parts += [at + (place[axis] - at) * rise(200), np.full(hold, place[axis])]
            at = place[axis]
        out.append(np.concatenate(parts))
    return out[0], out[1]


def travel(begin: tuple[float, float], end: tuple[float, float], duration_s: float):
    """A smooth way, at rest from its middle on."""
    n = round(duration_s / STEP_S)
    move = min(n, 200)
    part = np.append(rise(move), np.ones(n - move))
    return tuple(a + (b - a) * part for a, b in zip(begin, end, strict=True))


@pytest.mark.parametrize("option", ["condition", "null"])
def test_windows_end_where_the_path_does_and_do_what_they_say(option):
    model, start = one_rig(), (3.0, -17.0)
    state = lived(model, [(10.0, 5.0), start])
    x, y = travel(start, (20.0, 8.0), 3.0)
    window = beam_off_window(option, model, state, bench(), x, y, STEP_S)
    assert window.done == option
    assert len(window.x_mm) == len(window.y_mm) == len(x)
    assert (window.x_mm[-1], window.y_mm[-1]) == (x[-1], y[-1])
    # the first step begins at rest: a raised cosine has moved (pi k / n)²/4 of its way by step k
    assert np.hypot(window.x_mm[0] - start[0], window.y_mm[0] - start[1]) < 0.05
    # and the last one ends at rest
    assert np.hypot(*(np.diff(v[-2:])[0] for v in (window.x_mm, window.y_mm))) < 0.05
    # to be worth it, it went elsewhere
    assert np.hypot(window.x_mm - x, window.y_mm - y).max() > 5.0


def test_the_path_itself_is_followed_where_that_is_asked_or_nothing_else_can_be_done():
    model, start = one_rig(), (3.0, -17.0)
    state = lived(model, [start])
    x, y = travel(start, (20.0, 8.0), 3.0)
    for option, there, rig in (
        ("follow", slice(None), bench()),
        ("null", slice(None, round(0.9 * LEAST_S / STEP_S)), bench()),
        ("condition", slice(None, round(0.9 * LEAST_S / STEP_S)), bench()),
        ("null", slice(None), bench_with(beam={"mode": "always-on"})),
    ):
        window = beam_off_window(option, model, state, rig, x[there], y[there], STEP_S)
        assert window.done == "follow"
        np.testing.assert_array_equal(window.x_mm, x[there])
        np.testing.assert_array_equal(window.y_mm, y[there])


def test_an_output_that_droops_is_not_nulled():
    model, start = one_rig(), (3.0, -17.0)
    axis = replace(model.axis_x, chain=DriveChain(0.5, 0.0, 0.0))
    model = RigModel(axis, axis, model.optics)
    state = lived(model, [start], 0.1)
    x, y = travel(start, (20.0, 8.0), 3.0)
    assert beam_off_window("null", model, state, bench(), x, y, STEP_S).done == "follow"


def test_a_path_in_full_motion_at_its_end_is_followed():
    model, start = one_rig(), (3.0, -17.0)
    state = lived(model, [start])
    x = np.full(round(3.0 / STEP_S), start[0])
    for speed, done in ((0.5, "null"), (2.0, "follow")):
        x[-1] = start[0] + speed * AT_REST_PER_S * MM * STEP_S
        y = np.full(len(x), start[1])
        assert beam_off_window("null", model, state, bench(), x, y, STEP_S).done == done


@settings(max_examples=25, deadline=None)
@given(
    axis=axes(), places=st.lists(st.tuples(numbers(-35, 35), numbers(-35, 35)), min_size=1,
                                 max_size=3),
    end=st.tuples(numbers(-40, 40), numbers(-40, 40)), duration_s=numbers(0.05, 4.0),
    option=st.sampled_from(["condition", "null"]),
)  # fmt: skip
def test_no_limit_of_drive_or_slew_is_exceeded_and_twice_is_the_same(
    axis, places, end, duration_s, option
):
    model = RigModel(axis, axis, one_rig().optics)
    state = lived(model, places)
    x, y = travel(places[-1], end, duration_s)
    window = beam_off_window(option, model, state, bench(), x, y, STEP_S)
    again = beam_off_window(option, model, state, bench(), x, y, STEP_S)
    np.testing.assert_array_equal(window.x_mm, again.x_mm)
    np.testing.assert_array_equal(window.y_mm, again.y_mm)
    if window.done == "follow":
        return
    limits = bench().limits
    for drive in model.drives(window.x_mm, window.y_mm, STEP_S, state)[:2]:
        # the way there and back through the optics costs digits (inertia takes second differences)
        assert np.abs(drive).max() <= limits.max_drive + 1e-6
        assert np.abs(np.diff(drive)).max() / STEP_S <= limits.slew_per_s * (1 + 1e-6)


@settings(max_examples=40, deadline=None)
@given(
    times=st.lists(numbers(-2.0, 2.5), min_size=1, max_size=6, unique=True),
    begin=numbers(-0.7, 0.7), end=numbers(-0.7, 0.7),
    places=st.lists(numbers(-0.7, 0.7), min_size=4, max_size=4), n=st.integers(1500, 4000),
)  # fmt: skip
def test_the_stretches_foretold_are_those_of_the_operator(times, begin, end, places, n):
    tau = np.unique(np.round(10.0 ** np.array(times), 6))
    branch = AfterEffect(tau, np.full(tau.size, 0.02))
    axis = AxisModel(Elastic(0.8), after_effect=branch)
    state = axis.branch_state(np.linspace(-0.3, 0.4, tau.size))
    state[0] = state[1] = begin
    shapes = nulling(begin, end, 6, 0.4, n, STEP_S, one_rig(), bench())
    assert shapes is not None
    chosen = np.array(places[: shapes.by_place.shape[1]])
    way = shapes.at(chosen)
    own = np.concatenate([[begin], state[len(STATE_HEAD) :]])
    _, after = branch.torque(way, np.full(n, STEP_S), own)
    ways = np.column_stack([shapes.fixed - begin, shapes.by_place])
    by_way = stretches(branch, ways, STEP_S)
    told = own[1:] * np.exp(-n * STEP_S / tau) + by_way[:, 0] + by_way[:, 1:] @ chosen
    np.testing.assert_allclose(told, after[1:], atol=1e-9, rtol=0)


def test_the_rows_of_what_is_left_are_the_torque_ahead_and_each_branch():
    model = one_rig()
    axis, state = model.axis_x, lived(model, [(20.0, 10.0)]).x
    shapes = nulling(float(state[0]), -0.2, 6, 0.4, 3000, STEP_S, model, bench())
    places = np.linspace(-0.3, 0.3, shapes.by_place.shape[1])
    way = shapes.at(places)
    left = memory_left(axis, state, shapes, STEP_S)
    friction = friction_left(axis, state, way, STEP_S)
    rows = left.at(places, friction)
    # standing still at the end for so long, the whole torque of the operators is what row 0 says
    own = np.concatenate([state[:1], state[-9:]])
    _, after = axis.after_effect.torque(way, np.full(len(way), STEP_S), own)
    torque, _ = axis.after_effect.torque(way[-1:], np.full(1, 0.02), after)
    assert rows[0] * np.sqrt(12) == pytest.approx(torque[0] + friction, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    limits=st.lists(numbers(0.01, 0.5), min_size=1, max_size=5, unique=True),
    size=numbers(0.2, 0.8), count=st.sampled_from([4, 6, 10, 16, 40]),
    before=st.lists(numbers(-0.8, 0.8), min_size=1, max_size=4),
    middle=numbers(-0.3, 0.3),
)  # fmt: skip
def test_swings_wipe_a_bank_of_stops_as_the_closed_form_says(limits, size, count, before, middle):
    # decrement D = A/n: swings of (2m - 1) D, ... 3 D, D that no longer drive a stop of limit r to
    # its limit take m D off it in all, so |z| = |r - m D| with m the whole number nearest to r/D:
    # at most D/2, as references have it. Derived here, for every stop that the second swing, of
    # (2n - 1) D, drives to its limit from anywhere.
    limit = np.unique(limits)
    bank = MaxwellSlip(limit, np.ones(limit.size))
    state = bank.rest()
    _, state = bank.torque(np.array([*before, middle]), np.ones(len(before) + 1), state)
    turns = middle + np.append(0.0, decay(size, count))
    model = one_rig()
    way = through(turns, half_cycles(size, count, STEP_S, model, bench()))
    _, state = bank.torque(way, np.full(len(way), STEP_S), state)
    step = size / count
    wiped = limit <= (size - step / 2) * (1 - 1e-9)
    told = np.abs(limit - np.round(limit / step) * step)
    np.testing.assert_allclose(np.abs(state[1:])[wiped], told[wiped], atol=1e-12, rtol=0)
    assert np.all(told <= step / 2 + 1e-12)


@settings(max_examples=25, deadline=None)
@given(axis=axes(), begin=numbers(-0.5, 0.5), end=numbers(-0.6, 0.6), seed=st.integers(0, 999))
def test_no_other_places_leave_less_of_what_is_linear(axis, begin, end, seed):
    # without friction the problem is convex: no other places within the bounds do better
    axis = replace(axis, friction=MaxwellSlip(np.empty(0), np.empty(0)))
    model = RigModel(axis, axis, one_rig().optics)
    state = lived(model, [(MM * begin, MM * begin)]).x
    shapes = nulling(float(state[0]), end, 6, 0.4, 3000, STEP_S, model, bench())
    places, least = least_memory(axis, state, shapes, end, 0.75, STEP_S)
    left = memory_left(axis, state, shapes, STEP_S)
    bound = 0.75 - shapes.room
    assert np.all(np.abs(places) <= bound + 1e-12)
    # the hair that keeps it well posed may cost so much at most: its own square at the answer
    hair = 1e-4 * float(np.abs(left.matrix).max(initial=1e-12))
    slack = hair**2 * len(places) * (2 * 0.75) ** 2
    rng = np.random.default_rng(seed)
    for other in [
        *rng.uniform(-bound, bound, (40, len(places))),
        *np.clip(places + 0.02 * rng.standard_normal((40, len(places))), -bound, bound),
    ]:
        assert np.sum(left.at(other, 0.0) ** 2) >= least - slack - 1e-15


def test_null_leaves_a_third_of_the_memory_at_most_after_a_park():
    # the memory that a model a fifth wrong is wrong about, by the model's own operators
    model = one_rig()
    state = lived(model, [(8.0, -8.0), (-8.0, 8.0), (3.0, -17.0)], 10.0)
    x, y = travel((3.0, -17.0), (3.0, -17.0), 3.0)

    def memory(option):
        window = beam_off_window(option, model, state, bench(), x, y, STEP_S)
        assert window.done == option
        _, _, after = model.drives(window.x_mm, window.y_mm, STEP_S, state)
        head, axis = len(STATE_HEAD), model.axis_x
        weigh = np.concatenate([axis.friction.stiffness, axis.after_effect.stiffness])
        return np.hypot(after.x[head:] @ weigh, after.y[head:] @ weigh)

    assert memory("null") < memory("follow") / 3


def test_edges_begin_and_end_with_the_speeds_and_move_nothing():
    out = edges(400, STEP_S, 0.2, -0.3)
    assert abs(out[-1]) < 1e-15
    # the slope over the last step is that of a cubic of 16 steps: off by (2.5 / 16) of its speed
    assert (out[-1] - out[-2]) / STEP_S == pytest.approx(-0.3, rel=2.5 / 16)
    assert out[0] / STEP_S == pytest.approx(0.2, rel=2.5 / 16)
    assert np.abs(out[20:-20]).max() == 0.0


def test_swings_keep_to_the_slew_limit_and_to_the_resonance():
    model, limits = one_rig(), bench().limits
    size, count = 0.6, 10
    lengths = half_cycles(size, count, STEP_S, model, bench())
    way = through(np.append(0.0, decay(size, count)), lengths)
    assert np.abs(np.diff(way)).max() / STEP_S <= limits.slew_per_s
    hz = model.axis_x.dynamics.resonance_hz(model.axis_x.small_signal_stiffness())
    assert swings_s(size, count, model, bench()).min() >= 1.0 / hz


def test_the_time_an_option_needs_is_enough_for_all_it_can_do():
    model = one_rig()
    state = lived(model, [(3.0, -17.0)])
    for option in OPTIONS:
        needed = least_s(option, model, bench())
        if option == "follow":
            assert needed == 0.0
            continue
        x, y = travel((3.0, -17.0), (20.0, 8.0), 1.05 * needed)
        assert beam_off_window(option, model, state, bench(), x, y, STEP_S).done == option


def test_shapes_are_places_between_begin_and_end():
    shapes = nulling(0.1, -0.4, 6, 0.4, 3000, STEP_S, one_rig(), bench())
    assert isinstance(shapes, Shapes)
    still = shapes.at(np.full(shapes.by_place.shape[1], 0.2))
    assert still[0] == pytest.approx(0.1, abs=1e-3)
    assert still[-1] == pytest.approx(-0.4, abs=1e-12)
    assert nulling(0.1, -0.4, 6, 0.4, 100, STEP_S, one_rig(), bench()) is None
