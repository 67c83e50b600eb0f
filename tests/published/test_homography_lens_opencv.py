"""Homography, lens and bundle against OpenCV's (opencv-python-headless): the other's pictures.

Source: OpenCV's `findHomography`, `projectPoints`, `undistortPoints` and `calibrateCamera` as the
installed package computes them.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

cv2 = pytest.importorskip("cv2")
sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from target_pictures import all_marks, camera  # noqa: E402

from hysteresis.homography import fit_homography  # noqa: E402
from hysteresis.measure.lens import Lens  # noqa: E402
from hysteresis.measure.view_fit import Seen, fit_homography_of_many, fit_views  # noqa: E402

SEEDS = range(5)
BENT = (-0.18, 0.06, 0.0008, -0.0006)


@pytest.mark.parametrize("seed", SEEDS)
def test_homography_of_noisy_marks(seed: int) -> None:
    """Both minimise squared distances in the second plane: the same map to their stopping rules."""
    rng = np.random.default_rng(seed)
    mm = all_marks(100.0)
    px = camera(rng, tilt_deg=25).sees(mm) + rng.normal(0, 0.2, mm.shape)
    theirs, _ = cv2.findHomography(mm, px, 0)
    few = rng.choice(len(mm), 12, replace=False)
    ours = fit_homography_of_many(mm, px)
    h = np.column_stack([mm, np.ones(len(mm))]) @ theirs.T
    gap = np.abs(np.column_stack(ours.apply(*mm.T)) - h[:, :2] / h[:, 2:]).max()
    few_theirs, _ = cv2.findHomography(mm[few], px[few], 0)
    f = np.column_stack([mm, np.ones(len(mm))]) @ few_theirs.T
    few_ours = fit_homography(mm[few], px[few])
    few_gap = np.abs(np.column_stack(few_ours.apply(*mm.T)) - f[:, :2] / f[:, 2:]).max()
    print(f"\nseed {seed}: largest gap {gap:.1e} px of 121 marks, {few_gap:.1e} px of 12")
    # OpenCV stops Levenberg-Marquardt at a relative change of about 1e-7 (float epsilon) or
    # after 10 steps: of some 1000 px that is 1e-4
    assert gap < 1e-3 and few_gap < 1e-3


@pytest.mark.parametrize("seed", SEEDS)
def test_distortion_both_ways(seed: int) -> None:
    drawn = np.random.default_rng(seed + 100).normal(0, 1, 4) * (0.1, 0.03, 1e-3, 1e-3)
    view = camera(np.random.default_rng(seed), tilt_deg=30, distortion=tuple(drawn))
    straight = camera(np.random.default_rng(seed), tilt_deg=30)
    mm = all_marks(100.0)
    k1, k2, p1, p2 = view.distortion
    lens = Lens(view.matrix[0, 2], view.matrix[1, 2], view.focal_px, k1, k2, p1, p2)
    ideal = straight.sees(mm)
    assert np.allclose(straight.turn, view.turn) and np.allclose(straight.shift, view.shift)
    theirs = view.sees(mm)
    ours = np.column_stack(lens.seen(*ideal.T))
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 500, 1e-14)
    back = cv2.undistortPoints(
        theirs.reshape(-1, 1, 2), view.matrix, view.distortion, None, None, view.matrix, criteria
    ).reshape(-1, 2)
    own_back = np.column_stack(lens.pinhole(*theirs.T))
    gaps = np.abs(ours - theirs).max(), np.abs(own_back - back).max()
    print(f"\nseed {seed}: distorted within {gaps[0]:.1e} px, undistorted within {gaps[1]:.1e} px")
    assert gaps[0] < 1e-9  # the same formula in double precision
    # their fixed-point iteration stops at its own tolerance; ours is checked to 1e-9 on its own
    assert gaps[1] < 1e-6


@pytest.mark.parametrize("seed", SEEDS)
def test_lens_from_several_views(seed: int) -> None:
    """Our free homographies and their camera model correct the same points alike.

    Both see the same noisy marks; what is compared is the straightness each restores: with either
    lens, marks that were kept out of the fit must follow a homography.
    """
    rng = np.random.default_rng(seed)
    mm = all_marks(100.0)
    views = [camera(rng, tilt_deg=t, distortion=BENT, centre=(6.0, -5.0)) for t in (5, 30, 35, 40)]
    noisy = [v.sees(mm) + rng.normal(0, 0.05, mm.shape) for v in views]
    bundle = fit_views([Seen(mm, px, np.zeros_like(mm)) for px in noisy], 1280, 960)
    points = [np.column_stack([mm, np.zeros(len(mm))]).astype(np.float32)] * len(views)
    seen = [px.reshape(-1, 1, 2).astype(np.float32) for px in noisy]
    flags = cv2.CALIB_FIX_K3 | cv2.CALIB_FIX_ASPECT_RATIO
    start = np.array([[1000.0, 0, 639.5], [0, 1000.0, 479.5], [0, 0, 1]])
    _, matrix, bent, *_ = cv2.calibrateCamera(points, seen, (1280, 960), start, None, flags=flags)
    extra = rng.uniform(-45, 45, (300, 2))
    errors = {}
    for name in ("ours", "theirs"):
        worst = 0.0
        for view in views:
            px = view.sees(extra)
            if name == "ours":
                flat = np.column_stack(bundle.lens.pinhole(*px.T))
            else:
                flat = cv2.undistortPoints(
                    px.reshape(-1, 1, 2), matrix, bent, None, None, matrix
                ).reshape(-1, 2)
            h = fit_homography_of_many(extra, flat)
            gap = np.column_stack(h.apply(*extra.T)) - flat
            worst = max(worst, float(np.sqrt((gap**2).mean())))
        errors[name] = worst
    ours, theirs = errors["ours"], errors["theirs"]
    print(f"\nseed {seed}: bent by {ours:.4f} px after ours, {theirs:.4f} px after theirs")
    # 968 coordinates at 0.05 px and some 38 unknowns: 0.05 √(38 / 968) = 0.01 px is to be expected
    assert ours < 0.02
    assert theirs < 0.02  # the comparison itself is sound
