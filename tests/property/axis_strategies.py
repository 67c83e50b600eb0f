"""Random axes and inputs for the property tests: passive, monotone, of any mixture of parts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import strategies as st

from hysteresis.axis import AxisModel
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.elastic import Dynamics, Elastic, Heating
from hysteresis.operators.maxwell_slip import MaxwellSlip

EPS = np.finfo(float).eps


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_subnormal=False)


@st.composite
def slips(draw: st.DrawFn, most: int = 6) -> MaxwellSlip:
    """Up to `most` elements; stiffness may be exactly zero."""
    gaps = draw(st.lists(numbers(0.005, 0.4), max_size=most))
    weights = draw(st.lists(numbers(0.0, 1.0), min_size=len(gaps), max_size=len(gaps)))
    return MaxwellSlip(np.cumsum(np.array(gaps, float)), np.array(weights, float))


@st.composite
def branches(draw: st.DrawFn, most: int = 5) -> AfterEffect:
    """Up to `most` branches, relaxation times from 0.3 ms to weeks."""
    decades = draw(st.lists(numbers(0.1, 2.0), max_size=most))
    weights = draw(st.lists(numbers(0.0, 0.5), min_size=len(decades), max_size=len(decades)))
    return AfterEffect(10.0 ** (np.cumsum(np.array(decades, float)) - 3.5), np.array(weights))


@st.composite
def springs(draw: st.DrawFn) -> Elastic:
    """Unequal sides and hardening, stiffness positive at every angle: k2² < 3 k1 k3."""
    linear = draw(numbers(0.2, 2.0))
    cubic = linear * draw(numbers(0.0, 0.3))
    return Elastic(linear, draw(numbers(-0.9, 0.9)) * np.sqrt(3 * linear * cubic), cubic)


@st.composite
def dynamics(draw: st.DrawFn) -> Dynamics:
    """Nothing, damping alone, or a resonance of 5 to 200 Hz damped by 2 % to twice critical."""
    kind = draw(st.sampled_from(["none", "damping", "inertia"]))
    if kind == "none":
        return Dynamics()
    omega = 2 * np.pi * draw(numbers(5.0, 200.0))
    damping = 2 * draw(numbers(0.02, 2.0)) / omega
    return Dynamics(damping, 0.0 if kind == "damping" else omega**-2)


@st.composite
def axes(draw: st.DrawFn, *, moving: bool = True, heated: bool = True) -> AxisModel:
    """Any mixture. `moving`: with inertia and damping now and then; `heated`: with heating."""
    warm = (draw(numbers(-0.05, 0.05)), draw(numbers(-0.05, 0.05))) if heated else (0.0, 0.0)
    return AxisModel(
        draw(springs()),
        Heating(warm, (draw(numbers(0.5, 30.0)), draw(numbers(30.0, 300.0)))),
        draw(dynamics()) if moving else Dynamics(),
        draw(slips()),
        draw(branches()),
    )


@st.composite
def steps(draw: st.DrawFn, samples: int) -> np.ndarray:
    """Time steps from 0.1 ms to 0.3 s, each within a factor 2 of the last (BDF2 is stable below
    2.41: Hairer, Norsett & Wanner, Solving ODEs I, III.5; from memory)."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    size = draw(numbers(-4.0, -0.5))
    log = size + np.cumsum(rng.uniform(-0.3, 0.3, samples))
    # folded back at the ends of the range, which keeps neighbours within the same factor
    low, span = -4.0, 3.5
    folded = np.abs((log - low + span) % (2 * span) - span)
    return 10.0 ** (low + folded)


@st.composite
def walks(draw: st.DrawFn, samples: int) -> np.ndarray:
    """A path within ±1: small moves, jumps, holds and exact returns to zero."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    move = rng.normal(0.0, 1.0, samples) * draw(st.sampled_from([0.02, 0.2, 2.0]))
    move *= rng.random(samples) < draw(numbers(0.2, 1.0))
    path = np.sin(np.cumsum(move))
    path[rng.random(samples) < 0.05] = 0.0
    return path


def step_stiffness(axis: AxisModel, step_s: np.ndarray, reach: float) -> float:
    """The steepest that drive can rise with the newest angle: what magnifies its rounding."""
    rate = 2.0 / step_s.min()  # the largest BDF2 weight is below 2 / step
    elastic = axis.elastic
    spring = elastic.linear + reach * (2 * abs(elastic.quadratic) + 3 * reach * elastic.cubic)
    return float(
        spring * 1.2
        + axis.friction.stiffness.sum()
        + axis.after_effect.stiffness.sum()
        + axis.dynamics.damping_s * rate
        + axis.dynamics.inertia_s2 * rate**2
    )


def least_slope(axis: AxisModel, reach: float) -> float:
    """The softest the spring gets within ±reach: drive moves the angle by at most 1 / this.

    Stiffness k1 + 2 k2 θ + 3 k3 θ² is least at an end or at θ = −k2 / 3 k3.
    """
    e = axis.elastic
    places = [-reach, reach]
    if 3 * e.cubic * reach > abs(e.quadratic):
        places.append(-e.quadratic / (3 * e.cubic))
    return float(min(e.linear + at * (2 * e.quadratic + 3 * at * e.cubic) for at in places))


def drive_rounding(axis: AxisModel, step_s: np.ndarray, theta: np.ndarray) -> float:
    """Rounding of the drive: a few operations on terms as large as stiffness × reach, and the
    stretches, which add one rounding each step."""
    reach = 1.0 + float(np.abs(theta).max(initial=0.0))
    return (4 * step_stiffness(axis, step_s, reach) + theta.size) * EPS * reach


def magnification(axis: AxisModel, step_s: np.ndarray) -> float:
    """How much the angle may move per drive: 1 / softest stiffness within ±1 and, with inertia,
    ringing, ∫|impulse response| = coth(πζ / 2√(1−ζ²)) / k (second-order system: its damped sine
    summed lobe by lobe)."""
    factor = 1.0 / least_slope(axis, 1.0)
    inertia, damping = axis.dynamics.inertia_s2, axis.dynamics.damping_s
    if inertia > 0.0:
        stiffest = step_stiffness(replace(axis, dynamics=Dynamics()), step_s, 1.0)
        ratio = min(damping / (2 * np.sqrt(stiffest * inertia)), 0.999)
        factor /= np.tanh(np.pi * ratio / (2 * np.sqrt(1 - ratio**2)))
    return factor
