"""How well a place on the target is known by the marks: the registration's share of a budget."""

from __future__ import annotations

import numpy as np

from hysteresis.homography import Homography
from hysteresis.measure.registration import Registration
from hysteresis.recording import Observations
from hysteresis.tables import Floats

CLICK_PX, CLICK_DOF = 0.2, 8.0
"""Standard uncertainty of a mark clicked by hand (common practice, no source), known to a quarter
of itself: 8 degrees of freedom (JCGM 100, G.4.2). It joins what few marks disagree by."""
CLICK_TIMES = 2.0  # marks that disagree more than so many clicks speak for themselves alone


def registered(registration: Registration, seen: Observations) -> tuple[Floats, float, float, bool]:
    """Place uncertainty (2, 2: middle and worst; by axis), relative scale's, dof, assumed."""
    x, y = _some(seen)
    u, v = registration.px_of(x, y)
    if registration.known is not None:
        sigma = registration.place_sigma_mm(u, v)
        sigma = sigma[np.isfinite(sigma).all(axis=1)]
        dof = float(2 * registration.fiducials - 8 - len(registration.known.terms))
        if len(sigma):
            middle = np.median(np.column_stack([x, y]), axis=0)
            away = np.hypot(x - middle[0], y - middle[1])
            return _summed(sigma, float(np.sqrt(np.mean(away**2))), dof, False)
    if registration.left is None:  # nothing is known of it
        return np.full((2, 2), np.nan), np.nan, np.inf, True
    mm = registration.left.mm[registration.left.used]
    dof = float(2 * registration.fiducials - 8)
    assumed = dof <= 0 or not np.isfinite(registration.residual_mm)
    each, dof = pooled_mark_mm(registration.residual_mm, dof, registration.mm_per_px)
    marks = np.column_stack(registration.px_of(*mm.T))
    sigma = place_sigma_mm(registration.homography, marks, each, u, v)
    half = float(np.sqrt(np.mean(((mm - mm.mean(axis=0)) ** 2).sum(axis=1))))
    return _summed(sigma, half, dof, assumed)


def scale_share(registration: Registration, seen: Observations) -> float:
    """Of a place's variance (rms of the places seen) the part that a wrong scale has, 0 to 1."""
    if registration.known is None:
        return 0.0
    px = registration.px_of(*_some(seen))
    whole = float(np.nansum(registration.place_sigma_mm(*px) ** 2))
    rest = float(np.nansum(registration.place_sigma_mm(*px, scale=False) ** 2))
    return 1.0 - rest / whole if whole > 0.0 else 0.0


def _some(seen: Observations) -> tuple[Floats, Floats]:
    """Some two thousand of the places seen, mm."""
    rows = np.flatnonzero(np.isfinite(seen.x_mm + seen.y_mm))
    rows = rows[:: max(1, len(rows) // 2000)]
    return seen.x_mm[rows], seen.y_mm[rows]


def _summed(
    sigma: Floats, half_mm: float, dof: float, assumed: bool
) -> tuple[Floats, float, float, bool]:
    """Rms and worst place, and the scale: errors as large as the worst, opposed at both ends."""
    place = np.vstack([np.sqrt(np.mean(sigma**2, axis=0)), np.max(sigma, axis=0)])
    scale = float(np.sqrt(2.0) * place[1].max() / max(half_mm, 1e-9))
    return place, scale, dof if dof > 0 else np.inf, assumed


def pooled_mark_mm(residual_mm: float, dof: float, mm_per_px: float) -> tuple[float, float]:
    """Standard uncertainty of one mark's coordinate and its degrees of freedom.

    Variances weighted by degrees of freedom (a pooled estimate, JCGM 100; from memory): by luck
    two marks may agree to nothing, and by a t factor of 4.3 nobody is served.
    """
    click = CLICK_PX * mm_per_px
    if dof <= 0 or not np.isfinite(residual_mm):
        return click, CLICK_DOF
    if residual_mm > CLICK_TIMES * click:
        return residual_mm, dof
    whole = dof + CLICK_DOF
    return float(np.sqrt((dof * residual_mm**2 + CLICK_DOF * click**2) / whole)), whole


def place_sigma_mm(
    homography: Homography, marks_px: Floats, each_mm: float, u_px: Floats, v_px: Floats
) -> Floats:
    """Standard uncertainty (n, 2) of a place, from that of each mark's coordinates.

    Least squares in the target plane (as `register` fits): covariance s² (JᵀJ)⁺ of the nine
    entries, carried to the place by its own derivatives (JCGM 100, 5.2.2). The matrix's free
    scale is in the null space of both.
    """

    def slopes(u: Floats, v: Floats) -> Floats:
        h = homography.matrix
        point = np.column_stack([u, v, np.ones(len(u))])
        moved = point @ h.T
        w = moved[:, 2:]
        out = np.zeros((len(u), 2, 9))
        out[:, 0, 0:3] = out[:, 1, 3:6] = point / w
        for axis in range(2):
            out[:, axis, 6:9] = -(moved[:, axis : axis + 1] / w) * point / w
        return out

    by_mark = slopes(marks_px[:, 0], marks_px[:, 1]).reshape(-1, 9)
    size = np.linalg.norm(by_mark, axis=0)  # entries of very different size
    covariance = each_mm**2 * np.linalg.pinv((by_mark / size).T @ (by_mark / size), 1e-12)
    at = slopes(np.asarray(u_px, float), np.asarray(v_px, float)) / size
    return np.sqrt(np.maximum(np.einsum("nik,kl,nil->ni", at, covariance, at), 0.0))
