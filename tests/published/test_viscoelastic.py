"""Maxwell branches against linear viscoelasticity.

Sources, from memory (textbooks): J. D. Ferry, Viscoelastic Properties of Polymers; N. W. Tschoegl,
The Phenomenological Theory of Linear Viscoelastic Behavior; R. Lakes, Viscoelastic Solids. Every
formula used stands beside its check; figures were computed from the formulas by other programs.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from hysteresis.axis import AxisModel
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.elastic import Elastic

EPS = np.finfo(float).eps
E_INF, E_1, TAU = 1.0, 0.25, 2.0
SOLID = AxisModel(
    Elastic(E_INF), after_effect=AfterEffect(np.array([TAU]), np.array([E_1]))
)  # the standard linear solid
MANY = AfterEffect(np.array([0.01, 0.3, 2.0, 70.0]), np.array([0.1, 0.2, 0.25, 0.15]))


def graded(first: float, growth: float, end: float) -> np.ndarray:
    """Times from `first`, each later step longer by `growth`, up to exactly `end`."""
    count = int(np.ceil(np.log1p(growth * end / first) / np.log1p(growth)))
    t = np.expm1(np.arange(1, count + 1) * np.log1p(growth))
    return t * (end / t[-1])


def test_relaxation_after_a_step_of_angle() -> None:
    """E(t) = E∞ + E₁ e^(−t/τ), for one branch and for four; exact for a step, whatever the grid."""
    t = graded(1e-4, 0.5, 30.0)
    edge = 1e-12  # the step takes a picosecond
    for elastic, after_effect in ((E_INF, SOLID.after_effect), (0.7, MANY)):
        axis = AxisModel(Elastic(elastic), after_effect=after_effect)
        torque, _ = axis.drive(np.ones(t.size + 1), np.concatenate(([edge], np.diff(t, prepend=0))))
        decay = np.exp(-t[:, None] / after_effect.relaxation_time_s)
        wanted = elastic + decay @ after_effect.stiffness
        # the picosecond's own relaxation, edge / (2 τ), and rounding of some 40 steps
        np.testing.assert_allclose(torque[1:], wanted, rtol=0, atol=edge / 0.02 + 50 * EPS)


def test_relaxation_after_a_ramp_of_angle() -> None:
    """During a ramp at rate a: q = E₁ a τ (1 − e^(−t/τ)), then it decays: exact at any step."""
    rate, length = 0.5, 1.3
    step = np.full(13, 0.1)
    operator = SOLID.after_effect
    torque, state = operator.torque(rate * np.cumsum(step), step, operator.rest())
    wanted = E_1 * rate * TAU * -np.expm1(-np.cumsum(step) / TAU)
    np.testing.assert_allclose(torque, wanted, rtol=0, atol=20 * EPS)
    held, _ = operator.torque(np.full(2, rate * length), np.array([0.7, 5.0]), state)
    np.testing.assert_allclose(held, wanted[-1] * np.exp([-0.7 / TAU, -5.7 / TAU]), atol=20 * EPS)


def creep(axis: AxisModel, t: np.ndarray) -> np.ndarray:
    """Angle at times t after a drive of 1 was switched on at 0, by the implicit solver."""
    edge = 1e-12
    step = np.concatenate(([edge], np.diff(t, prepend=0.0)))
    return axis.deflection(np.ones(step.size), step)[0][1:]


def test_creep_of_the_standard_linear_solid() -> None:
    """J(t) = 1/E∞ − E₁/(E∞(E∞+E₁)) e^(−t/τc), τc = τ(E∞+E₁)/E∞ = 2.5; J(0) = 0.8,
    J(2) = 0.910134207, J(10) = 0.996336872. The angle is taken as linear within a step: an error of
    second order, known by halving the step (Richardson: a third of the change), taken double."""
    closed = lambda t: 1 / E_INF - E_1 / (E_INF * (E_INF + E_1)) * np.exp(-t / 2.5)  # noqa: E731
    np.testing.assert_allclose(
        closed(np.array([2.0, 10.0])), [0.910134207, 0.996336872], atol=5e-10
    )
    angles, ends = {}, np.array([2.0, 10.0])
    for step in (4e-3, 2e-3):
        t = np.arange(1, round(10 / step) + 1) * step
        angle = creep(SOLID, t)
        assert creep(SOLID, t[:1] * 1e-9)[0] == pytest.approx(0.8, abs=1e-9)
        angles[step] = angle[np.searchsorted(t, ends - 1e-9)]
    bound = 2 / 3 * np.abs(angles[4e-3] - angles[2e-3])
    error = np.abs(angles[2e-3] - closed(ends))
    for at, got, wrong, most in zip(ends, angles[2e-3], error, bound, strict=True):
        print(f"J({at:g}) = {got:.9f}, error {wrong:.1e} (bound {most:.1e})")
    assert np.all(bound < 1e-7)
    assert np.all(error <= bound)
    # order 2: halving the step divides the error by four
    coarse = np.abs(angles[4e-3] - closed(ends))
    np.testing.assert_allclose(coarse / error, 4.0, rtol=0.05)


def test_moduli_of_the_generalised_maxwell_model() -> None:
    """E' = E∞ + Σ Eᵢ x²/(1+x²), E'' = Σ Eᵢ x/(1+x²), x = ω τᵢ: against the complex modulus
    E* = E∞ + Σ Eᵢ iωτᵢ/(1+iωτᵢ), which is the transform of the branches' own equation."""
    omega = np.geomspace(1e-3, 1e3, 61)
    storage, loss = MANY.moduli(omega)
    x = 1j * omega[:, None] * MANY.relaxation_time_s
    complex_modulus = (x / (1 + x)) @ MANY.stiffness
    np.testing.assert_allclose(storage, complex_modulus.real, atol=10 * EPS)
    np.testing.assert_allclose(loss, complex_modulus.imag, atol=10 * EPS)


def test_loss_factor_peaks_where_it_should() -> None:
    """tan δ of the standard linear solid is greatest, E₁ / (2 √(E∞(E∞+E₁))) = 0.111803, at
    ω = √(E∞/(E∞+E₁)) / τ = 0.447214 rad/s."""
    omega = np.linspace(0.3, 0.6, 300_001)
    storage, loss = SOLID.after_effect.moduli(omega)
    ratio = loss / (E_INF + storage)
    peak = int(np.argmax(ratio))
    assert ratio[peak] == pytest.approx(E_1 / (2 * np.sqrt(E_INF * (E_INF + E_1))), abs=1e-12)
    assert ratio[peak] == pytest.approx(0.111803, abs=5e-7)
    # a peak is flat: it is found to √ε of its width only
    assert omega[peak] == pytest.approx(0.447214, abs=2e-6)


def settled_loop(omega: float, size: float, samples: int) -> tuple[np.ndarray, np.ndarray]:
    """Angle and torque over one round, many relaxation times after the start."""
    rounds = int(np.ceil(40 * TAU * omega / (2 * np.pi)))
    t = np.arange(1, rounds * samples + 1) * (2 * np.pi / omega / samples)
    theta = size * np.sin(omega * t)
    torque, _ = SOLID.drive(theta, t[0])
    return theta[-samples - 1 :], torque[-samples - 1 :]


def test_loop_area_and_moduli_from_the_torque_of_a_sine() -> None:
    """W = π E'' ε₀² = 3.343249e-4 for ω = 0.7 and ε₀ = 0.03, and the in-phase and quadrature
    parts of the torque are E' and E''. The angle is made of straight pieces: order 2."""
    omega, size = 0.7, 0.03
    x = omega * TAU
    loss_modulus = E_1 * x / (1 + x**2)
    closed = np.pi * loss_modulus * size**2
    assert closed == pytest.approx(3.343249e-4, abs=5e-11)
    areas = {}
    for samples in (4000, 8000):
        theta, torque = settled_loop(omega, size, samples)
        areas[samples] = np.trapezoid(torque, theta)
    bound = 2 / 3 * abs(areas[4000] - areas[8000])
    print(f"loop area {areas[8000]:.7e} (closed form {closed:.7e}, bound {bound:.1e})")
    assert bound < 2e-10
    assert areas[8000] == pytest.approx(closed, abs=bound)
    phase = 2 * np.pi * np.arange(8000) / 8000
    in_phase = 2 * np.mean(torque[:-1] * np.sin(phase)) / size
    quadrature = 2 * np.mean(torque[:-1] * np.cos(phase)) / size
    storage, loss = SOLID.after_effect.moduli(np.array([omega]))
    # a sine of straight pieces lacks (2π/8000)²/12 of its size
    missing = (2 * np.pi / 8000) ** 2 / 12 * 2
    assert in_phase == pytest.approx(E_INF + storage[0], rel=missing)
    assert quadrature == pytest.approx(loss[0], rel=missing * 10)


def maxwell_of_kelvin(j_0: float, j: np.ndarray, tau: np.ndarray) -> tuple[float, AfterEffect]:
    """The Maxwell branches that creep as Σ jᵢ (1 − e^(−t/τᵢ)) + j₀: interconversion by poles.

    J*(s) = j₀ + Σ jᵢ/(1+sτᵢ) falls from pole to pole and crosses zero once between two; there
    1/J* has a pole, and a Maxwell branch of stiffness k, time θ has residue −k/θ at s = −1/θ.
    """
    compliance = lambda s: j_0 + np.sum(j / (1 + s * tau))  # noqa: E731
    poles = np.sort(-1 / tau)  # from the fastest mode to the slowest
    below = np.concatenate(([poles[0] * (2 + j.sum() / j_0) * 2], poles[:-1]))
    time, stiffness = [], []
    for low, high in zip(below, poles, strict=True):
        width = high - low
        s = brentq(compliance, low + 1e-12 * width, high - 1e-12 * width, xtol=1e-300, rtol=8 * EPS)
        time.append(-1 / s)
        stiffness.append(time[-1] / np.sum(j * tau / (1 + s * tau) ** 2))
    order = np.argsort(time)
    return 1 / (j_0 + j.sum()), AfterEffect(np.array(time)[order], np.array(stiffness)[order])


PER_DECADE = 0.02
KELVIN_TAU = 10.0 ** (np.arange(-6 * 4, 8 * 4 + 1) / 4.0)
KELVIN_J = np.full(KELVIN_TAU.size, PER_DECADE / 4)


@pytest.fixture(scope="module")
def log_creeper() -> AxisModel:
    """Creeps by 2 % of its first deflection per decade: 4 equal Kelvin modes in each, on Maxwell
    branches."""
    elastic, branches = maxwell_of_kelvin(1.0, KELVIN_J, KELVIN_TAU)
    return AxisModel(Elastic(elastic), after_effect=branches)


def kelvin_creep(t: np.ndarray) -> np.ndarray:
    return 1.0 + -np.expm1(-np.asarray(t)[..., None] / KELVIN_TAU) @ KELVIN_J


def test_interconversion_of_kelvin_and_maxwell(log_creeper: AxisModel) -> None:
    """E*(iω) J*(iω) = 1 at every frequency (the transform of ∫ E(t−s) J(s) ds = t)."""
    omega = np.geomspace(1e-5, 1e3, 33)
    storage, loss = log_creeper.after_effect.moduli(omega)
    modulus = log_creeper.elastic.linear + storage + 1j * loss
    compliance = 1.0 + (1 / (1 + 1j * omega[:, None] * KELVIN_TAU)) @ KELVIN_J
    np.testing.assert_allclose(modulus * compliance, 1.0, atol=1e-12)


def test_creep_is_that_of_the_kelvin_modes(log_creeper: AxisModel) -> None:
    """J(t) = J₀ + Σ Jᵢ (1 − e^(−t/τᵢ)). Steps grow by 2 and by 1 %: Richardson, as above."""
    ends = []
    for growth in (0.02, 0.01):
        t = graded(1e-7, growth, 1000.0)
        ends.append(creep(log_creeper, t)[-1])
    bound = 2 / 3 * abs(ends[0] - ends[1]) + 1e-12
    assert bound < 1e-6
    assert ends[1] == pytest.approx(kelvin_creep(1000.0), abs=bound)


@pytest.mark.parametrize(
    ("hold_s", "wait_s", "percent"),
    [(10, 1, 2.0828), (60, 1, 3.5707), (60, 10, 1.6902), (600, 60, 2.0828)],
)
def test_what_is_left_after_a_hold_and_a_wait(log_creeper, hold_s, wait_s, percent) -> None:
    """Boltzmann: hold T, wait t: J(t+T) − J(t), for log creep C log₁₀((t+T)/t); it depends on T/t
    only. Four modes per decade reproduce that to 5e-5 %."""
    closed = PER_DECADE * np.log10((wait_s + hold_s) / wait_s)
    assert 100 * closed == pytest.approx(percent, abs=5e-5)
    boltzmann = kelvin_creep(wait_s + hold_s) - kelvin_creep(wait_s)
    assert boltzmann == pytest.approx(closed, abs=5e-7)

    def left(growth: float) -> float:
        edge = 1e-12
        held, waited = (graded(1e-7, growth, end) for end in (hold_s, wait_s))
        step = np.concatenate(
            [[edge], np.diff(held, prepend=0), [edge], np.diff(waited, prepend=0)]
        )
        drive = np.concatenate([np.ones(held.size + 1), np.zeros(waited.size + 1)])
        return float(log_creeper.deflection(drive, step)[0][-1])

    coarse, fine = left(0.02), left(0.01)
    bound = 2 / 3 * abs(coarse - fine) + 1e-12
    print(f"T {hold_s} s, t {wait_s} s: {100 * fine:.4f} % (closed form {100 * closed:.4f} %)")
    assert bound < 1e-6
    assert fine == pytest.approx(boltzmann, abs=bound)
    assert 100 * fine == pytest.approx(percent, abs=5e-5 + 5e-5 + 100 * bound)


def test_creep_per_decade_and_loss_factor_belong_together(log_creeper: AxisModel) -> None:
    """tan δ ≈ (π/2) C / ln 10 of the deflection then reached, = 0.682 C, for slow log creep."""
    omega = np.array([1e-2, 1.0, 10.0])
    storage, loss = log_creeper.after_effect.moduli(omega)
    ratio = loss / (log_creeper.elastic.linear + storage)
    reached = kelvin_creep(1 / omega)
    # the next terms are of the order C² (0.0004 of 0.0136 / 1.1)
    np.testing.assert_allclose(ratio, np.pi / 2 * PER_DECADE / np.log(10) / reached, rtol=0.02)
