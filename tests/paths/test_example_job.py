"""The invented example job: it lasts as long as it says, parks every layer, stays on its tile."""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.errors import InputError
from hysteresis.paths.example_job import EXAMPLE_TIMING, layered_tile_job
from hysteresis.paths.marks import mark_path
from hysteresis.paths.timing import timing_for


def test_its_settings_are_those_of_the_template(bench):
    assert timing_for(bench) == EXAMPLE_TIMING


@pytest.mark.parametrize(("layers", "duration_s", "park_s"), [(6, 45.0, 3.0), (3, 30.0, 5.0)])
def test_length_parks_and_place(read, layers, duration_s, park_s):
    text = layered_tile_job(layers, duration_s=duration_s, park_s=park_s)
    path, notes = read(text)
    assert path.t_s[-1] == pytest.approx(duration_s, abs=0.02)
    assert not notes.skipped and not notes.remarks
    marks = mark_path(path)
    assert marks.layers == layers
    parks = marks.spans_of("park")
    assert [p.layer for p in parks] == list(range(layers))
    for park in parks:
        assert park.duration_s == pytest.approx(park_s, abs=notes.kernel_s)
        rows = slice(park.first, park.last)
        np.testing.assert_allclose(path.x_mm[rows], 40.0, atol=0.01)
        assert not path.beam[rows].any()
    on = path.beam[:-1]
    assert np.abs(path.x_mm[:-1][on]).max() == pytest.approx(17.0, abs=0.02)
    assert np.abs(path.y_mm[:-1][on]).max() == pytest.approx(17.0, abs=0.02)
    # nothing but the gasket's circles is traced inside the ring, and nothing inside those
    assert np.hypot(path.x_mm[:-1][on], path.y_mm[:-1][on]).min() == pytest.approx(7.0, abs=0.02)


def test_the_same_arguments_give_the_same_text():
    assert layered_tile_job(2, duration_s=20) == layered_tile_job(2, duration_s=20)


def test_what_does_not_fit_is_refused():
    with pytest.raises(InputError, match="cannot last 5 s"):
        layered_tile_job(6, duration_s=5.0)
    with pytest.raises(InputError, match="do not fit"):
        layered_tile_job(ring_mm=(9.0, 7.0))
    with pytest.raises(InputError, match="do not fit"):
        layered_tile_job(0)
    with pytest.raises(InputError, match="spacing"):
        layered_tile_job(spacing_mm=0.0)
