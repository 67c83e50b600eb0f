"""Spots in single frames: place, sigma, clipped and drawn-out spots, against drawings."""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.measure.film_light import Ground, Noise, Sample, standing_light
from hysteresis.measure.spot import desk_for, find_spots, room_gain

from .clips import Scene, gaussian

HEIGHT, WIDTH, GROUND = 80, 96, 20.0
READ, PER_LEVEL = 1.5, 0.1


def ground(level=GROUND, white=255):
    return Ground(np.full((HEIGHT, WIDTH), level), Noise(READ**2, PER_LEVEL), white)


def photographed(mean, rng):
    seen = mean + rng.standard_normal(mean.shape) * np.sqrt(READ**2 + PER_LEVEL * mean)
    return np.clip(np.rint(seen), 0, 255).astype(np.uint8)


def spots_of(picture, still=None, gain=1.0):
    still = still or ground()
    return find_spots(picture, still, still.limit(gain), gain, desk_for(*picture.shape))[0]


def shot(u, v, rng, sigma=2.5, top=150.0):
    light = top * 2 * np.pi * sigma**2 * gaussian(HEIGHT, WIDTH, u, v, sigma)
    return photographed(GROUND + light, rng)


@pytest.mark.parametrize("top", [25.0, 80.0, 200.0])
def test_sigma_is_the_scatter(top: float) -> None:
    rng = np.random.default_rng(5)
    errors, stated = [], []
    for _ in range(400):
        place = np.array([45.0, 38.0]) + rng.uniform(0, 1, 2)
        spot = spots_of(shot(*place, rng, top=top))[0]
        errors.append([spot["u"] - place[0], spot["v"] - place[1]])
        stated.append([spot["sigma_u"], spot["sigma_v"]])
    scatter = np.sqrt(np.mean(np.square(errors)))
    # 800 errors: the scatter itself is known to 2.5 %
    assert np.sqrt(np.mean(np.square(stated))) == pytest.approx(scatter, rel=0.2)
    assert abs(np.mean(errors)) < 4 * scatter / np.sqrt(800)


@pytest.mark.parametrize("over", [1.5, 4.0, 20.0])
def test_a_clipped_spot_is_told_and_found(over: float) -> None:
    rng = np.random.default_rng(6)
    errors = []
    for _ in range(100):
        u, v = 45 + rng.uniform(), 38 + rng.uniform()
        spot = spots_of(shot(u, v, rng, top=235 * over))[0]
        assert spot["clipped"]
        errors += [spot["u"] - u, spot["v"] - v]
    assert np.sqrt(np.mean(np.square(errors))) < 0.05


def test_an_unclipped_spot_is_not_called_clipped() -> None:
    rng = np.random.default_rng(7)
    assert not any(spots_of(shot(45.3, 38.1, rng, top=200.0))[0]["clipped"] for _ in range(50))


@pytest.mark.parametrize("hurry", [0.0, 0.5])
def test_a_streak_gives_the_mean_place(hurry: float) -> None:
    """Also where it speeds up, so that its light is uneven; 24 px long at 2 px of width."""
    rng = np.random.default_rng(8)
    errors, along = [], []
    for _ in range(60):
        turn = rng.uniform(0, 2 * np.pi)
        way = np.array([np.cos(turn), np.sin(turn)])
        share = (np.arange(96) + 0.5) / 96
        path = 24 * (share + hurry * share**2) / (1 + hurry)
        places = np.array([48.0, 40.0]) + np.outer(path - path.mean(), way) + rng.uniform(-1, 1, 2)
        light = sum(gaussian(HEIGHT, WIDTH, u, v, 2.0) for u, v in places) / len(places)
        spot = spots_of(photographed(GROUND + 10_000 * light, rng))[0]
        error = np.array([spot["u"], spot["v"]]) - places.mean(axis=0)
        errors += error.tolist()
        along.append(error @ way)
        assert spot["long"] > 2 * spot["narrow"]
        assert np.sqrt(spot["uu"] + spot["vv"]) == pytest.approx(
            np.sqrt(np.var(places, axis=0).sum() + 2 * 2.0**2), rel=0.1
        )
    assert np.sqrt(np.mean(np.square(errors))) < 0.1
    assert abs(np.mean(along)) < 0.05


def test_two_spots_are_two_and_the_brighter_one_is_first() -> None:
    rng = np.random.default_rng(9)
    light = 4000 * gaussian(HEIGHT, WIDTH, 20, 30, 2) + 1500 * gaussian(HEIGHT, WIDTH, 60, 50, 2)
    spots = spots_of(photographed(GROUND + light, rng))
    assert len(spots) == 2
    assert spots["u"] == pytest.approx([20, 60], abs=0.2)


def test_light_at_the_edge_is_cut() -> None:
    rng = np.random.default_rng(10)
    assert spots_of(shot(1.0, 40.0, rng))[0]["cut"]
    assert not spots_of(shot(20.0, 40.0, rng))[0]["cut"]


def test_no_spot_in_noise() -> None:
    rng = np.random.default_rng(11)
    assert not any(len(spots_of(shot(0, 0, rng, top=0.0))) for _ in range(50))


def test_marks_are_wiped() -> None:
    """The work space is as it was, so that frame after frame gives the same."""
    rng = np.random.default_rng(12)
    picture, still = shot(45.3, 38.1, rng), ground()
    desk = desk_for(HEIGHT, WIDTH)
    first = find_spots(picture, still, still.limit(1.0), 1.0, desk)[0]
    assert not desk.mark.any()
    assert np.array_equal(find_spots(picture, still, still.limit(1.0), 1.0, desk)[0], first)


def test_brighter_room_moves_no_spot() -> None:
    """A printed edge under the spot stays behind in the ground, however bright the room."""
    rng = np.random.default_rng(13)
    level = np.where(np.arange(WIDTH) > 45, 60.0, 20.0) * np.ones((HEIGHT, 1))
    still = Ground(level, Noise(READ**2, PER_LEVEL), 255)
    errors = []
    for _ in range(60):
        u, v = 45 + rng.uniform(), 38 + rng.uniform()
        light = 4000 * gaussian(HEIGHT, WIDTH, u, v, 2.0)
        picture = photographed(1.3 * level + light, rng)
        # as two frames one after the other would
        gain = room_gain(picture, still, room_gain(picture, still, 1.0))
        # 120 pixels of 50 ± 3 levels: 0.007
        assert gain == pytest.approx(1.3, abs=0.028)
        spot = spots_of(picture, still, gain)[0]
        errors += [spot["u"] - u, spot["v"] - v]
    assert np.sqrt(np.mean(np.square(errors))) < 0.05
    assert abs(np.mean(errors[::2])) < 0.02


def test_ground_is_found_although_the_spot_rests_for_most_of_the_time() -> None:
    scene = Scene(np.array([[100.0, 90.0]] * 21 + [[200.0, 150.0]] * 5), seed=3)
    pictures = np.stack([frame[..., 1] for frame, _ in scene.frames()])
    still = standing_light(Sample(pictures, (None,) * len(pictures)), 255)
    off = still.light - scene.ground()
    # five of the pictures show the ground below the resting spot
    alone = np.sqrt((scene.read**2 + scene.per_level * 45) / 5)
    below = off[83:98, 93:108]
    assert np.sqrt(np.mean(below**2)) < 1.15 * alone
    assert abs(below.mean()) < 3 * alone / 15
    assert np.sqrt(np.mean(off**2)) < 0.5
    assert still.noise.variance(np.array([45.0]))[0] == pytest.approx(
        scene.read**2 + scene.per_level * 45 + 1 / 12, rel=0.15
    )
