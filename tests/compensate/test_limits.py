"""Limits: every stretch beyond one is told with place, amount and mm, and nothing is clipped."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from fitted_rigs import bench, bench_with
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.compensate import compensate_path, compensate_stream
from hysteresis.compensate.fit_limits import (
    FINE,
    first_remedy,
    moved,
    remedies,
    slower,
    smaller,
)
from hysteresis.compensate.job import JobPath, PathOptions, open_job
from hysteresis.compensate.limits import MOST_HEATS, MOST_KEPT, Excess, LimitWatch, excesses
from hysteresis.compensate.scan import Scan, scan
from hysteresis.model import RigModel
from hysteresis.operators.elastic import Elastic
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.tables import SpotPath

from .models import fitted, one_rig, rigs, tile

T = np.linspace(0.0, 10.0, 1001)


def found(rig_bench: Bench, drive: np.ndarray, t: np.ndarray = T) -> dict[str, list[Excess]]:
    """Excesses by limit of a drive of the x axis; y rests. Spots: 50 mm per drive."""
    still = np.zeros(len(t))
    out: dict[str, list[Excess]] = {"max_drive": [], "slew_per_s": [], "coil_rms": []}
    for one in excesses(rig_bench, t, drive, still, 50 * drive, still, 50.0):
        assert one.axis == "x"
        out[one.limit].append(one)
    return out


# ---- each limit by itself ----------------------------------------------------------------------


def test_each_stretch_of_drive_is_named_at_its_peak_worst_first() -> None:
    drive = 0.7 * np.exp(-(((T - 3) / 0.5) ** 2)) - 0.9 * np.exp(-(((T - 7) / 0.5) ** 2))
    over = found(bench_with(limits={"max_drive": 0.5}), drive)["max_drive"]
    assert [round(e.t_s, 9) for e in over] == [7.0, 3.0]
    worst = over[0]
    assert worst.amount == pytest.approx(0.9) and worst.allowed == 0.5
    assert worst.x_mm == pytest.approx(-45.0) and worst.y_mm == 0.0
    assert worst.short_mm == pytest.approx(0.4 * 50)
    # the stretch ends where the bell falls to 0.5: t = 7 + 0.5 √ln(0.9/0.5)
    assert worst.until_s == pytest.approx(7 + 0.5 * np.sqrt(np.log(1.8)), abs=0.011)


def test_a_ramp_of_known_slew() -> None:
    drive = np.interp(T, [2.0, 2.5, 4.0, 5.0], [0.0, 0.5, 0.5, 0.0])  # 1 /s up, 0.5 /s down
    assert found(bench_with(limits={"slew_per_s": 1.001}), drive)["slew_per_s"] == []
    (up,) = found(bench_with(limits={"slew_per_s": 0.6}), drive)["slew_per_s"]
    assert up.amount == pytest.approx(1.0) and 2.0 < up.t_s <= up.until_s <= 2.51
    assert np.isnan(up.short_mm) and "mm short" not in str(up)
    assert len(found(bench_with(limits={"slew_per_s": 0.4}), drive)["slew_per_s"]) == 2


def test_uneven_rows_do_not_fake_a_slew() -> None:
    """Rows for changes of the beam lie close to others; the slope between them is the same."""
    t = np.union1d(T, T[100:900:7] + 1e-9)
    drive = np.interp(t, [0.0, 5.0, 10.0], [0.0, 0.5, 0.0])
    assert found(bench_with(limits={"slew_per_s": 0.1001}), drive, t)["slew_per_s"] == []


def test_coil_heat_of_a_constant_drive() -> None:
    """A cold coil under a constant drive u: rms² = u² t / window until the window is full."""
    limits = {"coil_rms": 0.3, "coil_window_s": 4.0}
    drive = np.full(len(T), 0.5)
    (hot,) = found(bench_with(limits=limits), drive)["coil_rms"]
    assert hot.amount == pytest.approx(0.5, rel=1e-9) and hot.allowed == 0.3
    assert hot.t_s >= 4.0 - 1e-9
    assert found(bench_with(limits=limits | {"coil_rms": 0.51}), drive)["coil_rms"] == []
    # short enough a job never gets hot: rms² = 0.25 · 1.4 / 4 < 0.3²
    assert found(bench_with(limits=limits), drive[:141], T[:141])["coil_rms"] == []
    assert found(bench_with(limits=limits), drive[:146], T[:146])["coil_rms"]  # 0.25·1.45/4 > 0.09


def test_the_sentence_has_place_amount_and_mm() -> None:
    drive = 0.9 * np.exp(-(((T - 3) / 0.5) ** 2))
    (one,) = found(bench_with(limits={"max_drive": 0.5}), drive)["max_drive"]
    said = str(one)
    assert said == (
        "drive of axis x reaches 0.900 (allowed 0.500) at 3.00 s, x = 45.0 mm, y = 0.0 mm, "
        "20.00 mm short"
    )


def test_within_every_limit_nothing_is_said() -> None:
    assert excesses(bench(), T, 0.5 * np.sin(T), 0.2 * np.cos(T) * np.minimum(T, 1),
                    T, T, 50.0) == ()  # fmt: skip


# ---- whole paths -------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_whatever_exceeds_is_told_and_nothing_is_clipped(data: st.DataObject) -> None:
    model = data.draw(rigs())
    narrow = bench_with(limits={"max_drive": data.draw(st.floats(0.2, 1.0))})
    size = data.draw(st.floats(1.0, 60.0))
    result = compensate_path(fitted(model), narrow, tile(size, 0.8))
    allowed = narrow.limits.max_drive
    for axis, drive in (("x", result.drive.drive_x), ("y", result.drive.drive_y)):
        told = [e for e in result.excesses if e.limit == "max_drive" and e.axis == axis]
        largest = np.abs(drive).max()
        assert bool(told) is bool(largest > allowed * (1 + 1e-9))
        if told:
            assert told[0].amount == largest  # the drive itself, beyond the limit as it is
            k = int(np.argmin(np.abs(result.drive.t_s - told[0].t_s)))
            assert told[0].x_mm == result.planned.x_mm[k]
            assert told[0].y_mm == result.planned.y_mm[k]
            assert told[0].short_mm == pytest.approx((largest - allowed) * 50.0)
            assert f"axis {axis} reaches {largest:.3f}" in str(told[0])


def test_a_limit_exceeded_does_not_change_the_path() -> None:
    """The same trace with a generous and with a narrow limit: the drives of the path are equal."""
    model, path = one_rig(), tile(40.0, 0.25)
    # no lower: below, the swings of the lead-in take their time
    wide, narrow = bench(), bench_with(limits={"slew_per_s": 26.0, "coil_rms": 0.05})
    one, two = (compensate_path(fitted(model), b, path) for b in (wide, narrow))
    assert one.excesses == ()
    assert {e.limit for e in two.excesses} == {"slew_per_s", "coil_rms"}
    np.testing.assert_array_equal(one.drive.drive_x, two.drive.drive_x)
    for axis in "xy":
        hottest = max(e.amount for e in two.excesses if e.limit == "coil_rms" and e.axis == axis)
        assert 0.05 < hottest < 1.0


def test_the_drive_for_comparison_is_checked_for_itself() -> None:
    """A memory-free calibration that is stiffer asks for more drive than the compensated path."""
    model = one_rig()
    stiff = AxisModel(Elastic(1.2))
    result = compensate_path(
        fitted(model, RigModel(stiff, stiff, model.optics)), bench(), tile(44.0, 4.0)
    )
    assert result.excesses == ()
    assert {e.limit for e in result.plain_excesses} == {"max_drive"}
    largest = max(e.amount for e in result.plain_excesses)
    assert largest == max(np.abs(result.plain.drive_x).max(), np.abs(result.plain.drive_y).max())


def test_slew_of_a_jump_in_the_path_is_found_where_it_is() -> None:
    path = tile(5.0, 2.0)
    jump = replace(path, x_mm=path.x_mm + 20.0 * (path.t_s > 1.0))
    result = compensate_path(fitted(one_rig()), bench(), jump)
    fast = [e for e in result.excesses if e.limit == "slew_per_s" and e.axis == "x"]
    assert fast and fast[0].t_s == pytest.approx(result.lead_in_s + 1.0, abs=0.01)


def test_full_field_path_is_refused_near_its_edge() -> None:
    t = np.arange(0.0, 4.0, 1e-3)
    x = 65.0 * np.sin(np.pi * t / 4.0) ** 2
    path = SpotPath(t, x, 0 * x, np.ones(len(t), bool))
    result = compensate_path(fitted(one_rig()), bench(), path)
    (one,) = [e for e in result.excesses if e.limit == "max_drive"]
    assert one.axis == "x" and one.x_mm > 50.0 and one.short_mm > 0.5


# ---- watched in a stream -----------------------------------------------------------------------


def watched(
    rig_bench: Bench, drive: np.ndarray, cuts: list[int], step_s: float = 1e-3
) -> LimitWatch:
    """A drive of axis x, y at rest, in blocks; spots 50 mm per drive, the line its sample."""
    watch = LimitWatch(rig_bench, step_s)
    for a, b in pairwise([0, *cuts, len(drive)]):
        part, still = drive[a:b], np.zeros(b - a)
        line = np.arange(a, b)
        watch.add(a, part, still, 50.0 * part, still, line, line // 1000)
    return watch


SIGNAL = st.builds(
    lambda seed, size: np.cumsum(np.random.default_rng(seed).normal(0, 0.01, size)),
    st.integers(0, 1000), st.integers(50, 4000),
)  # fmt: skip


@settings(max_examples=50, deadline=None)
@given(SIGNAL, st.lists(st.integers(1, 49), max_size=5, unique=True), st.floats(0.1, 3.0))
def test_the_watch_sees_what_a_look_at_everything_sees(
    drive: np.ndarray, cuts: list[int], window_s: float
) -> None:
    """Against `excesses`, which holds all at once; the coil's rms against numpy, at each sample."""
    limits = {"max_drive": 0.2, "slew_per_s": 15.0, "coil_rms": 0.1, "coil_window_s": window_s}
    here = bench_with(limits=limits)
    t, still = 1e-3 * np.arange(len(drive)), np.zeros(len(drive))
    watch = watched(here, drive, sorted(cuts))
    whole = excesses(here, t, drive, still, 50 * drive, still, 50.0)
    for limit in ("max_drive", "slew_per_s"):
        mine = [e for e in watch.excesses() if e.limit == limit]
        theirs = [e for e in whole if e.limit == limit]
        assert len(mine) == min(len(theirs), MOST_KEPT)
        for a, b in zip(mine, theirs, strict=False):
            assert a.amount == pytest.approx(b.amount, rel=1e-9)
            assert (a.limit, a.axis) == (b.limit, b.axis)
        shown = [(e.t_s, e.until_s, e.x_mm) for e in mine]
        for place in shown:
            assert any(place == pytest.approx((e.t_s, e.until_s, e.x_mm)) for e in theirs)
    a, b = drive[:-1], drive[1:]
    energy = np.concatenate([[0.0], np.cumsum(1e-3 * (a * a + a * b + b * b) / 3)])
    old = np.interp(t - window_s, t, energy, left=0.0)
    rms = np.sqrt(np.maximum(energy - old, 0) / window_s)
    assert watch.largest["coil_rms"]["x"] == pytest.approx(rms.max(), rel=1e-6, abs=1e-9)


@settings(max_examples=30, deadline=None)
@given(SIGNAL, st.lists(st.integers(1, 49), max_size=8, unique=True))
def test_the_watch_does_not_see_how_it_was_cut(drive: np.ndarray, cuts: list[int]) -> None:
    here = bench_with(limits={"max_drive": 0.1, "slew_per_s": 8.0, "coil_rms": 0.05,
                              "coil_window_s": 0.4, "bandwidth_hz": 20.0})  # fmt: skip
    one, two = watched(here, drive, []), watched(here, drive, sorted(cuts))
    assert one.count == two.count and len(one.excesses()) == len(two.excesses())
    for a, b in zip(one.excesses(), two.excesses(), strict=True):
        assert (a.limit, a.line, a.layer, a.until_s) == (b.limit, b.line, b.layer, b.until_s)
        assert a.amount == pytest.approx(b.amount, rel=1e-6)


def test_a_coil_window_of_many_samples_is_watched_in_steps() -> None:
    """Bound: what one step has of the window, in the mean square (the drive is 1 at most)."""
    here = bench_with(limits={"coil_window_s": 600.0, "coil_rms": 0.5})
    t = 1e-3 * np.arange(1_500_000)
    drive = 0.7 * np.sin(2 * np.pi * t / 900.0)
    watch = watched(here, drive, list(range(65_536, len(drive), 65_536)))
    exact = watched(bench_with(limits={"coil_window_s": 600.0, "coil_rms": 0.5}), drive[::100],
                    [], 0.1)  # fmt: skip
    every = math.ceil(600_000 / MOST_HEATS)
    assert every > 1
    a, b = (w.largest["coil_rms"]["x"] ** 2 for w in (watch, exact))
    assert abs(a - b) < 2 * every * 1e-3 / 600.0 + 1e-5
    assert watch.count == exact.count > 0


def test_many_stretches_are_counted_and_the_worst_are_kept() -> None:
    t = 1e-3 * np.arange(300_000)
    drive = (0.3 + 0.3 * t / t[-1]) * np.sin(2 * np.pi * 2.0 * t)
    watch = watched(bench_with(limits={"max_drive": 0.2}), drive, list(range(1000, 300_000, 777)))
    assert watch.count == 1200  # two to a period
    kept = watch.excesses()
    assert len(kept) == MOST_KEPT and kept[0].amount == pytest.approx(0.6, rel=1e-3)
    assert kept[-1].amount > 0.57  # the last hundred of a rising row
    assert f"(line {kept[0].line}, layer {kept[0].layer + 1})" in str(kept[0])


@pytest.mark.parametrize("hz", [5.0, 28.0, 28.5, 60.0])
def test_a_movement_faster_than_the_bandwidth_is_seen(hz: float) -> None:
    """(1 - cos 2 pi f t) / 2 stays within full scale; its acceleration is (2 pi f)² / 2 at most,
    of which the second difference at step h has (1 - cos 2 pi f h) 2 / (2 pi f h)²."""
    here = bench_with(limits={"bandwidth_hz": 20.0})
    path = 0.5 - 0.5 * np.cos(2 * np.pi * hz * 1e-4 * np.arange(20_000))
    watch = LimitWatch(here, 1e-4)
    still = np.zeros(len(path), dtype=np.int64)
    watch.add(0, 0 * path, 0 * path, 50.0 * path, 0 * path, still, still)
    seen = watch.largest["bandwidth_hz"]["x"]
    told = np.sqrt(1 - np.cos(2 * np.pi * hz * 1e-4)) / (2e-4 * np.pi)
    assert seen == pytest.approx(told, rel=1e-6)
    assert bool(watch.count) is bool(np.sqrt(0.5) * hz > 20.0)


# ---- what would make it fit --------------------------------------------------------------------


def job_of(
    folder: Path, text: str, stiffness: float = 0.8, **limits: float
) -> tuple[JobPath, Callable[[JobPath], Scan]]:
    file = folder / "path.ngc"
    file.write_text("G21 G90\n" + text)
    here = bench_with(limits=limits)
    axis = AxisModel(Elastic(stiffness), friction=MaxwellSlip(np.array([0.1]), np.array([0.05])))
    rig = fitted(replace(one_rig(), axis_x=axis, axis_y=axis))

    def looked(job: JobPath) -> Scan:
        return scan(rig, here, compensate_stream(rig, here, job.blocks()))

    return open_job(file, here, PathOptions()), looked


def test_the_fastest_speed_that_fits_is_found(tmp_path: Path) -> None:
    text = "G0 X-20 Y0\nM3 S1\nG1 X20 F60000\nG1 X-20\nM5\n"
    job, looked = job_of(tmp_path, text, slew_per_s=8.0)
    job = job.with_options(replace(job.options, travel_mm_s=1500.0))
    assert looked(job).count
    remedy = slower(job, lambda at: not looked(at).count)
    assert remedy is not None and remedy.words == f"slowed to {100 * remedy.options.slowed:.0f} %"
    assert not looked(job.with_options(remedy.options)).count
    faster = replace(remedy.options, slowed=remedy.options.slowed + FINE)
    assert looked(job.with_options(faster)).count


def test_the_shortest_shift_and_the_largest_size_that_fit_are_found(tmp_path: Path) -> None:
    text = "G0 X20 Y5\nM3 S1\nG1 X47 F1200\nG1 Y-5\nG1 X20\nM5\n"
    job, looked = job_of(tmp_path, text, 1.1)
    found = looked(job)
    assert {e.limit for e in found.excesses} == {"max_drive"} and found.excesses[0].axis == "x"

    def fits(at: JobPath) -> bool:
        return not looked(at).count

    assert slower(job, fits) is None  # a place out of reach stays so
    move, size = moved(job, fits, found.excesses), smaller(job, fits)
    assert move is not None and size is not None
    assert re.fullmatch(r"shifted by −\d+\.\d mm in x", move.words), move.words
    assert re.fullmatch(r"scaled to \d\d %", size.words), size.words
    assert move.options.placement.y_mm == 0.0
    for remedy in (move, size):
        assert fits(job.with_options(remedy.options))
    less = replace(move.options.placement, x_mm=move.options.placement.x_mm + 0.2)
    assert not fits(job.with_options(replace(job.options, placement=less)))
    more = replace(size.options.placement, scale=size.options.placement.scale + 2 * FINE)
    assert not fits(job.with_options(replace(job.options, placement=more)))
    assert first_remedy(job, fits, found.excesses) == move
    assert [r.words for r in remedies(job, fits, found.excesses)] == [move.words, size.words]


def test_what_nothing_helps_is_not_promised_anything(tmp_path: Path) -> None:
    job, looked = job_of(tmp_path, "M3 S1\nG1 X20 F1200\nM5\n", coil_rms=1e-6)
    found = looked(job)
    assert remedies(job, lambda at: not looked(at).count, found.excesses) == []
