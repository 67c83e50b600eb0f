"""Timing in a stream: equal to planning at once, however the path is cut; other rates.

The whole-job functions (`put_on_clock`) keep absolute times and convolve by numpy; the stream
keeps times since the last row: two ways to one path. Where they differ is rounding of the
absolute time, eps · end, times the speed.
"""

from __future__ import annotations

import itertools
import math
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.paths import stream
from hysteresis.paths.chunk import Chunk
from hysteresis.paths.example_job import layered_tile_job
from hysteresis.paths.marks import mark_path
from hysteresis.paths.read import read_path
from hysteresis.paths.source import open_path
from hysteresis.paths.stream import at_rate, beam_at_rate, timed_blocks
from hysteresis.paths.timing import Timing, plan_stretch, put_on_clock, timing_for
from hysteresis.tables import Polyline

T = 0.01
EPS = np.finfo(float).eps


def cut(line: Polyline, at=()):
    """The path in chunks that meet at the given rows."""
    edges = [0, *sorted(at), len(line) - 1]
    lines = 10 * np.arange(len(line))
    for k, (a, b) in enumerate(itertools.pairwise(edges)):
        rows = slice(a, b + 1)
        dwell = line.dwell_s[rows].copy()
        if k > 0:
            dwell[0] = 0.0
        yield Chunk(
            Polyline(
                line.x_mm[rows], line.y_mm[rows], line.beam[rows], line.feed_mm_s[rows], dwell
            ),
            lines[rows],
        )  # fmt: skip


def joined(blocks):
    blocks = list(blocks)
    at = 0
    for block in blocks:
        assert block.first == at
        assert (block.switch_at >= 0).all() and (block.switch_at < len(block)).all()
        at += len(block)
    columns = {
        name: np.concatenate([getattr(block, name) for block in blocks])
        for name in ("x_mm", "y_mm", "beam", "line_of_row", "layer", "switch_on")
    }
    columns["switch_s"] = np.concatenate(
        [(block.first + block.switch_at) * block.step_s for block in blocks]
    )
    return columns, blocks


def wild(rng, n: int) -> Polyline:
    xy = np.cumsum(rng.normal(0, 1, (n, 2)) * rng.choice([0, 0.01, 1], (n, 1)), axis=0)
    return Polyline(
        xy[:, 0], xy[:, 1], np.repeat(rng.random(n // 4 + 1) < 0.6, 4)[:n],
        rng.choice([np.nan, 40.0, 90.0], n), rng.choice([0.0, 0.0, 0.0, 0.03], n),
    )  # fmt: skip


def circle(n: int) -> Polyline:
    angle = np.linspace(0, 14, n)
    return Polyline(
        10 * np.cos(angle), 10 * np.sin(angle), np.ones(n, bool), np.full(n, 90.0), np.zeros(n)
    )


SETTINGS = {
    "rest": {},
    "bounded": {"corner": "bounded", "settle_s": 0.004},
    "round": {"corner": "round", "corner_tolerance_mm": 0.05, "settle_off_s": 0.007},
    "jerk": {"jerk_mm_s3": 2e5, "settle_s": 0.004, "settle_off_s": 0.001},
    "tolerance": {"tolerance_mm": 0.001, "corner": "bounded"},
}


@pytest.mark.parametrize("kind", SETTINGS)
@pytest.mark.parametrize("path", ["wild", "circle"])
def test_equals_the_whole_job(kind, path):
    line = wild(np.random.default_rng(3), 150) if path == "wild" else circle(300)
    timing = Timing(200.0, 2000.0, T, **SETTINGS[kind])
    smoothed, row = put_on_clock(line, timing)
    found, blocks = joined(timed_blocks(cut(line, [7, 8, 60]), timing))
    whole = smoothed.path
    step = T / 16
    t = np.arange(len(found["x_mm"])) * step
    on_grid = np.abs(whole.t_s / step - np.rint(whole.t_s / step)) < 1e-6
    which = np.rint(whole.t_s[on_grid] / step).astype(int)
    assert which[-1] == len(t) - 1 or whole.t_s[-1] - t[-1] < step
    end = whole.t_s[-1]
    bound = 8 * EPS * (end * 200.0 + np.abs(line.x_mm).max() + np.abs(line.y_mm).max())
    assert bound < 2e-11
    np.testing.assert_allclose(found["x_mm"][which], whole.x_mm[on_grid], rtol=0, atol=bound)
    np.testing.assert_allclose(found["y_mm"][which], whole.y_mm[on_grid], rtol=0, atol=bound)
    np.testing.assert_array_equal(found["beam"][which], whole.beam[on_grid])
    changes = np.flatnonzero(np.diff(whole.beam, prepend=False))
    np.testing.assert_allclose(found["switch_s"], whole.t_s[changes], atol=1e-12)
    np.testing.assert_array_equal(found["switch_on"], whole.beam[changes])
    differ = found["line_of_row"][which] != 10 * row[on_grid]
    assert differ.mean() < 0.002  # a row that begins at a sample to rounding
    worst = max(block.smoothing_mm for block in blocks)
    assert worst == pytest.approx(smoothed.deviation_mm, rel=1e-6)


def same(one, other):
    for name, column in one.items():
        np.testing.assert_array_equal(column, other[name], err_msg=name)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6), n=st.integers(2, 90), kind=st.sampled_from(sorted(SETTINGS)),
    data=st.data(),
)  # fmt: skip
def test_how_the_path_is_cut_changes_no_bit(seed, n, kind, data):
    line = wild(np.random.default_rng(seed), n) if seed % 3 else circle(n)
    timing = Timing(200.0, 2000.0, T, **SETTINGS[kind])
    cuts = data.draw(st.sets(st.integers(1, max(n - 2, 1)), max_size=6)) if n > 2 else set()
    one, _ = joined(timed_blocks(cut(line), timing))
    other, _ = joined(timed_blocks(cut(line, cuts), timing))
    same(one, other)


@pytest.mark.parametrize("kind", SETTINGS)
@pytest.mark.parametrize(("rows", "samples"), [(16, 64), (61, 1000)])
def test_short_rounds_and_blocks_change_no_bit(kind, rows, samples, monkeypatch):
    """Speeds are carried over where no rest ends a round; blocks are smoothed across their ends."""
    timing = Timing(200.0, 2000.0, T, **SETTINGS[kind])
    for line in (wild(np.random.default_rng(5), 200), circle(200)):
        one, _ = joined(timed_blocks(cut(line), timing))
        with monkeypatch.context() as patch:
            patch.setattr(stream, "ROUND_ROWS", rows)
            patch.setattr(stream, "BLOCK_SAMPLES", samples)
            patch.setattr(stream, "MOST_OPEN", 10**6)
            other, blocks = joined(timed_blocks(cut(line, [50]), timing))
        assert len(blocks) > 1
        # a place in a block is rounded as its distance from the block's first sample
        np.testing.assert_allclose(one.pop("switch_s"), other.pop("switch_s"), rtol=4 * EPS)
        same(one, other)


def test_comes_to_rest_where_no_end_of_braking_is_in_reach(monkeypatch):
    """Moves of 0.01 mm at 300 mm/s take 2250 of them to brake (v² / 2a = 22.5 mm)."""
    n = 8000
    line = Polyline(
        0.01 * np.arange(n), np.zeros(n), np.ones(n, bool), np.full(n, 300.0), np.zeros(n)
    )
    timing = Timing(300.0, 2000.0, T)
    monkeypatch.setattr(stream, "ROUND_ROWS", 100)
    far, _ = joined(timed_blocks(cut(line, [100, 3000]), timing))
    monkeypatch.setattr(stream, "MOST_OPEN", 1000)
    near, _ = joined(timed_blocks(cut(line, [4000]), timing))
    other, _ = joined(timed_blocks(cut(line, [17, 18, 2000]), timing))
    same(near, other)
    assert len(near["x_mm"]) > 1.2 * len(far["x_mm"])  # rests in between cost time
    np.testing.assert_allclose(near["x_mm"][-1], 0.01 * (n - 1), atol=1e-12)
    for found in (near, far):
        acceleration = np.diff(found["x_mm"], 2) / (T / 16) ** 2
        assert np.abs(acceleration).max() <= 2000 * (1 + 1e-6)


def test_a_contour_without_rests_comes_to_rest_where_memory_ends(monkeypatch):
    """With a limit of jerk a stretch is planned whole; a spiral of 3000 moves has no rest."""
    angle = np.linspace(0, 60, 3000)
    line = Polyline(
        angle * np.cos(angle), angle * np.sin(angle), np.ones(3000, bool),
        np.full(3000, 200.0), np.zeros(3000),
    )  # fmt: skip
    timing = Timing(200.0, 2000.0, T, jerk_mm_s3=1e5)
    far, _ = joined(timed_blocks(cut(line), timing))
    monkeypatch.setattr(stream, "ROUND_ROWS", 100)
    monkeypatch.setattr(stream, "MOST_OPEN", 400)
    near, _ = joined(timed_blocks(cut(line, [1000]), timing))
    other, _ = joined(timed_blocks(cut(line, [77, 78, 2500]), timing))
    same(near, other)
    slow = {}
    for name, found in (("far", far), ("near", near)):
        speed = np.hypot(np.diff(found["x_mm"]), np.diff(found["y_mm"])) / (T / 16)
        rests = speed < 1.0
        slow[name] = np.count_nonzero(np.diff(rests.astype(int)) == 1)
        assert np.hypot(
            np.diff(found["x_mm"], 2), np.diff(found["y_mm"], 2)
        ).max() <= 2000 * (1 + 1e-6) * (T / 16) ** 2  # fmt: skip
    assert slow["far"] == 1  # the end
    assert 3 <= slow["near"] <= 3000 // 400
    assert near["x_mm"][-1] == pytest.approx(line.x_mm[-1], abs=1e-12)


def test_layers_are_those_of_mark_path():
    rng = np.random.default_rng(7)
    parts, beam, dwell = [], [], []
    for _ in range(5):
        n = 9
        parts += [rng.uniform(-20, 20, (n, 2)), [(30, 0)], [(30, 0)]]
        beam += [False, *[True] * (n - 1), False, False]
        dwell += [0.0] * (n + 1) + [0.6]
    xy = np.vstack([[(0, 0)], *parts])
    line = Polyline(
        xy[:, 0], xy[:, 1], np.array([False, *beam]), np.full(len(xy), 60.0),
        np.array([0.5, *dwell]),
    )  # fmt: skip
    timing = Timing(200.0, 2000.0, T)
    marks = mark_path(put_on_clock(line, timing)[0].path)
    found, _ = joined(timed_blocks(cut(line, [12]), timing))
    assert found["layer"].max() + 1 == marks.layers == 5
    path = put_on_clock(line, timing)[0].path
    traced = path.beam[:-1]
    at = np.rint(path.t_s / (T / 16)).astype(int)[:-1][traced]
    on = found["beam"][at]
    np.testing.assert_array_equal(found["layer"][at][on], marks.layer[:-1][traced][on])


def long_job(layers: int):
    for k in range(layers):
        line = circle(2000)
        dwell = line.dwell_s.copy()
        dwell[-1] = 1.0
        beam = line.beam.copy()
        beam[0] = False
        start = Polyline(line.x_mm, line.y_mm, beam, line.feed_mm_s, dwell)
        if k:
            x = np.concatenate([line.x_mm[-1:], line.x_mm])
            y = np.concatenate([line.y_mm[-1:], line.y_mm])
            start = Polyline(
                x, y, np.concatenate([[True], beam]), np.concatenate([[90.0], line.feed_mm_s]),
                np.concatenate([[0.0], dwell]),
            )  # fmt: skip
        yield Chunk(start, np.arange(len(start)))


def test_memory_does_not_grow_with_the_job():
    timing = Timing(200.0, 2000.0, T)
    peaks = []
    for layers in (40, 160):
        tracemalloc.start()
        samples = sum(len(block) for block in timed_blocks(long_job(layers), timing))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert samples > layers * 1500
    assert peaks[1] < 1.1 * peaks[0] < 60e6


def test_a_wait_of_hours_comes_in_blocks():
    line = Polyline(
        np.array([0.0, 1.0]), np.zeros(2), np.zeros(2, bool), np.full(2, 50.0), np.array([0, 4e3])
    )
    count = 0
    for block in timed_blocks(cut(line), Timing(200.0, 2000.0, T)):
        assert len(block) <= stream.BLOCK_SAMPLES
        count += len(block)
    lasts = 1 / 50 + 50 / 2000 + 4e3
    assert count == np.ceil(lasts / (T / 16) - 1e-9) + 17


@pytest.mark.parametrize("steps", [8, 20, 32])
def test_other_grids(steps):
    """Places where the path moves evenly or rests are the same on every grid."""
    line = Polyline(
        np.array([0.0, 30.0, 30.0]), np.zeros(3), np.ones(3, bool), np.full(3, 50.0),
        np.array([0, 0.2, 0]),
    )  # fmt: skip
    found, _ = joined(timed_blocks(cut(line), Timing(200.0, 2000.0, T), grid_step_s=T / steps))
    t = np.arange(len(found["x_mm"])) * T / steps - T / 2
    even = (t > 0.025 + T / 2) & (t < 0.6 - T / 2)
    np.testing.assert_allclose(found["x_mm"][even], 50 * (t[even] - 0.0125), atol=1e-12)
    assert found["x_mm"][-1] == pytest.approx(30.0, abs=1e-13)


@pytest.mark.parametrize("step", [T / 7, T / 2, 0.0, -1.0, np.nan, T / 16.3])
def test_grids_that_do_not_fit_are_refused(step):
    with pytest.raises(InputError, match="even part of the kernel"):
        next(timed_blocks(cut(circle(5)), Timing(200.0, 2000.0, T), grid_step_s=step))


@pytest.mark.parametrize(
    ("column", "value"),
    [("x_mm", np.nan), ("y_mm", np.inf), ("feed_mm_s", 0.0), ("dwell_s", -1.0),
     ("dwell_s", np.inf)],
)  # fmt: skip
def test_rows_without_sense_are_named(column, value):
    line = circle(9)
    getattr(line, column)[5] = value
    with pytest.raises(InputError, match=f"line 50, column {column}"):
        list(timed_blocks(cut(line, [3]), Timing(200.0, 2000.0, T)))


def test_no_chunk_is_told():
    with pytest.raises(InputError, match="empty"):
        list(timed_blocks([], Timing(200.0, 2000.0, T)))


def test_one_place_alone_is_a_path_at_rest():
    found, _ = joined(timed_blocks(cut(circle(1)), Timing(200.0, 2000.0, T)))
    np.testing.assert_allclose(found["x_mm"], 10.0, atol=1e-13)
    assert len(found["x_mm"]) == 17 and not found["beam"].any()


RATES = [800.0, 1600.0, 44_100.0, 48_000.0, 192_000.0]


@pytest.mark.parametrize("rate", RATES)
def test_other_rates_do_not_depend_on_blocks(rate):
    rng = np.random.default_rng(1)
    rows = rng.normal(size=(700, 3))
    step = T / 16
    once = np.concatenate(list(at_rate([rows], step, rate)))
    assert len(once) == np.floor(699 * step * rate + 1e-9) + 1
    for cuts in ([1, 2, 3], [350], sorted(rng.integers(0, 700, 40).tolist())):
        parts = np.split(rows, cuts)
        again = list(at_rate(parts, step, rate, rows=777))
        assert all(len(part) == 777 for part in again[:-1])
        np.testing.assert_array_equal(once, np.concatenate(again))


@pytest.mark.parametrize("per_period", [8, 16, 32])
def test_other_rates_keep_their_bound(per_period):
    """Remainder of the polynomial of degree 7: 43.07/8! h⁸ max|f⁽⁸⁾|, here (2π/n)⁸."""
    n = 400
    k = np.arange(n)
    rate = 48_000.0
    out = np.concatenate(
        list(at_rate([np.sin(2 * np.pi * k / per_period + 0.3)[:, None]], T / 16, rate))
    )[:, 0]
    u = np.arange(len(out)) / (rate * T / 16)
    inner = (u >= 3) & (u <= n - 5)
    error = np.abs(out - np.sin(2 * np.pi * u / per_period + 0.3))[inner].max()
    bound = (3.5 * 2.5 * 1.5 * 0.5) ** 2 / 40320 * (2 * np.pi / per_period) ** 8
    print(f"{per_period} samples a period: {error:.2e}, bound {bound:.2e}")
    assert 0.1 * bound < error <= bound * (1 + 1e-6) + 4 * EPS


def test_a_polynomial_of_degree_seven_is_met():
    k = np.arange(60.0)
    shape = np.polynomial.Chebyshev([0.1, 1, -0.4, 0.3, 0.2, -0.6, 0.5, 0.9], domain=[0, 59])
    out = np.concatenate(list(at_rate([shape(k)[:, None]], 1.0, 3.7)))[:, 0]
    u = np.arange(len(out)) / 3.7
    inner = (u >= 3) & (u <= 55)
    np.testing.assert_allclose(out[inner], shape(u[inner]), atol=200 * EPS)


@pytest.mark.parametrize("rate", [0.0, -1.0, 192_001.0, np.nan])
def test_rates_without_sense_are_refused(rate):
    with pytest.raises(InputError, match="192000"):
        at_rate([], 1.0, rate)


@pytest.mark.parametrize("rate", RATES)
def test_the_beam_changes_at_its_instant(rate, monkeypatch):
    line = wild(np.random.default_rng(11), 120)
    timing = Timing(200.0, 2000.0, T)
    monkeypatch.setattr(stream, "BLOCK_SAMPLES", 500)
    blocks = list(timed_blocks(cut(line), timing))
    found, _ = joined(blocks)
    beam = np.concatenate(list(beam_at_rate(blocks, rate)))
    columns = [np.column_stack([block.x_mm, block.y_mm]) for block in blocks]
    assert len(beam) == sum(len(out) for out in at_rate(columns, blocks[0].step_s, rate))
    t = np.arange(len(beam)) / rate
    clear = np.abs(t[:, None] - found["switch_s"]).min(axis=1) > 1e-9
    past = np.searchsorted(found["switch_s"], t, side="right")
    expected = np.append(False, found["switch_on"])[past]
    np.testing.assert_array_equal(beam[clear], expected[clear])
    assert len(found["switch_s"]) > 5


@pytest.mark.parametrize("chunk_rows", [50, 16_384])
def test_a_file_by_both_doors(bench, tmp_path, chunk_rows):
    """The invented tile job: `read_path`, and chunks from the reader of long files."""
    file = tmp_path / "tile.ngc"
    file.write_text(layered_tile_job(3, duration_s=30.0), encoding="utf-8")
    path, notes = read_path(file, bench)
    source = replace(open_path(file, bench), chunk_rows=chunk_rows)
    timing = timing_for(bench)
    found, _ = joined(timed_blocks(source.chunks(), timing))
    step = timing.kernel_s / 16
    t = np.arange(len(found["x_mm"])) * step
    which = np.flatnonzero(np.isin(np.rint(path.t_s / step * 1e5), np.rint(t / step * 1e5)))
    k = np.rint(path.t_s[which] / step).astype(int)
    assert len(which) > 0.99 * len(t)
    bound = 8 * EPS * path.t_s[-1] * timing.travel_mm_s
    np.testing.assert_allclose(found["x_mm"][k], path.x_mm[which], rtol=0, atol=bound)
    np.testing.assert_allclose(found["y_mm"][k], path.y_mm[which], rtol=0, atol=bound)
    np.testing.assert_array_equal(found["beam"][k], path.beam[which])
    assert (found["line_of_row"][k] != notes.line_of_row[which]).mean() < 0.002
    assert found["layer"].max() == 2


def test_nothing_is_lost_over_hours():
    """The last change of the beam against the sum of all durations in exact arithmetic."""
    n = 60_001
    x = np.where(np.arange(n) % 2 == 0, 0.0, 0.7)
    dwell = np.full(n, 0.1)
    line = Polyline(x, np.zeros(n), np.ones(n, bool), np.full(n, 50.0), dwell)
    timing = Timing(200.0, 2000.0, T)
    plan = plan_stretch(line, timing)
    exact = math.fsum(plan.lasts_s.ravel().tolist())
    *_, block = timed_blocks(cut(line), timing)
    lasts = (block.first + block.switch_at[-1]) * block.step_s - T / 2
    assert lasts > 2 * 3600
    # a row's rounding, eps of its 0.1 s, adds up at random; the place itself is rounded once
    assert abs(lasts - exact) < 8 * EPS * 0.1 * np.sqrt(n) + 2 * EPS * lasts
