"""Spectra on a grid of times: Kelvin modes of a creep curve, Prony terms of a relaxation, all ≥ 0.

A curve that creeps is a sum of exponentials with weights ≥ 0 (a fading memory that is passive).
With the times on a grid, evenly spaced in their logarithm, the weights are one convex problem and
need no start (M. Baumgaertel & H. H. Winter 1989 for the modes, J. Honerkamp & J. Weese 1989 for
the smoothness; from memory). The curve is pinned by the readings, single weights are not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.fit.bounded import solve_bounded
from hysteresis.tables import Bools, Floats


@dataclass(frozen=True)
class KelvinSpectrum:
    """Creep compliance `J(t) = at_once + Σ J (1 − e^(−t/λ)) + flow_per_s t`, every part ≥ 0.

    `time_s`, `compliance` (m,): retardation times λ and their J, in the unit of the readings.
    """

    time_s: Floats
    compliance: Floats
    at_once: float
    flow_per_s: float

    def creep(self, t_s: Floats) -> Floats:
        """Compliance `t_s` (s, any shape) after the load came on."""
        t = np.asarray(t_s, dtype=float)
        return self.at_once + creep_columns(t, self.time_s) @ self.compliance + self.flow_per_s * t

    def left(self, t_s: Floats, hold_s: float) -> Floats:
        """What is left `t_s` after a load that lay for `hold_s` was taken off.

        Boltzmann's sum `J(t + T) − J(t)`, without the difference of large numbers.
        """
        t = np.asarray(t_s, dtype=float)
        fading = self.compliance * -np.expm1(-hold_s / self.time_s)
        return np.exp(-t[..., None] / self.time_s) @ fading + self.flow_per_s * hold_s

    def recovered(self, t_s: Floats, hold_s: float) -> Floats:
        """What has come back by then, `J(T) − (J(t + T) − J(t))`: flow never does."""
        t = np.asarray(t_s, dtype=float)
        fading = self.compliance * -np.expm1(-hold_s / self.time_s)
        return np.asarray(self.at_once + creep_columns(t, self.time_s) @ fading)


@dataclass(frozen=True)
class PronySpectrum:
    """Relaxation modulus `G(t) = at_rest + Σ G e^(−t/τ)`, every part ≥ 0.

    `time_s`, `modulus` (m,): relaxation times τ and their G, in the unit of the readings.
    """

    time_s: Floats
    modulus: Floats
    at_rest: float

    def relaxation(self, t_s: Floats) -> Floats:
        """Modulus `t_s` (s, any shape) after a step."""
        return np.asarray(self.at_rest + relaxation_columns(t_s, self.time_s) @ self.modulus)


def creep_columns(t_s: Floats, times_s: Floats) -> Floats:
    """`1 − e^(−t/λ)` for each time of readings (any shape) and mode: (…, m)."""
    return -np.expm1(-np.asarray(t_s, dtype=float)[..., None] / times_s)


def relaxation_columns(t_s: Floats, times_s: Floats) -> Floats:
    """`e^(−t/τ)` for each time of readings (any shape) and mode: (…, m)."""
    return np.asarray(np.exp(-np.asarray(t_s, dtype=float)[..., None] / times_s))


def kelvin_spectrum(
    t_s: Floats,
    compliance: Floats,
    times_s: Floats,
    *,
    sigma: Floats | float = 1.0,
    at_once: bool = True,
    flow: bool = False,
    smoothness: float = 0.0,
) -> KelvinSpectrum:
    """Kelvin modes at `times_s` (m,) that fit a creep curve `compliance` (n,) read at `t_s` (n,).

    `sigma`: standard deviations of the readings (n,) or of all. `at_once`, `flow`: whether there
    is a part that gives way at once, and one that flows. `smoothness`: see `smooth_weights`.
    Raises ValueError where shapes disagree or times are not positive.
    """
    t = np.asarray(t_s, dtype=float)
    matrix = np.column_stack([creep_columns(t, times_s), np.ones_like(t), t])
    x = smooth_weights(
        matrix, compliance, sigma, smoothness, len(times_s), np.array([at_once, flow])
    )
    return KelvinSpectrum(np.asarray(times_s, dtype=float), x[:-2], float(x[-2]), float(x[-1]))


def prony_spectrum(
    t_s: Floats,
    modulus: Floats,
    times_s: Floats,
    *,
    sigma: Floats | float = 1.0,
    at_rest: bool = True,
    smoothness: float = 0.0,
) -> PronySpectrum:
    """Prony terms at `times_s` (m,) that fit a relaxation `modulus` (n,) read at `t_s` (n,).

    `at_rest`: whether a part stays for ever; the rest as in `kelvin_spectrum`.
    """
    t = np.asarray(t_s, dtype=float)
    matrix = np.column_stack([relaxation_columns(t, times_s), np.ones_like(t)])
    x = smooth_weights(matrix, modulus, sigma, smoothness, len(times_s), np.array([at_rest]))
    return PronySpectrum(np.asarray(times_s, dtype=float), x[:-1], float(x[-1]))


def smooth_weights(
    matrix: Floats,
    target: Floats,
    sigma: Floats | float,
    smoothness: float,
    modes: int,
    others: Bools,
) -> Floats:
    """Weights ≥ 0 of the first `modes` columns and of those of the rest that `others` allows.

    `smoothness` ≥ 0 (a pure number): second differences of neighbouring weights are expected to be
    0 with a standard deviation of the mean weight (range of the readings over `modes`) over
    `smoothness`. 0 leaves the readings alone.
    """
    target = np.asarray(target, dtype=float)
    scale = np.broadcast_to(np.asarray(sigma, dtype=float), target.shape)
    if matrix.shape[0] != target.size or modes < 1 or not (scale > 0).all() or smoothness < 0:
        raise ValueError("readings, their times and deviations go together; deviations are > 0")
    used = np.concatenate([np.ones(modes, bool), others])
    rows, aim = matrix[:, used] / scale[:, None], target / scale
    if smoothness > 0 and modes > 2:
        mean = max(float(np.ptp(target)), np.finfo(float).tiny) / modes
        link = np.zeros((modes - 2, rows.shape[1]))
        link[:, :modes] = smoothness / mean * np.diff(np.eye(modes), 2, axis=0)
        rows, aim = np.vstack([rows, link]), np.concatenate([aim, np.zeros(modes - 2)])
    out = np.zeros(matrix.shape[1])
    out[used] = solve_bounded(rows, aim, np.ones(rows.shape[1], bool))
    return out
