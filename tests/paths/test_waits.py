"""Waits for the beam and parks after layers, by hand-made paths."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.paths.chunk import Chunk
from hysteresis.paths.timing import Timing, put_on_clock
from hysteresis.paths.waits import settle, with_parks, with_settling
from hysteresis.tables import Polyline

X = np.array([0.0, 5, 10, 10, 0, 0, 3])
Y = np.array([0.0, 0, 0, 5, 5, 0, 3])
BEAM = np.array([False, False, True, True, False, True, False])
LINE = Polyline(X, Y, BEAM, np.full(7, 50.0), np.zeros(7))


def test_waits_stand_where_the_beam_changes():
    found, row = settle(LINE, 0.02, 0.03)
    put_in = np.flatnonzero(found.dwell_s)
    np.testing.assert_array_equal(found.dwell_s[put_in], [0.02, 0.03, 0.02, 0.03])
    np.testing.assert_array_equal(found.x_mm[put_in], [5, 10, 0, 0])
    np.testing.assert_array_equal(found.y_mm[put_in], [0, 5, 5, 0])
    assert not found.beam[put_in].any()
    np.testing.assert_array_equal(row, [0, 1, 2, 2, 3, 4, 4, 5, 5, 6, 6])
    untouched, row = settle(LINE, 0.0, 0.0)
    np.testing.assert_array_equal(untouched.x_mm, X)


def test_the_beam_waits_for_the_spot_to_rest():
    """Half a kernel of waiting: where the beam goes on, the smoothed spot stands still."""
    T = 0.01
    timing = Timing(200.0, 2000.0, T, settle_s=T / 2, settle_off_s=T / 2)
    path = put_on_clock(LINE, timing)[0].path
    changes = np.flatnonzero(np.diff(path.beam)) + 1
    corners = [(5, 0), (10, 5), (0, 5), (0, 0)]
    for k, (x, y) in zip(changes, corners, strict=True):
        assert path.x_mm[k] == pytest.approx(x, abs=2000 * T**2 * 0.01634)
        assert path.y_mm[k] == pytest.approx(y, abs=2000 * T**2 * 0.01634)
    plain = put_on_clock(LINE, Timing(200.0, 2000.0, T))[0].path
    assert path.t_s[-1] - plain.t_s[-1] == pytest.approx(4 * T / 2, abs=1e-9)


def cut(line: Polyline, at):
    edges = [0, *sorted(at), len(line) - 1]
    for k in range(len(edges) - 1):
        rows = slice(edges[k], edges[k + 1] + 1)
        dwell = line.dwell_s[rows].copy()
        if k:
            dwell[0] = 0.0
        yield Chunk(
            Polyline(line.x_mm[rows], line.y_mm[rows], line.beam[rows], line.feed_mm_s[rows],
                     dwell),
            np.arange(len(line))[rows],
        )  # fmt: skip


def whole(chunks):
    chunks = list(chunks)
    for before, after in itertools.pairwise(chunks):
        assert after.polyline.x_mm[0] == before.polyline.x_mm[-1]
        assert after.polyline.y_mm[0] == before.polyline.y_mm[-1]
    names = ("x_mm", "y_mm", "beam", "feed_mm_s", "dwell_s")
    found = {
        name: np.concatenate(
            [getattr(chunk.polyline, name)[min(k, 1) :] for k, chunk in enumerate(chunks)]
        )
        for name in names
    }
    found["line"] = np.concatenate([c.line_of_vertex[min(k, 1) :] for k, c in enumerate(chunks)])
    return found


LAYERS = Polyline(
    np.array([0.0, 1, 2, 2, 1, 1, 0, 5, 6, 6]),
    np.zeros(10),
    np.array([False, False, True, False, True, False, False, False, True, False]),
    np.full(10, 40.0),
    np.array([1.0, 0, 0, 0.5, 0, 0.1, 0, 0, 0, 0.3]),
)


def test_parks_after_each_layer():
    """Waits: 1 s before any trace (no layer), 0.5 s (the next move is a trace: way back), 0.1 s
    (too short), 0.3 s at the end."""
    found = whole(with_parks(cut(LAYERS, []), (-9.0, 4.0), 2.5))
    np.testing.assert_array_equal(found["x_mm"], [0, 1, 2, 2, -9, 2, 1, 1, 0, 5, 6, 6, -9])
    np.testing.assert_array_equal(found["y_mm"][[4, 5, 12]], [4, 0, 4])
    np.testing.assert_array_equal(found["dwell_s"][[4, 5, 12]], [2.5, 0, 2.5])
    assert not found["beam"][[4, 5, 12]].any() and np.isnan(found["feed_mm_s"][[4, 5, 12]]).all()
    np.testing.assert_array_equal(found["line"], [0, 1, 2, 3, 3, 3, 4, 5, 6, 7, 8, 9, 9])


def test_a_job_without_layers_stays_as_it_is():
    found = whole(with_parks(cut(LINE, [2]), (1.0, 1.0), 1.0))
    np.testing.assert_array_equal(found["x_mm"], X)


@settings(max_examples=60, deadline=None)
@given(cuts=st.sets(st.integers(1, 8), max_size=5))
def test_cuts_change_neither_parks_nor_waits(cuts):
    for change in (
        lambda chunks: with_parks(chunks, (-9.0, 4.0), 2.5),
        lambda chunks: with_settling(chunks, 0.1, 0.2),
    ):
        one, other = whole(change(cut(LAYERS, []))), whole(change(cut(LAYERS, cuts)))
        for name in one:
            np.testing.assert_array_equal(one[name], other[name], err_msg=name)


@pytest.mark.parametrize("park", [((np.nan, 0), 1.0), ((0, np.inf), 1.0), ((0, 0), -1.0)])
def test_parks_without_sense_are_refused(park):
    with pytest.raises(InputError, match="park is a place"):
        with_parks([], *park)
