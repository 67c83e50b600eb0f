"""Preisach memory: friction whose loops need not be alike at every amplitude and place."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar

import numpy as np

from hysteresis.tables import Floats

CAPACITY = 200  # reversals that are kept; see kernels.everett for what a full stack does
LAGS, RESISTS = 1.0, -1.0  # response to a drive; torque of a spring with friction


@dataclass(frozen=True)
class Plane:
    """Cells of the half plane a ≥ b of switching pairs, for a picture: edges and density.

    All of shape (cells,), angles in full scale. On the diagonal a cell is the triangle a ≥ b.
    """

    a_low: Floats
    a_high: Floats
    b_low: Floats
    b_high: Floats
    density: Floats


def cell_indices(levels: int) -> tuple[np.ndarray, np.ndarray]:
    """Row i (switches up) and column j ≤ i (switches down) of each of levels (levels+1)/2 cells."""
    return np.tril_indices(levels)


def plane(node: Floats, mass: Floats) -> Plane:
    """Edges and density of every cell, mass over area."""
    i, j = cell_indices(node.size - 1)
    area = (node[i + 1] - node[i]) * (node[j + 1] - node[j]) * np.where(i == j, 0.5, 1.0)
    return Plane(node[i], node[i + 1], node[j], node[j + 1], mass / area)


def checked_nodes(node: Floats) -> Floats:
    """Nodes made symmetric to the last bit.

    Raises ValueError unless they rise strictly, mirror each other about 0 and hold 0 itself.
    """
    node = np.ascontiguousarray(node, dtype=float)
    if node.ndim != 1 or node.size < 3 or node.size % 2 == 0:
        raise ValueError("nodes are a list of an odd number of angles, three or more")
    if not (np.all(np.isfinite(node)) and np.all(np.diff(node) > 0)):
        raise ValueError("nodes are finite and rise strictly")
    even = (node - node[::-1]) / 2
    if np.max(np.abs(even - node)) > 1e-9 * node[-1]:
        raise ValueError("nodes mirror each other about 0")
    return even


def kernel_shape(node: Floats, mass: Floats, sense: float, capacity: int = CAPACITY) -> Floats:
    """The tables that `kernels.everett` reads, from nodes (N+1,) and masses (N(N+1)/2,)."""
    n = node.size - 1
    m = np.zeros((n, n))
    m[cell_indices(n)] = mass
    diagonal = np.diag(m)
    table = np.zeros((n + 1, n + 1))  # all mass with a below node i and b above node j
    table[1:, :-1] = np.cumsum(np.cumsum(m, axis=0)[:, ::-1], axis=1)[:, ::-1]
    table = np.tril(table)
    anti = np.diag(m[::-1])[::-1]  # anti[i] = m[i, n - 1 - i], 0 above the diagonal
    mirror = np.arange(n)[::-1]
    upper = np.arange(n) >= n // 2
    linear = np.zeros(n)
    for k in range(n):
        low, high = sorted((k, int(mirror[k])))
        inner = m[k, low + 1 : k] if upper[k] else m[k + 1 : high, k]
        linear[k] = inner.sum()
    square = diagonal + 0.5 * np.where(upper, anti, anti[::-1])
    own = np.zeros(n)
    if sense < 0:
        own = m.sum(axis=0) + m.sum(axis=1)
        road = np.concatenate([[0.0], np.cumsum(own)])
        table = np.tril(road[:, None] - road[None, :] - table)
        linear, square, diagonal = own - linear, -square, -diagonal
    curve = np.concatenate([[0.0], np.cumsum(linear + square)])
    curve -= curve[n // 2]
    return np.concatenate(
        [
            [n, capacity, sense], node, own, diagonal, curve, linear, square, table.ravel(),
        ]
    )  # fmt: skip


@dataclass(frozen=True)
class Preisach:
    """Friction torque on a Preisach plane: switching pairs spread over cells of the angle.

    `node` (N+1,): angles in full scale that bound the cells, symmetric about 0, N even, evenly
    spaced or graded. `mass` (N(N+1)/2,) ≥ 0 in units of drive, in the order (0,0), (1,0),
    (1,1), (2,0), …; the first index is the cell of the upper angle. For mass at (a, b) the torque
    rises by it at b on the way up and falls by it at a on the way down, so that a cycle over both
    takes mass × (a − b). Mass k per full scale along a − b = 2r is a stop of stiffness k and
    limit r, and a spring of stiffness k beside it. Rest is the demagnetised state, torque 0.

    Raises ValueError where the arrays disagree or a mass is negative: then a closed cycle could
    create energy. Beyond the outer nodes the torque is constant.
    """

    node: Floats
    mass: Floats
    kind: ClassVar[int] = 1

    def __post_init__(self) -> None:
        node = checked_nodes(self.node)
        mass = np.ascontiguousarray(self.mass, dtype=float)
        if mass.shape != (node.size * (node.size - 1) // 2,):
            raise ValueError("N cells of the angle have N (N + 1) / 2 masses")
        if np.any(mass < 0) or not np.all(np.isfinite(mass)):
            raise ValueError("masses are finite and not negative")
        object.__setattr__(self, "node", node)
        object.__setattr__(self, "mass", mass)

    def rest(self) -> Floats:
        """Angle 0, number of reversals that matter (0: demagnetised), and room for them."""
        return np.zeros(2 + CAPACITY)

    @cached_property
    def _shape(self) -> Floats:
        """Made once, since nothing in it can change."""
        return kernel_shape(self.node, self.mass, RESISTS)

    def shape(self) -> Floats:
        """What the kernels take, to be read only; see `kernels.everett`."""
        return self._shape

    def torque(self, theta: Floats, step_s: Floats, state: Floats) -> tuple[Floats, Floats]:
        theta = np.ascontiguousarray(theta, dtype=float)
        after = np.array(state, dtype=float)
        return path_values(self.shape(), theta, after), after

    def tangent(self, theta: float, step_s: float, state: Floats) -> float:
        from hysteresis.kernels import memory

        shape = self.shape()
        work = np.empty(memory.work_size(self.kind, shape))
        return float(
            memory.tangent_at(
                self.kind, shape, float(theta), float(state[0]), np.array(state[1:]), work
            )
        )

    @property
    def unknowns(self) -> int:
        """Parameters by which the kernels differentiate: the masses."""
        return int(self.mass.size)

    def small_signal_stiffness(self) -> float:
        """Largest stiffness anywhere, that of a motion right after a reversal."""
        n = self.node.size - 1
        own = self.shape()[3 + n + 1 : 3 + 2 * n + 1]
        return float(np.max(own / np.diff(self.node)))

    def lagging_stiffness(self) -> float:
        """The part of `small_signal_stiffness` that a swing loses as it goes on: half of it.

        Turning back meets the mass of the row and of the column of the angle. A swing over the
        whole plane has lost the row when it goes up and the column when it goes down, on the
        average of both ways half. For a stop on the plane (see above) that is the stop's own
        stiffness; the other half is the spring beside it.
        """
        return 0.5 * self.small_signal_stiffness()

    def everett(self, alpha: Floats, beta: Floats) -> Floats:
        """Fall of the torque on the way from `alpha` down to `beta` ≤ alpha (full scale)."""
        return everett_function(self.shape(), alpha, beta)

    def density_plane(self) -> Plane:
        """Cells with their density (units of drive per full scale squared), for a picture."""
        return plane(self.node, self.mass)

    def columns(self, theta: Floats, state: Floats | None = None) -> Floats:
        """Derivative of the torque by each mass along a path, shape (samples, cells).

        From rest, or from a `state` as `torque` returns it. The torque is linear in the masses:
        `columns(theta) @ mass` is the torque.
        """
        return path_columns(self.node, theta, RESISTS, state)

    def to_json(self) -> dict[str, Any]:
        return {"node": self.node.tolist(), "mass": self.mass.tolist()}


def everett_function(shape: Floats, alpha: Floats, beta: Floats) -> Floats:
    """E(alpha, beta) from a kernel's tables; angles outside the grid count as its edge."""
    from hysteresis.kernels import everett

    n = int(shape[0])
    node = shape[everett.HEAD : everett.HEAD + n + 1]
    a, b = np.broadcast_arrays(
        *(np.clip(np.asarray(v, dtype=float), node[0], node[-1]) for v in (alpha, beta))
    )
    if np.any(b > a):
        raise ValueError("beta is not above alpha")
    cells = [np.clip(np.searchsorted(node, v, side="right") - 1, 0, n - 1) for v in (a, b)]
    out = [
        everett.everett(shape, p, i, q, j)[0]
        for p, i, q, j in zip(a.flat, cells[0].flat, b.flat, cells[1].flat, strict=True)
    ]
    return np.reshape(np.array(out), a.shape)


def path_values(shape: Floats, theta: Floats, state: Floats) -> Floats:
    """Output along a path from a kernel's tables; `state` (angle, reversals) is updated."""
    from hysteresis.kernels import memory

    work = np.empty(memory.work_size(Preisach.kind, shape))
    value: Floats = memory.torque_path(Preisach.kind, shape, theta, state[0], state[1:], work)
    if theta.size:
        state[0] = theta[-1]
    return value


def path_columns(
    node: Floats, theta: Floats, sense: float, state: Floats | None = None
) -> Floats:
    """Derivative of the output by each mass along a path, shape (samples, cells).

    `sense`: RESISTS for a torque, LAGS for a response. From rest, or from `state` (last angle,
    number of reversals, reversals from the outermost).
    """
    from hysteresis.kernels import everett, everett_slopes

    node = checked_nodes(node)
    theta = np.ascontiguousarray(theta, dtype=float)
    cells = node.size * (node.size - 1) // 2
    shape = kernel_shape(node, np.zeros(cells), sense)
    start = np.zeros(2 + CAPACITY) if state is None else np.array(state, dtype=float)
    work = np.zeros(everett.work_size(shape))
    carry = np.zeros((everett_slopes.carry_rows(shape), cells))
    out = np.empty((theta.size, cells))
    everett_slopes.columns(shape, theta, start[0], start[1:], work, carry, out)
    return out
