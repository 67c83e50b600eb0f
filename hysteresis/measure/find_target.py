"""The printed target found in a picture: which marks are seen, where on it, how exactly.

1. Dark blobs whose outline is an ellipse (threshold against the neighbourhood, several sizes of
   it, since the light is uneven and the size of a mark is not known yet); a ring has a hole.
2. *Lattice.* The ellipse of a mark is how the view squeezes a circle there. Straightened by it,
   its neighbours stand one pitch away, whatever the tilt; from neighbour to neighbour the marks
   get lattice numbers.
3. *Place.* Which marks are rings says where the numbers begin, how the target is turned, whether
   it is mirrored and which pitch it has (`target.is_ring`).
4. *Centres.* Centroid of the missing light over each mark: threshold and focus hardly matter.

Thresholds, outlines and resampling are OpenCV's.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.errors import InputError
from hysteresis.measure.view_fit import Seen, fit_homography_of_many
from hysteresis.tables import Bools, Floats, Ints
from hysteresis.target import DOT, HOLE, PITCHES_MM, REACH, RING, is_ring

Picture = npt.NDArray[Any]

FEWEST_MARKS = 16
"""Fewer marks than this fix view and place on the target too loosely."""
_NEIGHBOURHOODS = (0.05, 0.1, 0.2, 0.4)  # of the threshold, as parts of the shorter side
_CONTRAST = 0.06  # of the picture's range, by which a mark is darker than its neighbourhood
_LEAST_AREA_PX = 24.0
_ROUND = 0.965  # area over that of the ellipse of the same moments: 1 for an ellipse, 0.955 square
_CLEAR_LEAD = 3  # by so many marks the second best place must be worse
_WRONG_SHARE = 0.12  # of the marks may be taken for the other kind


@dataclass(frozen=True)
class Blobs:
    """Elliptic dark blobs: centres (n, 2) px, covariance of their outline (n, 2, 2) px², rings."""

    px: Floats
    spread: Floats
    ring: Bools

    def __len__(self) -> int:
        return len(self.px)


@dataclass(frozen=True)
class Found:
    """The target in one picture: lattice places, centroids, what the marks are.

    `seen` holds the marks for `fit_views` with their nominal places; `blobs` all that looked
    like a mark.
    """

    pitch_mm: float
    i: Ints
    j: Ints
    ring: Bools
    seen: Seen
    blobs: Blobs = field(repr=False)
    width_px: int
    height_px: int


class TargetFault(InputError):
    """No usable target in a picture; `blobs` and `numbered` are what was seen of it."""

    def __init__(self, what: str, mend: str, blobs: Blobs, numbered: Ints | None = None) -> None:
        super().__init__(what, mend=mend)
        self.blobs, self.numbered = blobs, np.empty(0, int) if numbered is None else numbered


def find_target(picture: Picture) -> Found:
    """Find the target in a picture (h, w) or (h, w, 3) of any depth.

    Raises `TargetFault`: no target, too few marks, mirrored, or of no place on the target.
    """
    grey = _grey(picture)
    best: tuple[Blobs, Ints, Ints] | None = None
    blobs = Blobs(np.empty((0, 2)), np.empty((0, 2, 2)), np.empty(0, bool))
    for part in _NEIGHBOURHOODS:
        seen = _blobs(grey, part)
        if len(seen) > len(blobs) and best is None:
            blobs = seen
        rows, places = _lattice(seen)
        if best is None or len(rows) > len(best[1]):
            best = (seen, rows, places)
    assert best is not None
    if len(best[1]) < 4:
        raise TargetFault(
            "no target is seen", "show the printed target whole and sharp, evenly lit, and fill "
            "half of the picture with it", blobs,
        )  # fmt: skip
    blobs, rows, places = best
    rows, places = _extended(blobs, rows, places)
    if len(rows) < FEWEST_MARKS:
        raise TargetFault(
            f"only {len(rows)} marks of a target are seen, {FEWEST_MARKS} are needed",
            "take away what covers the target, and show it whole, sharp and large", blobs, rows,
        )  # fmt: skip
    kinds = _kinds(blobs, rows, places)
    pitch, turned, mirrored = _placed(blobs, rows, places, kinds)
    if mirrored:
        raise TargetFault(
            "the target is seen mirrored",
            "film it directly, not in a mirror or through the back of the paper, and switch off "
            "the mirrored view of a camera that faces its user", blobs, rows,
        )  # fmt: skip
    i, j = turned[:, 0], turned[:, 1]
    ring = is_ring(pitch, i, j)
    mm = np.asarray(turned * pitch, dtype=np.float64)
    circles = [np.where(ring, RING, DOT), np.where(ring, HOLE, 0.0)]
    radii = np.asarray(np.column_stack(circles) * pitch, dtype=np.float64)
    px, good = _centroids(grey, mm, blobs.px[rows], radii[:, 0], pitch)
    good &= kinds == ring
    if int(good.sum()) < FEWEST_MARKS:
        raise TargetFault(
            f"only {int(good.sum())} marks of the target are seen clearly, {FEWEST_MARKS} are "
            "needed", "focus the camera, light the page evenly and take away what covers it",
            blobs, rows,
        )  # fmt: skip
    return Found(
        pitch, i[good], j[good], ring[good], Seen(mm[good], px[good], radii[good]),
        blobs, grey.shape[1], grey.shape[0],
    )  # fmt: skip


# ---- blobs -------------------------------------------------------------------------------------


def opencv() -> Any:
    """The module cv2; `InputError` says how to get it."""
    try:
        import cv2
    except ImportError as error:
        raise InputError(
            "finding the target in a picture needs OpenCV",
            mend="install it with: pip install 'hysteresis[camera]'",
        ) from error
    return cv2


def _grey(picture: Picture) -> Floats:
    """Grey levels from 0 to 1; colours are averaged, since any of them sees black on white."""
    values = np.asarray(picture)
    if values.ndim == 3:
        values = values[..., :3].mean(axis=2)
    if values.ndim != 2 or min(values.shape) < 60:
        raise InputError("this picture is too small to show a target", mend="take a larger one")
    values = values.astype(np.float64)
    low, high = np.quantile(values, [0.005, 0.995])
    return np.asarray((values - low) / max(float(high - low), 1e-9))


def _blobs(grey: Floats, part: float) -> Blobs:
    """Elliptic blobs darker than their neighbourhood of `part` of the shorter side."""
    cv2 = opencv()
    smooth = cv2.GaussianBlur(np.clip(grey, 0.0, 1.0).astype(np.float32), (0, 0), 0.8)
    size = 2 * int(part * min(grey.shape) / 2) + 1
    around = cv2.boxFilter(smooth, -1, (size, size), borderType=cv2.BORDER_REFLECT)
    dark = (smooth < around - _CONTRAST).astype(np.uint8)
    outlines, tree = cv2.findContours(dark, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    found: list[tuple[Floats, Floats, bool]] = []
    for k, outline in enumerate(outlines):
        if tree[0][k][3] >= 0 or len(outline) < 12:  # a hole, or a speck
            continue
        told = _ellipse(cv2, outline)
        if told is None:
            continue
        centre, spread, area = told
        low, high = centre - 2.0 * np.sqrt(np.diag(spread)), centre + 2.0 * np.sqrt(np.diag(spread))
        if (low < -0.5).any() or high[0] > grey.shape[1] - 0.5 or high[1] > grey.shape[0] - 0.5:
            continue
        holes = _holes(cv2, outlines, tree[0], k)
        largest = max(holes, key=lambda hole: hole[1], default=None)
        if largest is None or largest[1] < 0.02 * area:  # a tiny one is a glint or noise
            found.append((centre, spread, False))
        elif 0.06 * area < largest[1] < 0.5 * area and np.linalg.norm(
            largest[0] - centre
        ) < 0.25 * np.sqrt(area):
            found.append((centre, spread, True))
    if not found:
        return Blobs(np.empty((0, 2)), np.empty((0, 2, 2)), np.empty(0, bool))
    return Blobs(
        np.array([one[0] for one in found]), np.array([one[1] for one in found]),
        np.array([one[2] for one in found]),
    )  # fmt: skip


def _ellipse(cv2: Any, outline: Any) -> tuple[Floats, Floats, float] | None:
    """Centre, covariance (pixel edges included) and area of an outline; None if no ellipse."""
    m = cv2.moments(outline)
    area = m["m00"]
    if area < _LEAST_AREA_PX:
        return None
    spread = np.array([[m["mu20"], m["mu11"]], [m["mu11"], m["mu02"]]]) / area
    det = float(np.linalg.det(spread))
    if det <= 0.0 or area / (4.0 * np.pi * np.sqrt(det)) < _ROUND:
        return None
    long, short = np.sqrt(np.linalg.eigvalsh(spread)[::-1])
    if long > 4.0 * short:
        return None
    # the outline runs through the middles of the edge pixels: half a pixel inside the edge
    grown = spread * ((2.0 * short + 0.5) / (2.0 * short)) * ((2.0 * long + 0.5) / (2.0 * long))
    return np.array([m["m10"], m["m01"]]) / area, grown, float(area)


def _holes(cv2: Any, outlines: Any, tree: Any, parent: int) -> list[tuple[Floats, float]]:
    """Centre and area of each hole of an outline."""
    out, child = [], tree[parent][2]
    while child >= 0:
        m = cv2.moments(outlines[child])
        if m["m00"] > 0.0:
            out.append((np.array([m["m10"], m["m01"]]) / m["m00"], float(m["m00"])))
        child = tree[child][0]
    return out


# ---- lattice -----------------------------------------------------------------------------------


def _lattice(blobs: Blobs) -> tuple[Ints, Ints]:
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


def _extended(blobs: Blobs, rows: Ints, places: Ints) -> tuple[Ints, Ints]:
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


# ---- place on the target -----------------------------------------------------------------------


def _kinds(blobs: Blobs, rows: Ints, places: Ints) -> Bools:
    """Which marks are rings, by their size on the lattice: a blurred ring may lose its hole."""
    back = fit_homography_of_many(blobs.px[rows], places.astype(float))
    slopes = np.abs(np.linalg.det(back.jacobian(*blobs.px[rows].T)))
    radius = 2.0 * np.linalg.det(blobs.spread[rows]) ** 0.25 * np.sqrt(slopes)
    # a mark's edge moves with focus and exposure, all of them by about as much
    plain = radius[~blobs.ring[rows]]
    usual = float(np.median(plain)) if len(plain) else DOT
    return np.asarray(blobs.ring[rows] | (radius > usual * np.sqrt(RING / DOT)))


def _placed(blobs: Blobs, rows: Ints, places: Ints, kinds: Bools) -> tuple[float, Ints, bool]:
    """Pitch, lattice places on the target (n, 2) and whether they are mirrored; `TargetFault`."""
    options: list[tuple[int, float, Ints]] = []
    for turn in _TURNS:
        turned = places @ turn.T
        low, high = turned.min(axis=0), turned.max(axis=0)
        for di in range(-REACH - int(low[0]), REACH - int(high[0]) + 1):
            for dj in range(-REACH - int(low[1]), REACH - int(high[1]) + 1):
                at = turned + np.array([di, dj])
                for pitch in PITCHES_MM:
                    wrong = int(np.sum(_RULES[pitch][at[:, 0] + REACH, at[:, 1] + REACH] != kinds))
                    options.append((wrong, pitch, at))
    options.sort(key=lambda option: option[0])
    if not options or options[0][0] > _WRONG_SHARE * len(rows):
        raise TargetFault(
            "a lattice of marks is seen, but not this toolkit's target",
            "print it with: hysteresis target; show more of it, sharp and without glare",
            blobs, rows,
        )  # fmt: skip
    if len(options) > 1 and options[1][0] < options[0][0] + _CLEAR_LEAD:
        raise TargetFault(
            f"{len(rows)} marks are seen, too few to tell which part of the target they are",
            "show more of the target, sharp and without glare", blobs, rows,
        )  # fmt: skip
    _, pitch, at = options[0]
    return pitch, at, _mirrored(blobs.px[rows], at)


def _mirrored(px: Floats, places: Ints) -> bool:
    """Whether lattice numbers run round the picture the wrong way (v counts downwards)."""
    slopes = np.linalg.lstsq(
        np.column_stack([px, np.ones(len(px))]), places.astype(float), rcond=None
    )[0][:2]
    return bool(np.linalg.det(slopes) > 0.0)


_TURNS = tuple(
    np.array([[a, b], [c, d]])
    for a, b, c, d in (
        (1, 0, 0, 1), (0, -1, 1, 0), (-1, 0, 0, -1), (0, 1, -1, 0),
        (1, 0, 0, -1), (-1, 0, 0, 1), (0, 1, 1, 0), (0, -1, -1, 0),
    )
)  # fmt: skip
_ALL = np.arange(-REACH, REACH + 1)
_RULES = {p: is_ring(p, _ALL[:, None] + 0 * _ALL, 0 * _ALL[:, None] + _ALL) for p in PITCHES_MM}


# ---- centres -----------------------------------------------------------------------------------


def _centroids(
    grey: Floats, mm: Floats, px: Floats, radius_mm: Floats, pitch_mm: float
) -> tuple[Floats, Bools]:
    """Centroids (n, 2) of the light that each mark takes away, and whether they can be trusted.

    Light is weighed within an ellipse that reaches from the mark halfway to its neighbours; paper
    level and its slope are taken from that ellipse's rim.
    """
    view = fit_homography_of_many(mm, px)
    slopes = view.jacobian(*mm.T)
    out, good = px.copy(), np.ones(len(px), dtype=bool)
    for k in range(len(px)):
        free = (pitch_mm - (RING + radius_mm[k] / pitch_mm) * pitch_mm) / 2.0
        for _ in range(3):
            told = _centroid(grey, out[k], slopes[k], radius_mm[k], free)
            if told is None or np.linalg.norm(told - px[k]) > 0.5 * radius_mm[k] * np.sqrt(
                abs(np.linalg.det(slopes[k]))
            ):
                good[k] = False
                break
            moved = float(np.linalg.norm(told - out[k]))
            out[k] = told
            if moved < 1e-4:
                break
    return out, good


def _centroid(
    grey: Floats, at: Floats, slopes: Floats, radius: float, free: float
) -> Floats | None:
    """One centroid: window of radius + half of what is free, paper from the ring beyond it."""
    reach, rim = radius + 0.5 * free, radius + 1.1 * free
    half = np.ceil(rim * np.linalg.norm(slopes, axis=1)).astype(int) + 1
    u0, v0 = np.floor(at + 0.5).astype(int) - half
    u1, v1 = np.floor(at + 0.5).astype(int) + half + 1
    if u0 < 0 or v0 < 0 or u1 > grey.shape[1] or v1 > grey.shape[0]:
        return None
    part = grey[v0:v1, u0:u1]
    u, v = np.meshgrid(np.arange(u0, u1) - at[0], np.arange(v0, v1) - at[1])
    x, y = np.linalg.solve(slopes, np.stack([u.ravel(), v.ravel()])).reshape(2, *u.shape)
    far = np.hypot(x, y)
    paper = (far > reach) & (far <= rim)
    if int(paper.sum()) < 12:
        return None
    plane = np.column_stack([u[paper], v[paper], np.ones(int(paper.sum()))])
    level = np.linalg.lstsq(plane, part[paper], rcond=None)[0]
    missing = 1.0 - part / np.maximum(level[0] * u + level[1] * v + level[2], 1e-6)
    # a soft rim: a pixel counts by how much of it lies inside, lest its steps move the centroid
    soft = 1.0 / np.sqrt(abs(np.linalg.det(slopes)))
    weight = np.clip((reach - far) / soft + 0.5, 0.0, 1.0) * missing
    total = float(weight.sum())
    if total <= 0.0:
        return None
    return np.array([float((weight * u).sum()), float((weight * v).sum())]) / total + at
