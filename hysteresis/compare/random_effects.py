"""Mean of a design over its units, and how far units and runs scatter: one-way random effects.

Model: value of run j of unit i = μ + bᵢ + wᵢⱼ + eᵢⱼ, with bᵢ ~ N(0, τ_b²) between units,
wᵢⱼ ~ N(0, τ_w²) between runs of one unit, and eᵢⱼ ~ N(0, uᵢⱼ²) of the known standard uncertainty
of each run. Runs of one unit are no replicates of the design: the degrees of freedom are those of
the units.

τ_b and τ_w by restricted maximum likelihood (Patterson and Thompson, Biometrika 58 (1971) 545;
with known uᵢⱼ as in random-effects meta-analysis, Viechtbauer, J. Educ. Behav. Stat. 30 (2005)
261). In a balanced design whose estimates are above zero it equals the classical estimator from
mean squares (Searle, Casella and McCulloch, Variance Components, 1992, 4.5; from memory). The
standard error of the mean is that of Hartung and Knapp (Stat. Med. 20 (2001) 3875) with k − 1
degrees of freedom, never less than the one without their factor (Röver, Knapp and Friede, BMC
Med. Res. Methodol. 15:99 (2015)): for equal uncertainties it is s/√k with Student's t, for few
units that agree by chance it does not promise more than the measurement can.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.tables import Floats, Ints

LEAST = 1e-9  # of the values' spread: less counts as no uncertainty


@dataclass(frozen=True)
class Effects:
    """Result for one design: `mean`, standard error `u` with `dof`; variances on the same scale.

    `unit_values`, `unit_u` (k,): mean of each unit's runs and its standard uncertainty (within
    the unit and of measurement, not between units). `between`, `within`: standard deviations τ_b
    and τ_w; NaN where there is one unit, or no unit with two runs.
    """

    mean: float
    u: float
    dof: float
    between: float
    within: float
    unit_values: Floats
    unit_u: Floats


def random_effects(values: Floats, u: Floats, unit: Ints) -> Effects:
    """Fit the model of this file.

    `values`, `u` (n,): the runs' values and standard uncertainties, on one scale. `unit` (n,):
    number of the unit of each run, 0 … k − 1. With one unit `u` of the mean is that of the unit
    alone and `dof` is 0: nothing is known of other units.
    """
    middle = float(np.mean(values))
    y = values - middle
    spread = float(np.ptp(y)) or float(np.max(u)) or 1.0
    v = np.maximum(u, LEAST * spread) ** 2
    k = int(unit.max()) + 1
    repeated = len(y) > k
    if k == 1:
        tau_b, tau_w = 0.0, _within_one(y, v)
    elif not repeated:
        tau_b, tau_w = _between_alone(y, v), 0.0
    else:
        tau_b, tau_w = _both(y, v, unit, k)
    weight = 1.0 / (v + tau_w**2)
    total = np.bincount(unit, weight, k)
    means = np.bincount(unit, weight * y, k) / total
    own = 1.0 / total  # variance of a unit's mean about its true value
    w = 1.0 / (tau_b**2 + own)
    mean = float(w @ means / w.sum())
    square = 1.0 / w.sum()
    if k > 1:
        square *= max(1.0, float(w @ (means - mean) ** 2) / (k - 1))
    return Effects(
        mean=middle + mean,
        u=float(np.sqrt(square)),
        dof=float(k - 1),
        between=tau_b if k > 1 else float("nan"),
        within=tau_w if repeated else float("nan"),
        unit_values=middle + means,
        unit_u=np.sqrt(own),
    )


def _within_one(y: Floats, v: Floats) -> float:
    """Spread of the runs of a single unit beyond their uncertainty."""
    return 0.0 if len(y) < 2 else _between_alone(y, v)


def _between_alone(y: Floats, v: Floats) -> float:
    """τ of independent values with known variances `v`, by restricted maximum likelihood."""
    from scipy.optimize import minimize_scalar

    if float(np.ptp(v)) <= 1e-12 * float(v.max()):  # equal ones: in closed form
        return float(np.sqrt(max(0.0, float(np.var(y, ddof=1)) - float(v[0]))))

    def loss(tau: float) -> float:
        w = 1.0 / (v + tau**2)
        mean = w @ y / w.sum()
        return float(np.log(w.sum()) - np.log(w).sum() + w @ (y - mean) ** 2)

    most = 3.0 * float(np.std(y, ddof=1)) + 1e-300
    found = minimize_scalar(loss, bounds=(0.0, most), method="bounded",
                            options={"xatol": 1e-9 * most})  # fmt: skip
    tau = float(found.x)
    return tau if tau > 1e-5 * most and loss(tau) < loss(0.0) else 0.0


def _both(y: Floats, v: Floats, unit: Ints, k: int) -> tuple[float, float]:
    """τ_b and τ_w by restricted maximum likelihood; blocks are inverted in closed form."""
    from scipy.optimize import minimize

    spread = float(np.std(y, ddof=1)) or float(np.sqrt(v.max()))

    def loss(taus: Floats) -> float:
        # standard deviations as unknowns, so that zero is an ordinary point
        b2, w2 = float(taus[0]) ** 2, float(taus[1]) ** 2 + (LEAST * spread) ** 2
        w = 1.0 / (v + w2)
        s, t = np.bincount(unit, w, k), np.bincount(unit, w * y, k)
        shrink = 1.0 / (1.0 + b2 * s)
        a, b = float(s @ shrink), float(t @ shrink)
        square = float(w @ y**2) - b2 * float(t**2 @ shrink) - b * b / a
        return float(-np.log(w).sum() - np.log(shrink).sum() + np.log(a) + square)

    best: tuple[float, Floats] | None = None
    for start in ((0.7, 0.7), (0.2, 1.0), (1.0, 0.2)):
        found = minimize(
            loss, spread * np.array(start), method="Nelder-Mead",
            options={"xatol": 1e-8 * spread, "fatol": 1e-12, "maxiter": 800},
        )  # fmt: skip
        if best is None or found.fun < best[0] - 1e-10:
            best = (float(found.fun), np.abs(found.x))
    assert best is not None
    taus = [0.0 if tau < 1e-5 * spread else float(tau) for tau in best[1]]
    return taus[0], taus[1]
