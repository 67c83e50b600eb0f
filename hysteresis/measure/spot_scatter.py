"""What the stated sigma of spot centres must be multiplied by to meet their scatter in the film.

Sigma from the noise of single pixels holds for raw pictures. A codec correlates the noise of
neighbouring pixels, wipes it out where nothing changes and adds its own where something does, so
the film itself is asked: stretches at rest, and frames on a smooth way.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.optimize import nnls

from hysteresis.tables import Bools, Floats, Ints

REST_PX = 0.4  # a step to the next frame below which the spot is at rest
_STRETCH = 8
_LEAST = 6  # stretches, or frames of one range of speeds
_SPEEDS_PX = (0.4, 2.0, 4.0, 8.0, 16.0, 32.0)
KEPT_AT_REST = 0.45
"""Share of the error of a moving spot that a codec leaves standing when the spot comes to rest: it
does not change from frame to frame, so no scatter shows it. From films of our own with known truth
(H.264 0.4 to 0.5, MPEG-4 part 2 0.5 to 0.8, motion JPEG 1, where it does show); no source."""
FROZEN_PX = 0.03
"""Standard deviation of what an inter-frame codec may leave standing in the place of a spot, so
that no scatter within the film shows it. A component of type B in the sense of JCGM 100. From films
of our own with known truth (crf 20, at rest: 0.015 to 0.04 px); no source."""
FROZEN_COARSE_PX = {"luma": 0.0, "green": 0.03, "red": 0.1, "blue": 0.1}
"""The same, where colour is stored with fewer pixels than luma (red at rest: 0.11 px)."""


@dataclass(frozen=True)
class Scatter:
    """Factors for frames at rest and in motion; NaN: the film holds too few such frames."""

    rest: float
    moving: float

    def factor(self, moves: Bools) -> Floats:
        """One factor per frame."""
        known = [x for x in (self.rest, self.moving) if np.isfinite(x)]
        if not known:
            return np.ones(len(moves))
        moving = self.moving if np.isfinite(self.moving) else self.rest
        rest = np.nanmax((self.rest, KEPT_AT_REST * moving)) if np.isfinite(self.rest) else moving
        return np.where(moves, moving, rest)


def standing_sigma(light: str, coarse_colour: bool) -> float:
    """What an inter-frame codec may leave standing in a measure of light, px."""
    return float(np.hypot(FROZEN_PX, FROZEN_COARSE_PX[light] if coarse_colour else 0.0))


def moving(place: Floats, good: Bools) -> Bools:
    """Whether the spot moves from or to each frame; place (n, 2) px. Unknown counts as moving."""
    step = np.hypot(*np.diff(place, axis=0).T)
    goes = ~(step < REST_PX) | ~good[1:] | ~good[:-1]
    out = np.ones(len(place), bool)
    out[1:] = goes
    out[:-1] |= goes
    return out


def find_scatter(number: Ints, t_s: Floats, place: Floats, sigma: Floats, good: Bools) -> Scatter:
    """Compare scatter with sigma; place, sigma (n, 2) px, `good` frames that can be used."""
    moves = moving(place, good)
    rest = _at_rest(number, place, sigma, good & ~moves)
    return Scatter(rest, _on_the_way(number, t_s, place, sigma, good))


def _at_rest(number: Ints, place: Floats, sigma: Floats, still: Bools) -> float:
    """Variance about a straight line over short stretches, robust against real motion.

    The median of χ² over its degrees f of freedom is (1 − 2/9f)³ (Wilson and Hilferty, from
    memory).
    """
    k = np.arange(_STRETCH, dtype=float)
    line = np.linalg.qr(np.column_stack((np.ones_like(k), k)))[0]
    degrees = _STRETCH - 2
    ratios: list[float] = []
    first = 0
    while first + _STRETCH <= len(still):
        part = slice(first, first + _STRETCH)
        if not still[part].all() or number[part][-1] - number[first] != _STRETCH - 1:
            first += 1
            continue
        own = place[part] - place[part].mean(axis=0)
        left = own - line @ (line.T @ own)
        ratios += ((left**2).sum(axis=0) / degrees / (sigma[part] ** 2).mean(axis=0)).tolist()
        first += _STRETCH
    if len(ratios) < 3 * _LEAST:
        return float("nan")
    return float(np.sqrt(np.median(ratios))) / (1.0 - 2.0 / (9.0 * degrees)) ** 1.5


def _on_the_way(number: Ints, t_s: Floats, place: Floats, sigma: Floats, good: Bools) -> float:
    """Each frame against the cubic through the two before and the two after it.

    By ranges of speed the median square gives a variance; an error in the frames' times adds to
    it with the speed squared and is taken out by a straight line.
    """
    n = len(number)
    if n < 5:
        return float("nan")
    at = np.arange(2, n - 2)
    around = at[:, None] + np.array([-2, -1, 1, 2])
    ok = good[at] & good[around].all(axis=1) & (number[at + 2] - number[at - 2] == 4)
    ok &= np.all(np.diff(t_s[np.column_stack((around[:, :2], at, around[:, 2:]))]) > 0, axis=1)
    at, around = at[ok], around[ok]
    t = t_s[around] - t_s[at][:, None]
    coefficients = np.ones(t.shape)
    for j in range(4):
        for other in range(4):
            if other != j:
                coefficients[:, j] *= -t[:, other] / (t[:, j] - t[:, other])
    left = place[at] - np.einsum("kj,kja->ka", coefficients, place[around])
    stated = sigma[at] ** 2 + np.einsum("kj,kja->ka", coefficients**2, sigma[around] ** 2)
    speed = np.hypot(*((place[at + 1] - place[at - 1]) / 2.0).T)
    # no corners of the way: as fast before as after, told by frames other than the one in question
    turn = np.hypot(*(place[at + 2] - place[at + 1] - place[at - 1] + place[at - 2]).T)
    smooth = turn < 0.15 * speed + 6.0 * np.sqrt(stated.sum(axis=1))
    left, stated, speed = left[smooth], stated[smooth], speed[smooth]
    ratio = left**2 / stated
    squares, speeds, weights = [], [], []
    for low, high in pairwise(_SPEEDS_PX):
        inside = (speed >= low) & (speed < high)
        if inside.sum() < _LEAST:
            continue
        squares.append(float(np.median(ratio[inside])) / 0.4549)  # median of χ² of one degree
        speeds.append(float(np.mean(speed[inside] ** 2)))
        weights.append(float(inside.sum()) ** 0.5)
    if not squares:
        return float("nan")
    scale = np.array(weights) / np.array(squares)
    columns = np.column_stack((np.ones(len(squares)), speeds)) * scale[:, None]
    return float(np.sqrt(nnls(columns, np.array(squares) * scale)[0][0])) or float("nan")
