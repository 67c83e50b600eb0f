"""The door for toolpaths: picks the reader, checks the field, sets the clock, smooths."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.files import read_text
from hysteresis.paths.notes import PathNotes, SkippedWord
from hysteresis.paths.rs274 import read_rs274
from hysteresis.paths.smoothing import Smoothed, smooth
from hysteresis.paths.timing import SHORTEST_MM, Corner, put_on_clock, timing_for
from hysteresis.paths.toolpath_csv import header_of, read_polyline_csv, read_timed_csv
from hysteresis.tables import Floats, Ints, SpotPath


def read_path(
    path: Path | str,
    bench: Bench,
    *,
    skip_unknown: bool = False,
    delete_slashed: bool = False,
    default_feed_mm_s: float | None = None,
    travel_mm_s: float | None = None,
    acceleration_mm_s2: float | None = None,
    corner: Corner = "rest",
) -> tuple[SpotPath, PathNotes]:
    """Read a toolpath and put it on the rig's clock, smoothed to its bandwidth.

    A file named .csv, or with `x_mm` in its first line, is a table (timed when its header has
    `t_s`, else a polyline); any other is an RS-274 program.

    Parameters
    ----------
    path, bench : the file, and the rig that is to draw it.
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
    text = read_text(path)
    header = header_of(text)
    table = Path(path).suffix.lower() == ".csv" or "x_mm" in header
    if table and "t_s" in header:
        spots, lines = read_timed_csv(path)
        check_in_field(spots.x_mm, spots.y_mm, lines, bench, path)
        with _of_file(path):
            return _from_timed(spots, lines, timing.kernel_s)
    if table:
        source = "polyline"
        found = read_polyline_csv(path, default_feed_mm_s=default_feed_mm_s)
    else:
        source = "RS-274"
        found = read_rs274(
            text,
            file=path,
            skip_unknown=skip_unknown,
            delete_slashed=delete_slashed,
            default_feed_mm_s=default_feed_mm_s,
        )
    del text
    line = found.polyline
    check_in_field(line.x_mm, line.y_mm, found.line_of_vertex, bench, path)
    if not (max(np.ptp(line.x_mm), np.ptp(line.y_mm)) > SHORTEST_MM or line.dwell_s.any()):
        raise InputError("the path never leaves its start", file=path, mend="check the positions")
    with _of_file(path):
        smoothed, row = put_on_clock(line, timing)
    return smoothed.path, _notes(
        source, smoothed, found.line_of_vertex[row], timing.kernel_s, found.skipped, found.remarks
    )


@contextlib.contextmanager
def _of_file(path: Path | str) -> Iterator[None]:
    """Put the file's name to complaints of steps that know no file."""
    try:
        yield
    except InputError as error:
        raise InputError(error.what, file=path, mend=error.mend) from error


def check_in_field(
    x_mm: Floats, y_mm: Floats, lines: Ints, bench: Bench, file: Path | str | None = None
) -> None:
    """Raise InputError for the first position that a drive within `max_drive` cannot reach.

    Nominal optics: the reach along an axis is its full scale times `max_drive`, in mm.
    """
    for name, values, full_scale_mm in (
        ("x", x_mm, bench.optics.full_scale_x_mm),
        ("y", y_mm, bench.optics.full_scale_y_mm),
    ):
        reach_mm = full_scale_mm * bench.limits.max_drive
        beyond = np.abs(values) - reach_mm
        outside = np.flatnonzero(beyond > 1e-9 * reach_mm)
        if len(outside):
            first, worst = outside[0], outside[np.argmax(beyond[outside])]
            more = (
                f" (worst: {beyond[worst]:.3f} mm in line {lines[worst]})"
                if beyond[worst] > beyond[first]
                else ""
            )
            raise InputError(
                f"{name} = {values[first]:.3f} mm lies {beyond[first]:.3f} mm outside the "
                f"reachable ±{reach_mm:.3f} mm{more}",
                file=file,
                row=int(lines[first]),
                mend="move or scale the path, or check the unit (mm or inch) and full_scale in "
                "bench.toml",
            )


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
        remarks=remarks + tuple(map(str, skipped)),
        duration_s=float(path.t_s[-1]),
        trace_mm=float(way[on].sum()),
        travel_mm=float(way[~on].sum()),
        peak_speed_mm_s=smoothed.peak_speed_mm_s,
        peak_acceleration_mm_s2=smoothed.peak_acceleration_mm_s2,
        kernel_s=kernel_s,
        smoothing_mm=smoothed.deviation_mm,
    )
