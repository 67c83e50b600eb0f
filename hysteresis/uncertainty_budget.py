"""Uncertainty budgets by JCGM 100:2008 (the GUM): components, combined and expanded uncertainty.

Clauses from memory: standard uncertainty of type A (4.2) and type B (4.3), propagation of
independent (5.1.2, equation 10) and correlated inputs (5.2.2, equation 13), expanded uncertainty
(6.2), effective degrees of freedom after Welch and Satterthwaite (G.4, equation G.2b), coverage
factor from the t distribution at the next lower whole number of them (G.6.4).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from hysteresis.degrees_of_freedom import effective_dof
from hysteresis.plain_content import FINITE, PartFault, number, within, word
from hysteresis.tables import Floats

Kind = Literal["A", "B"]
DIVISORS: dict[str, float] = {
    "normal": 1.0,  # the value is a standard deviation already
    "rectangular": math.sqrt(3.0),  # 4.3.7: anywhere within ± the value
    "triangular": math.sqrt(6.0),  # 4.3.9: likelier in the middle
    "u-shaped": math.sqrt(2.0),  # likelier at the ends: what swings like a sine
}
"""Standard uncertainty = value / divisor, by distribution."""
MOST_DOF = 1e6  # more degrees of freedom than so many are told as infinite


@dataclass(frozen=True)
class Component:
    """One source of uncertainty of a measurand.

    `value` is in `unit`: a standard deviation for a normal distribution, half the width for the
    others. `sensitivity` turns the unit into that of the measurand (with its sign). `dof`: degrees
    of freedom of the standard uncertainty, infinite where it is taken as known.
    Raises ValueError for an unknown distribution, a negative value or no degrees of freedom.
    """

    name: str
    words: str
    kind: Kind
    distribution: str
    value: float
    unit: str
    sensitivity: float = 1.0
    dof: float = math.inf

    def __post_init__(self) -> None:
        if self.distribution not in DIVISORS:
            raise ValueError(f"distribution {self.distribution!r} is not known")
        if not (math.isfinite(self.value) and self.value >= 0.0):
            raise ValueError(f"the value of {self.name} is {self.value}: not a width")
        if not math.isfinite(self.sensitivity):
            raise ValueError(f"the sensitivity of {self.name} is {self.sensitivity}")
        if not self.dof > 0.0:
            raise ValueError(f"{self.name} has {self.dof} degrees of freedom")

    @property
    def divisor(self) -> float:
        """Value over standard uncertainty."""
        return DIVISORS[self.distribution]

    @property
    def u(self) -> float:
        """Standard uncertainty in `unit`."""
        return self.value / self.divisor

    @property
    def contribution(self) -> float:
        """|c| u: standard uncertainty that it alone gives the measurand."""
        return abs(self.sensitivity) * self.u


@dataclass(frozen=True)
class Budget:
    """The components of one measurand. `correlations`: coefficients by pair of names, else 0.

    Raises ValueError for names that are not unique or known, or coefficients that belong to no
    distribution at all (a matrix that is not positive semidefinite).
    """

    measurand: str
    unit: str
    components: tuple[Component, ...]
    correlations: tuple[tuple[str, str, float], ...] = ()

    def __post_init__(self) -> None:
        names = [c.name for c in self.components]
        if len(set(names)) < len(names):
            raise ValueError(f"two components of {self.measurand} bear one name")
        for one, other, r in self.correlations:
            if one not in names or other not in names or one == other or not abs(r) <= 1.0:
                raise ValueError(f"correlation {r} of {one} and {other} is none")
        if self.correlations and np.linalg.eigvalsh(self._correlation()).min() < -1e-9:
            raise ValueError(f"the correlations of {self.measurand} contradict each other")

    def _correlation(self) -> Floats:
        place = {c.name: k for k, c in enumerate(self.components)}
        matrix = np.eye(len(self.components))
        for one, other, r in self.correlations:
            matrix[place[one], place[other]] = matrix[place[other], place[one]] = r
        return matrix

    def _signed(self) -> Floats:
        return np.array([c.sensitivity * c.u for c in self.components])

    @property
    def combined(self) -> float:
        """Combined standard uncertainty u_c (equation 13; equation 10 without correlations)."""
        s = self._signed()
        return math.sqrt(max(float(s @ self._correlation() @ s), 0.0))

    def shares(self) -> tuple[float, ...]:
        """Each component's part of u_c², correlations split evenly; they add up to 1."""
        s, whole = self._signed(), self.combined**2
        if whole == 0.0:
            return (0.0,) * len(s)
        return tuple(float(v) for v in s * (self._correlation() @ s) / whole)

    @property
    def effective_dof(self) -> float:
        """ν_eff = u_c⁴ / Σ (|c| u)⁴ / ν (G.2b).

        The formula asks for independent components; those that are correlated with each other
        are taken as one, with the fewest of their degrees of freedom (a choice of ours).
        """
        r, s = self._correlation(), self._signed()
        groups = _joined(np.abs(r) > 0.0)
        dof = np.array([c.dof for c in self.components])
        parts = [
            (math.sqrt(max(float(s[rows] @ r[np.ix_(rows, rows)] @ s[rows]), 0.0)),
             float(dof[rows].min()))
            for rows in groups
        ]  # fmt: skip
        nu = effective_dof(parts)
        return math.inf if nu >= MOST_DOF else nu

    def coverage_factor(self, level: float = 0.95) -> float:
        """k: t quantile of the interval with this probability; ν_eff cut down to a whole number.

        Fewer than one degree of freedom count as one.
        """
        return coverage_factor(self.effective_dof, level)

    def expanded(self, level: float = 0.95) -> float:
        """U = k u_c."""
        return self.coverage_factor(level) * self.combined

    def largest(self) -> Component:
        """The component that contributes most; ValueError without components."""
        return max(self.components, key=lambda c: c.contribution)

    def to_json(self) -> dict[str, Any]:
        """Plain content: what went in, and for the reader what comes out."""
        k, nu = self.coverage_factor(), self.effective_dof
        return {
            "measurand": self.measurand,
            "unit": self.unit,
            "components": [
                {
                    "name": c.name, "words": c.words, "type": c.kind,
                    "distribution": c.distribution, "value": c.value, "unit": c.unit,
                    "sensitivity": c.sensitivity, "dof": _open(c.dof), "divisor": c.divisor,
                    "standard_uncertainty": c.u, "contribution": c.contribution, "share": share,
                }
                for c, share in zip(self.components, self.shares(), strict=True)
            ],
            "correlations": [list(entry) for entry in self.correlations],
            "combined": self.combined,
            "effective_dof": _open(nu),
            "coverage_factor_95": k,
            "expanded_95": k * self.combined,
        }  # fmt: skip


def budget_from_json(data: dict[str, Any]) -> Budget:
    """Read a budget back. Raises `PartFault` naming the part that does not belong there.

    What comes out is computed anew and must agree with the file: a budget that was edited by
    hand in one place only is not believed.
    """
    found = []
    for k, entry in enumerate(_list(data, "components"), 1):
        with within(f"components.{k}"):
            if not isinstance(entry, dict):
                raise PartFault("component", "is not an object with entries")
            dof = entry["dof"]
            found.append(
                Component(
                    name=word(entry, "name"),
                    words=word(entry, "words"),
                    kind="A" if word(entry, "type", ("A", "B")) == "A" else "B",
                    distribution=word(entry, "distribution", DIVISORS),
                    value=number(entry, "value", 0.0, FINITE),
                    unit=word(entry, "unit"),
                    sensitivity=number(entry, "sensitivity", -FINITE, FINITE),
                    dof=math.inf if dof is None else number(entry, "dof", 1e-6, FINITE),
                )
            )
    pairs = []
    for k, entry in enumerate(_list(data, "correlations"), 1):
        with within(f"correlations.{k}"):
            one, other, r = entry
            plain = {"one": one, "other": other, "r": r}
            pairs.append((word(plain, "one"), word(plain, "other"), number(plain, "r", -1.0, 1.0)))
    with within("components"):
        budget = Budget(word(data, "measurand"), word(data, "unit"), tuple(found), tuple(pairs))
    for name, value in (("combined", budget.combined), ("expanded_95", budget.expanded())):
        told = number(data, name, 0.0, FINITE)
        if not math.isclose(told, value, rel_tol=1e-9, abs_tol=1e-300):
            raise PartFault(name, f"is {told:.6g}, but the components give {value:.6g}")
    return budget


def coverage_factor(dof: float, level: float = 0.95) -> float:
    """t quantile for a two-sided interval (G.6.4: at the next lower whole number of `dof`)."""
    from scipy.special import ndtri, stdtrit

    if not 0.0 < level < 1.0:
        raise ValueError(f"a level of confidence lies between 0 and 1, not at {level}")
    p = 0.5 + level / 2.0
    if math.isinf(dof):
        return float(ndtri(p))
    # a hair above: 3.9999999 degrees of freedom are 4 that were rounded
    return float(stdtrit(max(1.0, math.floor(dof * (1.0 + 1e-9))), p))


def mean_of(readings: Floats) -> tuple[float, float, float]:
    """Mean, its standard uncertainty s/√n and degrees of freedom n - 1 (4.2.3); n >= 2."""
    values = np.asarray(readings, float)
    if values.ndim != 1 or len(values) < 2 or not np.isfinite(values).all():
        raise ValueError("two finite readings or more are needed")
    n = len(values)
    return float(values.mean()), float(values.std(ddof=1) / np.sqrt(n)), float(n - 1)


def propagated(
    function: Callable[[Floats], Any], values: Floats, covariance: Floats
) -> tuple[Floats, Floats, Floats]:
    """Value(s) of a function of uncertain inputs, their covariance, and the sensitivities.

    To first order (5.2.2): C_y = J C_x Jᵀ, the derivatives J by central differences over a
    thousandth of each standard uncertainty, whose own error is of the third derivative's order
    (relative 1e-6 of the curvature over one u) and therefore nothing beside the first order.

    Parameters
    ----------
    function : (n,) inputs to a number or (m,) numbers. values : (n,). covariance : (n, n).

    Returns value (m,), covariance (m, m), J (m, n).
    """
    x, c = np.asarray(values, float), np.asarray(covariance, float)
    if c.shape != (len(x), len(x)) or not np.allclose(c, c.T, rtol=1e-9, atol=0.0):
        raise ValueError("the covariance is not symmetric of the inputs' size")
    y = np.atleast_1d(np.asarray(function(x), float))
    slopes = np.zeros((len(y), len(x)))
    for k, u in enumerate(np.sqrt(np.diag(c))):
        if u == 0.0:
            continue
        step = np.zeros(len(x))
        step[k] = max(1e-3 * u, 1e-7 * abs(x[k]))
        ahead, behind = x + step, x - step
        rise = np.atleast_1d(function(ahead)) - np.atleast_1d(function(behind))
        slopes[:, k] = rise / (ahead[k] - behind[k])
    return y, slopes @ c @ slopes.T, slopes


def _joined(linked: Any) -> list[list[int]]:
    """Groups of indices that hang together."""
    left, groups = set(range(len(linked))), []
    while left:
        group, ahead = [], [left.pop()]
        while ahead:
            at = ahead.pop()
            group.append(at)
            near = {j for j in left if linked[at][j]}
            left -= near
            ahead += near
        groups.append(sorted(group))
    return groups


def _open(dof: float) -> float | None:
    return None if math.isinf(dof) else dof


def _list(data: dict[str, Any], name: str) -> list[Any]:
    value = data.get(name) if isinstance(data, dict) else None
    if not isinstance(value, list):
        raise PartFault(name, "is not a list")
    return value


__all__ = [
    "DIVISORS",
    "Budget",
    "Component",
    "budget_from_json",
    "coverage_factor",
    "mean_of",
    "propagated",
]
