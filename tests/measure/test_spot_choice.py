"""Which light is the spot, on tables of lights as `find_spots` makes them."""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.measure.spot import MOST_SPOTS, SPOT
from hysteresis.measure.spot_choice import choose_spots


def table_of(lights):
    """Per frame a list of (u, v, flux), brightest first as in a film; and how many there are."""
    spots = np.zeros((len(lights), MOST_SPOTS), SPOT)
    count = np.array([len(own) for own in lights])
    for row, own in zip(spots, lights, strict=True):
        for one, (u, v, flux) in zip(row, sorted(own, key=lambda s: -s[2]), strict=False):
            one["u"], one["v"], one["flux"] = u, v, flux
            one["narrow"] = one["long"] = 2.5
    return spots, count


def resting_then_moving(seed=0):
    """300 frames: at rest in one place, then on its way, with a faint mirrored copy."""
    rng = np.random.default_rng(seed)
    k = np.arange(300)
    u = np.where(k < 160, 120.0, 120.0 + 4.0 * (k - 160)) + rng.normal(0, 0.02, len(k))
    flux = 2500.0 * rng.normal(1.0, 0.02, len(k))
    return u, [[(u[i], 200.0, flux[i]), (700 - u[i], 280.0, 0.05 * flux[i])] for i in k]


@pytest.mark.parametrize("brightness", [0.95, 1.3, 2.0, 3.5])
def test_a_bright_standing_glint_does_not_make_the_resting_spot_a_reflection(brightness) -> None:
    """Wherever the glint itself ends up, the rest beside it is the spot's."""
    u, lights = resting_then_moving()
    for i in range(60, 75):
        lights[i].append((500.0, 90.0, 2500.0 * brightness))
    spots, count = table_of(lights)
    chosen = choose_spots(spots, count)
    without = np.ones(len(u), bool)
    without[58:77] = False
    found = np.where(chosen.which >= 0, spots["u"][np.arange(len(u)), chosen.which], np.nan)
    assert found[without] == pytest.approx(u[without])
    assert (chosen.which[~without] >= 0).all()
    assert not any(abs(place[0] - 120.0) < 5.0 for place in chosen.places)


def test_a_glint_much_brighter_than_the_spot_does_not_win() -> None:
    u, lights = resting_then_moving()
    for i in range(60, 75):
        lights[i].append((500.0, 90.0, 2500.0 * 3.5))
    spots, count = table_of(lights)
    chosen = choose_spots(spots, count)
    assert spots["u"][np.arange(len(u)), chosen.which] == pytest.approx(u)


def test_a_reflection_that_stands_is_still_told_when_the_beam_is_off() -> None:
    """Half as bright as the spot, there while the spot moves and after it has gone."""
    u, lights = resting_then_moving()
    for i in range(200, 300):
        lights[i].append((500.0, 90.0, 1250.0))
    for i in range(260, 290):
        lights[i] = lights[i][2:]
    spots, count = table_of(lights)
    chosen = choose_spots(spots, count)
    assert (chosen.which[260:290] < 0).all()
    kept = np.r_[0:260, 290:300]
    assert spots["u"][kept, chosen.which[kept]] == pytest.approx(u[kept])
    assert chosen.places == pytest.approx(np.array([[500.0, 90.0]]))
