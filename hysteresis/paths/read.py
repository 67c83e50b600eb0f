"""The door for toolpaths: picks the reader, checks the field, sets the clock, smooths."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.paths.chunking import joined
from hysteresis.paths.notes import PathNotes, SkippedWord
from hysteresis.paths.placement import Placement, check_in_field
from hysteresis.paths.smoothing import Smoothed, smooth
from hysteresis.paths.source import kind_of, open_path
from hysteresis.paths.timing import Corner, put_on_clock, timing_for
from hysteresis.paths.toolpath_csv import read_timed_csv
from hysteresis.tables import Ints, SpotPath


def read_path(
    path: Path | str,
    bench: Bench,
    *,
    placement: Placement | None = None,
    skip_unknown: bool = False,
    delete_slashed: bool = False,
    default_feed_mm_s: float | None = None,
    travel_mm_s: float | None = None,
    acceleration_mm_s2: float | None = None,
    corner: Corner = "rest",
) -> tuple[SpotPath, PathNotes]:
    """Read a toolpath and put it on the rig's clock, smoothed to its bandwidth.

    A table whose header has `t_s` has a clock already; `source.open_path` says what else is read.

    Parameters
    ----------
    path, bench : the file, and the rig that is to draw it.
    placement : where it lies in the field; not used by a timed table.
    skip_unknown : leave out words of a program that have no meaning here, and count them.
    delete_slashed : leave out lines of a program that begin with '/'.
    default_feed_mm_s : feed with the beam on where the file gives none (else an error).
    travel_mm_s, acceleration_mm_s2 : see `timing.timing_for`; not used by a timed table.
    corner : 'rest' comes to rest at sharp turns, 'bounded' passes them slowly.

    Returns
    -------
    The wanted spot path, at rest at both ends, with rows on an even grid and at every change of
    the beam; and notes, of which `line_of_row` names the line of the file for each row.

    Raises
    ------
    InputError, with line and remedy, for whatever cannot be read or lies outside the field.
    """
    for name, value in (
        ("default_feed_mm_s", default_feed_mm_s),
        ("travel_mm_s", travel_mm_s),
        ("acceleration_mm_s2", acceleration_mm_s2),
    ):
        if value is not None and not (np.isfinite(value) and value > 0):
            raise InputError(
                f"{name} must be above 0", value=value, mend="give it in mm/s or mm/s²"
            )
    timing = timing_for(
        bench, travel_mm_s=travel_mm_s, acceleration_mm_s2=acceleration_mm_s2, corner=corner
    )
    if kind_of(path) == "timed":
        spots, timed_lines = read_timed_csv(path)
        check_in_field(spots.x_mm, spots.y_mm, timed_lines, bench, path)
        with _of_file(path):
            return _from_timed(spots, timed_lines, timing.kernel_s)
    source = open_path(
        path,
        bench,
        placement=placement,
        skip_unknown=skip_unknown,
        delete_slashed=delete_slashed,
        default_feed_mm_s=default_feed_mm_s,
    )
    line, lines = joined(source.chunks(), path)
    with _of_file(path):
        smoothed, row = put_on_clock(line, timing)
    found = source.notes
    return smoothed.path, _notes(
        source.kind, smoothed, lines[row], timing.kernel_s, found.skipped, found.remarks
    )


@contextlib.contextmanager
def _of_file(path: Path | str) -> Iterator[None]:
    """Put the file's name to complaints of steps that know no file."""
    try:
        yield
    except InputError as error:
        raise InputError(error.what, file=path, mend=error.mend) from error


def _from_timed(spots: SpotPath, lines: Ints, kernel_s: float) -> tuple[SpotPath, PathNotes]:
    """Smooth a path that has its own clock; it starts half a kernel later than its first row."""
    t = spots.t_s - spots.t_s[0]
    smoothed = smooth(
        lambda at: (np.interp(at, t, spots.x_mm), np.interp(at, t, spots.y_mm)),
        float(t[-1]),
        t,
        spots.beam,
        kernel_s,
    )
    row = np.searchsorted(t, smoothed.clock_s, side="right").clip(1, len(t) - 1)
    return smoothed.path, _notes("timed", smoothed, lines[row], kernel_s)


def _notes(
    source: str,
    smoothed: Smoothed,
    line_of_row: Ints,
    kernel_s: float,
    skipped: tuple[SkippedWord, ...] = (),
    remarks: tuple[str, ...] = (),
) -> PathNotes:
    path = smoothed.path
    way = np.hypot(np.diff(path.x_mm), np.diff(path.y_mm))
    on = path.beam[:-1]
    return PathNotes(
        source=source,
        line_of_row=line_of_row,
        skipped=skipped,
        remarks=remarks,
        duration_s=float(path.t_s[-1]),
        trace_mm=float(way[on].sum()),
        travel_mm=float(way[~on].sum()),
        peak_speed_mm_s=smoothed.peak_speed_mm_s,
        peak_acceleration_mm_s2=smoothed.peak_acceleration_mm_s2,
        kernel_s=kernel_s,
        smoothing_mm=smoothed.deviation_mm,
    )
