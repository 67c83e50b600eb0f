"""One suite for every torque operator: a new one joins by adding one line to `OPERATORS`.

The last part asks the same of whole axes, the sums of operators that everything else uses.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
import pytest

from hysteresis.axis import AxisModel
from hysteresis.kernels.pieces import BLOCK
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.bouc_wen import BoucWen
from hysteresis.operators.contract import TorqueOperator
from hysteresis.operators.drive_chain import DriveChain
from hysteresis.operators.elastic import Dynamics, Elastic, Heating
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.operators.preisach import Preisach

EPS = np.finfo(float).eps

SLIPS = MaxwellSlip(np.array([0.02, 0.1, 0.3, 0.9]), np.array([0.4, 0.3, 0.0, 0.2]))
PLANE = Preisach(
    np.linspace(-1.2, 1.2, 9), 0.02 * np.random.default_rng(11).uniform(0.0, 1.0, 36)
)
SMOOTH = BoucWen(0.4, 0.2, 0.7, 1.6, 0.1, 0.3)
BRANCHES = AfterEffect(np.array([0.003, 0.08, 2.0, 500.0]), np.array([0.1, 0.0, 0.05, 0.2]))


@dataclass(frozen=True)
class Case:
    """An operator, whether it remembers, and the largest stiffness and third derivative it can
    show for |θ| ≤ 1."""

    operator: TorqueOperator
    remembers: bool
    stiffest: float
    third: float = 6.0


OPERATORS = {
    "elastic": Case(Elastic(1.1, 0.05, 0.1), False, 1.5),
    "elastic, softening": Case(Elastic(0.9, -0.04, -0.08), False, 1.0),
    "maxwell-slip": Case(SLIPS, True, 0.9),
    "maxwell-slip, one element": Case(MaxwellSlip(np.array([0.2]), np.array([1.5])), True, 1.5),
    "maxwell-slip, none": Case(MaxwellSlip(np.empty(0), np.empty(0)), False, 0.0),
    "preisach": Case(PLANE, True, PLANE.small_signal_stiffness()),
    # |w|^n and the soft middle, each over the square of the smaller limit
    "bouc-wen": Case(SMOOTH, True, 0.4, 0.4 * ((1.6 / 0.18) ** 2 + 0.6 / (0.3 * 0.18) ** 2)),
    "after-effect": Case(BRANCHES, True, 0.35),
    "after-effect, none": Case(AfterEffect(np.empty(0), np.empty(0)), False, 0.0),
}

every_operator = pytest.mark.parametrize("case", OPERATORS.values(), ids=OPERATORS.keys())


def wander(seed: int, samples: int) -> tuple[np.ndarray, np.ndarray]:
    """A random walk of the angle within ±1 and uneven time steps."""
    rng = np.random.default_rng(seed)
    step_s = 10.0 ** rng.uniform(-4, 0, samples)
    return np.sin(np.cumsum(rng.normal(0.0, 0.4, samples))), step_s


def work(operator: TorqueOperator, vertices: np.ndarray, per_leg: int) -> float:
    """Work done on the operator along straight legs at 1 s each, trapezoidal rule."""
    part = np.arange(1, per_leg + 1) / per_leg
    theta = (vertices[:-1, None] + np.diff(vertices)[:, None] * part).ravel()
    torque, _ = operator.torque(theta, np.full(theta.size, 1.0 / per_leg), operator.rest())
    before = np.concatenate(([0.0], torque[:-1]))
    move = np.diff(theta, prepend=vertices[0])
    return float(np.sum(0.5 * (torque + before) * move))


@every_operator
def test_tangent_is_the_derivative_of_torque(case: Case) -> None:
    """Central difference away from kinks. Its error: ε² f‴/6 and rounding / ε."""
    operator, small = case.operator, 1e-5
    theta, step_s = wander(1, 200)
    state = operator.rest()
    tested = 0
    for n in range(theta.size):
        args = (np.array([step_s[n]]), state)
        low, mid, high = (
            operator.torque(np.array([theta[n] + shift]), *args)[0][0]
            for shift in (-small, 0.0, small)
        )
        kink = abs(high - 2 * mid + low) / small
        if kink < 1e-4:  # both sides have the same slope: no element starts to slip in between
            tested += 1
            slope = (high - low) / (2 * small)
            bound = small**2 * case.third / 6 + 10 * EPS * max(1.0, case.stiffest) / small
            assert operator.tangent(theta[n], step_s[n], state) == pytest.approx(slope, abs=bound)
        state = operator.torque(theta[n : n + 1], *args)[1]
    assert tested > 180


@every_operator
def test_a_split_run_equals_the_whole_run(case: Case) -> None:
    """To the last bit at the kernels' block length, to 1e-12 anywhere else: sums that are carried
    from event to event are made anew from the state at the head of every block."""
    operator = case.operator
    theta, step_s = wander(2, 2 * BLOCK + 300)
    whole, end = operator.torque(theta, step_s, operator.rest())
    for cut in (0, 1, 7, 60, 1500, BLOCK, 2 * BLOCK, theta.size):
        first, state = operator.torque(theta[:cut], step_s[:cut], operator.rest())
        second, state = operator.torque(theta[cut:], step_s[cut:], state)
        allowed = 0.0 if cut % BLOCK == 0 or cut == theta.size else 1e-12
        np.testing.assert_allclose(np.concatenate([first, second]), whole, rtol=0, atol=allowed)
        np.testing.assert_allclose(state, end, rtol=0, atol=allowed)
        assert state[0] == theta[-1]  # the contract: the state's first entry is the last angle


@every_operator
def test_asking_twice_gives_the_same_and_changes_nothing(case: Case) -> None:
    operator = case.operator
    theta, step_s = wander(3, 50)
    _, state = operator.torque(*wander(4, 30), operator.rest())
    kept = [a.copy() for a in (theta, step_s, state)]
    before = json.dumps(operator.to_json())
    first = operator.torque(theta, step_s, state)
    operator.tangent(0.3, 0.1, state)
    second = operator.torque(theta, step_s, state)
    for a, b in zip(first, second, strict=True):
        np.testing.assert_array_equal(a, b)
    for a, b in zip((theta, step_s, state), kept, strict=True):
        np.testing.assert_array_equal(a, b)
    assert json.dumps(operator.to_json()) == before


@every_operator
def test_a_closed_cycle_dissipates(case: Case) -> None:
    """Never gains: the second law. Bound: the rule's own error, a third of what halving changes
    (Richardson, order 2), taken double, and rounding."""
    rng = np.random.default_rng(5)
    for _ in range(20):
        corners = rng.uniform(-1, 1, rng.integers(1, 8))
        vertices = np.concatenate(([0.0], np.tile(corners, 2), [0.0]))
        coarse, fine = (work(case.operator, vertices, n) for n in (200, 400))
        rule = 2.0 / 3.0 * abs(coarse - fine)
        assert rule < 1e-4
        assert fine >= -rule - 1e4 * EPS
    size = work(case.operator, np.array([0.0, 1.0, -1.0, 1.0, 0.0]), 400)
    if case.remembers:
        assert size > 1e-3
    else:
        assert abs(size) < 1e-4


@every_operator
def test_json_round_trip_to_the_last_bit(case: Case) -> None:
    operator = case.operator
    text = json.dumps(operator.to_json(), allow_nan=False)
    again = type(operator)(**json.loads(text))
    assert json.dumps(again.to_json()) == text
    theta, step_s = wander(6, 40)
    for a, b in zip(
        operator.torque(theta, step_s, operator.rest()),
        again.torque(theta, step_s, again.rest()),
        strict=True,
    ):
        np.testing.assert_array_equal(a, b)


@every_operator
def test_rest_has_no_torque_and_stays_at_rest(case: Case) -> None:
    torque, state = case.operator.torque(np.zeros(5), np.ones(5), case.operator.rest())
    np.testing.assert_array_equal(torque, 0.0)
    np.testing.assert_array_equal(state, case.operator.rest())


@pytest.mark.parametrize("family", [MaxwellSlip, AfterEffect])
@pytest.mark.parametrize(
    ("first", "second"),
    [
        ([0.1, 0.2], [1.0]),  # lengths differ
        ([[0.1]], [[1.0]]),  # not lists
        ([0.0, 0.1], [1.0, 1.0]),  # a limit or time of zero
        ([-0.1, 0.1], [1.0, 1.0]),
        ([0.2, 0.1], [1.0, 1.0]),  # falling
        ([0.1, 0.1], [1.0, 1.0]),  # twice the same
        ([0.1, 0.2], [1.0, -1e-9]),  # would create energy
        ([0.1, 0.2], [1.0, np.nan]),
        ([0.1, 0.2], [1.0, np.inf]),
        ([0.1, np.nan], [1.0, 1.0]),
        ([0.1, np.inf], [1.0, 1.0]),
    ],
)
def test_weights_that_make_no_passive_operator_are_refused(family, first, second) -> None:
    with pytest.raises(ValueError, match=r"[a-z]"):
        family(np.array(first), np.array(second))


# Whole axes -------------------------------------------------------------------------------------

AXES = {
    "spring alone": AxisModel(),
    "friction": AxisModel(Elastic(0.7), friction=SLIPS),
    "after-effect": AxisModel(Elastic(0.7, 0.02), after_effect=BRANCHES),
    "preisach": AxisModel(Elastic(0.7), friction=PLANE, after_effect=BRANCHES),
    "bouc-wen": AxisModel(Elastic(0.7), friction=SMOOTH, after_effect=BRANCHES),
    "drive chain": AxisModel(Elastic(0.9), friction=SLIPS, chain=DriveChain(0.7, 2e-3, 0.1)),
    "dynamics": AxisModel(dynamics=Dynamics(2e-4, 2.5e-5)),
    "heating": AxisModel(heating=Heating((0.02, -0.01), (15.0, 100.0))),
    "everything": AxisModel(
        Elastic(0.8, 0.03, 0.05),
        Heating((0.02, 0.01), (10.0, 90.0)),
        Dynamics(3e-4, 2e-5),
        SLIPS,
        BRANCHES,
    ),
}
every_axis = pytest.mark.parametrize("axis", AXES.values(), ids=AXES.keys())


def drive_and_steps(samples: int = 150) -> tuple[np.ndarray, np.ndarray]:
    """A drive that jumps and holds, with steps that grow and shrink by less than two."""
    rng = np.random.default_rng(7)
    drive = np.repeat(rng.uniform(-0.9, 0.9, samples // 10), 10)
    return drive, 2e-3 * 2.0 ** np.sin(np.arange(drive.size) / 3.0)


@every_axis
def test_axis_drive_of_deflection_is_the_drive(axis: AxisModel) -> None:
    """Both directions use one discrete equation, so only rounding separates them: that of the
    angle, magnified by the stiffness of one step, inertia / step² the largest part of it."""
    drive, step_s = drive_and_steps()
    theta, end = axis.deflection(drive, step_s)
    again, end_again = axis.drive(theta, step_s)
    rate = 2.0 / step_s.min()
    stiffness = (
        axis.small_signal_stiffness() + axis.dynamics.damping_s * rate
        + axis.dynamics.inertia_s2 * rate**2
    )  # fmt: skip
    bound = 16 * EPS * stiffness * (1 + np.abs(theta).max()) + theta.size * EPS
    assert bound < 1e-9
    np.testing.assert_allclose(again, drive, rtol=0, atol=bound)
    np.testing.assert_array_equal(end_again[0], end[0])


@every_axis
@pytest.mark.parametrize("direction", ["deflection", "drive"])
def test_axis_in_blocks_equals_axis_at_once(axis: AxisModel, direction: str) -> None:
    """To the last bit at the kernels' block length, to 1e-12 of the sums anywhere else; a drive
    is magnified by the stiffness of one step, inertia / step² the largest part of it."""
    run = getattr(axis, direction)
    values, step_s = drive_and_steps(2 * BLOCK + 150)
    if direction == "drive":
        values, _ = axis.deflection(values, step_s)
    whole, end = run(values, step_s)
    for cut in (0, 1, 2, 77, BLOCK, 2 * BLOCK, values.size - 1, values.size):
        first, state = run(values[:cut], step_s[:cut])
        second, state = run(values[cut:], step_s[cut:], state)
        allowed = 0.0 if cut % BLOCK == 0 or cut == values.size else 1e-12
        np.testing.assert_allclose(np.concatenate([first, second]), whole, rtol=0, atol=allowed)
        np.testing.assert_allclose(state[0], end[0], rtol=0, atol=allowed)


@every_axis
@pytest.mark.parametrize("direction", ["deflection", "drive"])
def test_axis_leaves_its_arguments_alone(axis: AxisModel, direction: str) -> None:
    run = getattr(axis, direction)
    values, step_s = drive_and_steps()
    _, state = run(values, step_s)
    kept = [a.copy() for a in (values, step_s, state)]
    first = run(values, step_s, state)
    second = run(values, step_s, state)
    for a, b in zip(first, second, strict=True):
        np.testing.assert_array_equal(a, b)
    for a, b in zip((values, step_s, state), kept, strict=True):
        np.testing.assert_array_equal(a, b)


@every_axis
def test_axis_json_round_trip(axis: AxisModel) -> None:
    text = json.dumps(axis.to_json(), allow_nan=False)
    again = AxisModel.from_json(json.loads(text))
    assert json.dumps(again.to_json()) == text
    drive, step_s = drive_and_steps()
    np.testing.assert_array_equal(
        again.deflection(drive, step_s)[0], axis.deflection(drive, step_s)[0]
    )


def test_axis_refuses_steps_and_states_that_mean_nothing() -> None:
    axis = AXES["everything"]
    for step_s in (0.0, -1e-3, [1e-3, 0.0], np.nan):
        with pytest.raises(ValueError, match="positive"):
            axis.deflection([0.1, 0.2], step_s)
    for size in (0, axis.rest().size - 1, axis.rest().size + 1):
        with pytest.raises(ValueError, match="entries"):
            axis.drive([0.1], 1e-3, np.zeros(size))


def test_axis_keeps_the_shape_of_what_it_is_given() -> None:
    axis = AXES["friction"]
    theta, _ = axis.deflection(np.zeros((2, 3)), 0.1)
    assert theta.shape == (2, 3)
    assert axis.deflection([], 0.1)[0].shape == (0,)


@pytest.mark.parametrize(
    ("part", "value"),
    [
        ("elastic", {"linear": float("nan")}),
        ("elastic", {"stiff": 1.0}),
        ("heating", {"softening": [0.1], "lag_s": [1.0, 2.0]}),
        ("heating", {"softening": [0.0, 0.0], "lag_s": [1.0, 0.0]}),
        ("heating", {"softening": [float("nan"), 0.0], "lag_s": [1.0, 2.0]}),
        ("heating", {"softening": [0.0, 0.0], "lag_s": [float("nan"), 2.0]}),
        ("dynamics", {"damping_s": "much"}),
        ("friction", {"limit": [0.1], "stiffness": [-1.0]}),
        ("after_effect", {"relaxation_time_s": [1.0]}),
    ],
)
def test_axis_refuses_json_that_makes_no_model(part: str, value: dict) -> None:
    data = AXES["everything"].to_json() | {part: value}
    with pytest.raises((KeyError, TypeError, ValueError)):
        AxisModel.from_json(data)
