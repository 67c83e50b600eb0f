"""The printed target: its rule, its page, and finding it in pictures of known truth."""

from __future__ import annotations

import re

import numpy as np
import pytest

pytest.importorskip("cv2")

import cv2

from hysteresis.errors import InputError
from hysteresis.measure.find_target import TargetFault, find_target
from hysteresis.measure.view_fit import fit_views, mark_shift_px
from hysteresis.target import (
    PITCHES_MM,
    REACH,
    is_ring,
    marks_of,
    place_on_page_mm,
    target_for,
    write_target_pdf,
    write_target_png,
)

from .target_pictures import DPI, camera, page, photograph, truth

SMALL = {"size": (640, 480), "focal_px": 620.0}
WIDE = (-0.2, 0.06, 0.0, 0.0)

# ---- the rule and the page ---------------------------------------------------------------------


def test_no_other_place_turn_mirror_or_pitch_looks_alike() -> None:
    """The middle nine by nine marks differ from every other view of nine by nine in 19 or more."""
    line = np.arange(-REACH, REACH + 1)
    i, j = np.meshgrid(line, line, indexing="ij")
    rules = {p: is_ring(p, i, j) for p in PITCHES_MM}
    views = []
    for rule in rules.values():
        for sheet in (rule, rule[:, ::-1]):
            for k in range(4):
                cut = np.lib.stride_tricks.sliding_window_view(np.rot90(sheet, k), (9, 9))
                views.append(cut.reshape(-1, 81))
    every = np.concatenate(views)
    for rule in rules.values():
        own = rule[REACH - 4 : REACH + 5, REACH - 4 : REACH + 5].ravel()
        wrong = np.sort((every != own).sum(axis=1))
        assert wrong[0] == 0 and wrong[1] >= 19


@pytest.mark.parametrize(
    ("field", "pitch", "n"), [(16, 2, 9), (40, 5, 9), (60, 5, 13), (100, 10, 11), (160, 20, 9)]
)
def test_pitch_of_a_field(field: float, pitch: float, n: int) -> None:
    target = target_for(field)
    assert (target.pitch_mm, 2 * target.half + 1) == (pitch, n)
    assert len(marks_of(target).x_mm) == n * n


@pytest.mark.parametrize("field", [0, 10, 300, float("nan")])
def test_fields_that_fit_no_page(field: float) -> None:
    with pytest.raises(InputError, match="16 to 160"):
        target_for(field)


def test_paper(tmp_path) -> None:
    write_target_pdf(target_for(100), tmp_path / "a4.pdf")
    write_target_pdf(target_for(100), tmp_path / "letter.pdf", "letter")
    for name, size in (("a4", (210, 297)), ("letter", (215.9, 279.4))):
        box = re.search(rb"/MediaBox\s*\[([^\]]*)\]", (tmp_path / f"{name}.pdf").read_bytes())
        assert box is not None
        told = [float(word) for word in box[1].split()]
        assert told[2:] == pytest.approx([mm * 72 / 25.4 for mm in size], abs=0.01)
    with pytest.raises(InputError, match="a4 or letter"):
        write_target_pdf(target_for(100), tmp_path / "x.pdf", "quarto")
    with pytest.raises(InputError, match="does not fit"):
        write_target_pdf(target_for(160), tmp_path / "x.pdf", "letter")
    assert not (tmp_path / "x.pdf").exists()


def test_the_page_is_at_true_scale(tmp_path) -> None:
    """Marks found on the page itself lie where the page says, and the rulers are 100 mm long."""
    write_target_png(target_for(100), tmp_path / "page.png", 254)
    picture = cv2.imread(str(tmp_path / "page.png"), cv2.IMREAD_GRAYSCALE)
    assert picture.shape == (2970, 2100)
    found = find_target(picture)
    x0, y0 = place_on_page_mm(target_for(100), "a4")
    place = np.column_stack([x0 + found.seen.mm[:, 0], y0 - found.seen.mm[:, 1]]) * 10.0 - 0.5
    assert len(found.i) == 121 and found.pitch_mm == 10
    # a page rendered to 256 levels: a centroid of 1400 px is good to some 1e-3 px
    assert np.abs(found.seen.px - place).max() < 0.01
    dark = picture < 160
    y = round((y0 + 50 + 25) * 10)
    runs = dark[y - 3 : y + 3].any(axis=0)
    xs = np.flatnonzero(runs)
    assert xs[-1] - xs[0] + 1 == pytest.approx(1000, abs=7)  # strokes 0.18 mm wide


# ---- finding -----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_marks_are_found_to_a_twentieth_of_a_pixel(seed: int) -> None:
    """Any turn, tilt to 45°, distortion, blur, noise, uneven light; truth by OpenCV."""
    rng = np.random.default_rng(seed)
    tilt = (0, 15, 25, 35, 45)[seed]
    view = camera(rng, tilt_deg=tilt, distance_mm=190 + tilt, distortion=WIDE, **SMALL)
    picture = photograph(view, rng=rng, noise=3.0, blur_px=0.5 + 0.15 * seed, light=0.5)
    found = find_target(picture)
    bundle = fit_views([found.seen], 640, 480)
    used = bundle.used[0]
    shift = mark_shift_px(bundle.views[0], bundle.lens, found.seen)
    error = (found.seen.px - shift - truth(view, found))[used]
    plain = (found.seen.px - truth(view, found))[used]
    rms = float(np.sqrt((error**2).mean()))
    print(f"\ntilt {tilt}°: {used.sum()} marks, rms {rms:.4f} px, not corrected for the disc's "
          f"perspective {np.sqrt((plain**2).mean()):.4f} px")  # fmt: skip
    assert used.sum() >= 110
    assert rms < 0.05
    if tilt >= 25:  # the correction is worth it
        assert rms < 0.6 * np.sqrt((plain**2).mean())


@pytest.fixture(scope="module")
def upright() -> tuple:
    rng = np.random.default_rng(7)
    view = camera(rng, tilt_deg=15, turn_deg=8, **SMALL)
    return view, photograph(view, rng=rng)


def test_hidden_in_part(upright) -> None:
    view, picture = upright
    hand = picture.copy()
    cv2.ellipse(hand, (230, 360), (130, 90), 30, 0, 360, 110, -1)
    cv2.circle(hand, (350, 200), 8, 255, -1)  # the spot, saturated
    found = find_target(hand)
    bundle = fit_views([found.seen], 640, 480)
    shift = mark_shift_px(bundle.views[0], bundle.lens, found.seen)
    error = (found.seen.px - shift - truth(view, found))[bundle.used[0]]
    assert 60 < len(found.i) < 121
    assert np.sqrt((error**2).mean()) < 0.05


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_turned_by_quarters(upright, quarters: int) -> None:
    _, picture = upright
    plain, turned = find_target(picture), find_target(np.rot90(picture, quarters).copy())
    assert set(zip(plain.i, plain.j, strict=True)) == set(zip(turned.i, turned.j, strict=True))


def test_mirrored(upright) -> None:
    for picture in (upright[1][:, ::-1], upright[1][::-1]):
        with pytest.raises(TargetFault, match="mirrored") as caught:
            find_target(picture.copy())
        assert len(caught.value.numbered) > 100


def test_no_target() -> None:
    rng = np.random.default_rng(0)
    for picture in (
        np.full((480, 640), 200, np.uint8),
        np.zeros((480, 640), np.uint8),
        rng.integers(0, 255, (480, 640)).astype(np.uint8),
    ):
        with pytest.raises(TargetFault, match="no target is seen"):
            find_target(picture)
    with pytest.raises(InputError, match="too small"):
        find_target(np.zeros((20, 30), np.uint8))


def test_other_dots_are_no_target() -> None:
    picture = np.full((700, 900), 220, np.uint8)
    for a in range(10):
        for b in range(12):
            cv2.circle(picture, (60 + 70 * b, 50 + 65 * a), 14, 20, -1, cv2.LINE_AA)
    with pytest.raises(TargetFault, match="not this toolkit's target"):
        find_target(picture)


def test_too_few_marks(upright) -> None:
    hidden = upright[1].copy()
    hidden[:, :470] = 120
    with pytest.raises(TargetFault, match="marks of a target are seen, all on one line"):
        find_target(hidden)
    hidden = upright[1].copy()
    hidden[:, :440] = 120
    with pytest.raises(TargetFault, match="marks"):
        find_target(hidden)


@pytest.mark.parametrize("field", [40.0, 60.0])
def test_other_sizes_are_told_apart(field: float) -> None:
    view = camera(np.random.default_rng(2), distance_mm=1.9 * field, **SMALL)
    found = find_target(photograph(view, field_mm=field))
    assert found.pitch_mm == target_for(field).pitch_mm
    assert len(found.i) > 0.9 * (2 * target_for(field).half + 1) ** 2


def test_colours_and_depths(upright) -> None:
    _, picture = upright
    grey = find_target(picture).seen.px
    assert np.allclose(find_target(np.dstack([picture] * 3)).seen.px, grey, atol=1e-9)
    assert np.allclose(find_target(picture.astype(np.uint16) * 256).seen.px, grey, atol=1e-6)


def test_the_page_used_here_is_fine_enough() -> None:
    assert page(100.0).shape == (round(297 * DPI / 25.4), round(210 * DPI / 25.4))
