"""All passes per block: against the plain passes, closed forms, itself in pieces and threads."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from compensate.models import one_rig, rigs
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.axis import AxisModel
from hysteresis.compliance_axis import ComplianceAxis
from hysteresis.kernels import beam_angles
from hysteresis.model import RigModel, RigState
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.bouc_wen import BoucWen
from hysteresis.operators.drive_chain import DriveChain
from hysteresis.operators.elastic import Dynamics, Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.operators.preisach import Preisach
from hysteresis.optics import deflection_from_spot, spot_from_deflection
from hysteresis.pre_distortion import drives_on_even_clock, packed_optics

EPS = np.finfo(float).eps
STEP_S = 1.0 / 48_000
BLOCK = 1024


def spots(samples: int, step_s: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """A smooth path (mm) of some tones that stands still at first, in the middle and at the end."""
    t = step_s * np.arange(samples)
    rng = np.random.default_rng(seed)
    swing = np.clip(np.abs(np.sin(2 * np.pi * t / t[-1])) * 1.3 - 0.2, 0.0, 1.0) ** 3
    return tuple(
        swing * sum(rng.uniform(2, 9) * np.sin(2 * np.pi * rng.uniform(0.5, 20) * t) for _ in "123")
        for _ in "xy"
    )  # type: ignore[return-value]


def begun(model: RigModel, x: np.ndarray, y: np.ndarray) -> RigState:
    """At rest, but standing where the path begins."""
    state = model.rest()
    theta_x, theta_y = deflection_from_spot(x[:1], y[:1], model.optics)
    state.x[:2], state.y[:2] = theta_x, theta_y
    return state


def rounding(axis: AxisModel, step_s: float, angle: float) -> float:
    """What inertia and damping make of some last bits of an angle: the bound of the difference.

    A second difference weighs them by m (1.5 / h)² and up to four times that in all; eight last
    bits are what two ways to compute three functions and as many products may differ by.
    """
    d = axis.dynamics
    rate = 1.5 / step_s
    return 8 * EPS * angle * 4 * (d.inertia_s2 * rate + d.damping_s) * rate


def agree(model: RigModel, x: np.ndarray, y: np.ndarray, step_s: float, state: RigState) -> None:
    plain = model.drives(x, y, step_s, state)
    fast = drives_on_even_clock(model, x, y, step_s, state)
    for axis, want, got, own, other in zip(
        (model.axis_x, model.axis_y), plain[:2], fast[:2], (plain[2].x, plain[2].y),
        (fast[2].x, fast[2].y), strict=True,
    ):  # fmt: skip
        limit = 1e-10 + rounding(axis, step_s, 1.0)
        assert np.abs(got - want).max() <= limit
        # velocities carry the last bits of an angle divided by the step
        scale = 1.0 + np.abs(own)
        scale[2:4] += 1.0 / step_s
        assert np.all(np.abs(own - other) <= limit * scale)


# ---- the optics ------------------------------------------------------------------------------


def test_arc_tangent_over_all_sizes() -> None:
    rng = np.random.default_rng(0)
    size = np.concatenate([10.0 ** rng.uniform(-9, 9, 20_000), rng.uniform(0, 3, 20_000), [0, 1]])
    rise = size * rng.choice([-1.0, 1.0], size.size)
    angle_of = getattr(beam_angles.angle_of, "py_func", beam_angles.angle_of)
    ours = np.array([angle_of(r, 1.0) for r in rise])
    assert np.abs(ours - np.arctan(rise)).max() <= 3e-16
    small = np.abs(rise) < 0.4
    assert np.all(np.abs(ours - np.arctan(rise))[small] <= 2 * EPS * np.abs(rise[small]))
    assert angle_of(1.0, 0.0) == np.pi / 2


@settings(deadline=None)
@given(rigs(), st.integers(0, 9))
def test_deflections_are_those_of_the_closed_form(model: RigModel, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(-60.0, 60.0, (2, 257))
    got = np.empty((2, 257))
    beam_angles.deflections(x, y, packed_optics(model.optics), *got)
    want = deflection_from_spot(x, y, model.optics)
    scale = 0.5 / min(model.optics.full_scale_x_rad, model.optics.full_scale_y_rad)
    assert np.abs(got - want).max() <= 4 * EPS * scale


# ---- the whole chain against the plain passes --------------------------------------------------


@settings(deadline=None, max_examples=40)
@given(rigs(), st.integers(1, 2500), st.sampled_from([1e-3, 1e-4, STEP_S]), st.integers(0, 99))
def test_drives_are_those_of_the_plain_passes(
    model: RigModel, samples: int, step_s: float, seed: int
) -> None:
    x, y = spots(samples + 1, step_s, seed)
    agree(model, x[1:], y[1:], step_s, begun(model, x, y))


def memories() -> dict[str, object]:
    node = np.linspace(-1.3, 1.3, 41)
    mass = np.random.default_rng(5).uniform(0.0, 2e-4, 40 * 41 // 2)
    return {
        "32 slips": MaxwellSlip(np.geomspace(0.005, 1.0, 32), np.full(32, 0.2 / 32)),
        "none": MaxwellSlip(np.empty(0), np.empty(0)),
        "preisach": Preisach(node, mass),
        "bouc-wen": BoucWen(0.4, 0.2, 0.7, 1.6, 0.1, 0.3),
    }


def rig_of(name: str, branches: int = 9) -> RigModel:
    axis = AxisModel(
        Elastic(0.9, 0.02, 0.05),
        dynamics=Dynamics(2 * 0.1 / (60 * np.pi), (60 * np.pi) ** -2),
        friction=memories()[name],  # type: ignore[arg-type]
        after_effect=AfterEffect(
            np.geomspace(0.005, 2000.0, branches), np.full(branches, 0.1 / max(branches, 1))
        ),
    )
    return RigModel(axis, axis, one_rig().optics)


@pytest.mark.parametrize("branches", [0, 4, 9])
@pytest.mark.parametrize("name", memories())
def test_every_memory_at_an_audio_rate(name: str, branches: int) -> None:
    model = rig_of(name, branches)
    x, y = spots(30_000, STEP_S)
    agree(model, x, y, STEP_S, begun(model, x, y))


def test_jumps_and_noise() -> None:
    """Where every sample has events."""
    axis = replace(rig_of("32 slips").axis_x, dynamics=Dynamics())
    model = RigModel(axis, axis, one_rig().optics)
    x, y = np.random.default_rng(3).normal(size=(2, 3000)) * 10.0
    agree(model, x, y, 1e-3, model.rest())


def test_a_drive_chain_and_a_compliance_axis() -> None:
    model = rig_of("32 slips")
    x, y = spots(3000, 1e-3)
    behind = replace(model, axis_y=replace(model.axis_y, chain=DriveChain(0.2, 1e-4, 0.05)))
    agree(behind, x, y, 1e-3, begun(behind, x, y))
    soft = replace(model, axis_x=ComplianceAxis())
    for want, got in zip(
        soft.drives(x, y, 1e-3)[:2], drives_on_even_clock(soft, x, y, 1e-3)[:2], strict=True
    ):
        np.testing.assert_array_equal(got, want)


# ---- against closed forms ----------------------------------------------------------------------


def test_one_branch_on_a_ramp() -> None:
    """A Maxwell branch on a ramp holds k τ v (1 - exp(-t / τ)): textbook viscoelasticity."""
    k, tau, speed = 0.3, 0.05, 0.4
    axis = AxisModel(Elastic(1.0), after_effect=AfterEffect(np.array([tau]), np.array([k])))
    model = RigModel(axis, AxisModel(Elastic(1.0)), one_rig().optics)
    t = STEP_S * np.arange(1, 40_000)
    theta = speed * t
    x, y = spot_from_deflection(theta, -theta, model.optics)
    drive_x, drive_y, _ = drives_on_even_clock(model, x, y, STEP_S)
    torque = k * tau * speed * -np.expm1(-t / tau)
    # the bound: 40 000 roundings of a decay just below one
    assert np.abs(drive_x - theta - torque).max() <= 40_000 * EPS
    assert np.abs(drive_y + theta).max() <= 8 * EPS


def test_the_simulated_rig_follows_the_wanted_path() -> None:
    model = rig_of("32 slips")
    x, y = spots(20_000, 1e-4)
    state = begun(model, x, y)
    drive_x, drive_y, _ = drives_on_even_clock(model, x, y, 1e-4, state)
    got_x, got_y, _ = model.spots(drive_x, drive_y, 1e-4, state)
    assert max(np.abs(got_x - x).max(), np.abs(got_y - y).max()) <= 1e-9  # mm


# ---- pieces, threads, states -------------------------------------------------------------------


def in_pieces(
    model: RigModel, x: np.ndarray, y: np.ndarray, state: RigState, size: int
) -> tuple[np.ndarray, np.ndarray, RigState]:
    out = []
    for n in range(0, len(x), size):
        *drive, state = drives_on_even_clock(model, x[n : n + size], y[n : n + size], STEP_S, state)
        out.append(drive)
    return *np.concatenate(out, axis=1), state


@pytest.mark.parametrize("name", memories())
def test_pieces_of_the_block_length_are_the_whole_bit_for_bit(name: str) -> None:
    model = rig_of(name)
    x, y = spots(9 * BLOCK + 77, STEP_S)
    state = begun(model, x, y)
    whole = drives_on_even_clock(model, x, y, STEP_S, state)
    for size in (BLOCK, 3 * BLOCK):
        parts = in_pieces(model, x, y, state, size)
        for a, b in zip((*whole[:2], whole[2].x, whole[2].y),
                        (*parts[:2], parts[2].x, parts[2].y), strict=True):  # fmt: skip
            np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize("size", [1, 15, 100, 1000, 1025])
def test_other_pieces_are_the_whole_but_for_rounding(size: int) -> None:
    model = rig_of("32 slips")
    x, y = spots(3 * BLOCK + 5, STEP_S)
    state = begun(model, x, y)
    whole = drives_on_even_clock(model, x, y, STEP_S, state)
    parts = in_pieces(model, x, y, state, size)
    assert max(np.abs(a - b).max() for a, b in zip(whole[:2], parts[:2], strict=True)) <= 1e-12


def test_two_threads_are_one_bit_for_bit() -> None:
    model = one_rig()
    x, y = spots(20_000, STEP_S)
    state = begun(model, x, y)
    one = drives_on_even_clock(model, x, y, STEP_S, state)
    two = drives_on_even_clock(model, x, y, STEP_S, state, threads=2)
    for a, b in zip((*one[:2], one[2].x, one[2].y), (*two[:2], two[2].x, two[2].y), strict=True):
        np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize("then_s", [STEP_S, 1e-3])
def test_either_way_goes_on_where_the_other_stopped(then_s: float) -> None:
    """Also with another step than before."""
    model = one_rig()
    x, y = spots(4000, 1e-3)
    state = begun(model, x, y)
    for first in (model.drives, lambda *a: drives_on_even_clock(model, *a)):
        middle = first(x[:1500], y[:1500], 1e-3, state)[2]
        agree(model, x[1500:], y[1500:], then_s, middle)


def test_arguments_are_left_alone_and_refused_where_they_mean_nothing() -> None:
    model = one_rig()
    x, y = spots(50, 1e-3)
    state = begun(model, x, y)
    kept = state.x.copy(), state.y.copy(), x.copy(), y.copy()
    drives_on_even_clock(model, x, y, 1e-3, state)
    for a, b in zip(kept, (state.x, state.y, x, y), strict=True):
        np.testing.assert_array_equal(a, b)
    empty = drives_on_even_clock(model, x[:0], y[:0], 1e-3, state)
    assert empty[0].size == empty[1].size == 0
    np.testing.assert_array_equal(empty[2].x, state.x)
    for wrong in ((x, y[1:], 1e-3), (x, y, 0.0), (x, y, np.nan), (x, y, np.inf)):
        with pytest.raises(ValueError):
            drives_on_even_clock(model, *wrong)
    with pytest.raises(ValueError):
        drives_on_even_clock(model, x, y, 1e-3, RigState(state.x[1:], state.y))
    with pytest.raises(ValueError):
        drives_on_even_clock(model, x, y, 1e-3, threads=3)
