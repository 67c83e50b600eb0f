"""From pixels to millimetres on the target plane, by the bench's fiducials."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.bench import Camera
from hysteresis.errors import InputError
from hysteresis.homography import Homography, fit_homography
from hysteresis.tables import Floats

_DOUBTFUL = 4.0
"""A fiducial is pointed out when its misfit, seen without it, is so many times the others'."""


@dataclass(frozen=True)
class Registration:
    """The map from pixels to mm and how well the fiducials agree on it.

    `residual_mm` is the standard deviation of a fiducial's place, NaN with four fiducials, which
    any homography fits. `mm_per_px` is the size of a pixel in the middle of the fiducials.
    """

    homography: Homography
    fiducials: int
    residual_mm: float
    mm_per_px: float
    notes: tuple[str, ...] = ()

    def spot_mm(self, u_px: Floats, v_px: Floats) -> Floats:
        """Spots (n, 2) in mm; NaN where no point of the plane is seen."""
        x, y = self.homography.apply(u_px, v_px)
        spot = np.column_stack([x, y])
        spot[~self.homography.in_front(u_px, v_px)] = np.nan
        return spot

    def sigma_mm(self, u_px: Floats, v_px: Floats, sigma_px: Floats) -> Floats:
        """Standard deviations (n, 2) along x and y in mm from those along u and v in px (2,).

        Variances through the map's derivative (JCGM 100, 5.1.2): errors along u and v are taken
        as independent.
        """
        slopes = self.homography.jacobian(u_px, v_px)
        return np.sqrt((slopes**2) @ (np.asarray(sigma_px) ** 2))


def register(camera: Camera) -> Registration:
    """Fit the map from pixels to mm.

    The squared distances in mm are minimised, divided by the degrees of freedom for the residual
    (2 n coordinates less 8 parameters). Raises `InputError` when the fiducials fix no plane.
    """
    px = np.array([(mark.u_px, mark.v_px) for mark in camera.fiducials])
    mm = np.array([(mark.x_mm, mark.y_mm) for mark in camera.fiducials])
    try:
        homography = fit_homography(px, mm)
    except InputError as error:
        raise InputError(
            f"the fiducials do not fix the target plane: {error.what}",
            file="bench.toml",
            column="camera.fiducials",
            mend=error.mend,
        ) from error
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
    )


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
