"""Registration: from pictures to 0.1 mm, its uncertainty against real scatter, its file."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("cv2")

from hysteresis.bench import Bench
from hysteresis.errors import DataError, InputError
from hysteresis.measure.find_target import Found, find_target
from hysteresis.measure.from_target import PRINT_STRETCH, register_target
from hysteresis.measure.from_traced import register_traced
from hysteresis.measure.lens import Lens
from hysteresis.measure.registration import Registration, register, register_points
from hysteresis.measure.registration_file import (
    read_registration,
    registration_of,
    write_registration,
)
from hysteresis.measure.target_blobs import Blobs
from hysteresis.measure.view_fit import Seen
from hysteresis.plan.reading_steps import reading_steps
from hysteresis.tables import CameraLog, TypedSheet
from hysteresis.target import marks_of, target_for

from .synthetic import make_bench
from .target_pictures import Camera, all_marks, camera, photograph

BENT = (-0.2, 0.06, 0.0, 0.0)
FIELD = np.array([(x, y) for x in np.linspace(-50, 50, 11) for y in np.linspace(-50, 50, 11)])


@pytest.fixture
def bench(tmp_path) -> Bench:
    return make_bench(tmp_path)


def without_fiducials(bench: Bench) -> Bench:
    assert bench.camera is not None
    return bench.model_copy(update={"camera": bench.camera.model_copy(update={"fiducials": ()})})


def found_at(view: Camera, noise_px: float, rng: np.random.Generator, keep=None) -> Found:
    """Marks as points with noise, no picture in between."""
    marks = marks_of(target_for(100.0))
    mm = all_marks(100.0)
    px = view.sees(mm) + rng.normal(0, noise_px, mm.shape)
    rows = np.arange(len(mm)) if keep is None else np.flatnonzero(keep(mm))
    blobs = Blobs(px, np.tile(np.eye(2), (len(mm), 1, 1)), marks.ring)
    seen = Seen(mm[rows], px[rows], np.zeros((len(rows), 2)))
    return Found(10.0, marks.i[rows], marks.j[rows], marks.ring[rows], seen, blobs, *view.size)


def registered(bench: Bench, seed: int = 0, **ruler) -> tuple[Registration, Camera]:
    view = camera(np.random.default_rng(seed), tilt_deg=20, turn_deg=5, distortion=BENT)
    return register_target(
        [found_at(view, 0.05, np.random.default_rng(seed))], bench, **ruler
    ), view


# ---- how good ----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_a_tenth_of_a_millimetre_over_the_field(seed: int, bench: Bench) -> None:
    """From a picture of 640 by 480 with noise, distortion and blur; truth by OpenCV."""
    rng = np.random.default_rng(seed)
    view = camera(rng, tilt_deg=10 + 5 * seed, distance_mm=200, distortion=BENT,
                  size=(640, 480), focal_px=620)  # fmt: skip
    found = find_target(photograph(view, rng=rng, noise=4.0, blur_px=0.9, light=0.4))
    registration = register_target([found], bench)
    px = view.sees(FIELD)
    error = np.linalg.norm(registration.spot_mm(*px.T) - FIELD, axis=1)
    print(f"\nseed {seed}: worst {error.max():.4f} mm, rms {np.sqrt((error**2).mean()):.4f} mm")
    assert error.max() < 0.1
    u, v = registration.px_of(*FIELD.T)
    assert np.allclose(np.column_stack(registration.spot_mm(u, v).T), FIELD, atol=1e-9)


@pytest.mark.parametrize(
    ("tilts", "bent"), [((20,), BENT), ((10, 30, 35), BENT), ((15,), (0,) * 4)]
)
def test_claimed_place_uncertainty_is_the_scatter(tilts, bent, bench: Bench) -> None:
    """Of 40 draws of the marks' noise: scatter over mean claim, within 30 %."""
    views = [
        camera(np.random.default_rng(9 + k), tilt_deg=t, distortion=bent)
        for k, t in enumerate(tilts)
    ]
    px = views[0].sees(FIELD)
    errors, claims = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        registration = register_target([found_at(v, 0.1, rng) for v in views], bench)
        errors.append(registration.spot_mm(*px.T) - FIELD)
        claims.append(registration.place_sigma_mm(*px.T, scale=False))
    scatter = np.sqrt(np.mean(np.square(errors), axis=0))
    claim = np.sqrt(np.mean(np.square(claims), axis=0))
    ratio = float(np.sqrt((scatter**2).mean() / (claim**2).mean()))
    inside = (np.abs(FIELD) < 30).all(axis=1)
    middle = float(np.sqrt((scatter[inside] ** 2).mean() / (claim[inside] ** 2).mean()))
    print(f"\n{len(tilts)} stills: scatter over claim {ratio:.2f}, in the middle {middle:.2f}")
    assert 1 / 1.3 < ratio < 1.3
    assert 1 / 1.3 < middle < 1.3


def test_no_lens_is_invented(bench: Bench) -> None:
    """Of 30 straight views at most a few get a term by chance (0.1 % each of three)."""
    bent = 0
    for seed in range(30):
        view = camera(np.random.default_rng(seed), tilt_deg=15)
        found = found_at(view, 0.1, np.random.default_rng(seed))
        bent += register_target([found], bench).lens is not None
    assert bent <= 1


def test_wrong_marks_are_set_aside(bench: Bench) -> None:
    view = camera(np.random.default_rng(1), tilt_deg=20, distortion=BENT)
    found = found_at(view, 0.05, np.random.default_rng(1))
    found.seen.px[[5, 40, 77]] += (3.0, -2.0)
    registration = register_target([found], bench)
    assert registration.left is not None
    assert set(np.flatnonzero(~registration.left.used)) >= {5, 40, 77}
    assert registration.fiducials >= 115
    assert any("set aside" in note for note in registration.notes)


# ---- scale and field ---------------------------------------------------------------------------


def test_rulers_correct_the_scale(bench: Bench) -> None:
    plain, view = registered(bench)
    scaled, _ = registered(bench, ruler_mm=(98.5, 100.4))
    px = view.sees(FIELD)
    ratio = scaled.spot_mm(*px.T)[:, :] / plain.spot_mm(*px.T)
    far = (np.abs(FIELD) > 20).all(axis=1)
    assert np.allclose(ratio[far], (0.985, 1.004), atol=2e-4)
    assert any("were not measured" in note for note in plain.notes)
    assert not any("were not measured" in note for note in scaled.notes)
    at = view.sees(np.array([[50.0, 0.0]]))
    assert plain.place_sigma_mm(*at.T)[0, 0] == pytest.approx(50 * PRINT_STRETCH, rel=0.05)
    assert scaled.place_sigma_mm(*at.T)[0, 0] < plain.place_sigma_mm(*at.T)[0, 0]


@pytest.mark.parametrize("ruler", [(50.0, 50.0), (100.0, 95.0), (1000.0, 100.0), (9.85, 10.0)])
def test_rulers_that_cannot_be(ruler, bench: Bench) -> None:
    with pytest.raises(InputError, match="ruler"):
        registered(bench, ruler_mm=ruler)


def test_part_of_the_field(bench: Bench) -> None:
    view = camera(np.random.default_rng(3), tilt_deg=10)
    rng = np.random.default_rng(3)
    with pytest.raises(InputError, match="only a part of the field"):
        register_target([found_at(view, 0.1, rng, lambda mm: mm[:, 0] < 5)], bench)
    half = register_target([found_at(view, 0.1, rng, lambda mm: mm[:, 0] < 35)], bench)
    assert any("less sure" in note for note in half.notes)
    at = [half.place_sigma_mm(*view.sees(np.array([[x, 0.0]])).T, scale=False) for x in (0, 50)]
    assert np.linalg.norm(at[1]) > 1.5 * np.linalg.norm(at[0])


def test_a_crumpled_page(bench: Bench) -> None:
    found = found_at(camera(np.random.default_rng(4)), 4.0, np.random.default_rng(4))
    with pytest.raises(DataError, match="flat"):
        register_target([found], bench)


def test_stills_of_different_size(bench: Bench) -> None:
    one = found_at(camera(np.random.default_rng(4)), 0.1, np.random.default_rng(4))
    with pytest.raises(InputError, match="differ in size"):
        register_target([one, replace(one, width_px=640)], bench)


# ---- sigma, picture size -----------------------------------------------------------------------


def test_fiducials_keep_their_figures(bench: Bench) -> None:
    assert bench.camera is not None
    registration = register(bench.camera)
    px = np.array([[400.0, 300.0], [700.0, 500.0]])
    slopes = registration.homography.jacobian(*px.T)
    wanted = np.sqrt((slopes**2) @ np.array([0.01, 0.04]))
    # the order in which products are summed hangs on the threads of linear algebra
    assert np.allclose(registration.sigma_mm(*px.T, np.array([0.1, 0.2])), wanted, rtol=1e-14)
    assert np.isnan(registration.place_sigma_mm(*px.T)).all()
    with pytest.raises(InputError, match="hysteresis register"):
        camera_ = without_fiducials(bench).camera
        assert camera_ is not None
        register(camera_)


def test_place_joins_a_spots_sigma(bench: Bench) -> None:
    registration, view = registered(bench)
    px = view.sees(FIELD)
    own = replace(registration, known=None).sigma_mm(*px.T, np.array([0.1, 0.1]))
    place = registration.place_sigma_mm(*px.T, scale=False)
    assert np.allclose(registration.sigma_mm(*px.T, np.array([0.1, 0.1])), np.hypot(own, place))
    h = 1e-3  # slopes are those of spot_mm: central differences err by some 1e-9 here
    steps = [registration.spot_mm(*(px + s).T) for s in ((h, 0), (-h, 0), (0, h), (0, -h))]
    slopes = np.stack([(steps[0] - steps[1]) / (2 * h), (steps[2] - steps[3]) / (2 * h)], -1)
    assert np.allclose(slopes, registration.slopes_mm(*px.T), atol=1e-7)


def test_another_picture_size(bench: Bench) -> None:
    registration, view = registered(bench)
    half = registration.for_picture(640, 480)
    px = view.sees(FIELD)
    small = (px + 0.5) / 2 - 0.5
    assert np.allclose(half.spot_mm(*small.T), registration.spot_mm(*px.T), atol=1e-9)
    assert np.allclose(half.place_sigma_mm(*small.T), registration.place_sigma_mm(*px.T), rtol=1e-6)
    assert "scaled to 640 by 480" in half.notes[-1]
    assert registration.for_picture(1280, 960) is registration
    for size, words in (((1280, 720), "another form"), ((960, 1280), "turned by 90")):
        with pytest.raises(InputError, match=words):
            registration.for_picture(*size)


# ---- the file ----------------------------------------------------------------------------------


def test_round_trip(tmp_path, bench: Bench) -> None:
    path = tmp_path / "registration.json"
    registration, view = registered(bench, ruler_mm=(99.0, 99.5))
    write_registration(path, registration, {"still.png": "0" * 64})
    again = read_registration(path)
    px = view.sees(FIELD)
    assert np.array_equal(again.spot_mm(*px.T), registration.spot_mm(*px.T))
    assert np.array_equal(again.place_sigma_mm(*px.T), registration.place_sigma_mm(*px.T))
    assert again.notes == registration.notes and again.lens == registration.lens
    assert again.left is not None and registration.left is not None
    assert np.array_equal(again.left.error_mm, registration.left.error_mm)
    with pytest.raises(InputError, match="exists"):
        write_registration(path, registration, {})
    four = register_points(px[[0, 10, 110, 120]], FIELD[[0, 10, 110, 120]],
                           source="typed points")  # fmt: skip
    write_registration(path, four, {}, overwrite=True)
    read = read_registration(path)
    assert np.isnan(read.residual_mm) and read.known is None and read.fiducials == 4


SPOILT = {
    "schema": "hysteresis model", "schema_version": 2, "homography_px_to_mm": [1.0] * 9,
    "picture_px": [640.5, 480], "marks": 2, "mm_per_px": 0.0, "lens": {"k1": "much"},
    "notes": [3], "source": "elsewhere", "residual_mm": "small", "sources": [],
    "uncertainty": {"lens_terms": []}, "left_at_marks": {"x_mm": [1.0]},
}  # fmt: skip


@pytest.mark.parametrize("key", SPOILT)
def test_spoilt_content(key: str, tmp_path, bench: Bench) -> None:
    path = tmp_path / "registration.json"
    write_registration(path, registered(bench)[0], {})
    content = json.loads(path.read_text())
    path.write_text(json.dumps(content | {key: SPOILT[key]}))
    with pytest.raises(InputError) as caught:
        read_registration(path)
    told = str(caught.value)
    assert str(path) in told and ("hysteresis register" in told or "update the toolkit" in told)


def test_content_that_contradicts_itself(tmp_path, bench: Bench) -> None:
    path = tmp_path / "registration.json"
    write_registration(path, registered(bench)[0], {})
    content = json.loads(path.read_text())
    content["homography_px_to_mm"][2] += 0.1
    path.write_text(json.dumps(content))
    with pytest.raises(InputError, match="not the one of its own uncertainty"):
        read_registration(path)
    content = json.loads(path.read_text())
    content["uncertainty"]["covariance"][0] *= -1
    path.write_text(json.dumps(content))
    with pytest.raises(InputError, match="not that of any numbers"):
        read_registration(path)


def test_which_registration_a_run_has(tmp_path, bench: Bench) -> None:
    bare = without_fiducials(bench)
    assert registration_of(tmp_path, bench).source == "fiducials"
    with pytest.raises(InputError, match=r"no registration.json.*hysteresis register"):
        registration_of(tmp_path, bare)
    with pytest.raises(InputError, match="no target is seen"):
        registration_of(tmp_path, bare, np.full((480, 640), 128, np.uint8))
    rng = np.random.default_rng(0)
    view = camera(rng, size=(640, 480), focal_px=620, turn_deg=0)
    assert registration_of(tmp_path, bare, photograph(view, rng=rng)).source == "target"
    write_registration(tmp_path / "registration.json", registered(bench)[0], {})
    assert registration_of(tmp_path, bench).source == "target"
    scaled = registration_of(tmp_path, bench, np.zeros((480, 640), np.uint8))
    assert (scaled.width_px, scaled.height_px) == (640, 480)


# ---- traced ------------------------------------------------------------------------------------


def traced_tables(bench: Bench, seed: int) -> tuple[CameraLog, object, TypedSheet, Camera]:
    """A rig without memory that follows its drive, filmed and read to half a millimetre."""
    rng = np.random.default_rng(seed)
    pattern = reading_steps(bench, 40)
    view = camera(rng, tilt_deg=15, turn_deg=3)
    t = np.arange(0, pattern.t_s[-1] - 0.05, 1 / 15)
    place = np.column_stack(
        [50 * np.interp(t + 0.004, pattern.t_s, d) for d in (pattern.drive_x, pattern.drive_y)]
    )
    px = view.sees(place) + rng.normal(0, 0.1, place.shape)
    log = CameraLog(np.arange(len(t)), t + 0.3, px[:, 0], px[:, 1], np.ones(len(t)))
    ends: dict[int, int] = {}
    for k, name in enumerate(pattern.segment[:-1]):
        words = str(name).split("/")
        if words[0] == "reading" and len(words) == 2:
            ends[int(words[1])] = k + 1
    at = np.array(list(ends.values()))
    drives = np.column_stack([pattern.drive_x[at], pattern.drive_y[at]])
    read = np.round(2 * (50 * drives + rng.normal(0, 0.1, drives.shape))) / 2
    read[4] *= -1.0  # a slip of the pen
    sheet = TypedSheet(
        np.array(list(ends)), pattern.t_s[at], drives[:, 0], drives[:, 1], read[:, 0], read[:, 1],
        np.full(len(at), "", dtype=object),
    )  # fmt: skip
    return log, pattern, sheet, view


def test_a_grid_traced_by_the_rig(bench: Bench) -> None:
    log, pattern, sheet, view = traced_tables(bench, 0)
    registration = register_traced(log, pattern, sheet, without_fiducials(bench))
    px = view.sees(FIELD * 0.9)
    error = registration.spot_mm(*px.T) - FIELD * 0.9
    claim = registration.place_sigma_mm(*px.T, scale=False)
    assert registration.source == "traced grid"
    assert any("set aside" in note for note in registration.notes)
    # readings good to 0.18 mm; one draw of 8 unknowns: χ² of 8 lies below 26 with 99.9 %
    assert np.sqrt(np.mean((error / claim) ** 2)) < np.sqrt(26 / 8)
    assert np.abs(error).max() < 0.6


def test_traced_refusals(bench: Bench) -> None:
    log, pattern, sheet, _ = traced_tables(bench, 1)
    bare = without_fiducials(bench)
    rng = np.random.default_rng(0)
    other = replace(log, u_px=rng.uniform(0, 600, len(log)), v_px=rng.uniform(0, 400, len(log)))
    with pytest.raises(InputError, match="does not follow this pattern"):
        register_traced(other, pattern, sheet, bare)
    few = replace(sheet, x_mm=np.where(np.arange(len(sheet)) < 5, sheet.x_mm, np.nan))
    with pytest.raises(DataError, match="only"):
        register_traced(log, pattern, few, bare)


def test_a_lens_in_the_way_back() -> None:
    lens = Lens(639.5, 479.5, 800.0, -0.1)
    registration = replace(register_points(FIELD[[0, 10, 110, 120, 60]] * 8 + 500,
                                           FIELD[[0, 10, 110, 120, 60]]), lens=lens)  # fmt: skip
    u, v = registration.px_of(np.array([10.0]), np.array([-20.0]))
    assert np.allclose(registration.spot_mm(u, v), [[10.0, -20.0]], atol=1e-9)
