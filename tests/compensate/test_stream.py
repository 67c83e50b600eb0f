"""Whole jobs in a stream: blocks equal one pass, windows with the beam off, rows, samples."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from fitted_rigs import bench, bench_with
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hysteresis.bench import Bench
from hysteresis.compensate import blocks_of_path, compensate_path, compensate_stream
from hysteresis.compensate import stream as stream_module
from hysteresis.compensate.beam_off import Window
from hysteresis.compensate.job import PathOptions, open_job
from hysteresis.compensate.lead_in import even_step_s, swing_s
from hysteresis.compensate.output import beside, sampled, samples_at_rate
from hysteresis.compensate.scan import scan
from hysteresis.compensate.stream import PlayedBlock, as_rows
from hysteresis.errors import DataError, InputError, LimitError
from hysteresis.model import RigModel
from hysteresis.paths.example_job import layered_tile_job
from hysteresis.paths.smoothing import STEPS_PER_KERNEL, kernel_for
from hysteresis.paths.stream import TimedBlock

from .models import STEP_S, fitted, one_rig, paths, rigs, tile

COLUMNS = ("x_mm", "y_mm", "drive_x", "drive_y", "plain_x", "plain_y", "error_x_mm", "beam",
           "line_of_row", "layer")  # fmt: skip


def column(blocks: list[PlayedBlock], name: str) -> np.ndarray:
    return np.concatenate([getattr(b, name) for b in blocks])


def in_blocks(whole: TimedBlock, cuts: list[int]) -> Iterator[TimedBlock]:
    """The same samples in blocks that end at `cuts`."""
    edges = [0, *sorted(cuts), len(whole)]
    for a, b in pairwise(edges):
        inside = (whole.switch_at >= a) & (whole.switch_at < b)
        if b == len(whole):
            inside |= whole.switch_at >= b
        yield replace(
            whole, first=a, x_mm=whole.x_mm[a:b], y_mm=whole.y_mm[a:b], beam=whole.beam[a:b],
            switch_at=whole.switch_at[inside] - a, switch_on=whole.switch_on[inside],
            line_of_row=whole.line_of_row[a:b], layer=whole.layer[a:b],
        )  # fmt: skip


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three layers of the invented tile."""
    file = tmp_path_factory.mktemp("job") / "tile.ngc"
    file.write_text(layered_tile_job(3, duration_s=30.0, park_s=2.0))
    return file


def blocks_of(job: Path, rig_bench: Bench | None = None, **options: object) -> list[TimedBlock]:
    return list(open_job(job, rig_bench or bench(), PathOptions(**options)).blocks())  # type: ignore[arg-type]


# ---- the clock -----------------------------------------------------------------------------------


@given(st.floats(0.5, 20_000.0))
def test_one_grid_for_path_and_torque_balance(bandwidth_hz: float) -> None:
    """An even part of the smoothing's kernel, a sixteenth or less; 40 steps to a swing."""
    here = bench_with(limits={"bandwidth_hz": bandwidth_hz})
    parts = kernel_for(bandwidth_hz) / even_step_s(here)
    assert abs(parts - 2 * round(parts / 2)) < 1e-6 and parts > STEPS_PER_KERNEL - 0.5
    assert even_step_s(here) <= 0.15 / 40 * (1 + 1e-9)


def test_any_bandwidth_runs_through(job: Path) -> None:
    for bandwidth_hz in (12.0, 33.0, 900.0):
        here = bench_with(limits={"bandwidth_hz": bandwidth_hz})
        made = list(compensate_stream(fitted(one_rig()), here, blocks_of(job, here)))
        assert sum(len(b) for b in made if b.part == "path") > 1000


def test_swings_keep_to_the_slew_limit() -> None:
    """The steepest place of a raised cosine, and no longer than that asks for."""
    for slew in (3.0, 10.0, 60.0):
        here = bench_with(limits={"slew_per_s": slew})
        found = scan(
            fitted(one_rig()), here,
            compensate_stream(fitted(one_rig()), here, blocks_of_path(tile(1.0, 4.0), here)),
        )  # fmt: skip
        assert not [e for e in found.excesses if e.limit == "slew_per_s"], slew
        assert swing_s(here) >= 0.15


# ---- blocks equal one pass -----------------------------------------------------------------------


def test_blocks_of_multiples_of_1024_are_the_same_to_the_last_bit(job: Path) -> None:
    (whole,) = blocks_of(job)
    rig = fitted(one_rig())
    made = [
        list(compensate_stream(rig, bench(), in_blocks(whole, cuts), plain=True))
        for cuts in ([], [1024, 4096, 5120, 20480], [k for k in range(1024, len(whole), 1024)])
    ]
    for other in made[1:]:
        for name in COLUMNS[:6] + COLUMNS[7:]:
            np.testing.assert_array_equal(column(made[0], name), column(other, name), name)
        np.testing.assert_array_equal(made[0][-1].end.x, other[-1].end.x)


@settings(max_examples=20, deadline=None)
@given(st.data())
def test_blocks_of_any_length_give_the_same(data: st.DataObject) -> None:
    model = data.draw(rigs())
    path = data.draw(paths())
    (whole,) = blocks_of_path(path, bench())
    cuts = data.draw(st.lists(st.integers(1, len(whole) - 1), max_size=6, unique=True))
    rig = fitted(model)
    one, two = (
        list(compensate_stream(rig, bench(), b, plain=True)) for b in ([whole],
                                                                       in_blocks(whole, cuts))
    )  # fmt: skip
    for name in COLUMNS:
        np.testing.assert_allclose(column(one, name), column(two, name), rtol=0, atol=1e-9)
    rows = [list(as_rows(b)) for b in (one, two)]
    for name in ("t_s", "x_mm", "drive_x", "beam"):
        a, b = (np.concatenate([getattr(r, name) for r in all_rows]) for all_rows in rows)
        np.testing.assert_allclose(a.astype(float), b.astype(float), rtol=0, atol=1e-9)


def test_two_threads_and_twice_asked_give_the_same(job: Path) -> None:
    rig = fitted(one_rig())
    made = [list(compensate_stream(rig, bench(), blocks_of(job), threads=n)) for n in (1, 2, 1)]
    for other in made[1:]:
        for name in ("drive_x", "drive_y"):
            np.testing.assert_array_equal(column(made[0], name), column(other, name))


def test_lines_layers_and_parts(job: Path) -> None:
    blocks = blocks_of(job)
    made = list(compensate_stream(fitted(one_rig()), bench(), blocks))
    assert [b.part for b in made] == ["lead-in", "path", "way out", "way out"]
    lead = len(made[0])
    assert not made[0].beam.any() and not made[0].line_of_row.any()
    np.testing.assert_array_equal(made[1].line_of_row, blocks[0].line_of_row)
    assert set(made[1].layer.tolist()) == {0, 1, 2} and made[2].layer.tolist()[0] == 2
    assert [b.first for b in made] == [0, *np.cumsum([len(b) for b in made])[:-1].tolist()]
    assert made[1].first == lead
    assert made[-1].drive_x[-1] == 0.0 and made[-1].drive_y[-1] == 0.0
    found = scan(fitted(one_rig()), bench(), made)
    assert found.layers == 3 and found.forecast is None
    assert found.lead_in_s == pytest.approx(lead * STEP_S)
    assert found.traced_s == pytest.approx(blocks[0].beam.sum() * STEP_S)


def test_nothing_and_another_grid_are_refused() -> None:
    rig = fitted(one_rig())
    with pytest.raises(DataError, match="fewer than two points"):
        list(compensate_stream(rig, bench(), []))
    (whole,) = blocks_of_path(tile(), bench())
    with pytest.raises(ValueError, match="grid"):
        list(compensate_stream(rig, bench(), [replace(whole, step_s=1e-3)]))
    always = bench_with(beam={"mode": "always-on"})
    with pytest.raises(InputError, match="must be followed"):
        list(compensate_stream(rig, always, [whole], beam_off="null"))
    with pytest.raises(InputError, match="between 0 and 600 s"):
        list(compensate_stream(rig, bench(), [whole], extra_s=np.nan))


# ---- the beam off --------------------------------------------------------------------------------


def test_windows_are_gathered_whole_and_get_the_running_state(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However the path is cut: as long as its stretch, and with the state of the sample before."""
    (whole,) = blocks_of(job)
    rig = fitted(one_rig())
    seen: list[tuple[int, float]] = []

    def watched(option, model: RigModel, state, rig_bench, x, y, step_s) -> Window:  # type: ignore[no-untyped-def]
        from hysteresis.optics import deflection_from_spot

        theta, _ = deflection_from_spot(x[:1], y[:1], model.optics)
        seen.append((len(x), abs(float(state.x[0] - theta[0]))))
        return Window(x, y, "follow")

    monkeypatch.setattr(stream_module, "beam_off_window", watched)
    edges = np.flatnonzero(np.diff(whole.beam)) + 1
    lengths = [int(edges[0]), *np.diff(edges)[1::2].tolist()]  # the last one is followed
    for cuts in ([], [1024 * k for k in range(1, len(whole) // 1024)]):
        seen.clear()
        blocks = in_blocks(whole, cuts)
        made = list(compensate_stream(rig, bench(), blocks, beam_off="condition"))
        assert [n for n, _ in seen] == lengths
        assert max(gap for _, gap in seen) < 0.01  # the path goes on from where the rig is
        plain = list(compensate_stream(rig, bench(), [whole]))
        np.testing.assert_allclose(column(made, "drive_x"), column(plain, "drive_x"), atol=1e-9)


@pytest.mark.parametrize("option", ["condition", "null"])
def test_the_trace_stays_what_it_was(job: Path, option: str) -> None:
    """Whatever is done with the beam off: places and beam of the trace are those asked for, and
    the rig's own model is on them."""
    (whole,) = blocks_of(job)
    rig = fitted(one_rig())
    made = list(compensate_stream(rig, bench(), [whole], beam_off=option))  # type: ignore[arg-type]
    lead = len(made[0])
    x, beam = column(made, "x_mm"), column(made, "beam")
    np.testing.assert_array_equal(beam[lead : lead + len(whole)], whole.beam)
    np.testing.assert_array_equal(x[lead : lead + len(whole)][whole.beam], whole.x_mm[whole.beam])
    assert (x[lead : lead + len(whole)] != whole.x_mm).sum() > 1000  # something was done
    played, _, _ = one_rig().spots(column(made, "drive_x"), column(made, "drive_y"), STEP_S)
    np.testing.assert_allclose(played, x, rtol=0, atol=1e-8)


def test_a_window_that_is_too_long_is_followed(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (whole,) = blocks_of(job)
    monkeypatch.setattr(stream_module, "LONGEST_WINDOW_S", 1.0)
    seen: list[int] = []

    def watched(option, model, state, rig_bench, x, y, step_s) -> Window:  # type: ignore[no-untyped-def]
        seen.append(len(x))
        return Window(x, y, "follow")

    monkeypatch.setattr(stream_module, "beam_off_window", watched)
    cuts = [1024 * k for k in range(1, len(whole) // 1024)]
    made = list(
        compensate_stream(fitted(one_rig()), bench(), in_blocks(whole, cuts), beam_off="null")
    )
    assert seen and max(seen) <= round(1.0 / STEP_S)
    lead = len(made[0])
    np.testing.assert_array_equal(column(made, "x_mm")[lead : lead + len(whole)], whole.x_mm)


def test_extra_waits_come_before_each_new_layer(job: Path) -> None:
    (whole,) = blocks_of(job)
    made = list(compensate_stream(fitted(one_rig()), bench(), [whole], extra_s=1.5))
    path = [b for b in made if b.part == "path"]
    extra = round(1.5 / STEP_S)
    assert sum(map(len, path)) == len(whole) + 2 * extra
    beam = column(path, "beam")
    assert beam.sum() == whole.beam.sum()
    layer = column(path, "layer")
    np.testing.assert_array_equal(
        column(path, "x_mm")[beam & (layer == 2)], whole.x_mm[whole.beam & (whole.layer == 2)]
    )
    at = np.concatenate([b.switch_at + b.first - len(made[0]) for b in path])
    assert len(at) == len(whole.switch_at)
    np.testing.assert_allclose(at[-1] - whole.switch_at[-1], 2 * extra, atol=1e-9)
    assert at[0] == pytest.approx(whole.switch_at[0])


# ---- rows and samples ----------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(paths())
def test_rows_stand_at_every_change_of_the_beam(path) -> None:  # type: ignore[no-untyped-def]
    made = list(compensate_stream(fitted(one_rig()), bench(), blocks_of_path(path, bench())))
    rows = list(as_rows(made))
    t, beam = (np.concatenate([getattr(r, n) for r in rows]) for n in ("t_s", "beam"))
    assert (np.diff(t) > 0).all()
    lead = len(made[0]) * STEP_S
    ask = path.t_s[0] + t - lead
    inside = (ask > path.t_s[0] - 1e-9) & (ask < path.t_s[-1] - 1e-9)
    row = np.searchsorted(path.t_s, ask[inside] + 1e-9, side="right") - 1
    np.testing.assert_array_equal(beam[inside], path.beam[row])
    changes = path.t_s[np.flatnonzero(np.diff(path.beam)) + 1] - path.t_s[0] + lead
    for moment in changes:
        assert np.abs(t - moment).min() < 1e-9


@pytest.mark.parametrize("rate_hz", [48_000, 44_100, 8_000, 1_000, 192_000])
def test_samples_of_an_output(job: Path, rate_hz: int) -> None:
    """As many as foretold; on the grid the drive itself; the beam where it changes; zero at the
    end."""
    made = list(compensate_stream(fitted(one_rig()), bench(), blocks_of(job)))
    count = sum(map(len, made))
    rows = np.concatenate(list(sampled(made, rate_hz, bench())))
    assert len(rows) == samples_at_rate(count, made[0].step_s, rate_hz)
    assert abs(len(rows) / rate_hz - (count - 1) * STEP_S) < 8 * STEP_S + 1 / rate_hz
    assert not rows[-1].any()
    drive = column(made, "drive_x")
    t = np.arange(len(rows)) / rate_hz
    on_grid = np.flatnonzero(np.abs(t / STEP_S - np.round(t / STEP_S)) < 1e-7)
    k = np.round(t[on_grid] / STEP_S).astype(int)
    inside = k < count
    np.testing.assert_allclose(rows[on_grid[inside], 0], drive[k[inside]], atol=1e-7)
    at = np.concatenate([b.switch_at + b.first for b in made]) * STEP_S
    on = np.append(False, np.concatenate([b.switch_on for b in made]))
    expected = on[np.searchsorted(at, t + 1e-12, side="right")]
    np.testing.assert_array_equal(rows[:, 2] == 1.0, expected)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_whatever_goes_in_each_sample_is_the_planned_one_or_none_is_made(
    data: st.DataObject,
) -> None:
    """Nothing is ever clipped, however far beyond the limit a drive lies."""
    model = data.draw(rigs())
    size, duration = data.draw(st.floats(1.0, 90.0)), data.draw(st.floats(0.1, 1.0))
    narrow = bench_with(limits={"max_drive": data.draw(st.floats(0.2, 1.0))})
    made = list(
        compensate_stream(fitted(model), narrow, blocks_of_path(tile(size, duration), narrow))
    )
    found = scan(fitted(model), narrow, made)
    try:
        rows = np.concatenate(list(sampled(made, 4_800, narrow)))  # four to a step of the grid
    except LimitError as error:
        assert "nothing was clipped or written" in str(error)
        assert max(found.largest["max_drive"].values()) > 0.98 * narrow.limits.max_drive
        return
    for k, name in enumerate(("drive_x", "drive_y")):
        np.testing.assert_allclose(rows[::4, k], column(made, name), rtol=0, atol=1e-9)
    assert found.count == len([e for e in found.excesses]) and all(
        e.limit != "max_drive" or e.amount <= 1.001 * e.allowed for e in found.excesses
    )


# ---- two at once ---------------------------------------------------------------------------------


def test_beside_hands_everything_on_in_order() -> None:
    got: list[int] = []
    beside(iter(range(100)), lambda items: got.extend(items))
    assert got == list(range(100))


@pytest.mark.parametrize("where", ["work", "items", "both"])
def test_what_either_side_raises_is_raised(where: str) -> None:
    def items() -> Iterator[int]:
        for k in range(50):
            if k == 20 and where != "work":
                raise KeyboardInterrupt
            yield k

    def work(taken: Iterator[int]) -> None:
        for k in taken:
            if k == 5 and where == "work":
                raise OSError(28, "full")

    with pytest.raises(OSError if where == "work" else KeyboardInterrupt):
        beside(items(), work)


def test_a_path_in_one_piece_and_in_a_stream_are_one(job: Path) -> None:
    (whole,) = blocks_of(job)
    from hysteresis.paths.read import read_path

    path, _ = read_path(job, bench())
    rig = fitted(one_rig())
    one = compensate_path(rig, bench(), path)
    rows = list(as_rows(compensate_stream(rig, bench(), [whole], plain=True)))
    for name in ("t_s", "drive_x", "drive_y", "beam"):
        streamed = np.concatenate([getattr(r, name) for r in rows]).astype(float)
        np.testing.assert_allclose(
            streamed, getattr(one.drive, name).astype(float), rtol=0, atol=1e-9
        )
