"""Marks numbered from neighbour to neighbour: the lattice that the target's blobs form.

The ellipse of a mark is how the view squeezes a circle there. Straightened by it, its neighbours
stand one pitch away, whatever the tilt.
"""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np

from hysteresis.measure.target_blobs import Blobs
from hysteresis.measure.view_fit import fit_homography_of_many
from hysteresis.tables import Floats, Ints
from hysteresis.target import DOT, RING


def lattice_of(blobs: Blobs) -> tuple[Ints, Ints]:
    """Rows of the blobs that form the largest lattice, and lattice numbers (n, 2) for them."""
    nothing = np.empty(0, int), np.empty((0, 2), int)
    if len(blobs) < 5:
        return nothing
    straight = _straightening(blobs)
    near = _neighbours(blobs, straight)
    order = np.argsort([-len(rows) for rows in near], kind="stable")
    done = np.zeros(len(blobs), dtype=bool)
    best = nothing
    for start in order[:40].tolist():
        if done[start] or len(near[start]) < 2:
            continue
        rows, places = _grown(blobs, straight, near, start)
        done[rows] = True
        if len(rows) > len(best[0]):
            best = rows, places
        if len(best[0]) > 0.6 * len(blobs):
            break
    return best


def _straightening(blobs: Blobs) -> Floats:
    """For each blob the matrix (2, 2) that turns px differences into pitches.

    A disc of radius r has the covariance r² / 4: the ellipse's root, scaled, undoes the view.
    """
    radius = np.where(blobs.ring, RING, DOT)
    value, vector = np.linalg.eigh(blobs.spread)
    root = vector / np.sqrt(value)[:, None, :] @ np.swapaxes(vector, 1, 2)
    return np.asarray(root * (radius / 2.0)[:, None, None])


def _neighbours(blobs: Blobs, straight: Floats) -> list[list[int]]:
    """For each blob those about one pitch away from it, as both of them see it, nearest first."""
    difference = blobs.px[None, :, :] - blobs.px[:, None, :]
    own = np.linalg.norm(np.einsum("kab,kqb->kqa", straight, difference), axis=2)
    # a ring whose hole is lost in blur passes for a large dot, and so sees all of them closer
    least = np.where(blobs.ring, 0.72, 0.72 * DOT / RING)[:, None]
    near = (own > least) & (own < 1.25)
    near &= near.T
    return [
        row[np.argsort(own[k, row])].tolist() for k, row in enumerate(map(np.flatnonzero, near))
    ]


def _grown(blobs: Blobs, straight: Floats, near: list[list[int]], start: int) -> tuple[Ints, Ints]:
    """Numbers from neighbour to neighbour, each step along the axes the last mark had."""
    first = blobs.px[near[start][0]] - blobs.px[start]
    ahead = straight[start] @ first
    aside = np.linalg.solve(straight[start], np.array([-ahead[1], ahead[0]]))
    axes = {start: (first, aside)}
    place = {start: (0, 0)}
    taken = {(0, 0): start}
    queue = deque([start])
    while queue:
        k = queue.popleft()
        a, b = axes[k]
        i, j = place[k]
        for q in near[k]:
            if q in place:
                continue
            step = blobs.px[q] - blobs.px[k]
            part = np.linalg.solve(np.column_stack([a, b]), step)
            whole = np.round(part).astype(int)
            if np.abs(whole).sum() != 1 or np.abs(part - whole).max() > 0.3:
                continue
            there = (i + int(whole[0]), j + int(whole[1]))
            if there in taken:
                continue
            place[q], taken[there] = there, q
            along = step * int(whole.sum())
            axes[q] = (along, b) if whole[0] else (a, along)
            # the axis not stepped along is turned and stretched as the mark's own ellipse is
            axes[q] = _refreshed(straight[k], straight[q], axes[q], bool(whole[0]))
            queue.append(q)
    rows = np.array(list(place), dtype=int)
    return rows, np.array([place[int(k)] for k in rows], dtype=int)


def _refreshed(
    here: Floats, there: Floats, axes: tuple[Floats, Floats], first: bool
) -> tuple[Floats, Floats]:
    """Axes in which the one that was not stepped along stands square to the other, straightened."""
    along, aside = axes if first else axes[::-1]
    ahead, old = there @ along, there @ aside
    square = np.array([-ahead[1], ahead[0]])
    if square @ old < 0.0:
        square = -square
    turned = np.linalg.solve(there, square / max(float(np.linalg.norm(square)), 1e-12))
    # between the old one and the square one: noise of small ellipses, distortion of large ones
    turned = (turned + aside) / 2.0
    return (along, turned) if first else (turned, along)


def extended(blobs: Blobs, rows: Ints, places: Ints) -> tuple[Ints, Ints]:
    """Marks beyond gaps, numbered by a smooth map from the numbered ones; misfits are dropped."""
    for _ in range(3):
        if len(rows) < 8:
            return rows, places
        back = fit_homography_of_many(blobs.px[rows], places.astype(float))
        own = np.column_stack(back.apply(*blobs.px[rows].T)) - places
        fits = np.linalg.norm(own, axis=1) < max(0.15, 4.0 * float(np.median(np.abs(own))))
        rows, places = rows[fits], places[fits]
        at = np.column_stack(back.apply(*blobs.px.T))
        whole = np.round(at).astype(int)
        new = np.abs(at - whole).max(axis=1) < 0.25
        new &= back.in_front(*blobs.px.T)
        new[rows] = False
        taken = {(int(i), int(j)) for i, j in places}
        size = _size_beside(blobs, rows, back)
        for k in np.flatnonzero(new).tolist():
            spot = (int(whole[k, 0]), int(whole[k, 1]))
            reach = np.abs(places - whole[k]).max(axis=1).min()
            if spot in taken or reach > 4 or not 0.6 < size[k] < 1.6:
                continue
            taken.add(spot)
            rows, places = np.append(rows, k), np.vstack([places, whole[k]])
    return rows, places


def _size_beside(blobs: Blobs, rows: Ints, back: Any) -> Floats:
    """Size of each blob on the target over that of the numbered marks."""
    slopes = back.jacobian(*blobs.px.T)
    area = np.sqrt(np.abs(np.linalg.det(blobs.spread))) * np.abs(np.linalg.det(slopes))
    area = np.sqrt(area) / np.where(blobs.ring, RING, DOT)
    return np.asarray(area / np.median(area[rows]))
