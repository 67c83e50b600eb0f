"""The drive chain: bounds of its rules, closed forms, what tells droop from creep."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import signal

from hysteresis.axis import AxisModel
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.drive_chain import DriveChain
from hysteresis.operators.elastic import Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip

EPS = np.finfo(float).eps
FULL = DriveChain(droop_per_s=3.0, lag_s=2e-3, saturation=0.1)


def wander(n: int, seed: int = 3, size: float = 0.9) -> np.ndarray:
    return size * np.sin(np.cumsum(np.random.default_rng(seed).normal(0, 0.1, n)))


# --- what it is made of -------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["droop_per_s", "lag_s", "saturation"])
@pytest.mark.parametrize("value", [-1e-9, float("nan"), float("inf")])
def test_a_number_that_cannot_be_is_refused(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=name):
        DriveChain(**{name: value})


def test_plain_chain_hands_the_drive_on_unchanged() -> None:
    plain, u = DriveChain(), wander(500)
    assert plain.is_plain and plain.corner_hz == 0.0
    for run in (plain.forward, plain.inverse):
        v, state = run(u, 1e-3)
        np.testing.assert_array_equal(v, u)
        np.testing.assert_array_equal(state, np.full(3, u[-1]))
    for chain in (DriveChain(1.0), DriveChain(0, 1e-9), DriveChain(0, 0, 1e-9)):
        assert not chain.is_plain


def test_corner() -> None:
    assert DriveChain(droop_per_s=2 * np.pi * 0.5).corner_hz == pytest.approx(0.5, rel=2 * EPS)


def test_json_round_trip() -> None:
    assert DriveChain.from_json(json.loads(json.dumps(FULL.to_json()))) == FULL
    whole = DriveChain(droop_per_s=3, lag_s=0, saturation=0)
    assert DriveChain.from_json(json.loads(json.dumps(whole.to_json()))) == whole
    for bad in ({}, {"droop_per_s": 1.0}, FULL.to_json() | {"gain": 1.0}):
        with pytest.raises(ValueError, match="wants"):
            DriveChain.from_json(bad)


def test_wrong_arguments_are_refused() -> None:
    for run in (FULL.forward, FULL.inverse, FULL.forward_with_slopes):
        for step in (0.0, -1e-3, float("nan"), float("inf")):
            with pytest.raises(ValueError, match="time steps"):
                run(np.ones(3), step)
        with pytest.raises(ValueError, match="state"):
            run(np.ones(3), 1e-3, np.zeros(4))
        with pytest.raises(ValueError, match="one list"):
            run(np.ones((3, 2)), 1e-3)
        empty = run(np.empty(0), 1e-3, np.array([0.1, 0.2, 0.3]))
        assert empty[0].size == 0
        np.testing.assert_array_equal(empty[-1], [0.1, 0.2, 0.3])


def test_states_are_never_changed_in_place() -> None:
    state = np.array([0.1, 0.2, 0.3])
    u = wander(20)
    for run in (FULL.forward, FULL.inverse, FULL.forward_with_slopes):
        first, again = run(u, 1e-3, state), run(u, 1e-3, state)
        np.testing.assert_array_equal(state, [0.1, 0.2, 0.3])
        for a, b in zip(first, again, strict=True):
            np.testing.assert_array_equal(a, b)


# --- lag ----------------------------------------------------------------------------------------


def test_lag_is_the_backward_difference() -> None:
    """Its two numbers against scipy.signal.cont2discrete(…, 'backward_diff')."""
    h = 1e-3
    for lag_s in (1e-5, 3e-4, 2e-3, 0.05):
        numerator, denominator, _ = signal.cont2discrete(
            ([1.0], [lag_s, 1.0]), h, method="backward_diff"
        )
        impulse = np.zeros(300)
        impulse[0] = 1.0
        v, _ = DriveChain(lag_s=lag_s).forward(impulse, h)
        wanted = signal.lfilter(numerator.ravel(), denominator.ravel(), impulse)
        # cont2discrete inverts I − h A, whose condition is 1 here; both then recurse 300 times
        np.testing.assert_allclose(v, wanted, rtol=0, atol=8 * impulse.size * EPS)


@pytest.mark.parametrize("lag_s", [1e-4, 1e-3, 1e-2])
def test_lag_keeps_within_its_bound_of_the_exact_one(lag_s: float) -> None:
    """|error| ≤ (h/2) max|v1' − v2'|: lsim is exact for straight pieces, v2' taken from its v2."""
    h, n = 1e-3, 3000
    t = h * np.arange(n + 1)
    drive = np.interp(t, t[::30], np.concatenate([[0.0], wander(n // 30, seed=8)]))
    got, _ = DriveChain(lag_s=lag_s).forward(drive[1:], h)
    _, exact, _ = signal.lsim(signal.lti([1.0], [lag_s, 1.0]), drive, t)
    slope = np.diff(drive) / h
    # v2' = (v1 − v2)/L is monotone within a straight piece, so its extremes lie at the samples
    end, start = (drive[1:] - exact[1:]) / lag_s, (drive[:-1] - exact[:-1]) / lag_s
    steepest = max(np.abs(slope - end).max(), np.abs(slope - start).max())
    error = np.abs(got - exact[1:]).max()
    print(f"L {lag_s} s, h {h} s: error {error:.2e}, bound {h / 2 * steepest:.2e}")
    assert error <= h / 2 * steepest
    assert error > 0.01 * h / 2 * steepest  # the bound is no empty one


def test_a_steady_ramp_is_late_by_exactly_the_lag() -> None:
    """Whatever the step, fine or coarse: 40 lags later the transient is below rounding."""
    step = np.concatenate([np.full(4000, 1e-4), np.full(50, 0.02), np.full(3, 1.0)])
    t = np.cumsum(step)
    late, _ = DriveChain(lag_s=0.01).forward(0.1 * t, step)
    after = t > 0.4  # (1 + h/L)^−4000 = 5e-18
    np.testing.assert_allclose(late[after], 0.1 * (t[after] - 0.01), rtol=0, atol=t.size * EPS)


@pytest.mark.parametrize("y", [1e-3, 0.02, 0.3, 1.0, 5.0])
def test_why_the_lag_is_no_first_order_hold(y: float) -> None:
    """The zero of the exact hold, from SciPy, lies inside the unit circle but near −1 for fine
    steps, −(1 − y/3) to within y²/6, and its inverse rings; the chosen rule's inverse does not."""
    numerator, denominator, _ = signal.cont2discrete(([1.0], [1.0, 1.0]), y, method="foh")
    zero = -numerator.ravel()[1] / numerator.ravel()[0]
    a, phi = np.exp(-y), -np.expm1(-y) / y
    assert zero == pytest.approx(-(phi - a) / (1 - phi), rel=32 * EPS / y)
    assert -1 < zero < 0
    if y < 1:
        assert abs(zero + 1 - y / 3) < y**2 / 6
    ramp = y * np.arange(60)  # a kink: at rest, then a slope of 1 per lag; ideally v1 = ramp + 1
    ringing = signal.lfilter(denominator, numerator.ravel(), ramp)[1:]
    quiet, _ = DriveChain(lag_s=1.0).inverse(ramp[1:], y)
    np.testing.assert_allclose(quiet, ramp[1:] + 1.0, rtol=0, atol=8 * EPS * (1 + 2 / y) * 60 * y)
    over = ringing - ramp[1:] - 1.0
    if y < 0.1:  # full size of the correction, other sign at each sample
        assert over[0] > 0.9 and over[1] < -0.9


def test_inverse_of_the_lag_forgets_after_one_sample() -> None:
    """A wrong torque at one sample moves the drive at that sample and the next, nowhere else."""
    chain, v = DriveChain(lag_s=0.02, saturation=0.2), wander(100)
    touched = v.copy()
    touched[40] += 0.01
    difference = chain.inverse(touched, 1e-3)[0] - chain.inverse(v, 1e-3)[0]
    np.testing.assert_array_equal(np.flatnonzero(difference), [40, 41])


# --- saturation ---------------------------------------------------------------------------------


def test_saturation_is_the_inverse_hyperbolic_sine() -> None:
    """Value, slope at zero, cubic term (series of arsinh, textbook), inverse."""
    chain = DriveChain(saturation=0.3)
    u = np.linspace(-1.2, 1.2, 4001)
    v, _ = chain.forward(u, 1.0)
    np.testing.assert_allclose(v, np.arcsinh(np.sqrt(0.3) * u) / np.sqrt(0.3), rtol=8 * EPS)
    assert np.all(np.diff(v) > 0)
    np.testing.assert_array_equal(chain.forward(-u, 1.0)[0], -v)
    small = np.abs(u) < 0.1
    rest = 3 * 0.3**2 * 0.1**5 / 40 + 4 * EPS  # next term of the alternating series
    np.testing.assert_allclose(v[small], (u - 0.3 * u**3 / 6)[small], rtol=0, atol=rest)
    back, _ = chain.inverse(v, 1.0)
    np.testing.assert_allclose(back, u, rtol=16 * EPS)


# --- derivatives where a part is absent, in closed form -----------------------------------------


def test_derivatives_at_nothing() -> None:
    """At zero of all three: ∂v/∂d = −∫u dt (trapezoids are exact for straight pieces),
    ∂v/∂L = −u' (of the step), ∂v/∂s = −u³/6."""
    u = wander(400)
    step = np.random.default_rng(2).uniform(1e-4, 0.05, u.size)
    v, slope, state = DriveChain().forward_with_slopes(u, step)
    np.testing.assert_array_equal(v, u)
    assert state.shape == (3,)
    before = np.concatenate([[0.0], u[:-1]])
    area = np.cumsum(step * 0.5 * (u + before))
    np.testing.assert_allclose(
        slope[:, 0], -area, rtol=0, atol=8 * EPS * u.size * np.sum(step * np.abs(u))
    )
    np.testing.assert_allclose(slope[:, 1], -(u - before) / step, rtol=0, atol=8 * EPS / 1e-4)
    np.testing.assert_allclose(slope[:, 2], -(u**3) / 6, rtol=8 * EPS)


# --- how long a torque can be held --------------------------------------------------------------


def test_how_long_a_torque_can_be_held() -> None:
    """Closed form against the inverse itself, step by step, until the drive passes full scale."""
    chain, h = DriveChain(droop_per_s=2 * np.pi * 0.125, lag_s=0.02, saturation=0.2), 1e-3
    start = chain.forward(0.3 * np.ones(500), h)[1]  # with a history: charge and current
    for state in (chain.rest(), start):
        seconds = chain.longest_hold_s(0.4, state)
        u, _ = chain.inverse(np.full(4000, 0.4), h, state)
        # the pulse through the lag takes two samples; the torque is there at sample 0, after a
        # ramp of one step. From then on the drive grows by d h c a step, without curvature.
        first = 2 + np.flatnonzero(np.abs(u[2:]) > 1.0)[0]
        print(f"holds 0.4 FS for {seconds:.4f} s, step by step {h * first:.3f} s")
        assert h * (first - 1) <= seconds <= h * (first + 1)
        assert chain.rising(0.4, seconds, state) == pytest.approx(1.0, rel=8 * EPS)
    current = math.sinh(math.sqrt(0.2) * 0.4) / math.sqrt(0.2)
    seconds = chain.longest_hold_s(0.4)
    assert seconds == pytest.approx((1 / current - 1) / chain.droop_per_s - 0.02, rel=8 * EPS)
    assert chain.longest_hold_s(-0.4) == seconds
    np.testing.assert_allclose(chain.rising(-0.4, [seconds, 0]), [-1, -current], atol=0.02)


def test_holds_that_need_no_sum() -> None:
    assert DriveChain().longest_hold_s(0.9) == math.inf
    assert DriveChain().longest_hold_s(1.1) == 0.0
    assert DriveChain(1.0).longest_hold_s(0.0) == math.inf
    assert DriveChain(1.0).longest_hold_s(1.0) == 0.0
    assert DriveChain(1.0).longest_hold_s(0.5) == pytest.approx(1.0)
    assert DriveChain(1.0).longest_hold_s(0.5, most=0.75) == pytest.approx(0.5)
    charged = np.array([0.2, -0.05, -0.05])  # the capacitor brings 0.25 along
    assert DriveChain(1.0).longest_hold_s(0.5, charged) == pytest.approx(0.5)
    assert DriveChain(1.0).longest_hold_s(-0.5, charged) == pytest.approx(1.5)
    np.testing.assert_allclose(DriveChain(1.0).rising(-0.5, [0, 1.5], charged), [-0.25, -1.0])
    for charge in (0.6, -1.6):  # beyond reach at once, on either side
        assert DriveChain(1.0).longest_hold_s(0.5, np.array([charge, 0.0, 0.0])) == 0.0
    with pytest.raises(ValueError, match="largest"):
        DriveChain(1.0).longest_hold_s(0.5, most=0.0)


# --- what tells droop from creep and from friction ----------------------------------------------

WAITS_S = np.array([0.3, 1.0, 4.0])
HOLD_S, STEP_S, JUMP_S = 3.0, 0.01, 1e-9


def residue(
    axis: AxisModel, chain: DriveChain, drive: float, hold_s: float = HOLD_S, waits_s=WAITS_S
) -> tuple[np.ndarray, np.ndarray]:
    """Angle during a hold of `drive` (its second half) and at the waits after the return to zero,
    with no mass: every angle is in balance with the torque behind the chain."""
    n, wait = round(hold_s / STEP_S), round(waits_s[-1] / STEP_S)
    u = np.concatenate([np.full(n + 1, drive), np.zeros(wait + 1)])
    step = np.concatenate([[JUMP_S], np.full(n, STEP_S), [JUMP_S], np.full(wait, STEP_S)])
    torque, _ = chain.forward(u, step)
    theta, _ = axis.deflection(torque, step)
    return theta[n // 2 : n + 1], theta[n + 1 + np.round(waits_s / STEP_S).astype(int)]


def test_sign_and_proportionality_tell_the_causes_apart() -> None:
    """Held: droop inwards, creep outwards. After: droop on the other side, creep and friction on
    the same. Twice the drive: droop and linear creep double, friction does not."""
    spring = AxisModel(Elastic(1.0))
    creeping = AxisModel(
        Elastic(1.0), after_effect=AfterEffect(np.array([2.0]), np.array([0.25]))
    )
    rubbing = AxisModel(
        Elastic(1.0), friction=MaxwellSlip(np.array([0.05, 0.2]), np.array([0.1, 0.1]))
    )
    dc, ac = DriveChain(), DriveChain(droop_per_s=2 * np.pi * 0.05)

    held, after = residue(spring, ac, 0.4)
    d, waits = ac.droop_per_s, WAITS_S
    assert np.all(np.diff(held) < 0) and np.all(after < 0)
    # textbook undershoot; JUMP_S for a jump, and the balance is solved to rounding
    wanted = 0.4 * np.expm1(-d * HOLD_S) * np.exp(-d * waits)
    np.testing.assert_allclose(after, wanted, rtol=0, atol=2 * JUMP_S * d + 1000 * EPS)
    for factor in (2.0, -1.0):
        np.testing.assert_allclose(
            residue(spring, ac, 0.4 * factor)[1], factor * after, rtol=0, atol=1000 * EPS
        )

    held, after = residue(creeping, dc, 0.4)
    assert np.all(np.diff(held) > 0) and np.all(after > 0)
    # standard linear solid, Boltzmann (textbook): J(t + T) − J(t), J = 1 − 0.2 e^(−t/2.5). The
    # simulation takes the angle as straight over a step: within h²/8 max|θ''| of it, and the
    # branch, 0.25 stiff, at most doubles that
    wanted = 0.4 * 0.2 * (np.exp(-waits / 2.5) - np.exp(-(waits + HOLD_S) / 2.5))
    bound = 0.25 * STEP_S**2 / 4 * 2 * 0.4 * 0.2 / 2.5**2 + 2 * JUMP_S
    np.testing.assert_allclose(after, wanted, rtol=0, atol=bound)
    np.testing.assert_allclose(residue(creeping, dc, 0.8)[1], 2 * after, rtol=0, atol=1e4 * EPS)

    held, after = residue(rubbing, dc, 0.4)
    np.testing.assert_allclose(held, held[0], rtol=0, atol=1000 * EPS)  # knows no time
    assert np.all(after > 0)
    # x_rem = X − 2 g⁻¹(g(X)/2), g(x) = x + 0.1 min(x, 0.05) + 0.1 min(x, 0.2) (Masing's rule)
    np.testing.assert_allclose(after, 0.375 - 2 * 0.195 / 1.1, rtol=0, atol=1000 * EPS)
    twice = residue(rubbing, dc, 0.8)[1]
    np.testing.assert_allclose(twice, 0.775 - 2 * 0.375, rtol=0, atol=1000 * EPS)  # × 1.22, not 2


@pytest.mark.parametrize(
    ("relaxation_s", "stiffness", "hold_s", "changes"),
    [(0.3, 0.6, 0.3, 1), (30.0, 0.3, 3.0, 0)],  # creep quicker than the output's τ = 3.2 s; slower
)
def test_with_both_at_work_the_droop_has_the_last_word(
    relaxation_s: float, stiffness: float, hold_s: float, changes: int
) -> None:
    """Standard linear solid behind the high pass, by partial fractions of s/(s + d) G(s)/s with
    G = g (s + 1/τ)/(s + 1/τ_c), g = 1/(1 + k), τ_c = τ (1 + k) (textbook viscoelasticity)."""
    branch = AfterEffect(np.array([relaxation_s]), np.array([stiffness]))
    axis, chain = AxisModel(Elastic(1.0), after_effect=branch), DriveChain(2 * np.pi * 0.05)
    d, g, tau = chain.droop_per_s, 1 / (1 + stiffness), relaxation_s
    tau_c = tau * (1 + stiffness)
    by_droop = g * (1 / tau - d) / (1 / tau_c - d)
    by_creep = g * (1 / tau - 1 / tau_c) / (d - 1 / tau_c)
    assert by_creep == pytest.approx(-(1 - g) / (1 - d * tau_c), rel=32 * EPS)  # of plain creep

    def course(t: np.ndarray) -> np.ndarray:
        return by_droop * np.exp(-d * t) + by_creep * np.exp(-t / tau_c)

    waits = STEP_S * np.arange(3000)
    _, after = residue(axis, chain, 0.4, hold_s, waits)
    # chords of the angle are within h²/8 max|θ''|; the branch at most doubles that, times k
    bent = 2 * 0.4 * (abs(by_droop) * d**2 + abs(by_creep) / tau_c**2)
    bound = stiffness * STEP_S**2 / 4 * bent + 2 * JUMP_S * (d + 1 / tau)
    assert bound < 1e-4
    wanted = 0.4 * (course(waits + hold_s) - course(waits))
    np.testing.assert_allclose(after, wanted, rtol=0, atol=bound)
    sure = after[np.abs(after) > bound]
    assert np.count_nonzero(np.diff(np.sign(sure))) == changes
    assert (after[0] > 0) == bool(changes) and sure[-1] < 0
