"""Views of a plane through one lens, fitted together to the marks seen in one still or several.

Every still has a homography of its own (8 numbers), all share the lens. Free homographies need
no focal length: what a plane view cannot explain, straight lines that are bent, is the lens.
Squared distances in the picture are minimised, since there the errors arise, by damped
Gauss-Newton steps (Levenberg 1944, Marquardt 1963, from memory). A term of the lens is taken in
only when the marks are explained better by it than chance would (F test, textbook).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from hysteresis.errors import DataError
from hysteresis.homography import Homography, fit_homography
from hysteresis.measure.lens import Lens
from hysteresis.tables import Bools, Floats

TERMS = ("k1", "k2", "p1", "p2", "centre_u_px", "centre_v_px")
"""Unknowns of a lens, in the order of `Lens.by_coefficients`."""
STILLS_FOR_DECENTRING = 3
_BY_CHANCE = 1e-3
_SETTLED_PX = 1e-7
_OUTLYING = 5.0  # robust standard deviations
_CORNERS = 48  # of the polygon by which the image of a disc is drawn


@dataclass(frozen=True)
class View:
    """A plane as a pinhole sees it: mm to px by a matrix between scaled coordinates.

    `matrix` (3, 3) with last entry 1 maps (mm − mm_centre) / mm_size to (px − px_centre) /
    px_size. The other eight entries are its unknowns, row by row.
    """

    matrix: Floats
    mm_centre: Floats
    mm_size: float
    px_centre: Floats
    px_size: float

    def px(self, mm: Floats) -> Floats:
        """Pinhole px (..., 2) of places (..., 2) in mm."""
        moved = self._homogeneous(mm)
        return moved[..., :2] / moved[..., 2:] * self.px_size + self.px_centre

    def by_entries(self, mm: Floats) -> Floats:
        """Derivatives of `px` by the eight entries, shape (n, 2, 8)."""
        point = _with_one((mm - self.mm_centre) / self.mm_size)
        moved = self._homogeneous(mm)
        w = moved[:, 2:]
        slopes = np.zeros((len(mm), 2, 8))
        slopes[:, 0, 0:3] = slopes[:, 1, 3:6] = point / w
        for axis in range(2):
            slopes[:, axis, 6:8] = -(moved[:, axis : axis + 1] / w) * point[:, :2] / w
        return slopes * self.px_size

    def by_place(self, mm: Floats) -> Floats:
        """Derivatives of `px` by x and y, px per mm, shape (n, 2, 2)."""
        return Homography(self._whole()).jacobian(mm[:, 0], mm[:, 1])

    def to_mm(self) -> Homography:
        """The map from pinhole px to mm."""
        whole = self._whole()
        w = float(whole[2, :2] @ self.mm_centre + whole[2, 2])
        back = np.linalg.inv(whole if w > 0 else -whole)
        # positive where the plane is seen: at the image of its middle
        at = self.px(self.mm_centre)
        back = back if back[2, :2] @ at + back[2, 2] > 0 else -back
        last = back[2, 2]
        return Homography(back / (last if last > 1e-9 * np.linalg.norm(back) else 1.0))

    def stepped(self, step: Floats) -> View:
        """The view with its eight entries moved by `step`."""
        return replace(self, matrix=self.matrix + np.append(step, 0.0).reshape(3, 3))

    def _homogeneous(self, mm: Floats) -> Floats:
        return _with_one((mm - self.mm_centre) / self.mm_size) @ self.matrix.T

    def _whole(self) -> Floats:
        (x, y), s = self.mm_centre, 1.0 / self.mm_size
        inward = np.array([[s, 0.0, -s * x], [0.0, s, -s * y], [0.0, 0.0, 1.0]])
        (u, v), t = self.px_centre, self.px_size
        outward = np.array([[t, 0.0, u], [0.0, t, v], [0.0, 0.0, 1.0]])
        return np.asarray(outward @ self.matrix @ inward)


@dataclass(frozen=True)
class Seen:
    """Marks seen in one still: places on the target (n, 2) in mm and centroids (n, 2) in px.

    `radii_mm` (n, 2): outer and inner radius of each mark's black; 0, 0 for points, which have
    no size, 'inner' 0 for discs.
    """

    mm: Floats
    px: Floats
    radii_mm: Floats


@dataclass(frozen=True)
class Bundle:
    """Views and lens that explain the marks best.

    `error_px` holds for each still what is left (n, 2), `used` which marks were fitted (the rest
    are outliers). `sigma_px` is the standard deviation of a mark's coordinate. `covariance` is
    that of the first view's entries and of the lens's `terms`, in this order.
    """

    views: tuple[View, ...]
    lens: Lens
    terms: tuple[str, ...]
    error_px: tuple[Floats, ...]
    used: tuple[Bools, ...]
    sigma_px: float
    covariance: Floats = field(repr=False)


def fit_views(
    stills: Sequence[Seen], width_px: int, height_px: int, *, lens: bool = True
) -> Bundle:
    """Fit all views and the lens; `lens` False leaves the lens straight.

    Raises `DataError` when too few marks remain, `InputError` from a first homography that marks
    on a line do not fix.
    """
    size = float(np.hypot(width_px, height_px)) / 2.0
    start = Lens((width_px - 1) / 2.0, (height_px - 1) / 2.0, size)
    views = tuple(_first_view(still, start) for still in stills)
    used = tuple(np.ones(len(still.mm), dtype=bool) for still in stills)
    # a misplaced mark must neither buy a term of the lens nor be excused by one
    state = _solved(stills, views, start, (), used)
    for _ in range(3):
        state = _with_terms(stills, state, used, lens)
        before, used = used, _without_outliers(state.errors)
        if all(np.array_equal(a, b) for a, b in zip(before, used, strict=True)):
            break
    state = _solved(stills, state.views, state.lens, state.terms, used)
    freedom = 2 * sum(int(u.sum()) for u in used) - state.jacobian.shape[1]
    if freedom < 2 or min(int(u.sum()) for u in used) < 6:
        raise DataError("too few marks agree with each other to fit a view of the plane")
    sigma = float(np.sqrt(state.total / freedom))
    wanted = np.r_[0:8, 8 * len(stills) : state.jacobian.shape[1]]
    scale = np.maximum(np.linalg.norm(state.jacobian, axis=0), 1e-300)
    _, size_of, rows = np.linalg.svd(state.jacobian / scale, full_matrices=False)
    spread = (rows.T / np.maximum(size_of, 1e-12 * size_of[0])) / scale[:, None]
    return Bundle(
        state.views, state.lens, state.terms, state.errors, used, sigma,
        sigma**2 * (spread @ spread.T)[np.ix_(wanted, wanted)],
    )  # fmt: skip


def mark_shift_px(view: View, lens: Lens, still: Seen) -> Floats:
    """By how much each mark's centroid lies beside the image of its centre, (n, 2) px.

    The image of a disc is no disc, and its middle is not the image of the disc's middle. The
    outline is drawn as a polygon through view and lens; its centroid is that of a polygon
    (surveyor's formula, textbook), a ring's that of the outer less the inner one.
    """
    shift = np.zeros_like(still.mm)
    outer, inner = still.radii_mm[:, 0], still.radii_mm[:, 1]
    rows = outer > 0.0
    if rows.any():
        centre = np.stack(lens.seen(*view.px(still.mm[rows]).T), -1)
        area, moment = _drawn(view, lens, still.mm[rows], outer[rows], centre)
        hole, hole_moment = _drawn(view, lens, still.mm[rows], inner[rows], centre)
        shift[rows] = (moment - hole_moment) / (area - hole)[:, None]
    return shift


# ---- steps -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _State:
    views: tuple[View, ...]
    lens: Lens
    terms: tuple[str, ...]
    errors: tuple[Floats, ...]
    total: float
    jacobian: Floats


def _first_view(still: Seen, lens: Lens) -> View:
    """The homography alone, robust against a few marks that are none."""
    keep = np.ones(len(still.mm), dtype=bool)
    for _ in range(3):
        h = fit_homography_of_many(still.mm[keep], still.px[keep])
        miss = np.linalg.norm(np.column_stack(h.apply(*still.mm.T)) - still.px, axis=1)
        limit = max(8.0 * float(np.median(miss[keep])), 1e-9)
        keep = miss <= limit
    centre = still.mm[keep].mean(axis=0)
    size = float(np.max(np.abs(still.mm[keep] - centre)))
    (x, y), outward = centre, np.array([[size, 0.0, 0.0], [0.0, size, 0.0], [0.0, 0.0, 1.0]])
    outward[:2, 2] = x, y
    t, (u, v) = lens.size_px, (lens.centre_u_px, lens.centre_v_px)
    inward = np.array([[1 / t, 0.0, -u / t], [0.0, 1 / t, -v / t], [0.0, 0.0, 1.0]])
    matrix = inward @ h.matrix @ outward
    return View(matrix / matrix[2, 2], centre, size, np.array([u, v]), t)


def fit_homography_of_many(src: Floats, dst: Floats) -> Homography:
    """`fit_homography` started from few of many points, since it looks at every four of them.

    The points that reach furthest in eight directions fix the plane; the rest refine it.
    """
    if len(src) <= 12:
        return fit_homography(src, dst)
    angle = np.arange(8) * np.pi / 4.0
    far = (src - src.mean(axis=0)) @ np.array([np.cos(angle), np.sin(angle)])
    chosen = np.unique(np.argmax(far, axis=0))
    if len(chosen) < 4:
        chosen = np.unique(np.linspace(0, len(src) - 1, 9).astype(int))
    h = fit_homography(src[chosen], dst[chosen]).matrix
    point = _with_one(src)
    centre, size = dst.mean(axis=0), max(float(np.ptp(dst)), 1e-300)
    to_unit = np.array([[1 / size, 0, -centre[0] / size], [0, 1 / size, -centre[1] / size],
                        [0, 0, 1.0]])  # fmt: skip
    scaled = max(float(np.ptp(src)), 1e-300)
    inward = np.diag([1 / scaled, 1 / scaled, 1.0])
    a, b = point @ inward.T, (dst - centre) / size
    m = to_unit @ h @ np.linalg.inv(inward)
    m = m / np.linalg.norm(m)
    for _ in range(20):
        moved = a @ m.T
        w = moved[:, 2:]
        slopes = np.zeros((len(src), 2, 9))
        slopes[:, 0, 0:3] = slopes[:, 1, 3:6] = a / w
        for axis in range(2):
            slopes[:, axis, 6:9] = -(moved[:, axis : axis + 1] / w) * a / w
        error = (moved[:, :2] / w - b).ravel()
        step = np.linalg.lstsq(slopes.reshape(-1, 9), -error, rcond=1e-12)[0].reshape(3, 3)
        m = (m + step) / np.linalg.norm(m + step)
        if np.linalg.norm(step) < 1e-13:
            break
    h = np.linalg.inv(to_unit) @ m @ inward
    w = src @ h[2, :2] + h[2, 2]
    return Homography(h if np.median(w) > 0 else -h)


def _with_terms(
    stills: Sequence[Seen], state: _State, used: tuple[Bools, ...], lens: bool
) -> _State:
    """Take in the groups of lens terms one by one that are worth it."""
    groups: list[tuple[str, ...]] = []
    if lens:
        groups = [("k1",), ("centre_u_px", "centre_v_px")]
        if len(stills) >= STILLS_FOR_DECENTRING:
            groups.append(("p1", "p2"))
    straight = replace(state.lens, k1=0.0, k2=0.0, p1=0.0, p2=0.0)
    straight = replace(
        straight, centre_u_px=float(state.views[0].px_centre[0]),
        centre_v_px=float(state.views[0].px_centre[1]),
    )  # fmt: skip
    found = _solved(stills, state.views, straight, (), used)
    for group in groups:
        if group != ("k1",) and "k1" not in found.terms:
            continue
        richer = _solved(stills, found.views, found.lens, (*found.terms, *group), used)
        if _worth_it(found, richer, 2 * sum(int(u.sum()) for u in used)):
            found = richer
            if group == ("k1",):
                # Where a lens bends, its k2 is taken along untested. Taking it or leaving it by
                # chance from still to still scattered more than either, and no covariance of
                # the chosen terms knew of it.
                found = _solved(stills, found.views, found.lens, ("k1", "k2"), used)
    return found


def _worth_it(plain: _State, richer: _State, rows: int) -> bool:
    from scipy.stats import f as f_distribution

    extra = len(richer.terms) - len(plain.terms)
    freedom = rows - richer.jacobian.shape[1]
    if freedom < 10 or not np.isfinite(richer.total) or richer.total >= plain.total:
        return False
    ratio = ((plain.total - richer.total) / extra) / (richer.total / freedom)
    return bool(f_distribution.sf(ratio, extra, freedom) < _BY_CHANCE)


def _solved(
    stills: Sequence[Seen],
    views: tuple[View, ...],
    lens: Lens,
    terms: tuple[str, ...],
    used: tuple[Bools, ...],
) -> _State:
    """Damped Gauss-Newton; the shift of a disc's centroid is made anew with every step taken."""
    damping = 0.0
    shifts = _shifts(stills, views, lens)
    errors, total = _errors(stills, views, lens, shifts, used)
    for _ in range(60):
        jacobian = _jacobian(stills, views, lens, terms, used)
        target = np.concatenate([e[u].ravel() for e, u in zip(errors, used, strict=True)])
        scale = np.maximum(np.linalg.norm(jacobian, axis=0), 1e-300)
        scaled = jacobian / scale
        normal = scaled.T @ scaled + damping**2 * np.eye(scaled.shape[1])
        step = np.linalg.lstsq(normal, -scaled.T @ target, rcond=1e-13)[0] / scale
        trial_views = tuple(v.stepped(step[8 * k : 8 * k + 8]) for k, v in enumerate(views))
        moved = step[8 * len(views) :]
        trial_lens = replace(
            lens, **{t: getattr(lens, t) + float(m) for t, m in zip(terms, moved, strict=True)}
        )
        _, trial_total = _errors(stills, trial_views, trial_lens, shifts, used)
        if not trial_total <= total * (1.0 + 1e-12):
            if damping > 1e4:
                break
            damping = max(4.0 * damping, 1e-3)
            continue
        damping = damping / 4.0 if damping > 1e-3 else 0.0
        views, lens = trial_views, trial_lens
        new_shifts = _shifts(stills, views, lens)
        changed = max(
            float(np.max(np.abs(a - b), initial=0.0))
            for a, b in zip(new_shifts, shifts, strict=True)
        )
        shifts = new_shifts
        errors, new_total = _errors(stills, views, lens, shifts, used)
        reached = float(np.linalg.norm(jacobian @ step)) / np.sqrt(len(jacobian))
        total = new_total
        if reached < _SETTLED_PX and changed < _SETTLED_PX:
            break
    jacobian = _jacobian(stills, views, lens, terms, used)
    return _State(views, lens, terms, errors, total, jacobian)


def _shifts(stills: Sequence[Seen], views: tuple[View, ...], lens: Lens) -> list[Floats]:
    return [mark_shift_px(view, lens, s) for s, view in zip(stills, views, strict=True)]


def _errors(
    stills: Sequence[Seen], views: tuple[View, ...], lens: Lens, shifts: list[Floats],
    used: tuple[Bools, ...],
) -> tuple[tuple[Floats, ...], float]:  # fmt: skip
    errors = []
    for still, view, shift in zip(stills, views, shifts, strict=True):
        errors.append(np.column_stack(lens.seen(*view.px(still.mm).T)) + shift - still.px)
    total = sum(float((e[u] ** 2).sum()) for e, u in zip(errors, used, strict=True))
    return tuple(errors), total if np.isfinite(total) else np.inf


def _jacobian(
    stills: Sequence[Seen], views: tuple[View, ...], lens: Lens, terms: tuple[str, ...],
    used: tuple[Bools, ...],
) -> Floats:  # fmt: skip
    columns = [TERMS.index(term) for term in terms]
    blocks = []
    for k, (still, view, keep) in enumerate(zip(stills, views, used, strict=True)):
        by_entries, by_terms = slopes_at(view, lens, still.mm[keep])
        block = np.zeros((2 * int(keep.sum()), 8 * len(views) + len(terms)))
        block[:, 8 * k : 8 * k + 8] = by_entries.reshape(-1, 8)
        block[:, 8 * len(views) :] = by_terms[..., columns].reshape(len(block), len(terms))
        blocks.append(block)
    return np.vstack(blocks)


def slopes_at(view: View, lens: Lens, mm: Floats) -> tuple[Floats, Floats]:
    """Derivatives of the seen px at places (n, 2): by the view's entries (n, 2, 8), by every
    term of the lens (n, 2, 6)."""
    at = view.px(mm)
    by_pinhole = lens.slopes(at[:, 0], at[:, 1])
    return by_pinhole @ view.by_entries(mm), lens.by_coefficients(at[:, 0], at[:, 1])


def _without_outliers(errors: tuple[Floats, ...]) -> tuple[Bools, ...]:
    """Marks that lie further off than their still's others scatter."""
    kept = []
    for error in errors:
        length = np.linalg.norm(error, axis=1)
        # median of the length of a round two-dimensional scatter of unit sigma: 1.1774
        sigma = max(float(np.median(length)) / 1.1774, 1e-6)
        kept.append(length <= _OUTLYING * sigma)
    return tuple(kept)


def _drawn(
    view: View, lens: Lens, mm: Floats, radius: Floats, origin: Floats
) -> tuple[Floats, Floats]:
    """Area (n,) and first moments (n, 2) about `origin` of the images of discs."""
    angle = np.arange(_CORNERS) * (2.0 * np.pi / _CORNERS)
    round_ = np.column_stack([np.cos(angle), np.sin(angle)])
    outline = mm[:, None, :] + radius[:, None, None] * round_
    at = view.px(outline)
    p = np.stack(lens.seen(at[..., 0], at[..., 1]), -1) - origin[:, None, :]
    q = np.roll(p, -1, axis=1)
    cross = p[..., 0] * q[..., 1] - q[..., 0] * p[..., 1]
    sign = np.where(cross.sum(axis=1) < 0.0, -1.0, 1.0)
    area = sign * cross.sum(axis=1) / 2.0
    moment = sign[:, None] * (cross[..., None] * (p + q)).sum(axis=1) / 6.0
    return area, moment


def _with_one(points: Floats) -> Floats:
    return np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1)
