"""After-effect as parallel Maxwell branches on a spectrum of relaxation times, free or by a law.

A law of two parameters stands for a whole spectrum. Per natural logarithm of the relaxation time
a power law has the density `H(τ) = s τ^(−p) / ln 10`, and its relaxation modulus is
`∫ H(τ) e^(−t/τ) d ln τ = s Γ(p) t^(−p) / ln 10` (Euler's integral of the second kind; J. D.
Ferry, Viscoelastic Properties of Polymers; from memory). With p = 0 it is creep in logarithmic
time: stiffness s per decade, torque that falls by s per decade.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from hysteresis.tables import Floats


@dataclass(frozen=True)
class AfterEffect:
    """Maxwell branches: `relaxation_time_s` (rising, > 0) and `stiffness` (≥ 0).

    Raises ValueError where the arrays disagree or a weight is negative.
    """

    relaxation_time_s: Floats
    stiffness: Floats

    def __post_init__(self) -> None:
        time_s = np.ascontiguousarray(self.relaxation_time_s, dtype=float)
        stiffness = np.ascontiguousarray(self.stiffness, dtype=float)
        if time_s.shape != stiffness.shape or time_s.ndim != 1:
            raise ValueError("relaxation_time_s and stiffness are two lists of equal length")
        if not (np.all(time_s > 0) and np.all(np.diff(time_s) > 0) and np.all(np.isfinite(time_s))):
            raise ValueError("relaxation times are finite, positive and rise strictly")
        if np.any(stiffness < 0) or not np.all(np.isfinite(stiffness)):
            raise ValueError("branch stiffness is finite and not negative")
        object.__setattr__(self, "relaxation_time_s", time_s)
        object.__setattr__(self, "stiffness", stiffness)

    def rest(self) -> Floats:
        return np.zeros(1 + self.relaxation_time_s.size)

    def torque(self, theta: Floats, step_s: Floats, state: Floats) -> tuple[Floats, Floats]:
        from hysteresis.kernels import maxwell_branches

        theta = np.ascontiguousarray(theta, dtype=float)
        step = np.ascontiguousarray(np.broadcast_to(step_s, theta.shape), dtype=float)
        after = np.array(state, dtype=float)
        value = maxwell_branches.torque_path(
            theta, step, after[0], self.relaxation_time_s, self.stiffness, after[1:]
        )
        if theta.size:
            after[0] = theta[-1]
        return value, after

    def tangent(self, theta: float, step_s: float, state: Floats) -> float:
        x = step_s / self.relaxation_time_s
        return float(np.sum(self.stiffness * -np.expm1(-x) / x))

    def moduli(self, omega: Floats) -> tuple[Floats, Floats]:
        """Storage and loss parts at angular frequency `omega` (rad/s), textbook viscoelasticity:
        `Σ k x²/(1+x²)` and `Σ k x/(1+x²)` with `x = ω τ`."""
        x = np.asarray(omega, dtype=float)[..., None] * self.relaxation_time_s
        return (x**2 / (1 + x**2)) @ self.stiffness, (x / (1 + x**2)) @ self.stiffness

    def relaxation(self, t_s: Floats) -> Floats:
        """Torque `t_s` (s, any shape, ≥ 0) after a step of the angle by 1 FS: `Σ k e^(−t/τ)`."""
        decay = np.exp(-np.asarray(t_s, dtype=float)[..., None] / self.relaxation_time_s)
        return np.asarray(decay @ self.stiffness)

    def creep(self, t_s: Floats, elastic: float) -> Floats:
        """Angle (FS) `t_s` (s, any shape, ≥ 0) after a torque of 1 came on, with a spring
        `elastic` > 0 beside the branches: `1/k − Σ J e^(−t/λ)` with the modes of `retardation`.
        """
        time_s, compliance = self.retardation(elastic)
        left = np.exp(-np.asarray(t_s, dtype=float)[..., None] / time_s)
        return np.asarray(1.0 / elastic - left @ compliance)

    def retardation(self, elastic: float) -> tuple[Floats, Floats]:
        """Retardation times (s, rising) and compliances (≥ 0) of spring and branches together.

        The same solid as a chain of Kelvin elements, exactly (interconversion: N. W. Tschoegl,
        The Phenomenological Theory of Linear Viscoelastic Behavior; from memory). The times λ
        are the zeros of `k − Σ k_m τ_m / (λ − τ_m)`, one above each τ_m and below the next;
        `J = 1 / (λ Σ k_m τ_m / (λ − τ_m)²)`. Branches without stiffness have no mode.
        Raises ValueError where `elastic` is not positive.
        """
        if not elastic > 0:
            raise ValueError("creep comes to rest beside a spring of positive stiffness only")
        used = self.stiffness > 0
        tau, weight = self.relaxation_time_s[used], (self.stiffness * self.relaxation_time_s)[used]
        if tau.size == 0:
            return tau, weight
        # each zero is looked for as the logarithm of its distance from the τ below it: no digits
        # are lost where a branch is weak. Above the last τ no term exceeds its k_m τ_m over the
        # distance, which bounds the distance there.
        ceiling = np.append(np.diff(tau), np.sum(weight) / elastic)
        high = np.log(ceiling)
        low = np.log(1e-3 * weight / (elastic + np.sum(self.stiffness) + weight / tau)) - 35.0
        apart = tau[:, None] - tau[None, :]
        for _ in range(70):
            middle = 0.5 * (low + high)
            with np.errstate(divide="ignore"):
                value = elastic - np.sum(weight / (apart + np.exp(middle)[:, None]), axis=1)
            low, high = np.where(value < 0, middle, low), np.where(value < 0, high, middle)
        distance = np.exp(0.5 * (low + high))
        time_s = tau + distance
        with np.errstate(divide="ignore"):
            share = np.sum(weight / (apart + distance[:, None]) ** 2, axis=1)
        return time_s, 1.0 / (time_s * share)

    def to_json(self) -> dict[str, Any]:
        return {
            "relaxation_time_s": self.relaxation_time_s.tolist(),
            "stiffness": self.stiffness.tolist(),
        }


def grid_s(shortest_s: float, longest_s: float, per_decade: float) -> Floats:
    """Relaxation times from `shortest_s` to `longest_s` (s), evenly spaced in their logarithm.

    At least `per_decade` per decade; both ends belong to it. Raises ValueError for no range.
    """
    if not (0 < shortest_s < longest_s < np.inf and 0 < per_decade < np.inf):
        raise ValueError("a spectrum goes from a positive shortest time to a longer one")
    count = 1 + int(np.ceil(per_decade * np.log10(longest_s / shortest_s) - 1e-9))
    return np.geomspace(shortest_s, longest_s, count)


def power_law(
    strength: float, exponent: float, shortest_s: float, longest_s: float, per_decade: float = 4.0
) -> AfterEffect:
    """Branches whose stiffness follows `strength · τ^(−exponent)` per decade, τ in s.

    `strength`: stiffness per decade of relaxation times at τ = 1 s, ≥ 0; 0 ≤ `exponent` < 1.
    Between the ends the torque after a unit step falls as `strength Γ(p) / ln 10 · t^(−p)`, with
    a ripple of at most `ripple(exponent, per_decade)` of it, less `beyond_spring`, what branches
    slower than the longest time would hold. Raises ValueError outside these ranges.
    """
    time_s = grid_s(shortest_s, longest_s, per_decade)
    return AfterEffect(time_s, power_law_stiffness(strength, exponent, time_s)[0])


def logarithmic(
    strength: float, shortest_s: float, longest_s: float, per_decade: float = 4.0
) -> AfterEffect:
    """Branches of equal stiffness: the torque after a unit step falls by `strength` per decade.

    It is `power_law` with exponent 0. Raises ValueError as it does.
    """
    return power_law(strength, 0.0, shortest_s, longest_s, per_decade)


def power_law_stiffness(
    strength: float, exponent: float, time_s: Floats
) -> tuple[Floats, Floats]:
    """Stiffness (m,) of `power_law` on a grid of times (m,), evenly spaced in their logarithm,
    and its derivatives (m, 2) by `strength` and `exponent`.

    Each branch stands for its cell, `Δ log₁₀ τ` wide: the trapezoidal rule over all log τ, whose
    error falls faster than any power of the spacing (see `ripple`).
    """
    time_s = np.asarray(time_s, dtype=float)
    if not (0 <= exponent < 1 and 0 <= strength < np.inf):
        raise ValueError("a power law has a strength ≥ 0 and an exponent from 0 to below 1")
    if time_s.size < 2:
        raise ValueError("a law needs a grid of at least two relaxation times")
    cell = np.log10(time_s[-1] / time_s[0]) / (time_s.size - 1)
    unit = cell * time_s**-exponent
    stiffness = strength * unit
    return stiffness, np.column_stack([unit, -np.log(time_s) * stiffness])


def strength_of(modulus: float, exponent: float) -> float:
    """Strength of the power law whose torque is `modulus · t^(−exponent)`, t in s.

    Inverts `modulus = strength Γ(p) / ln 10`; 0 < `exponent` < 1.
    """
    from math import gamma

    return modulus * float(np.log(10.0)) / gamma(exponent)


def ripple(exponent: float, per_decade: float) -> float:
    """Largest share by which branches on a grid miss the power law that they stand for.

    `2 Σ |Γ(p + 2πi n / h)| / Γ(p)`, h the spacing of ln τ: Poisson's summation formula for the
    trapezoidal rule (L. N. Trefethen & J. A. C. Weideman 2014; derived here). For p = 0 it
    refers to the stiffness per natural logarithm: `2 Σ |Γ(2πi n / h)|`.
    """
    from scipy.special import gamma

    harmonics = 2j * np.pi * np.arange(1, 20) * per_decade / np.log(10.0)
    scale = gamma(exponent) if exponent > 0 else 1.0
    return float(2.0 * np.sum(np.abs(gamma(exponent + harmonics))) / scale)


def beyond_spring(strength: float, exponent: float, time_s: Floats) -> float:
    """Stiffness of all branches slower than the grid `time_s`: they act as a spring until then.

    `∫ H d ln τ` from half a cell above the last time: `strength / (p ln 10) · τ^(−p)`, p > 0
    (for p = 0 it has no end).
    """
    half = 0.5 * np.log(time_s[-1] / time_s[0]) / (len(time_s) - 1)
    edge = float(time_s[-1]) * float(np.exp(half))
    return float(strength / (exponent * np.log(10.0)) * edge**-exponent)
