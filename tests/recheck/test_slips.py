"""Slips of the pen put into readings whose making is known; real changes are left alone.

The readings are those of the virtual bench, without its own slips; each test puts in its own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hysteresis import virtual_bench
from hysteresis.errors import InputError
from hysteresis.measure import measure_typed
from hysteresis.plan import plan
from hysteresis.plan.readings import reading_moments
from hysteresis.plan.sheet import reading_sheet, sheet_in_tenths
from hysteresis.recheck import readings_kept
from hysteresis.tables import TypedSheet
from hysteresis.virtual_bench import Drift, drifted

from .rigs import SEED, bench, stored_model

PATTERN = plan("recheck-readings", bench())


def sheet(drift: Drift | None = None) -> TypedSheet:
    """Six readings to half a millimetre at the moments of the sheet."""
    rig = drifted(virtual_bench.make_rig(bench(), "braided-thread", SEED), drift or Drift())
    p = PATTERN
    played = virtual_bench.play(rig, p.t_s, p.drive_x, p.drive_y, sequence=7)
    empty = sheet_in_tenths(p)
    x, y = (np.round(2.0 * np.interp(empty.t_s, played.t_s, v)) / 2.0
            for v in (played.x_mm, played.y_mm))  # fmt: skip
    return replace(empty, x_mm=x, y_mm=y)


def doubted(typed: TypedSheet) -> dict[int, str]:
    measured = measure_typed(typed, PATTERN, bench(), keep_all=True)
    kept = readings_kept(stored_model(), PATTERN, measured, bench())
    assert int((~kept.recording.used).sum()) == len(kept.doubts)
    return {d.number: d.text for d in kept.doubts}


def changed(typed: TypedSheet, reading: int, **by: float) -> TypedSheet:
    x, y = typed.x_mm.copy(), typed.y_mm.copy()
    x[reading - 1] *= by.get("x", 1.0)
    y[reading - 1] *= by.get("y", 1.0)
    return replace(typed, x_mm=x, y_mm=y)


@pytest.mark.parametrize(
    "drift",
    [Drift(), Drift(friction=2.0), Drift(spring=0.85), Drift(after_effect_fast=2.0, zero_x_mm=2.0)],
)
def test_a_real_change_is_no_slip(drift):
    assert doubted(sheet(drift)) == {}


@pytest.mark.parametrize("drift", [Drift(), Drift(friction=2.0)])
def test_a_sign_a_point_and_ten_millimetres_are_asked_about(drift):
    typed = sheet(drift)
    assert "is its sign turned" in doubted(changed(typed, 2, x=-1.0))[2]
    assert "is its sign turned" in doubted(changed(typed, 4, y=-1.0))[4]
    point = doubted(changed(typed, 4, x=0.1))
    assert list(point) == [4] and "and the other readings" in point[4]
    assert list(doubted(changed(typed, 2, y=1.2))) == [2]


def test_a_sheet_with_its_axis_turned_is_refused():
    with pytest.raises(InputError, match=r"only \d are left; reading \d: x is") as told:
        typed = sheet()
        doubted(replace(typed, x_mm=25.0 - typed.x_mm, y_mm=25.0 - typed.y_mm))
    assert "--keep-all" in str(told.value)


def test_the_person_may_insist():
    measured = measure_typed(changed(sheet(), 2, x=-1.0), PATTERN, bench(), keep_all=True)
    kept = readings_kept(stored_model(), PATTERN, measured, bench(), kept={2})
    assert kept.recording.used.all() and not kept.doubts


def test_a_moment_on_the_sheet_lies_in_its_hold():
    """A reading at the printed moment is one of the spot at rest, as the drive shows."""
    p, printed = PATTERN, sheet_in_tenths(PATTERN)
    exact = reading_sheet(p).t_s
    assert np.all(printed.t_s <= exact + 1e-6) and np.all(printed.t_s > exact - 0.1)
    assert np.allclose(10.0 * printed.t_s, np.round(10.0 * printed.t_s))
    for drive, at in ((p.drive_x, printed.drive_x), (p.drive_y, printed.drive_y)):
        assert np.allclose(np.interp(printed.t_s, p.t_s, drive), at)
    assert len(reading_moments(p)[0]) == 6
