"""Limits: every stretch beyond one is told with place, amount and mm, and nothing is clipped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import bench, bench_with
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.compensate import compensate_path
from hysteresis.compensate.limits import Excess, excesses
from hysteresis.model import RigModel
from hysteresis.operators.elastic import Elastic
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
