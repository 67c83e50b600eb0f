"""A path with its own clock in a stream: equal to `smooth` at once (numpy's interpolation)."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.paths.smoothing import smooth
from hysteresis.paths.timed_rows import smoothed_blocks
from hysteresis.tables import SpotPath

T = 0.01
EPS = np.finfo(float).eps


def path_of(seed: int, n: int, start_s: float = 0.0) -> SpotPath:
    rng = np.random.default_rng(seed)
    t = start_s + np.concatenate([[0.0], np.cumsum(rng.uniform(1e-4, 0.05, n - 1))])
    hold = rng.random(n) < 0.3
    x, y = rng.normal(0, 5, (2, n))
    for k in np.flatnonzero(hold[1:]) + 1:
        x[k], y[k] = x[k - 1], y[k - 1]
    return SpotPath(t, x, y, rng.random(n) < 0.5)


def parts_of(path: SpotPath, cuts=()):
    edges = [0, *sorted(cuts), len(path)]
    for a, b in itertools.pairwise(edges):
        yield (
            SpotPath(path.t_s[a:b], path.x_mm[a:b], path.y_mm[a:b], path.beam[a:b]),
            np.arange(a, b) + 2,
        )


def joined(blocks):
    blocks = list(blocks)
    found = {
        name: np.concatenate([getattr(b, name) for b in blocks])
        for name in ("x_mm", "y_mm", "beam", "line_of_row", "switch_on")
    }
    found["switch_s"] = np.concatenate([(b.first + b.switch_at) * b.step_s for b in blocks])
    return found


@settings(max_examples=80, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(2, 60), start=st.sampled_from([0.0, 3.7]),
       data=st.data())  # fmt: skip
def test_equals_the_whole_however_it_is_cut(seed, n, start, data):
    path = path_of(seed, n, start)
    found = joined(smoothed_blocks(parts_of(path), T))
    t = path.t_s - path.t_s[0]
    whole = smooth(
        lambda at: (np.interp(at, t, path.x_mm), np.interp(at, t, path.y_mm)),
        float(t[-1]), t, path.beam, T,
    )  # fmt: skip
    k = whole.path.t_s / (T / 16)
    which = np.abs(k - np.rint(k)) < 1e-9
    k = np.rint(k[which]).astype(int)
    assert abs(k[-1] - len(found["x_mm"])) <= 1
    fastest = np.hypot(np.diff(path.x_mm), np.diff(path.y_mm)) / np.diff(path.t_s)
    bound = 8 * EPS * ((start + t[-1]) * fastest.max() + 50.0)
    np.testing.assert_allclose(found["x_mm"][k], whole.path.x_mm[which], rtol=0, atol=bound)
    np.testing.assert_allclose(found["y_mm"][k], whole.path.y_mm[which], rtol=0, atol=bound)
    np.testing.assert_array_equal(found["beam"][k], whole.path.beam[which])
    changes = np.flatnonzero(np.diff(whole.path.beam, prepend=False))
    np.testing.assert_allclose(found["switch_s"], whole.path.t_s[changes], atol=1e-12)

    cuts = data.draw(st.sets(st.integers(1, n - 1), max_size=5))
    again = joined(smoothed_blocks(parts_of(path, cuts), T))
    for name, column in found.items():
        np.testing.assert_array_equal(column, again[name], err_msg=name)


def test_lines_are_those_whose_row_is_under_way():
    path = SpotPath(np.array([0, 0.1, 0.3]), np.array([0.0, 1, 2]), np.zeros(3), np.ones(3, bool))
    found = joined(smoothed_blocks(parts_of(path), T))
    t = np.arange(len(found["x_mm"])) * T / 16 - T / 2
    assert set(found["line_of_row"][(t > 0.001) & (t < 0.099)]) == {3}
    assert set(found["line_of_row"][t > 0.101]) == {4}


@pytest.mark.parametrize("cuts", [(), (3,), (2,), (4,)])
@pytest.mark.parametrize("bad", [0.0, -1.0, np.nan])
def test_times_that_do_not_rise_are_named(cuts, bad):
    path = path_of(1, 6)
    path.t_s[3] = path.t_s[2] + bad
    with pytest.raises(InputError, match="line 5, column t_s"):
        list(smoothed_blocks(parts_of(path, cuts), T))


def test_nothing_is_told():
    with pytest.raises(InputError, match="empty"):
        list(smoothed_blocks([], T))
