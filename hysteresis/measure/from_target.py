"""A registration from stills of the printed target: found, fitted, judged."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import DataError, InputError
from hysteresis.measure.find_target import Found
from hysteresis.measure.registration import Known, MarksLeft, Registration
from hysteresis.measure.view_fit import Bundle, Seen, fit_views
from hysteresis.tables import Floats
from hysteresis.target import RULER_MM

RULER_READ_MM = 0.15
"""Standard uncertainty of a ruler of 100 mm read by eye (common practice, no source)."""
PRINT_STRETCH = 0.003
"""Standard uncertainty of a printed length that nobody measured (common practice, no source)."""
_WRONG_SCALE, _ODD_SCALE = 0.1, 0.03
_LEAST_SHARE, _WHOLE_SHARE = 0.6, 0.95
_CRUMPLED_MM = 0.25


def register_target(
    found: Sequence[Found], bench: Bench, *, ruler_mm: tuple[float, float] | None = None
) -> Registration:
    """Registration from the target in one still or several of one camera setting.

    Parameters
    ----------
    found : the target in each still; in the first it lies in the plane of the spot, in the others
        it may be tilted in any way: they tell about the lens only.
    ruler_mm : lengths of the check rulers across and up as they were measured on the paper.

    Raises
    ------
    InputError : stills of different size, a ruler that cannot be this target's, or a target that
        covers too little of the field.
    DataError : too few marks agree with each other.
    """
    first = found[0]
    for other in found[1:]:
        if (other.width_px, other.height_px) != (first.width_px, first.height_px):
            raise InputError(
                f"the stills differ in size: {first.width_px} by {first.height_px} and "
                f"{other.width_px} by {other.height_px} pixels",
                mend="take all of them with one setting of the camera, none of them turned",
            )
    scale = _scale(ruler_mm)
    stills = [Seen(f.seen.mm * scale, f.seen.px, f.seen.radii_mm * scale.mean()) for f in found]
    notes = [*_coverage_notes(stills[0].mm, bench)]
    bundle = fit_views(stills, first.width_px, first.height_px)
    if ruler_mm is None:
        relative = np.full(2, PRINT_STRETCH)
        notes.append(
            f"the check rulers were not measured: the scale is taken as good to "
            f"{100 * PRINT_STRETCH:g} %; say what they measure with --ruler-mm ACROSS,UP"
        )
    else:
        relative = RULER_READ_MM / np.array(ruler_mm)
    out = _registration(bundle, stills[0], first, relative)
    notes += _fit_notes(bundle, out, len(found))
    return _with_notes(out, tuple(notes))


def _scale(ruler_mm: tuple[float, float] | None) -> Floats:
    """Measured over nominal length along x and y."""
    if ruler_mm is None:
        return np.ones(2)
    scale = np.array(ruler_mm, dtype=float) / RULER_MM
    if not np.isfinite(scale).all() or (np.abs(scale - 1.0) > _WRONG_SCALE).any():
        wrong = ruler_mm[int(np.argmax(np.abs(scale - 1.0)))]
        raise InputError(
            f"a check ruler of this target is {RULER_MM:g} mm long, and this is more than "
            f"{100 * _WRONG_SCALE:g} % off",
            value=wrong,
            mend="print the target at 100 %, and measure between the long end strokes, in mm",
        )  # fmt: skip
    if abs(scale[0] - scale[1]) > _ODD_SCALE:
        raise InputError(
            "the two check rulers differ by more than any printer stretches one way",
            value=f"{ruler_mm[0]:g},{ruler_mm[1]:g}",
            mend="measure both again: first the one across, then the one up",
        )  # fmt: skip
    return scale


def _coverage_notes(mm: Floats, bench: Bench) -> list[str]:
    """What the seen part of the target leaves open of the rig's field; `InputError` if too much."""
    full = np.array([bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm])
    low, high = mm.min(axis=0), mm.max(axis=0)
    share = np.clip(np.minimum(high, full) - np.maximum(low, -full), 0.0, None) / (2.0 * full)
    words = (
        f"the marks seen reach from {low[0]:.0f} to {high[0]:.0f} mm along x and from "
        f"{low[1]:.0f} to {high[1]:.0f} mm along y, the rig's field from {-full[0]:.0f} to "
        f"{full[0]:.0f} and from {-full[1]:.0f} to {full[1]:.0f} mm"
    )
    if share.min() < _LEAST_SHARE:
        raise InputError(
            f"only a part of the field is seen: {words}",
            mend="show the whole target, print one of the field's size (hysteresis target "
            "--field-mm), or correct full_scale_x_mm and full_scale_y_mm in bench.toml",
        )
    return [f"{words}: places beyond the marks are less sure"] if share.min() < _WHOLE_SHARE else []


def _registration(bundle: Bundle, still: Seen, found: Found, scale_sigma: Floats) -> Registration:
    view, used = bundle.views[0], bundle.used[0]
    lens = bundle.lens if bundle.terms else None
    homography = view.to_mm()
    middle = still.mm[used].mean(axis=0)
    at = np.stack(bundle.lens.seen(*view.px(middle)))
    draft = Registration(
        homography=homography, fiducials=int(used.sum()), residual_mm=0.0, mm_per_px=0.0, lens=lens,
        known=Known(view, bundle.terms, bundle.covariance, scale_sigma),
        residual_px=bundle.sigma_px, width_px=found.width_px, height_px=found.height_px,
        source="target",
    )  # fmt: skip
    slopes = draft.slopes_mm(still.px[:, 0], still.px[:, 1])
    error_mm = np.einsum("nij,nj->ni", slopes, bundle.error_px[0])
    left = MarksLeft(still.mm, bundle.error_px[0], error_mm, used)
    freedom = max(2 * int(used.sum()) - 8 - len(bundle.terms), 1)
    residual_mm = float(np.sqrt((error_mm[used] ** 2).sum() / freedom))
    size = float(np.sqrt(abs(np.linalg.det(draft.slopes_mm(at[:1], at[1:])[0]))))
    if residual_mm > _CRUMPLED_MM:
        raise DataError(
            f"the marks of the target lie {residual_mm:.2g} mm (rms) from a plane seen through a "
            "lens: lay the paper flat, hold camera and target still, and photograph it again"
        )
    return Registration(
        homography, int(used.sum()), residual_mm, size, (), lens, draft.known, bundle.sigma_px,
        found.width_px, found.height_px, "target", left,
    )  # fmt: skip


def _with_notes(registration: Registration, notes: tuple[str, ...]) -> Registration:
    from dataclasses import replace

    return replace(registration, notes=notes)


def _fit_notes(bundle: Bundle, out: Registration, stills: int) -> list[str]:
    notes = []
    aside = int((~bundle.used[0]).sum())
    if aside:
        notes.append(
            f"{aside} mark{'s' * (aside != 1)} set aside, off by more than the others scatter"
        )
    if not bundle.terms:
        notes.append("no distortion of the lens can be seen, so none is corrected")
    elif stills < 3:
        notes.append(
            "the lens is estimated from "
            + ("one still" if stills == 1 else "two stills")
            + ": good within the marks; three or more stills at different tilts tell it well"
        )
    return notes
