"""What a fit refuses, or says, of the rows it is given."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from fitted_rigs import bench, filmed, read_by_ruler

from hysteresis.errors import DataError
from hysteresis.fit import fit_recording
from hysteresis.fit.rows import seen_to_the_end, wild_rows
from hysteresis.plan import plan
from hysteresis.recording import observations
from hysteresis.tables import Recording

THREAD = ("braided-thread", 1)
Change = Callable[[Recording], Recording]


def exchanged(r: Recording) -> Recording:
    return replace(r, x_mm=r.y_mm, y_mm=r.x_mm, sigma_x_mm=r.sigma_y_mm, sigma_y_mm=r.sigma_x_mm)


def x_reversed(r: Recording) -> Recording:
    return replace(r, x_mm=-r.x_mm)


def only_x_reversed(r: Recording) -> Recording:
    return replace(r, x_mm=-r.x_mm, y_mm=np.full(len(r.x_mm), np.nan))


def in_micrometres(r: Recording) -> Recording:
    return replace(r, x_mm=1e3 * r.x_mm)


def unrelated(r: Recording) -> Recording:
    """A spot that wanders by itself: it has the drives' directions in it, and little more."""
    rng = np.random.default_rng(5)
    return replace(r, x_mm=0.3 * r.x_mm + rng.normal(0.0, 20.0, len(r.x_mm)),
                   y_mm=0.3 * r.y_mm + rng.normal(0.0, 20.0, len(r.x_mm)))  # fmt: skip


@pytest.mark.parametrize("source", [filmed, read_by_ruler])
@pytest.mark.parametrize(
    ("change", "words"),
    [
        (exchanged, "mirrored: x and y of the recording are exchanged"),
        (x_reversed, "mirrored"),
        (only_x_reversed, "axis x runs against its drive"),
        (in_micrometres, "no drive takes the spot there; check the unit"),
    ],
)
def test_places_that_mean_no_such_rig_are_refused(source, change: Change, words: str) -> None:
    pattern, recording = source(*THREAD)
    with pytest.raises(DataError, match=words) as caught:
        fit_recording(pattern, change(recording), bench())
    assert "\n" not in str(caught.value)


def test_a_spot_that_hardly_follows_is_not_given_parameters() -> None:
    pattern, recording = filmed(*THREAD)
    with pytest.raises(DataError, match=r"does not follow axis [xy]: .* mm are left of a motion"):
        fit_recording(pattern, unrelated(recording), bench(), memory="both")


def test_readings_of_another_sheet_are_refused() -> None:
    _, recording = read_by_ruler(*THREAD)
    for other in (
        plan("reading-steps", bench(), readings=24), plan("characterisation", bench(), minutes=2.0),
    ):  # fmt: skip
        with pytest.raises(DataError, match="the readings belong to another pattern"):
            fit_recording(other, recording, bench())


def test_a_recording_that_ends_early_says_so_and_half_of_one_is_refused() -> None:
    pattern, recording = filmed(*THREAD)
    seen = observations(pattern, recording)
    length = pattern.t_s[-1]
    assert seen_to_the_end(pattern, seen) == []
    (note,) = seen_to_the_end(pattern, seen.take(seen.start_s < 0.8 * length))
    assert "ends after 96 s of a pattern of 120 s" in note
    with pytest.raises(DataError, match="the slow part of the memory was not seen"):
        seen_to_the_end(pattern, seen.take(seen.start_s < 0.4 * length))


def test_rows_far_from_the_fit_are_named() -> None:
    """Normal noise names none (30 times the usual distance); numbers are those of the recording."""
    pattern, recording = filmed(*THREAD)
    seen = observations(pattern, recording)
    noise = np.random.default_rng(1).normal(size=(2, len(seen)))
    x, y = noise[0] * seen.sigma_x_mm, noise[1] * seen.sigma_y_mm
    assert wild_rows(seen, x, y) == []
    y[100] = 50 * seen.sigma_y_mm[100]
    (note,) = wild_rows(seen, x, y)
    assert "1 row lies more than 30 times" in note and f"(row {int(seen.row[100]) + 1} of" in note
