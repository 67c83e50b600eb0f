"""The closed-form inverse of the Prandtl-Ishlinskii operator.

Source: K. Kuhnen, "Modeling, Identification and Compensation of Complex Hysteretic
Nonlinearities: A Modified Prandtl-Ishlinskii Approach", European Journal of Control 9 (2003)
407-418, from memory: inverse weights, thresholds and start states of the play form. The play form
is written here on its own, in plain Python, and shares nothing with the package.

The torque balance never inverts: its memory is the stop form (Maxwell slip), and pre-distortion
evaluates it. That the stop form *is* Kuhnen's inverse of a play form is checked first. The axis in
compliance form is the play form itself, with creep; that its drive is what Kuhnen's rule gives,
with weights and start states made anew for every length of step, is checked after that.
"""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.axis import AxisModel
from hysteresis.compliance_axis import ComplianceAxis
from hysteresis.operators.elastic import Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip

TOLERANCE = 1e-12  # asked for; rounding of the identity itself is some 1e-15 per element


def play_form(x: np.ndarray, weight: np.ndarray, threshold: np.ndarray, z: np.ndarray):
    """y = w₀ x + Σ wᵢ zᵢ with zᵢ ← max(x − rᵢ, min(x + rᵢ, zᵢ)); r₀ = 0. Returns y, last z."""
    y = np.empty_like(x)
    z = z.copy()
    for n, value in enumerate(x):
        for i, r in enumerate(threshold):
            z[i] = max(value - r, min(value + r, z[i]))
        y[n] = float(np.dot(weight, z))
    return y, z


def kuhnen(weight: np.ndarray, threshold: np.ndarray, z: np.ndarray):
    """Weights, thresholds and start states of the inverse, each by its own formula."""
    total = np.cumsum(weight)
    own_weight = np.empty_like(weight)
    own_threshold = np.empty_like(weight)
    own_z = np.empty_like(weight)
    own_weight[0] = 1.0 / weight[0]
    for i in range(1, weight.size):
        own_weight[i] = -weight[i] / (total[i] * total[i - 1])
    for i in range(weight.size):
        own_threshold[i] = sum(weight[j] * (threshold[i] - threshold[j]) for j in range(i + 1))
        own_z[i] = total[i] * z[i] + sum(weight[j] * z[j] for j in range(i + 1, weight.size))
    return own_weight, own_threshold, own_z


def random_play(rng: np.random.Generator, count: int, *, signs: str):
    """Weights with positive partial sums, rising thresholds, an admissible start."""
    threshold = np.concatenate(([0.0], np.cumsum(rng.uniform(0.005, 0.2, count))))
    weight = np.concatenate(([rng.uniform(0.5, 2.0)], rng.uniform(0.02, 0.4, count)))
    if signs == "negative":
        weight[1:] *= -0.9 * weight[0] / weight[1:].sum()
    # |zᵢ − zᵢ₋₁| ≤ rᵢ − rᵢ₋₁, and z₀ is the input itself
    z = np.cumsum(rng.uniform(-1, 1, count + 1) * np.diff(threshold, prepend=0.0))
    return weight, threshold, z


def random_input(rng: np.random.Generator, samples: int = 1500) -> np.ndarray:
    """Reversals of every size, and stretches that stand still."""
    walk = np.cumsum(rng.normal(0.0, 0.1, samples) * (rng.random(samples) < 0.8))
    return np.sin(walk) * rng.uniform(0.5, 2.0)


def stop_form(weight: np.ndarray, threshold: np.ndarray) -> AxisModel:
    """The axis whose torque is Σ wᵢ zᵢ for weights that are negative beyond the first:
    a play is the input less a stop, so k₀ = Σ wᵢ and kᵢ = −wᵢ."""
    return AxisModel(Elastic(float(weight.sum())), friction=MaxwellSlip(threshold[1:], -weight[1:]))


def state_of(axis: AxisModel, angle: float, z: np.ndarray) -> np.ndarray:
    """The axis' state for play states z (z₀ unused): each stop holds angle − zᵢ."""
    state = axis.rest()
    state[0] = state[1] = angle
    state[8:] = angle - z[1:]
    return state


def test_hand_case() -> None:
    """w = [1, 0.5], r = [0, 0.2]: w' = [1, −1/3], r' = [0, 0.2]; x = 0, 1, −1, 0 gives
    y = 0, 1.4, −1.4, −0.1 (worked by hand)."""
    weight, threshold = np.array([1.0, 0.5]), np.array([0.0, 0.2])
    own_weight, own_threshold, _ = kuhnen(weight, threshold, np.zeros(2))
    np.testing.assert_allclose(own_weight, [1.0, -1 / 3], rtol=1e-15)
    np.testing.assert_allclose(own_threshold, [0.0, 0.2], rtol=1e-15)
    axis = stop_form(own_weight, own_threshold)
    x, y = [0.0, 1.0, -1.0, 0.0], [0.0, 1.4, -1.4, -0.1]
    np.testing.assert_allclose(axis.drive(y, 1.0)[0], x, atol=TOLERANCE)
    np.testing.assert_allclose(axis.deflection(x, 1.0)[0], y, atol=TOLERANCE)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("count", [1, 4, 12, 40])
def test_pre_distortion_is_the_inverse_of_the_play_form(seed: int, count: int) -> None:
    """Angle = play form of the drive, from an admissible start. The axis built by Kuhnen's rule
    gives the drive back from the angle, and follows the play form when it is driven."""
    rng = np.random.default_rng([seed, count])
    weight, threshold, z = random_play(rng, count, signs="positive")
    x = random_input(rng)
    y, z_end = play_form(x, weight, threshold, z)

    own_weight, own_threshold, own_z = kuhnen(weight, threshold, z)
    axis = stop_form(own_weight, own_threshold)
    start = state_of(axis, own_z[0], own_z)  # own_z₀ is the output at the start
    assert own_z[0] == pytest.approx(float(weight @ z), abs=1e-15)
    drive, end = axis.drive(y, 0.1, start)
    np.testing.assert_allclose(drive, x, rtol=0, atol=TOLERANCE)
    theta, _ = axis.deflection(x, 0.1, start)
    np.testing.assert_allclose(theta, y, rtol=0, atol=TOLERANCE)

    # the closed-form inverse in play form, written out, says the same of drive and of memory
    written, written_z = play_form(y, own_weight, own_threshold, own_z)
    np.testing.assert_allclose(drive, written, rtol=0, atol=TOLERANCE)
    np.testing.assert_allclose(end[8:], y[-1] - written_z[1:], rtol=0, atol=TOLERANCE)
    # and its states are those of the play form carried through the rule
    np.testing.assert_allclose(
        written_z, kuhnen(weight, threshold, z_end)[2], rtol=0, atol=TOLERANCE
    )


@pytest.mark.parametrize("seed", range(6))
def test_the_inverse_of_a_stop_bank_is_a_play_form_with_positive_weights(seed: int) -> None:
    """The other way round: a Maxwell-slip axis under drive moves as Kuhnen's inverse of its own
    weights, all of them positive, thresholds rising: the compliance form."""
    rng = np.random.default_rng([seed, 99])
    weight, threshold, z = random_play(rng, 9, signs="negative")
    axis = stop_form(weight, threshold)
    own_weight, own_threshold, own_z = kuhnen(weight, threshold, z)
    assert np.all(own_weight > 0)
    assert np.all(np.diff(own_threshold) > 0)
    drive = random_input(rng) * 0.1
    theta, _ = axis.deflection(drive, 0.1, state_of(axis, z[0], z))
    written, _ = play_form(drive, own_weight, own_threshold, own_z)
    # weights reach 1/(0.1 w₀): rounding is magnified by as much
    np.testing.assert_allclose(theta, written, rtol=0, atol=TOLERANCE * own_weight.sum())


def test_inverting_twice_gives_the_first_back() -> None:
    rng = np.random.default_rng(5)
    weight, threshold, z = random_play(rng, 12, signs="positive")
    again = kuhnen(*kuhnen(weight, threshold, z))
    for a, b in zip(again, (weight, threshold, z), strict=True):
        np.testing.assert_allclose(a, b, rtol=0, atol=TOLERANCE)


def test_hand_case_in_compliance_form() -> None:
    """w = [1, 0.5], r = [0, 0.2]: x = 0, 1, −1, 0 gives y = 0, 1.4, −1.4, −0.1, and back."""
    axis = ComplianceAxis(1.0, threshold=np.array([0.2]), weight=np.array([0.5]))
    x, y = [0.0, 1.0, -1.0, 0.0], [0.0, 1.4, -1.4, -0.1]
    np.testing.assert_allclose(axis.deflection(x, 1.0)[0], y, rtol=0, atol=4e-16)
    np.testing.assert_allclose(axis.drive(y, 1.0)[0], x, rtol=0, atol=4e-16)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("count", [1, 4, 12, 40])
def test_compliance_form_both_ways(seed: int, count: int) -> None:
    """The axis moves as the play form written here, and its drive is Kuhnen's inverse written
    out, from any admissible start; so is the state it leaves."""
    rng = np.random.default_rng([seed, count, 7])
    weight, threshold, z = random_play(rng, count, signs="positive")
    x = random_input(rng)
    y, z_end = play_form(x, weight, threshold, z)
    axis = ComplianceAxis(float(weight[0]), threshold=threshold[1:], weight=weight[1:])
    theta, end = axis.deflection(x, 0.1, z)  # the state is the drive, then the plays
    np.testing.assert_allclose(theta, y, rtol=0, atol=TOLERANCE)
    np.testing.assert_allclose(end, z_end, rtol=0, atol=TOLERANCE)
    drive, end = axis.drive(y, 0.1, z)
    written, _ = play_form(y, *kuhnen(weight, threshold, z))
    np.testing.assert_allclose(drive, written, rtol=0, atol=TOLERANCE)
    np.testing.assert_allclose(drive, x, rtol=0, atol=TOLERANCE)
    np.testing.assert_allclose(end, z_end, rtol=0, atol=TOLERANCE)
    print(f"{count} plays: identity to {np.abs(drive - x).max():.1e}")


def kuhnen_with_creep(y, step_s, weight, threshold, z, tau, compliance, position):
    """The inverse of plays and Kelvin modes by the rule alone. In a step h a mode of unit
    compliance goes from p to e p + (g − e) x_old + (1 − g) x, e = exp(−h/τ), g = (1 − e) τ/h: what
    multiplies the newest input joins w₀, the rest is known. When h changes, the inverse's states
    go back to the play form's by the rule itself, and from there to the new inverse's."""
    out = np.empty_like(y)
    position = position.copy()
    x, last_s, own = z[0], None, None
    for n, h in enumerate(step_s):
        e = np.exp(-h / tau)
        g = -np.expm1(-h / tau) * tau / h
        if h != last_s:
            if own is not None:
                z = kuhnen(*own)[2]  # the rule is its own inverse
            with_creep = weight.copy()
            with_creep[0] += float(compliance @ (1 - g))
            own = kuhnen(with_creep, threshold, np.concatenate(([x], z[1:])))
            last_s = h
        known = float(compliance @ (e * position + (g - e) * x))
        drive, own_z = play_form(y[n : n + 1] - known, *own)
        position = e * position + (g - e) * x + (1 - g) * drive[0]
        own = (own[0], own[1], own_z)
        out[n] = x = drive[0]
    return out, position


@pytest.mark.parametrize("seed", range(6))
def test_compliance_form_with_creep_is_the_rule_step_by_step(seed: int) -> None:
    """Steps that change now and then, from a past of plays and creep."""
    rng = np.random.default_rng([seed, 3])
    weight, threshold, z = random_play(rng, 12, signs="positive")
    tau, compliance = np.geomspace(0.01, 1000.0, 12), rng.uniform(0.0, 0.1, 12)
    position = rng.uniform(-0.5, 0.5, 12)
    step_s = np.repeat(10.0 ** rng.uniform(-3, 0.5, 75), 20)
    x = random_input(rng, step_s.size)
    axis = ComplianceAxis(float(weight[0]), threshold=threshold[1:], weight=weight[1:],
                          retardation_time_s=tau, compliance=compliance)  # fmt: skip
    start = np.concatenate([z, position])
    theta, end = axis.deflection(x, step_s, start)
    written, left = kuhnen_with_creep(
        theta, step_s, weight, threshold, z, tau, compliance, position
    )
    drive, after = axis.drive(theta, step_s, start)
    # 1 − g here is rounded to ε, and 1e5 steps of ε would make it 1e-11; these are 1500
    np.testing.assert_allclose(written, x, rtol=0, atol=TOLERANCE)
    np.testing.assert_allclose(drive, written, rtol=0, atol=TOLERANCE)
    np.testing.assert_allclose(after[13:], left, rtol=0, atol=TOLERANCE)
    np.testing.assert_allclose(after, end, rtol=0, atol=TOLERANCE)
