"""From pixels to millimetres on the target plane: the map, its lens, its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from hysteresis.bench import Camera
from hysteresis.errors import InputError
from hysteresis.homography import Homography, fit_homography
from hysteresis.measure.lens import Lens
from hysteresis.measure.view_fit import TERMS, View, slopes_at
from hysteresis.tables import Bools, Floats

_SAME_FORM = 0.005  # of two pictures, by the ratio of their sides
_WAYS = (
    "photograph the printed target (hysteresis target) and give the picture: hysteresis register "
    "RUN --target STILL; or add four or more fiducials"
)
_DOUBTFUL = 4.0
"""A fiducial is pointed out when its misfit, seen without it, is so many times the others'."""


@dataclass(frozen=True)
class Known:
    """How exactly view and lens were found.

    `covariance` is that of the view's eight entries and of the lens's `terms`, in this order.
    `scale_sigma` (2,) are relative standard uncertainties of the scales along x and y (a ruler
    misread, a printer that stretches), common to all places.
    """

    view: View
    terms: tuple[str, ...]
    covariance: Floats = field(repr=False)
    scale_sigma: Floats


@dataclass(frozen=True)
class MarksLeft:
    """What is left at the marks: places (n, 2) mm, error (n, 2) in px and mm, fitted or set aside.

    An error is the fitted place less the seen one.
    """

    mm: Floats
    error_px: Floats
    error_mm: Floats
    used: Bools


@dataclass(frozen=True)
class Registration:
    """The map from pixels to mm and how well the marks agree on it.

    Pixels go through the lens first (`lens` None: straight), then through the homography.
    `residual_mm` is the standard deviation of a mark's place, NaN with four marks, which any
    homography fits; `residual_px` the same in the picture, NaN where it was not fitted there.
    `mm_per_px` is the size of a pixel in the middle of the marks. `fiducials` counts the marks
    that were fitted. `known` is None where the uncertainty of places is not known (marks of
    bench.toml). `width_px`, `height_px` are those of the picture it belongs to, 0 if not known.
    """

    homography: Homography
    fiducials: int
    residual_mm: float
    mm_per_px: float
    notes: tuple[str, ...] = ()
    lens: Lens | None = None
    known: Known | None = None
    residual_px: float = float("nan")
    width_px: int = 0
    height_px: int = 0
    source: str = "fiducials"
    left: MarksLeft | None = field(default=None, repr=False)

    def spot_mm(self, u_px: Floats, v_px: Floats) -> Floats:
        """Spots (n, 2) in mm; NaN where no point of the plane is seen."""
        u, v = self._pinhole(u_px, v_px)
        x, y = self.homography.apply(u, v)
        spot = np.column_stack([x, y])
        spot[~self.homography.in_front(u, v)] = np.nan
        return spot

    def px_of(self, x_mm: Floats, y_mm: Floats) -> tuple[Floats, Floats]:
        """Pixels at which places of the plane are seen: the inverse of `spot_mm`."""
        u, v = self.homography.inverse().apply(x_mm, y_mm)
        return (u, v) if self.lens is None else self.lens.seen(u, v)

    def slopes_mm(self, u_px: Floats, v_px: Floats) -> Floats:
        """Derivatives of the spot's (x, y) by (u, v), mm per px, shape (n, 2, 2)."""
        u, v = self._pinhole(u_px, v_px)
        slopes = self.homography.jacobian(u, v)
        if self.lens is None:
            return slopes
        bent = self.lens.slopes(u, v)
        bent[np.isnan(bent).any(axis=(-1, -2))] = np.eye(2)  # their spot is NaN anyway
        return np.asarray(slopes @ np.linalg.inv(bent))

    def sigma_mm(self, u_px: Floats, v_px: Floats, sigma_px: Floats) -> Floats:
        """Standard deviations (n, 2) along x and y in mm from those along u and v in px.

        `sigma_px` is (2,), or (n, 2) where each spot has its own. Variances through the map's
        derivative (JCGM 100, 5.1.2): errors along u and v are taken as independent. Where it is
        known, the place's own uncertainty joins them, without the scale's, which changes no spot
        against another but in proportion.
        """
        variance = np.asarray(sigma_px) ** 2
        squared = self.slopes_mm(u_px, v_px) ** 2
        if variance.ndim == 1:
            sigma = np.sqrt(squared @ variance)
        else:
            sigma = np.sqrt(np.einsum("nij,nj->ni", squared, variance))
        if self.known is None:
            return np.asarray(sigma)
        return np.hypot(sigma, self.place_sigma_mm(u_px, v_px, scale=False))

    def place_sigma_mm(self, u_px: Floats, v_px: Floats, *, scale: bool = True) -> Floats:
        """Standard uncertainty (n, 2) of places along x and y, mm, from the registration alone.

        With `scale` that of the scales is in it. NaN where it is not known.

        A place is where seen(place, unknowns) = px: its derivatives by the unknowns are those of
        `seen` by them, times the inverse of that by the place (implicit functions; JCGM 100, 5.2).
        """
        u, v = np.atleast_1d(np.asarray(u_px, float)), np.atleast_1d(np.asarray(v_px, float))
        if self.known is None:
            return np.full((len(u), 2), np.nan)
        place = self.spot_mm(u, v)
        good = np.isfinite(place).all(axis=1)
        sigma = np.full((len(u), 2), np.nan)
        by = place_slopes(self.known.view, self.lens, self.known.terms, place[good])
        variance = np.einsum("nik,kl,nil->ni", by, self.known.covariance, by)
        if scale:
            variance = variance + (place[good] * self.known.scale_sigma) ** 2
        sigma[good] = np.sqrt(np.maximum(variance, 0.0))
        return sigma

    def for_picture(self, width_px: int, height_px: int) -> Registration:
        """The same for another picture size of the same camera and the same form.

        Raises `InputError` for a picture of another form: cut, turned, or of another camera.
        """
        if not self.width_px or (width_px, height_px) == (self.width_px, self.height_px):
            return self
        was, now = self.width_px / self.height_px, width_px / height_px
        if abs(now / was - 1.0) > _SAME_FORM:
            turned = abs(now * was - 1.0) <= _SAME_FORM
            raise InputError(
                f"the registration belongs to pictures of {self.width_px} by {self.height_px} "
                f"pixels, the film has {width_px} by {height_px}"
                + (": it is turned by 90 degrees" if turned else ", another form"),
                mend="photograph the target with the setting of the film, or give a frame of a "
                "film of the target: hysteresis register RUN --target FILM --force",
            )
        factor = width_px / self.width_px
        note = (
            f"the registration, made from pictures of {self.width_px} by {self.height_px} pixels, "
            f"is scaled to {width_px} by {height_px}"
        )
        smaller = np.array(
            [[1 / factor, 0.0, 0.5 / factor - 0.5], [0.0, 1 / factor, 0.5 / factor - 0.5],
             [0.0, 0.0, 1.0]]
        )  # fmt: skip
        known = self.known
        if known is not None:
            view = known.view
            view = replace(
                view, px_centre=(view.px_centre + 0.5) * factor - 0.5, px_size=view.px_size * factor
            )
            unit = np.ones(8 + len(known.terms))
            unit[[8 + k for k, t in enumerate(known.terms) if t.startswith("centre")]] = factor
            known = replace(known, view=view, covariance=known.covariance * np.outer(unit, unit))
        return replace(
            self, homography=Homography(self.homography.matrix @ smaller),
            lens=None if self.lens is None else self.lens.enlarged(factor), known=known,
            mm_per_px=self.mm_per_px / factor, residual_px=self.residual_px * factor,
            width_px=width_px, height_px=height_px, notes=(*self.notes, note),
        )  # fmt: skip

    def _pinhole(self, u_px: Floats, v_px: Floats) -> tuple[Floats, Floats]:
        return (u_px, v_px) if self.lens is None else self.lens.pinhole(u_px, v_px)


def place_slopes(view: View, lens: Lens | None, terms: tuple[str, ...], mm: Floats) -> Floats:
    """Derivatives (n, 2, 8 + terms) of places that stay at their px, by the unknowns."""
    columns = [TERMS.index(term) for term in terms]
    if lens is None:
        by_unknowns, by_place = view.by_entries(mm), view.by_place(mm)
    else:
        by_entries, by_terms = slopes_at(view, lens, mm)
        by_unknowns = np.concatenate([by_entries, by_terms[..., columns]], axis=-1)
        by_place = lens.slopes(*view.px(mm).T) @ view.by_place(mm)
    return np.asarray(-np.linalg.solve(by_place, by_unknowns))


def register(camera: Camera) -> Registration:
    """Fit the map from pixels to mm to the fiducials of bench.toml.

    Raises `InputError` when there are none, or when they fix no plane.
    """
    if not camera.fiducials:
        raise InputError(
            "the camera has no fiducials, and the run no registration.json", file="bench.toml",
            column="camera.fiducials", mend=_WAYS,
        )  # fmt: skip
    px = np.array([(mark.u_px, mark.v_px) for mark in camera.fiducials])
    mm = np.array([(mark.x_mm, mark.y_mm) for mark in camera.fiducials])
    try:
        return register_points(px, mm)
    except InputError as error:
        raise InputError(
            f"the fiducials do not fix the target plane: {error.what}",
            file="bench.toml",
            column="camera.fiducials",
            mend=error.mend,
        ) from error


def register_points(px: Floats, mm: Floats, *, source: str = "fiducials") -> Registration:
    """Fit the map from pixels to mm to marks (n, 2) clicked or typed by hand.

    The squared distances in mm are minimised, divided by the degrees of freedom for the residual
    (2 n coordinates less 8 parameters). Raises `InputError` when they fix no plane.
    """
    homography = fit_homography(px, mm)
    error_mm = np.column_stack(homography.apply(*px.T)) - mm
    freedom = 2 * len(px) - 8
    residual = float(np.sqrt((error_mm**2).sum() / freedom)) if freedom else float("nan")
    slopes = homography.jacobian(*px.mean(axis=0))
    return Registration(
        homography=homography,
        fiducials=len(px),
        residual_mm=residual,
        mm_per_px=float(np.sqrt(abs(np.linalg.det(slopes)))),
        notes=_notes(px, mm, residual),
        source=source,
        left=MarksLeft(mm, _in_px(homography, px, mm), error_mm, np.ones(len(px), dtype=bool)),
    )


def _in_px(homography: Homography, px: Floats, mm: Floats) -> Floats:
    """Fitted less seen pixels of marks."""
    return np.column_stack(homography.inverse().apply(*mm.T)) - px


def _notes(px: Floats, mm: Floats, residual_mm: float) -> tuple[str, ...]:
    if len(px) == 4:
        return (
            "four fiducials fit any map exactly: a misplaced one cannot be noticed; mark a fifth",
        )
    worst = _odd_one_out(px, mm) if len(px) >= 6 else None
    if worst is None:
        return ()
    number, distance = worst
    return (
        f"fiducial {number} lies {distance:.2g} mm from where the others put it: check its pixels "
        "and its mm",
    )


def _odd_one_out(px: Floats, mm: Floats) -> tuple[int, float] | None:
    """The one fiducial that disagrees with all others (number from 1, distance), if there is one.

    Each is left out in turn; with it left out the rest must agree far better than before.
    """
    found = []
    for left_out in range(len(px)):
        rest = np.arange(len(px)) != left_out
        try:
            others = fit_homography(px[rest], mm[rest])
        except InputError:
            continue
        misfit = np.column_stack(others.apply(*px[rest].T)) - mm[rest]
        rms = float(np.sqrt((misfit**2).sum() / (2 * rest.sum() - 8)))
        place = np.array(others.apply(*px[left_out]))
        found.append((rms, left_out, float(np.linalg.norm(place - mm[left_out]))))
    if len(found) < 2:
        return None
    found.sort()
    rms, number, distance = found[0]
    if distance > _DOUBTFUL * max(rms, 1e-9) and found[1][0] > _DOUBTFUL * rms:
        return number + 1, distance
    return None
