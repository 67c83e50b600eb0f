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

from dataclasses import dataclass, field

import numpy as np

from hysteresis.errors import InputError
from hysteresis.measure.target_blobs import Blobs, Picture, find_blobs, grey_of
from hysteresis.measure.target_lattice import extended, lattice_of
from hysteresis.measure.view_fit import Seen, fit_homography_of_many
from hysteresis.tables import Bools, Floats, Ints
from hysteresis.target import DOT, HOLE, PITCHES_MM, REACH, RING, is_ring

FEWEST_MARKS = 16
"""Fewer marks than this fix view and place on the target too loosely."""
_NEIGHBOURHOODS = (0.05, 0.1, 0.2, 0.4)  # of the threshold, as parts of the shorter side
_CLEAR_LEAD = 3  # by so many marks the second best place must be worse
_WRONG_SHARE = 0.12  # of the marks may be taken for the other kind


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
    grey = grey_of(picture)
    best: tuple[Blobs, Ints, Ints] | None = None
    blobs = Blobs(np.empty((0, 2)), np.empty((0, 2, 2)), np.empty(0, bool))
    for part in _NEIGHBOURHOODS:
        seen = find_blobs(grey, part)
        if len(seen) > len(blobs) and best is None:
            blobs = seen
        rows, places = lattice_of(seen)
        if best is None or len(rows) > len(best[1]):
            best = (seen, rows, places)
    assert best is not None
    if len(best[1]) < 4:
        raise TargetFault(
            "no target is seen", "show the printed target whole and sharp, evenly lit, and fill "
            "half of the picture with it", blobs,
        )  # fmt: skip
    blobs, rows, places = best
    try:
        rows, places = extended(blobs, rows, places)
    except InputError as error:  # marks on one line fix no plane
        raise TargetFault(
            f"only {len(rows)} marks of a target are seen, all on one line",
            "take away what covers the target, and show it whole, sharp and large", blobs, rows,
        ) from error  # fmt: skip
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
