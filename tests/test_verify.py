"""Before and after: known offsets, ratios, intervals against an outside bootstrap, forecasts."""

from __future__ import annotations

import numpy as np
import pytest
from verify_data import layered_path

from hysteresis.bootstrap import drawn_figures, estimate
from hysteresis.errors import DataError
from hysteresis.path_error import path_error
from hysteresis.paths.marks import mark_path
from hysteresis.tables import SpotPath
from hysteresis.verify import DRAWS, Forecast, parks_before_traces, verify_played


def moved(path: SpotPath, dx=0.0, dy=0.0) -> SpotPath:
    return SpotPath(path.t_s, path.x_mm + dx, path.y_mm + dy, path.beam)


def by_layer(path: SpotPath, offsets_mm) -> SpotPath:
    """The path with one offset in x per layer."""
    layer = mark_path(path).layer
    return moved(path, np.asarray(offsets_mm)[layer])


PLANNED = layered_path(6)


def test_known_offsets_give_known_rows() -> None:
    found = verify_played(
        PLANNED, moved(PLANNED, 0.6, -0.8), moved(PLANNED, 0.03, 0.04), tolerance_mm=0.1
    )
    expected = {
        "rms": (1.0, 0.05, 20.0), "q95": (1.0, 0.05, 20.0), "worst": (1.0, 0.05, 20.0),
        "bias": (1.0, 0.05, 20.0), "bias_x": (0.6, 0.03, None), "bias_y": (-0.8, 0.04, None),
        "outside": (100.0, 0.0, None), "start": (1.0, 0.05, 20.0),
    }  # fmt: skip
    assert [row.key for row in found.rows] == list(expected)
    for key, (before, after, ratio) in expected.items():
        row = found.row(key)
        assert row is not None and row.before is not None and row.after is not None
        assert row.before.value == pytest.approx(before, abs=1e-9)
        assert row.after.value == pytest.approx(after, abs=1e-9)
        assert (row.ratio is None) == (ratio is None)
        if row.ratio is not None:
            assert row.ratio.value == pytest.approx(ratio)
        if key == "rms":  # the same in every layer: nothing to draw differently
            assert (row.before.low, row.before.high) == pytest.approx((1.0, 1.0), rel=1e-6)
    assert (found.blocks, found.block_kind) == (6, "layers")
    assert found.notes == ()
    assert found.row("nothing") is None


def test_layers_are_told_apart() -> None:
    offsets = [0.1, 0.2, 0.3, 0.4, 0.5, 0.6]
    found = verify_played(PLANNED, by_layer(PLANNED, offsets), None)
    assert [layer.layer for layer in found.layers] == list(range(6))
    rms = [layer.before.rms_mm for layer in found.layers if layer.before is not None]
    # half an interval at either end of a layer leans towards its neighbour's offset
    assert rms == pytest.approx(offsets, abs=0.003)
    assert all(layer.after is None for layer in found.layers)
    row = found.row("rms")
    assert row is not None and row.after is None and row.ratio is None
    assert row.before is not None
    assert row.before.value == pytest.approx(np.sqrt(np.mean(np.square(offsets))), abs=0.003)
    assert row.before.low < row.before.value < row.before.high


def test_starts_after_parks_know_their_excursion() -> None:
    parks = parks_before_traces(PLANNED, mark_path(PLANNED))
    assert len(parks) == 5  # the first layer has none before it, the last park nothing after it
    assert all(p.ends_s - p.begins_s == pytest.approx(1.0) for p in parks)
    assert all(p.trace_from_s - p.ends_s == pytest.approx(0.2) for p in parks)
    assert [p.layer for p in parks] == [1, 2, 3, 4, 5]
    found = verify_played(PLANNED, moved(PLANNED, 0.5), None)
    assert [s.excursion_x_mm for s in found.starts_before] == pytest.approx([50.0] * 5)
    assert [s.excursion_y_mm for s in found.starts_before] == pytest.approx([10.0] * 5)
    assert [s.dx_mm for s in found.starts_before] == pytest.approx([0.5] * 5)


def test_a_stop_on_the_first_point_does_not_hide_the_park() -> None:
    t = np.array([0, 1, 1.2, 3.2, 3.4, 4.4, 5.4], dtype=float)
    x = np.array([0, 10, 40, 40, 0, 0, 10], dtype=float)
    beam = np.array([True, False, False, False, False, True, False])
    path = SpotPath(t, x, 0 * t, beam)
    (park,) = parks_before_traces(path, mark_path(path))
    assert (park.x_mm, park.begins_s, park.ends_s) == (40.0, 1.2, 3.2)
    near = SpotPath(t, np.where(x == 40, 0.2, x), 0 * t, beam)
    assert parks_before_traces(near, mark_path(near)) == ()


def test_blocks_are_traces_or_parts_when_there_are_few_layers() -> None:
    one = layered_path(1)
    found = verify_played(one, moved(one, 0.1), None)
    assert (found.blocks, found.block_kind) == (10, "parts of the trace")
    beam = one.beam.copy()
    beam[::20] = False  # ten traces of a layer
    dotted = SpotPath(one.t_s, one.x_mm, one.y_mm, beam)
    found = verify_played(dotted, moved(dotted, 0.1), None)
    assert found.block_kind == "traces" and found.blocks >= 9


def test_the_same_seed_gives_the_same_intervals() -> None:
    played = by_layer(PLANNED, [0.1, 0.5, 0.2, 0.4, 0.3, 0.2])
    one, two = (verify_played(PLANNED, played, None, seed=4) for _ in range(2))
    other = verify_played(PLANNED, played, None, seed=5)
    assert one.rows == two.rows
    assert one.rows != other.rows


# ---- intervals ---------------------------------------------------------------------------------


def test_intervals_agree_with_the_bootstrap_of_scipy() -> None:
    """scipy.stats.bootstrap, method 'percentile', on the layers' mean squares."""
    from scipy.stats import bootstrap

    rng = np.random.default_rng(11)
    path = layered_path(14)
    offsets = rng.normal(0.5, 0.2, 14)
    error = path_error(path, by_layer(path, offsets))
    layer = mark_path(path).layer[error.row]
    draws = rng.multinomial(14, np.full(14, 1 / 14), 20000).astype(float)
    drawn = drawn_figures(error, layer, 14, draws, 0.5)
    squares = np.array([
        np.average(error.distance_mm[layer == k] ** 2, weights=error.weight_s[layer == k])
        for k in range(14)
    ])  # fmt: skip
    reference = bootstrap(
        (squares,), lambda s, axis: np.sqrt(np.mean(s, axis=axis)), method="percentile",
        n_resamples=20000, rng=np.random.default_rng(12),
    ).confidence_interval  # fmt: skip
    own = estimate(0.0, drawn["rms"])
    spread = reference.high - reference.low
    # 2.5 % points of 20000 draws scatter by some 1 % of the interval's length
    assert own.low == pytest.approx(reference.low, abs=0.03 * spread)
    assert own.high == pytest.approx(reference.high, abs=0.03 * spread)


def test_intervals_cover_what_other_layers_would_give() -> None:
    """20 layers with independent offsets: the true rms is inside in nearly 95 % of jobs.

    A percentile interval from 20 blocks covers a little less than it claims (Efron & Tibshirani,
    ch. 14, from memory), hence the lower bound below 95 %.
    """
    rng = np.random.default_rng(5)
    path = layered_path(20, step_s=0.1)
    layer = mark_path(path).layer
    clean = path_error(path, path)
    blocks = layer[clean.row]
    inside, jobs = 0, 200
    for _ in range(jobs):
        error = path_error(path, by_layer(path, rng.normal(0.0, 1.0, 20)))
        draws = rng.multinomial(20, np.full(20, 0.05), 400).astype(float)
        interval = estimate(0.0, drawn_figures(error, blocks, 20, draws, None)["rms"])
        inside += interval.low <= 1.0 <= interval.high
    assert 0.84 * jobs <= inside <= 0.99 * jobs


def test_every_figure_of_a_draw_of_each_block_once_is_the_figure_itself() -> None:
    played = by_layer(PLANNED, [0.1, 0.5, 0.2, 0.4, 0.3, 0.2])
    found = verify_played(PLANNED, played, None, tolerance_mm=0.25)
    error = path_error(PLANNED, played)
    once = drawn_figures(error, mark_path(PLANNED).layer[error.row], 6, np.ones((1, 6)), 0.25)
    for key, values in once.items():
        row = found.row(key)
        assert row is not None and row.before is not None
        # quantiles are read off a grid whose steps are 0.7 % wide
        assert values[0] == pytest.approx(row.before.value, rel=0.007 if key == "q95" else 1e-9)
    assert DRAWS >= 1000


def test_paired_layers_give_a_narrow_ratio() -> None:
    """After is a tenth of before in every layer: the ratio is ten whatever layers are drawn."""
    offsets = np.array([0.2, 1.0, 0.4, 0.8, 0.3, 0.6])
    found = verify_played(PLANNED, by_layer(PLANNED, offsets), by_layer(PLANNED, offsets / 10))
    row = found.row("rms")
    assert row is not None and row.ratio is not None and row.before is not None
    assert (row.ratio.low, row.ratio.high) == pytest.approx((10.0, 10.0), rel=1e-6)
    assert row.before.high / row.before.low > 1.3


# ---- forecast and notes ------------------------------------------------------------------------


@pytest.mark.parametrize(("off_mm", "covered"), [(0.05, True), (0.2, False), (0.001, False)])
def test_forecast_is_checked_against_what_was_played(off_mm: float, covered: bool) -> None:
    told = Forecast(1.0, 0.06, 0.02, 0.1)
    found = verify_played(PLANNED, None, moved(PLANNED, off_mm), told)
    assert found.covered is covered
    assert verify_played(PLANNED, moved(PLANNED, off_mm), None, told).covered is None
    assert verify_played(PLANNED, None, moved(PLANNED, off_mm)).covered is None


def test_what_a_reader_ought_to_know_is_said() -> None:
    worse = verify_played(PLANNED, moved(PLANNED, 0.1), moved(PLANNED, 0.2))
    assert any("no better than the plain one" in note for note in worse.notes)
    half = PLANNED.t_s < 9.0
    part = SpotPath(*(getattr(PLANNED, n)[half] for n in ("t_s", "x_mm", "y_mm", "beam")))
    notes = verify_played(PLANNED, part, moved(PLANNED, 0.0001)).notes
    assert any("% of the trace was played without compensation" in note for note in notes)
    assert any("not played over the same part" in note for note in notes)
    t = np.arange(0.01, PLANNED.t_s[-1], 1 / 30)  # no frame just at a corner
    filmed = SpotPath(
        t, np.interp(t, PLANNED.t_s, PLANNED.x_mm), np.interp(t, PLANNED.t_s, PLANNED.y_mm),
        np.ones(len(t), dtype=bool),
    )  # fmt: skip
    found = verify_played(PLANNED, filmed, None)
    assert any("33 ms apart" in note for note in found.notes)
    # frames that lie on the wanted path are no error, though lines between them cut its corners
    assert found.before_figures is not None and found.before_figures.worst_mm < 1e-9


def test_nothing_played_of_the_trace_is_an_error() -> None:
    with pytest.raises(DataError, match="one clock"):
        verify_played(PLANNED, moved(SpotPath(PLANNED.t_s + 1000, PLANNED.x_mm, PLANNED.y_mm,
                                              PLANNED.beam)), None)  # fmt: skip
    with pytest.raises(DataError, match="never has the beam on"):
        one = SpotPath(*(a[:1] for a in (PLANNED.t_s, PLANNED.x_mm, PLANNED.y_mm, PLANNED.beam)))
        verify_played(one, PLANNED, None)
