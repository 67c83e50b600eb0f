"""Preisach planes from first-order reversal curves: by differences, and by fitting the curves.

A first-order reversal curve starts from saturation, goes back to a reversal and returns. A family
of them with reversals all over the range determines a Preisach plane (Mayergoyz, Mathematical
Models of Hysteresis, from memory). Two ways:

* `mixed_difference`: the density is a second derivative of the curves, which magnifies noise;
* `fit_plane`: masses ≥ 0 of the cells that reproduce the curves, with a weight on smoothness that
  `choose_plane` picks by curves held out whole. Its predictions, not its density, are judged.

Curves may be a response to a drive (sense `LAGS`) or a torque at an angle (sense `RESISTS`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hysteresis.errors import DataError
from hysteresis.fit.bounded import compress, solve_bounded
from hysteresis.operators.preisach import (
    CAPACITY,
    LAGS,
    cell_indices,
    checked_nodes,
    path_columns,
)
from hysteresis.tables import Floats, Ints

FEWEST_POINTS = 8  # of a local fit with its six coefficients


@dataclass(frozen=True)
class Curve:
    """One reversal curve: `value` at `at`, from the reversal `at[0]` back to the side it came from.

    `at` rises strictly (it came from above) or falls strictly. Units are the caller's; one point
    is enough. Raises ValueError where the arrays disagree.
    """

    at: Floats
    value: Floats

    def __post_init__(self) -> None:
        at, value = (np.ascontiguousarray(v, dtype=float) for v in (self.at, self.value))
        if at.ndim != 1 or at.shape != value.shape or at.size == 0:
            raise ValueError("at and value are two lists of equal length")
        step = np.diff(at)
        if not (np.all(step > 0) or np.all(step < 0)):
            raise ValueError("a reversal curve runs one way")
        object.__setattr__(self, "at", at)
        object.__setattr__(self, "value", value)

    @property
    def from_side(self) -> float:
        """Side of saturation it came from: +1 above, -1 below."""
        return -1.0 if self.at.size > 1 and self.at[1] < self.at[0] else 1.0


@dataclass(frozen=True)
class Density:
    """Density at the measured points: arrays (points,); NaN where too few points lie around."""

    reversal: Floats
    at: Floats
    density: Floats


def mixed_difference(curves: Sequence[Curve], smoothing: int) -> Density:
    """Density `−½ ∂²value/∂reversal ∂at` by a local quadratic fit over (2·smoothing+1)² points.

    Pike, Roberts & Verosub, J. Appl. Phys. 85 (1999) 6660, from memory: the curves of the
    neighbouring reversals, and on each the points next in `at`. A curve's own points stop at its
    reversal, so on the diagonal the fit is one-sided. Mass per area of a plane of sense `LAGS`
    is twice this density, as a pair that switches changes the response by its mass, and minus
    twice for `RESISTS`. Curves from below carry it with the other sign, which is seen to; all
    must come from the same side.

    Raises ValueError for a smoothing below 1 or mixed sides.
    """
    if smoothing < 1:
        raise ValueError("smoothing is 1 or more")
    sides = {c.from_side for c in curves if c.at.size > 1}
    if len(sides) > 1:
        raise ValueError("curves of one family come from the same side")
    side = sides.pop() if sides else 1.0
    family = sorted(curves, key=lambda c: float(c.at[0]))
    reversal, at, density = [], [], []
    for k, curve in enumerate(family):
        around = family[max(0, k - smoothing) : k + smoothing + 1]
        for h in curve.at:
            points = [(c.at[0], *_nearest(c, h, smoothing)) for c in around]
            x = np.concatenate([np.full(p[1].size, p[0]) for p in points])
            y = np.concatenate([p[1] for p in points])
            value = np.concatenate([p[2] for p in points])
            reversal.append(curve.at[0])
            at.append(h)
            density.append(-0.5 * side * _mixed_term(x - curve.at[0], y - h, value))
    return Density(np.array(reversal), np.array(at), np.array(density))


def _nearest(curve: Curve, h: float, smoothing: int) -> tuple[Floats, Floats]:
    """Points of a curve around `h`: up to `smoothing` on either side of the nearest."""
    order = 1 if curve.from_side > 0 else -1
    at, value = curve.at[::order], curve.value[::order]
    n = int(np.clip(np.searchsorted(at, h), 1, at.size - 1)) if at.size > 1 else 0
    if n and h - at[n - 1] < at[n] - h:
        n -= 1
    # a curve that ends short of the window has its points there, not further off
    pitch = abs(at[-1] - at[0]) / max(1, at.size - 1)
    near = np.flatnonzero(np.abs(at - h) <= (smoothing + 0.5) * pitch) if pitch > 0 else [n]
    chosen = np.intersect1d(near, np.arange(n - smoothing, n + smoothing + 1))
    return at[chosen], value[chosen]


def _mixed_term(x: Floats, y: Floats, value: Floats) -> float:
    """Coefficient of x y of the quadratic through the points; NaN where they do not carry it."""
    if x.size < FEWEST_POINTS:
        return float("nan")
    wide, high = np.abs(x).max(), np.abs(y).max()
    if wide == 0 or high == 0:
        return float("nan")
    u, v = x / wide, y / high
    basis = np.column_stack([np.ones(u.size), u, v, u * u, v * v, u * v])
    answer, _, rank, _ = np.linalg.lstsq(basis, value, rcond=1e-10)
    return float(answer[5] / (wide * high)) if rank == 6 else float("nan")


@dataclass(frozen=True)
class PlaneFit:
    """A Preisach plane fitted to curves, beside a one-valued part.

    `node` (N+1,), `mass` (N(N+1)/2,) ≥ 0 as in `operators.preisach`; `rise` (N,) ≥ 0 is the
    one-valued rise of the value over each cell of `node`, `offset` the value at 0 in the
    demagnetised state. `weight` is that of smoothness, `rms` the error on the fitted curves.
    """

    node: Floats
    mass: Floats
    rise: Floats
    offset: float
    sense: float
    weight: float
    rms: float

    def value(self, curve_at: Floats, from_side: float = 1.0) -> Floats:
        """Value along a path from saturation on `from_side` (+1: above, -1: below)."""
        columns = _columns(self.node, curve_at, from_side, self.sense)
        return columns @ np.concatenate([self.mass, self.rise, [self.offset]])

    def errors(self, curves: Sequence[Curve]) -> Floats:
        """Fitted minus measured value at every point of the curves, one after the other."""
        return np.concatenate([self.value(c.at, c.from_side) - c.value for c in curves])


def graded_nodes(top: float, levels: int, even: float = 0.2) -> Floats:
    """Nodes for `levels` cells (even number) of ±`top`, closer together near 0.

    A share `even` of the distances is uniform, the rest grows in proportion to the angle.
    """
    u = np.linspace(-1.0, 1.0, levels + 1)
    return checked_nodes(top * u * (even + (1.0 - even) * np.abs(u)))


def fit_plane(
    curves: Sequence[Curve], node: Floats, weight: float, sense: float = LAGS
) -> PlaneFit:
    """Masses and one-valued rises ≥ 0 that reproduce the curves: linear least squares.

    `weight` multiplies the second differences of the density over neighbouring cells, and those
    of the one-valued slope; at 1 they count as much as the readings (equal Frobenius norms).

    Raises DataError where all curves have one reversal, ValueError for a weight ≤ 0.
    """
    node, matrix, target, _ = _rows(curves, node, sense)
    return _fitted(node, matrix, target, weight, sense)


def choose_plane(
    curves: Sequence[Curve],
    node: Floats,
    weights: Sequence[float],
    sense: float = LAGS,
    folds: int = 3,
) -> PlaneFit:
    """`fit_plane` with the weight whose fits best foretell held-out curves (mean square).

    Whole curves are held out, every `folds`-th in the order given, since the points of one curve
    share their reversal. Raises DataError where there are fewer curves than folds, and as
    `fit_plane` does.
    """
    if folds < 2:
        raise ValueError("two folds or more")
    if len(curves) < 2 * folds:
        raise DataError(
            f"{len(curves)} reversal curves are too few to hold some of them out; measure "
            f"{2 * folds} or more, or give the weight"
        )
    node, matrix, target, number = _rows(curves, node, sense)
    square = np.zeros(len(weights))
    for fold in range(folds):
        out = number % folds == fold
        for k, x in enumerate(_unknowns(node, matrix[~out], target[~out], weights)):
            square[k] += np.sum((matrix[out] @ x - target[out]) ** 2)
    return _fitted(node, matrix, target, weights[int(np.argmin(square))], sense)


def _fitted(
    node: Floats, matrix: Floats, target: Floats, weight: float, sense: float
) -> PlaneFit:
    (x,) = _unknowns(node, matrix, target, [weight])
    rms = float(np.sqrt(np.mean((matrix @ x - target) ** 2)))
    n = node.size - 1
    return PlaneFit(node, x[: -n - 1], x[-n - 1 : -1], float(x[-1]), sense, float(weight), rms)


def _columns(node: Floats, at: Floats, from_side: float, sense: float) -> Floats:
    """Derivatives of the value along a path from saturation by masses, rises and offset."""
    start = np.zeros(2 + CAPACITY)
    start[0] = from_side * node[-1]
    inside = np.clip((at[:, None] - node[:-1]) / np.diff(node), 0.0, 1.0)
    inside -= node[:-1] < 0  # the rise counts from angle 0
    return np.hstack([path_columns(node, at, sense, start), inside, np.ones((at.size, 1))])


def _rows(
    curves: Sequence[Curve], node: Floats, sense: float
) -> tuple[Floats, Floats, Floats, Ints]:
    """Nodes, the matrix of the linear problem, the values, and the number of each row's curve."""
    node = checked_nodes(node)
    if len({float(c.at[0]) for c in curves}) < 2:
        raise DataError(
            "the curves have one and the same reversal, which says nothing about a plane; "
            "measure curves from several reversals"
        )
    matrix = np.vstack([_columns(node, c.at, c.from_side, sense) for c in curves])
    number = np.concatenate([np.full(c.at.size, k) for k, c in enumerate(curves)])
    return node, matrix, np.concatenate([c.value for c in curves]), number


def _unknowns(
    node: Floats, matrix: Floats, target: Floats, weights: Sequence[float]
) -> list[Floats]:
    """Masses, rises and offset for each weight."""
    if not all(w > 0 and np.isfinite(w) for w in weights):
        raise ValueError("a weight of smoothness is positive")
    n = node.size - 1
    cells = n * (n + 1) // 2
    plane_rows, line_rows = _smoothness(node)
    plane_rows *= np.linalg.norm(matrix[:, :cells]) / np.linalg.norm(plane_rows)
    line_rows *= np.linalg.norm(matrix[:, cells:-1]) / np.linalg.norm(line_rows)
    penalty = np.zeros((len(plane_rows) + len(line_rows), cells + n + 1))
    penalty[: len(plane_rows), :cells] = plane_rows
    penalty[len(plane_rows) :, cells:-1] = line_rows
    r, rotated, _ = compress(matrix, target)
    smooth, zero, _ = compress(penalty, np.zeros(len(penalty)))
    not_negative = np.arange(cells + n + 1) < cells + n
    return [
        solve_bounded(np.vstack([r, w * smooth]), np.concatenate([rotated, zero]), not_negative)
        for w in weights
    ]


def _smoothness(node: Floats) -> tuple[Floats, Floats]:
    """Second differences of the density along both axes of the plane, and of the slope.

    In terms of masses and rises; those of the plane weighted with the root of a cell's area, so
    that their square sum approaches the integral of the squared second derivative.
    """
    n = node.size - 1
    wide = np.diff(node)
    middle = (node[1:] + node[:-1]) / 2
    before, after = np.diff(middle)[:-1], np.diff(middle)[1:]
    second = np.zeros((n - 2, n))  # second difference at cell k + 1 of the axis
    k = np.arange(n - 2)
    second[k, k] = 2 / (before * (before + after))
    second[k, k + 1] = -2 / (before * after)
    second[k, k + 2] = 2 / (after * (before + after))
    i, j = cell_indices(n)
    area = wide[i] * wide[j] * np.where(i == j, 0.5, 1.0)
    place = np.full((n, n), -1)
    place[i, j] = np.arange(i.size)
    rows = []
    for fixed in range(n):
        for m in k:
            for cells in (place[fixed, m : m + 3], place[m : m + 3, fixed]):
                if np.all(cells >= 0):
                    row = np.zeros(i.size)
                    row[cells] = second[m, m : m + 3] / area[cells] * np.sqrt(area[cells[1]])
                    rows.append(row)
    return np.reshape(np.array(rows), (-1, i.size)), second / wide
