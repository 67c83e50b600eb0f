"""A recording beside its pattern: which rows count, in which order, and where a row without a time
belongs. Grid and exposure are in tests/property/test_exposure_properties.py."""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.errors import DataError
from hysteresis.recording import observations, simulation_grid
from hysteresis.tables import Pattern, Recording

NAN = float("nan")
PATTERN = Pattern(
    t_s=np.array([0.0, 1.0, 3.0, 4.0, 9.0]),
    drive_x=np.array([0.0, 0.0, 0.5, 0.5, 0.0]),
    drive_y=np.zeros(5),
    beam=np.ones(5, bool),
    segment=np.array(
        ["rest/000", "reading/001", "reading/002/hold", "reading/002/back", "rest/001"], object
    ),
)


def recording(**changes) -> Recording:
    columns = {
        "t_s": np.array([3.5, 0.5, 2.0, 1.5, 8.0]),
        "exposure_s": np.array([0.1, 0.2, 0.3, 0.4, 0.5]),
        "x_mm": np.array([1.0, 2.0, 3.0, 4.0, 5.0]),
        "y_mm": np.array([-1.0, -2.0, -3.0, -4.0, -5.0]),
        "sigma_x_mm": np.full(5, 0.1),
        "sigma_y_mm": np.full(5, 0.2),
        "used": np.ones(5, bool),
        "reason": np.array([""] * 5, object),
        "segment": np.array(
            ["reading/002/hold", "rest/000", "reading/001", "reading/001", "reading/002/back"],
            object,
        ),
    } | changes
    return Recording(**columns)


def test_rows_come_in_order_of_time_with_all_their_columns() -> None:
    seen = observations(PATTERN, recording())
    assert seen.timed
    assert len(seen) == 5
    np.testing.assert_array_equal(seen.row, [1, 3, 2, 0, 4])
    np.testing.assert_array_equal(seen.start_s, [0.5, 1.5, 2.0, 3.5, 8.0])
    np.testing.assert_array_equal(seen.exposure_s, [0.2, 0.4, 0.3, 0.1, 0.5])
    np.testing.assert_array_equal(seen.x_mm, [2, 4, 3, 1, 5])
    np.testing.assert_array_equal(seen.y_mm, [-2, -4, -3, -1, -5])
    assert list(seen.group) == ["rest/000", "reading/001", "reading/001", "reading/002",
                                "reading/002"]  # fmt: skip


def test_rows_at_the_same_time_keep_their_order() -> None:
    seen = observations(PATTERN, recording(t_s=np.array([2.0, 1.0, 2.0, 1.0, 2.0])))
    np.testing.assert_array_equal(seen.row, [1, 3, 0, 2, 4])


def test_rows_marked_as_not_used_and_rows_that_saw_nothing_are_left_out() -> None:
    used = np.array([True, False, True, True, True])
    x = np.array([1.0, 2.0, NAN, 4.0, NAN])
    y = np.array([-1.0, -2.0, NAN, NAN, -5.0])
    seen = observations(PATTERN, recording(used=used, x_mm=x, y_mm=y))
    np.testing.assert_array_equal(seen.row, [3, 0, 4])  # one axis is enough
    np.testing.assert_array_equal(np.isnan(seen.x_mm), [False, False, True])
    np.testing.assert_array_equal(np.isnan(seen.y_mm), [True, False, False])


def test_a_row_without_a_time_stands_at_the_end_of_its_segment() -> None:
    """Segment of row i of a pattern runs from vertex i to vertex i + 1: a reading is taken when
    everything has settled."""
    seen = observations(PATTERN, recording(t_s=np.array([NAN, 0.5, NAN, 1.5, NAN])))
    assert not seen.timed
    np.testing.assert_array_equal(seen.row, [1, 3, 2, 0, 4])
    np.testing.assert_array_equal(seen.start_s, [0.5, 1.5, 3.0, 4.0, 9.0])


def test_a_time_missing_in_a_row_that_is_not_used_spoils_nothing() -> None:
    used = np.array([False, True, True, True, True])
    seen = observations(PATTERN, recording(t_s=np.array([NAN, 0.5, 2.0, 1.5, 8.0]), used=used))
    assert seen.timed
    np.testing.assert_array_equal(seen.row, [1, 3, 2, 4])


def test_a_segment_of_another_pattern_is_told() -> None:
    names = np.array(["reading/009"] + ["rest/000"] * 4, object)
    with pytest.raises(DataError, match=r"row 1 .*'reading/009'"):
        observations(PATTERN, recording(t_s=np.full(5, NAN), segment=names))


@pytest.mark.parametrize(
    "changes",
    [
        {"used": np.zeros(5, bool)},
        {"x_mm": np.full(5, NAN), "y_mm": np.full(5, NAN)},
    ],
)
def test_nothing_that_can_be_used_is_told(changes: dict) -> None:
    with pytest.raises(DataError, match="no row that can be used"):
        observations(PATTERN, recording(**changes))


def test_what_was_asked_is_not_changed() -> None:
    own = recording(t_s=np.array([NAN, 0.5, NAN, 1.5, NAN]))
    before = own.t_s.copy()
    observations(PATTERN, own)
    np.testing.assert_array_equal(own.t_s, before)


def test_take_keeps_all_columns_together() -> None:
    seen = observations(PATTERN, recording())
    part = seen.take(seen.group == "reading/002")
    np.testing.assert_array_equal(part.row, [0, 4])
    np.testing.assert_array_equal(part.sigma_y_mm, [0.2, 0.2])
    assert part.timed == seen.timed
    assert len(seen) == 5


def test_the_grid_of_a_pattern_rests_in_long_steps() -> None:
    """A hold of a minute costs few steps: 1 ms for 0.15 s after the corner, then growing."""
    grid = simulation_grid(np.array([0.0, 0.1, 60.0]), np.array([0.0, 0.5, 0.5]), np.zeros(3))
    step = np.diff(grid.t_s)
    assert step.max() == pytest.approx(0.1, rel=0.01)
    assert len(grid.t_s) < 1000
    assert np.all(step[(grid.t_s[:-1] > 0.1) & (grid.t_s[1:] < 0.25)] <= 0.001 + 1e-9)
    fine = simulation_grid(
        np.array([0.0, 0.1, 60.0]), np.array([0.0, 0.5, 0.5]), np.zeros(3), longest_step_s=0.01
    )
    assert np.diff(fine.t_s).max() <= 0.01 + 1e-9
