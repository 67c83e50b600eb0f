"""Advice for a path: parks, recoveries, orders of islands, options side by side, the command."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, permutations
from pathlib import Path

import numpy as np
import pytest
from command_line import content, done, refused
from fitted_rigs import bench, bench_with
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.axis import AxisModel
from hysteresis.bench import TEMPLATE
from hysteresis.compensate import blocks_of_path, compensate_stream
from hysteresis.compensate.advice import (
    Stop,
    best_parks,
    long_stops,
    memory_mm,
    recoveries,
)
from hysteresis.compensate.compare_options import (
    START_S,
    TraceErrors,
    compare_options,
    options_for,
    stronger,
)
from hysteresis.compensate.island_order import Island, best_order, islands_of
from hysteresis.errors import DataError, InputError
from hysteresis.model import RigModel, bench_identity, write_model
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.elastic import Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.optics import deflection_from_spot, nominal_optics, spot_from_deflection
from hysteresis.paths.example_job import layered_tile_job
from hysteresis.paths.read import read_path

from .models import STEP_S, fitted, numbers, one_rig

JOB = """G21 G90
M5
G0 X5 Y5
M3 S1000
G1 X15 Y5 F1200
G1 X15 Y-15
M5
G0 X-30 Y20
G4 P2
G0 X-10 Y-10
M3
G1 X-20 Y-20
M5
G0 X20 Y0
M3
G1 X25 Y0
M5
M2
"""


@pytest.fixture
def job(tmp_path: Path):
    file = tmp_path / "job.ngc"
    file.write_text(JOB)
    return lambda: blocks_of_path(read_path(file, bench())[0], bench())


def creeping(tau_s: float = 10.0, stiffness: float = 0.1) -> RigModel:
    """One Maxwell branch beside a spring, no friction: everything has a closed form."""
    axis = AxisModel(Elastic(0.8), after_effect=AfterEffect(np.array([tau_s]),
                                                            np.array([stiffness])))  # fmt: skip
    return RigModel(axis, axis, nominal_optics(bench().optics))


def test_stops_are_where_the_path_parks(job):
    stops = long_stops(one_rig(), bench(), job())
    assert len(stops) == 1
    assert stops[0].park_mm == pytest.approx((-30, 20), abs=0.01)
    assert stops[0].next_mm == pytest.approx((-10, -10), abs=0.05)
    assert 2.0 < stops[0].length_s < 3.0


def test_memory_of_a_branch_is_its_torque_over_the_stiffness():
    model = creeping()
    state = model.rest()
    state.x[-1], state.y[-1] = 0.4, -0.2
    full = bench().optics.full_scale_x_mm
    assert memory_mm(model, state, bench()) == pytest.approx(
        (full * 0.1 * 0.4 / 0.9, full * 0.1 * -0.2 / 0.9), rel=1e-9
    )


@settings(max_examples=20, deadline=None)
@given(begin=numbers(-0.6, 0.6), end=numbers(-0.5, 0.5), wait_s=numbers(1.0, 30.0))
def test_the_best_park_is_where_one_branch_has_its_closed_form(begin, end, wait_s):
    # a branch that rests at `begin` and is to rest at `end` wants the park p with
    # (p - begin) e^(-w/tau) + (end - p) = 0, moves being short beside the wait and tau
    model = creeping()
    state = model.rest()
    state.x[:2] = state.y[:2] = begin
    stop = Stop(state, (0.0, 0.0), (50.0 * end, 50.0 * end), wait_s)
    stop = replace(stop, next_mm=_spot(model, end))
    (park,) = best_parks(model, bench(), (stop,), (wait_s,))
    fade = np.exp(-wait_s / 10.0)
    wanted = np.clip((end - begin * fade) / (1.0 - fade), -0.784, 0.784)
    found = _deflection(model, park.x_mm, park.y_mm)
    # half a step of the grid of places, and the moves, which last 0.4 s, blur the wait:
    # its effect on p is d p / d w = fade (end - begin) / tau / (1 - fade)²
    blur = 0.4 * fade * abs(end - begin) / 10.0 / (1 - fade) ** 2
    assert abs(found[0] - wanted) <= 0.784 / 40 + blur
    assert park.memory_mm <= park.as_it_is_mm + 1e-9 or abs(wanted) < 0.02


def _spot(model, theta):
    x, y = spot_from_deflection(np.array([theta]), np.array([theta]), model.optics)
    return float(x[0]), float(y[0])


def _deflection(model, x, y):
    a, b = deflection_from_spot(np.array([x]), np.array([y]), model.optics)
    return float(a[0]), float(b[0])


def test_recovery_of_one_branch_is_its_retardation():
    # held for so long that the branch has let go; then theta = J e^(-t/lambda) of the excursion,
    # lambda = tau (k + km) / k, and right after release km / (k + km) of it (textbook)
    model = creeping()
    found, _ = recoveries(
        fitted(model), bench(), excursion_mm=20.0, dwell_s=1000.0, tolerance_mm=0.1
    )
    theta = _deflection(model, 20.0, 0.0)[0]
    allowed = _deflection(model, 0.1, 0.0)[0]
    lag = 10.0 * 0.9 / 0.8
    expected = lag * np.log(theta * 0.1 / 0.9 / allowed)
    # the recovery is looked at in steps of 6.4 %, within which implicit steps are taken
    assert found.time_s == pytest.approx(expected, rel=0.07)
    assert found.left_mm < 1e-3
    assert found.low_s == found.high_s == found.time_s  # no refits


def test_friction_never_lets_go():
    axis = AxisModel(Elastic(0.8), friction=MaxwellSlip(np.array([0.1]), np.array([0.1])))
    model = RigModel(axis, axis, nominal_optics(bench().optics))
    found, _ = recoveries(fitted(model), bench(), excursion_mm=20.0, dwell_s=1.0, tolerance_mm=0.1)
    # going back the stop slips the other way and holds: k theta = kf r
    assert found.time_s == np.inf
    assert found.settled_s == 0.0
    x, _ = spot_from_deflection(np.array([0.1 * 0.1 / 0.8]), np.zeros(1), model.optics)
    assert found.left_mm == pytest.approx(float(x[0]), rel=1e-6)


@pytest.mark.parametrize("bad", [{"dwell_s": 0.0}, {"tolerance_mm": -1.0}, {"excursion_mm": 99.0}])
def test_figures_out_of_range_are_told(bad):
    asked = {"excursion_mm": 20.0, "dwell_s": 1.0, "tolerance_mm": 0.1} | bad
    with pytest.raises(InputError):
        recoveries(fitted(creeping()), bench(), **asked)


def test_a_path_without_parks_has_no_park_to_advise_on():
    with pytest.raises(DataError):
        best_parks(one_rig(), bench(), (), (1.0,))


# ---- order of islands ----------------------------------------------------------------------------


def dots(places: list[tuple[float, float]]) -> tuple[Island, ...]:
    """Short strokes along x."""
    return tuple(
        Island(x + np.linspace(0, 1, 24), np.full(24, y), 0.05) for x, y in places
    )  # fmt: skip


@settings(max_examples=30, deadline=None)
@given(
    places=st.lists(st.tuples(numbers(-30, 30), numbers(-30, 30)), min_size=1, max_size=12),
    by=st.sampled_from(["travel", "memory"]),
)
def test_an_order_is_a_permutation_and_never_worse_than_the_one_given(places, by):
    model = one_rig()
    found = best_order(
        model, bench(), dots(places), model.rest(), travel_mm_s=300.0, by=by, effort=60
    )
    assert sorted(found.order) == list(range(len(places)))
    if by == "travel":
        assert found.travel_mm <= found.travel_given_mm + 1e-9
    else:
        assert found.memory_mm <= found.memory_given_mm + 1e-12
    again = best_order(
        model, bench(), dots(places), model.rest(), travel_mm_s=300.0, by=by, effort=60
    )
    assert again == found


@settings(max_examples=15, deadline=None)
@given(places=st.lists(st.tuples(numbers(-30, 30), numbers(-30, 30)), min_size=2, max_size=6))
def test_travel_is_between_the_shortest_of_all_orders_and_the_one_given(places):
    islands = dots(places)
    found = best_order(
        one_rig(), bench(), islands, one_rig().rest(), travel_mm_s=300.0, by="travel"
    )
    shortest = min(
        sum(np.hypot(islands[b].x_mm[0] - islands[a].x_mm[-1],
                     islands[b].y_mm[0] - islands[a].y_mm[-1])
            for a, b in pairwise(order))
        for order in permutations(range(len(islands)))
    )  # fmt: skip
    assert shortest - 1e-9 <= found.travel_mm
    assert found.travel_mm <= found.travel_given_mm + 1e-9


def test_a_row_of_islands_in_disorder_is_put_in_a_row():
    places = [(3.0 * k, 0.0) for k in (4, 0, 7, 2, 5, 1, 6, 3)]
    found = best_order(
        one_rig(), bench(), dots(places), one_rig().rest(), travel_mm_s=300.0, by="travel"
    )
    assert [places[k][0] for k in found.order] == sorted(p[0] for p in places)


def test_islands_of_a_path_are_its_traces(job):
    found = islands_of(job())
    assert len(found) == 3
    assert (found[0].x_mm[0], found[0].y_mm[0]) == pytest.approx((5, 5), abs=0.05)
    assert (found[1].x_mm[-1], found[1].y_mm[-1]) == pytest.approx((-20, -20), abs=0.05)


# ---- options side by side ------------------------------------------------------------------------


def test_options_side_by_side(job):
    costs = compare_options(fitted(one_rig()), bench(), job)
    assert [c.option for c in costs] == ["follow", "condition", "null"]
    follow, _, null = costs
    assert null.start_mm < follow.start_mm
    assert follow.starts == 2  # behind the park, and behind 0.2 s of travel
    assert all(c.extra_s == 0.0 and c.excesses == 0 for c in costs)


def test_errors_over_the_trace_are_those_of_a_whole_pass(job):
    model, wrong = one_rig(), stronger(one_rig(), 1.2)
    blocks = list(compensate_stream(fitted(model), bench(), job()))
    errors, state, ex, ey, on = TraceErrors(), wrong.rest(), [], [], []
    for block in blocks:
        x, y, state = wrong.spots(block.drive_x, block.drive_y, STEP_S, state)
        errors.add(block, x - block.x_mm, y - block.y_mm)
        ex.append(x - block.x_mm)
        ey.append(y - block.y_mm)
        on.append(block.beam)
    ex, ey, on = (np.concatenate(v) for v in (ex, ey, on))
    assert errors.rms_mm() == pytest.approx(np.sqrt(np.mean((ex**2 + ey**2)[on])), rel=1e-12)
    starts = np.flatnonzero(~on[:-1] & on[1:]) + 1
    # of three starts the first is behind the lead-in
    squares = []
    for start in starts[1:]:
        near = slice(start, start + round(START_S / STEP_S))
        squares.append(ex[near].mean() ** 2 + ey[near].mean() ** 2)
    assert errors.starts == 2
    assert errors.start_mm() == pytest.approx(np.sqrt(np.mean(squares)), rel=1e-9)


def test_an_always_on_beam_only_follows(job):
    always = bench_with(beam={"mode": "always-on"})
    assert options_for(always) == ("follow",)
    (only,) = compare_options(fitted(one_rig()), always, job)
    assert only.option == "follow"


def test_stronger_memory_leaves_the_spring():
    model, other = one_rig(), stronger(one_rig(), 1.2)
    assert other.axis_x.elastic == model.axis_x.elastic
    np.testing.assert_allclose(
        other.axis_y.friction.stiffness, 1.2 * model.axis_y.friction.stiffness
    )
    np.testing.assert_allclose(
        other.axis_x.after_effect.stiffness, 1.2 * model.axis_x.after_effect.stiffness
    )


# ---- the command ---------------------------------------------------------------------------------


@pytest.fixture
def run(tmp_path: Path) -> Path:
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "bench.toml").write_text(TEMPLATE)
    write_model(folder / "model.json", replace(fitted(one_rig()), bench=bench_identity(bench())))
    (folder / "tile.ngc").write_text(layered_tile_job(2, duration_s=20.0))
    return folder


def test_the_command_says_all_it_promises_and_writes_nothing(run: Path):
    before = content(run)
    said = done("advise", run, run / "tile.ngc")
    for words in ("While the beam is off", "Where to park", "Back within", "Order of the first"):
        assert words in said
    assert content(run) == before


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--wrong", "2"], "--wrong"),
        (["--order-by", "colour"], "memory or travel"),
        (["--excursion-mm", "900"], "excursion"),
        (["--dwell-s", "0"], "dwell"),
        (["--extra-s", "nan"], "--extra-s"),
    ],
)
def test_the_command_refuses_in_one_sentence(run: Path, words: list[str], said: str):
    assert said in refused(run, "advise", run, run / "tile.ngc", *words)


def test_a_path_that_is_not_there_is_told(run: Path):
    assert "other.ngc" in refused(run, "advise", run, run / "other.ngc")
