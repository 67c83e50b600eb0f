"""Frames of a simulated film against independent ways to the same figures."""

from dataclasses import replace
from fractions import Fraction

import av
import cv2
import numpy as np
import pytest
from scipy import ndimage
from scipy.stats import norm

from hysteresis.bench import TEMPLATE
from hysteresis.cli import virtual
from hysteresis.errors import InputError
from hysteresis.table_files import write_pattern
from hysteresis.tables import Pattern, SpotPath
from hysteresis.virtual_bench import TrueCamera
from hysteresis.virtual_bench.film import film_of, frames, scaled, truth_of
from hysteresis.virtual_bench.film_file import TITLE, write_film, write_truth
from hysteresis.virtual_bench.film_look import HARD, QUIET, FilmLook
from hysteresis.virtual_bench.film_scene import Lens, PlanePicture, project
from hysteresis.virtual_bench.play import Played

# 2 px/mm, y up, the plane's zero at (80, 60), and a little perspective
CAMERA = TrueCamera(
    np.array([[2.0, 0.1, 80.0], [0.05, -2.0, 60.0], [1e-4, 2e-4, 1.0]]), 0.7, 4e-5, 0.6, 0.4
)
SMALL = replace(QUIET, width=160, height=120, room_grey=0.0, colour=(1.0, 1.0, 1.0))
EXPOSURE_S = 0.008


def moved(seconds, way, beam=lambda t: np.ones(len(t), bool)) -> Played:
    """Spots that go along `way` (t -> x, y in mm), with rests as `play` gives them."""
    t = np.arange(-2000, round(1000 * seconds) + 1001) / 1000.0
    x, y = way(np.clip(t, 0.0, seconds))
    inside = (t >= 0.0) & (t <= seconds)
    lit = beam(t)
    none = np.zeros(inside.sum())
    return Played(
        t[inside], x[inside], y[inside], none, none, lit[inside], SpotPath(t, x, y, lit)
    )  # fmt: skip


def circling(t):
    return 20.0 * np.cos(3.0 * t), 15.0 * np.sin(4.0 * t)


def brute_force(played, look, opened, instants=4000):
    """Mean over the exposure of pixel-integrated Gaussians, row by row, by many instants."""
    around = played.around
    u, v = project(CAMERA.mm_to_px, look.lens, around.x_mm, around.y_mm)
    light = np.zeros((look.height, look.width))
    for row in range(look.height):
        begin = opened + look.readout_s * row / look.height
        t = begin + (np.arange(instants) + 0.5) / instants * EXPOSURE_S
        uu, vv = np.interp(t, around.t_s, u), np.interp(t, around.t_s, v)
        down = norm.cdf((row + 0.5 - vv) / look.sigma_v_px)
        down -= norm.cdf((row - 0.5 - vv) / look.sigma_v_px)
        if down.max() < 1e-8:
            continue
        edges = np.arange(look.width + 1) - 0.5
        across = np.diff(norm.cdf((edges - uu[:, None]) / look.sigma_u_px), axis=1)
        light[row] = down @ across / instants
    return light * 2 * np.pi * look.sigma_u_px * look.sigma_v_px * look.brightness


def test_centres_of_noise_free_frames_are_the_truth(bench):
    """Against scipy.ndimage.center_of_mass of the 8-bit picture."""
    film = film_of(moved(4.0, circling), bench, 1, replace(SMALL, brightness=240.0), true=CAMERA)
    truth = truth_of(film)
    pictures = list(frames(film))
    assert len(pictures) == len(truth) > 120
    centres = np.array([ndimage.center_of_mass(p[..., 0].astype(float)) for p in pictures])
    # what is left is the rounding of tails below half a grey level
    assert np.abs(centres[:, 1] - truth.u_px).max() < 0.02
    assert np.abs(centres[:, 0] - truth.v_px).max() < 0.02
    assert np.ptp(truth.u_px) > 60 and not truth.saturated.any()


@pytest.mark.parametrize("readout_s", [0.0, 0.02])
def test_a_blurred_frame_is_the_integral_over_its_exposure(bench, readout_s):
    """Every pixel against 4000 instants a row, with all rows at once and one after the other."""
    look = replace(SMALL, readout_s=readout_s, brightness=900.0, sigma_v_px=1.4)
    played = moved(2.0, lambda t: (30 * np.sin(9 * t), 25 * np.cos(11 * t)))
    film = film_of(played, bench, 1, look, true=CAMERA)
    truth = truth_of(film)
    rendered = list(frames(film))
    speed = np.hypot(np.gradient(truth.u_px), np.gradient(truth.v_px))
    for i in np.argsort(speed)[[-1, -5, len(speed) // 2]]:
        expected = brute_force(played, look, truth.start_s[i])
        assert expected.max() > 100
        error = np.abs(np.clip(expected, 0, 255) - rendered[i][..., 0])
        # half a level of rounding; a quarter of a sigma per step widens the spot by 0.3 %
        assert error.max() < 0.5 + 0.01 * expected.max()
        total = expected.sum()
        assert abs(expected.sum(0) @ np.arange(look.width) / total - truth.u_px[i]) < 0.01
        assert abs(expected.sum(1) @ np.arange(look.height) / total - truth.v_px[i]) < 0.01


def test_blur_is_as_long_as_speed_times_exposure(bench):
    speed_px_s = 2500.0
    straight = replace(CAMERA, mm_to_px=np.array([[2.0, 0, 80], [0, -2.0, 60], [0, 0, 1.0]]))
    back_and_forth = lambda t: (  # noqa: E731
        np.interp(t, [0.0, 1.0, 1.05, 3.0], [-25.0, -25.0, 0.05 * speed_px_s / 2 - 25.0, 37.5]),
        0.0 * t,
    )
    look = replace(SMALL, brightness=900.0)
    film = film_of(moved(3.0, back_and_forth), bench, 1, look, true=straight)
    truth = truth_of(film)
    whole = np.flatnonzero((truth.start_s > 1.0) & (truth.start_s + EXPOSURE_S < 1.05))
    assert len(whole)
    pictures = list(frames(film))
    for i in whole:
        across = pictures[i][..., 0].astype(float).sum(0)
        u = np.arange(look.width)
        mean = across @ u / across.sum()
        variance = across @ (u - mean) ** 2 / across.sum()
        # a box of length L, the spot and the pixel: variances add; rounding of tails eats some
        length = np.sqrt(12 * (variance - look.sigma_u_px**2 - 1 / 12))
        assert length == pytest.approx(speed_px_s * EXPOSURE_S, rel=0.02)


def test_rolling_shutter_shifts_rows(bench):
    """A line through the picture's height leans by speed × readout."""
    still = lambda t: (0.0 * t, 25.0 + 0.0 * t)  # noqa: E731
    look = replace(SMALL, readout_s=0.012)
    held = truth_of(film_of(moved(1.0, still), bench, 1, look, true=CAMERA))
    late = held.spot_start_s - held.start_s
    np.testing.assert_allclose(late, 0.012 * held.v_px / look.height)
    assert np.ptp(held.u_px) < 1e-9  # a spot at rest stays where it is

    moving = lambda t: (10.0 * t - 10.0, 25.0 + 0.0 * t)  # noqa: E731
    at_once = truth_of(film_of(moved(2.0, moving), bench, 1, SMALL, true=CAMERA))
    rolling = truth_of(film_of(moved(2.0, moving), bench, 1, look, true=CAMERA))
    n = min(len(at_once), len(rolling))
    inside = (at_once.start_s[:n] > 0.1) & (at_once.start_s[:n] < 1.8)
    u_per_s = np.gradient(at_once.u_px[:n], at_once.start_s[:n])
    shift = (rolling.u_px[:n] - at_once.u_px[:n])[inside]
    expected = (u_per_s * 0.012 * at_once.v_px[:n] / look.height)[inside]
    np.testing.assert_allclose(shift, expected, atol=2e-3)  # px; the shift itself is 0.02
    assert expected.mean() > 0.01


def test_lens_against_opencv():
    lens = Lens(k1=-0.21, k2=0.06, centre_u_px=630.0, centre_v_px=351.0, focal_px=900.0)
    rng = np.random.default_rng(4)
    u, v = rng.uniform(0, 1280, 200), rng.uniform(0, 720, 200)
    rays = np.column_stack([(u - 630.0) / 900.0, (v - 351.0) / 900.0, np.ones(200)])
    matrix = np.array([[900.0, 0, 630.0], [0, 900.0, 351.0], [0, 0, 1]])
    expected = cv2.projectPoints(
        rays, np.zeros(3), np.zeros(3), matrix, np.array([-0.21, 0.06, 0, 0])
    )[0][:, 0]
    bent = lens.bend(u, v)
    np.testing.assert_allclose(np.column_stack(bent), expected, atol=1e-9)
    np.testing.assert_allclose(np.column_stack(lens.unbend(*bent)), np.column_stack([u, v]),
                               atol=1e-6)  # fmt: skip
    half = lens.scaled(0.5).bend((u + 0.5) / 2 - 0.5, (v + 0.5) / 2 - 0.5)
    np.testing.assert_allclose(half[0], (bent[0] + 0.5) / 2 - 0.5, atol=1e-9)


def test_a_print_lies_where_the_camera_sees_it(bench):
    """A dark square of 2 mm: its centre in the picture against OpenCV's projections."""
    shade = np.ones((300, 300))
    shade[70:80, 200:210] = 0.0  # 0.2 mm a pixel: centre at x = 11.0, y = 15.0 mm
    lens = Lens(k1=-0.3, centre_u_px=79.5, centre_v_px=59.5, focal_px=140.0)
    look = replace(SMALL, room_grey=200.0, brightness=1.0, lens=lens, wall=1.0,
                   picture=PlanePicture(shade, -30.0, 30.0, -30.0, 30.0))  # fmt: skip
    dark = moved(0.2, circling, beam=lambda t: np.zeros(len(t), bool))
    picture = next(frames(film_of(dark, bench, 1, look, true=CAMERA)))
    row, column = ndimage.center_of_mass(200.0 - picture[..., 0])
    ideal = cv2.perspectiveTransform(np.array([[[11.0, 15.0]]]), CAMERA.mm_to_px)[0, 0]
    matrix = np.array([[140.0, 0, 79.5], [0, 140.0, 59.5], [0, 0, 1]])
    ray = np.array([[(ideal[0] - 79.5) / 140.0, (ideal[1] - 59.5) / 140.0, 1.0]])
    u, v = cv2.projectPoints(ray, np.zeros(3), np.zeros(3), matrix, np.array([-0.3, 0, 0, 0]))[0][
        0, 0
    ]
    # 3 × 3 samples of a 4 px square
    assert column == pytest.approx(u, abs=0.05) and row == pytest.approx(v, abs=0.05)
    assert np.hypot(u - ideal[0], v - ideal[1]) > 0.5  # the lens matters here


def test_noise_has_the_variance_that_was_asked(bench):
    look = replace(
        SMALL, room_grey=60.0, read_noise=2.0, shot_noise=0.2, brightness=100.0, dropped=0.0
    )
    still = moved(20.0, lambda t: (0.0 * t, 0.0 * t))
    film = film_of(still, bench, 1, look, true=CAMERA)
    stack = np.array([p[..., 1] for p in frames(film)], float)
    n = len(stack)
    assert n > 550
    far = stack[:, 5:50, 5:150]
    expected = 2.0**2 + 0.2 * 60.0 + 1 / 12  # and the rounding's own
    # pixels share fields of noise: count frames, not pixels, for the bound
    assert far.var() == pytest.approx(expected, rel=3 * np.sqrt(2 / n))
    assert abs(far.mean() - 60.0) < 0.05
    # of the spot's core the light adds; its pixels are drawn anew in every frame
    core = stack[:, 58:63, 78:83]
    mean = core.mean(0)
    ratio = core.var(0, ddof=1) / (2.0**2 + 0.2 * mean + 1 / 12)
    assert mean.max() > 150
    assert ratio.mean() == pytest.approx(1.0, abs=4 * np.sqrt(2 / (n * core[0].size)))
    # two frames show different noise
    a, b = (stack[0] - 60.0)[5:50].ravel(), (stack[1] - 60.0)[5:50].ravel()
    assert abs(np.corrcoef(a, b)[0, 1]) < 4 / np.sqrt(len(a))


def test_saturation_is_told_and_cut_off(bench):
    for brightness in (200.0, 700.0):
        look = replace(SMALL, brightness=brightness)
        film = film_of(moved(1.0, circling), bench, 1, look, true=CAMERA)
        truth, pictures = truth_of(film), list(frames(film))
        cut = np.array([np.any(p == 255) for p in pictures])
        np.testing.assert_array_equal(truth.saturated, cut)
        assert cut.all() == (brightness > 255)


def test_drops_repeats_glints_and_ghosts_are_where_the_truth_says(bench):
    look = replace(
        SMALL, dropped=0.05, repeated=0.03, glints=0.05, ghost=0.2, jitter_s=3e-4, brightness=200.0
    )
    film = film_of(moved(60.0, circling), bench, 2, look, true=CAMERA)
    truth = truth_of(film)
    taken = np.unique(truth.exposure)
    whole = truth.exposure[-1] + 1
    repeats = np.flatnonzero(np.diff(truth.exposure) == 0) + 1
    # as many as binomial numbers may stray: four standard deviations
    missing = whole - len(taken)
    expected = whole * (1 - 0.95 * 0.97)
    assert missing == pytest.approx(expected, abs=4 * np.sqrt(expected))
    assert len(repeats) == pytest.approx(0.03 * whole, abs=4 * np.sqrt(0.03 * whole))
    assert 0 < truth.glint.sum() < 0.2 * len(truth)
    alone, before = 0, None
    for i, picture in enumerate(frames(film)):
        if i in repeats:
            np.testing.assert_array_equal(picture, before)
        before = picture
        grey = picture[..., 0].astype(float)
        labels, count = ndimage.label(grey > 3.0)
        if truth.glint[i]:
            u, v = film.glints[i, :2]
            near = grey[max(round(v) - 2, 0) : round(v) + 3, max(round(u) - 2, 0) : round(u) + 3]
            assert near.max() > 30
        elif count == 2:  # the spot and its ghost: mirrored about one point
            alone += 1
            rows, columns = np.transpose(ndimage.center_of_mass(grey, labels, [1, 2]))
            middle = (columns.mean(), rows.mean())
            assert abs(middle[0] - 80) < 9 and abs(middle[1] - 60) < 7
            assert truth.ghost[i]
    assert alone > 1000


def test_the_beam_switches_within_an_exposure(bench):
    blink = lambda t: (t % 0.47) < 0.25  # noqa: E731
    look = replace(SMALL, brightness=200.0)
    film = film_of(moved(20.0, lambda t: (0 * t, 0 * t), beam=blink), bench, 1, look, true=CAMERA)
    truth, light = truth_of(film), [float(p[..., 0].sum()) for p in frames(film)]
    full = max(light)
    partly = (truth.lit > 0.05) & (truth.lit < 0.95)
    assert partly.sum() > 5
    np.testing.assert_allclose(np.array(light) / full, truth.lit, atol=0.03)
    assert np.isnan(truth.u_px[truth.lit == 0]).all() and (truth.lit == 0).sum() > 200
    always = bench.model_copy(update={"beam": bench.beam.model_copy(update={"mode": "always-on"})})
    assert np.all(truth_of(film_of(
        moved(2.0, lambda t: (0 * t, 0 * t), beam=blink), always, 1, look, true=CAMERA
    )).lit > 1 - 1e-9)  # fmt: skip


def test_a_spot_that_leaves_the_picture(bench):
    away = lambda t: (60.0 * np.sin(2 * t), 0 * t)  # noqa: E731  120 px: 40 beyond either side
    truth = truth_of(film_of(moved(6.0, away), bench, 1, SMALL, true=CAMERA))
    gone = np.isnan(truth.u_px)
    assert gone.any() and truth.edge_cut.any()
    seen = ~gone & ~truth.edge_cut
    assert np.all((truth.u_px[seen] > 5) & (truth.u_px[seen] < 154))
    assert np.all(truth.lit > 1 - 1e-9)  # the beam is on all the same


@pytest.mark.parametrize("ending", ["mp4", "mkv", "avi"])
def test_stamps_in_the_file_are_those_of_the_truth(bench, tmp_path, ending):
    look = replace(HARD, width=160, height=120, lens=Lens(), readout_s=0.0)
    film = film_of(moved(12.0, circling), bench, 3, look, true=CAMERA)
    path = tmp_path / f"clip.{ending}"
    truth = write_film(path, film)
    with av.open(str(path)) as clip:
        read = [f.pts * f.time_base for f in clip.decode(video=0)]
        assert clip.metadata["title"] == TITLE and "simulated" in TITLE
    assert len(read) == len(truth)
    tick = {"mp4": Fraction(1, 90_000), "mkv": Fraction(1, 1000), "avi": None}[ending]
    np.testing.assert_allclose(np.array(read, float), truth.stamp_s, atol=1e-9)
    if tick is not None:  # the variable frame rate is kept
        assert np.abs(truth.stamp_s - film.stamp_s).max() <= float(tick) / 2 + 1e-9
        on_time = film.clock_offset_s + (1 + truth.clock_drift) * truth.start_s
        fresh = np.diff(truth.exposure, prepend=-1) > 0
        late = (truth.stamp_s - on_time)[fresh]
        assert late.std() == pytest.approx(np.hypot(2e-4, float(tick) / 12**0.5), rel=0.2)
        assert np.ptp(np.diff(truth.stamp_s)) > 0.01
    assert truth.stamp_s[0] == 0.0
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_what_the_file_shows_is_the_film(bench, tmp_path):
    """After lossy compression the centre of light is within a tenth of a pixel."""
    look = replace(FilmLook(width=160, height=120), room_grey=0.0, dropped=0.0, repeated=0.0)
    film = film_of(moved(4.0, circling), bench, 3, look, true=CAMERA)
    truth = write_film(tmp_path / "clip.mp4", film)
    with av.open(str(tmp_path / "clip.mp4")) as clip:
        pictures = [f.to_ndarray(format="rgb24")[..., 0].astype(float) for f in clip.decode()]
    centres = np.array([ndimage.center_of_mass(np.where(p > 12, p, 0)) for p in pictures])
    assert np.sqrt(np.mean((centres[:, 1] - truth.u_px) ** 2)) < 0.1
    assert np.sqrt(np.mean((centres[:, 0] - truth.v_px) ** 2)) < 0.1


def test_the_same_seed_is_the_same_film(bench):
    look = replace(HARD, width=160, height=120, lens=Lens())
    played = moved(1.0, circling)
    one, again = (film_of(played, bench, 5, look, true=CAMERA) for _ in range(2))
    for a, b in zip(frames(one), frames(again), strict=True):
        np.testing.assert_array_equal(a, b)
    other = film_of(played, bench, 6, look, true=CAMERA)
    assert np.any(next(frames(one)) != next(frames(other)))


def test_a_smaller_picture_shows_the_same_points(bench):
    small_bench, small = scaled(bench, CAMERA, 0.5)
    point = np.array([3.0, -4.0, 1.0])
    a, b = CAMERA.mm_to_px @ point, small.mm_to_px @ point
    # pixel areas, not centres, scale: (u + 0.5) halves
    np.testing.assert_allclose((a[:2] / a[2] + 0.5) / 2, b[:2] / b[2] + 0.5)
    assert small_bench.camera.fiducials[0].u_px == pytest.approx((336.8 + 0.5) / 2 - 0.5)


def test_a_film_that_is_broken_off_leaves_nothing(bench, tmp_path):
    film = film_of(moved(4.0, circling), bench, 1, SMALL, true=CAMERA)
    old = tmp_path / "clip.mp4"
    old.write_bytes(b"as it was")

    def stop(_share: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_film(old, film, progress=stop)
    assert old.read_bytes() == b"as it was"
    assert [p.name for p in tmp_path.iterdir()] == ["clip.mp4"]
    with pytest.raises(InputError, match="kept"):
        write_film(old, film, overwrite=False)
    with pytest.raises(InputError, match=r"\.mp4"):
        write_film(tmp_path / "clip.gif", film)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"width": 161}, "width"),
        ({"height": 0}, "height"),
        ({"sigma_u_px": 0.0}, "so wide"),
        ({"lens": Lens(k1=-3.0)}, "bends"),
    ],
)
def test_a_look_that_cannot_be_rendered_is_refused(bench, change, told):
    with pytest.raises(InputError, match=told):
        film_of(moved(1.0, circling), bench, 1, replace(SMALL, **change), true=CAMERA)


def test_truth_in_files(bench, tmp_path):
    film = film_of(moved(1.0, circling), bench, 1, SMALL, true=CAMERA)
    truth = truth_of(film)
    write_truth(tmp_path / "truth.npz", truth)
    write_truth(tmp_path / "truth.csv", truth)
    with np.load(tmp_path / "truth.npz") as kept:
        np.testing.assert_array_equal(kept["u_px"], truth.u_px)
        np.testing.assert_array_equal(kept["mm_to_px"], CAMERA.mm_to_px)
        assert kept["clock_drift"] == CAMERA.clock_drift and kept["lens_k1"] == 0.0
    lines = (tmp_path / "truth.csv").read_text().splitlines()
    assert len(lines) == len(truth) + 1 and lines[0].startswith("number,exposure,start_s")
    with pytest.raises(InputError, match=r"\.npz"):
        write_truth(tmp_path / "truth.txt", truth)


# ---- the command ------------------------------------------------------------------------------


@pytest.fixture
def run(tmp_path):
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "bench.toml").write_text(TEMPLATE, encoding="utf-8")
    t = np.array([0.0, 0.5, 0.55, 1.5, 1.55, 2.0])
    u = np.array([0.0, 0.0, 0.6, 0.6, 0.0, 0.0])
    names = np.array(["rest/000"] * 6, object)
    write_pattern(folder / "pattern.csv", Pattern(t, u, -u, np.ones(6, bool), names))
    return folder


def test_the_command_films_pattern_and_drive(run, tmp_path, capsys):
    clip, truth = tmp_path / "clip.mp4", tmp_path / "truth.npz"
    virtual.command(run, "braided-thread", seed=3, video=clip, truth=truth, look="hard")
    told = capsys.readouterr().out
    assert "film frames" in told and "simulated" in told
    assert not (run / "camera_log.csv").exists() and (run / "simulated.txt").exists()
    with av.open(str(clip)) as film, np.load(truth) as kept:
        shown = [f.pts * f.time_base for f in film.decode(video=0)]
        np.testing.assert_allclose(np.array(shown, float), kept["stamp_s"], atol=1e-9)
        assert (film.streams.video[0].width, film.streams.video[0].height) == (1280, 720)
    job = tmp_path / "job.mkv"
    virtual.command(run, "braided-thread", play=run / "pattern.csv", video=job, look="quiet")
    assert job.stat().st_size > 1000
    with pytest.raises(InputError, match="--force"):
        virtual.command(run, "braided-thread", video=clip)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ({"truth": "t.npz"}, "--video"),
        ({"video": "a.gif"}, "mp4"),
        ({"video": "a.mp4", "truth": "t.txt"}, "npz"),
        ({"video": "a.mp4", "look": "odd"}, "hard"),
        ({"video": "a.mp4", "size": "640x360"}, "fiducial"),
        ({"video": "a.mp4", "size": "wide"}, "1280x720"),
        ({"video": "a.mp4", "typed": True}, "ruler"),
        ({"video": "missing/a.mp4"}, "folder"),
    ],
)
def test_bad_words_are_refused_before_anything_is_played(run, tmp_path, monkeypatch, words, told):
    monkeypatch.chdir(tmp_path)
    paths = {k: type(run)(v) if k in ("video", "truth") else v for k, v in words.items()}
    with pytest.raises(InputError, match=told):
        virtual.command(run, "braided-thread", **paths)
    assert {p.name for p in run.iterdir()} == {"bench.toml", "pattern.csv"}
    assert {p.name for p in tmp_path.iterdir()} == {"run"}
