"""A typed reading sheet: matched to its pattern, or turned into one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.errors import InputError
from hysteresis.tables import Floats, Pattern, Texts, TypedSheet

NOMINAL_S = 15.0
"""Time from one reading to the next where the sheet has none."""
SAME_DRIVE = 0.0055
"""Drives on a sheet are written with two digits or more."""
_STRAY_S = 2.0  # a stopwatch and a hand on the switch agree no better
_RISE_S = 0.1
_AFTER_S = 1.0  # the drive is moved on about so long after a reading


@dataclass(frozen=True)
class Placed:
    """Where each row of a sheet belongs in the pattern.

    `t_s` (n,) on the pattern's clock (NaN without a usable time), `likely_s` the best guess where
    it is NaN, `segment` its name. `late` are rows whose time lies outside their segment.
    """

    pattern: Pattern
    t_s: Floats
    likely_s: Floats
    segment: Texts
    late: tuple[int, ...]
    notes: tuple[str, ...]


def placed_in(sheet: TypedSheet, pattern: Pattern) -> Placed:
    """Match each row to the segment `reading/NNN` of its number.

    Raises
    ------
    InputError : the pattern has no numbered readings, lacks one of the sheet's, or drives it
        elsewhere; or most times of the sheet lie outside the readings they belong to.
    """
    windows = reading_windows(pattern)
    if not windows:
        raise InputError(
            "pattern.csv has no numbered readings, so the sheet was not read from it",
            mend="plan a pattern of reading steps, or move pattern.csv out of the run: without it "
            "the sheet's own drives and times make one",
        )
    start, end = np.empty(len(sheet)), np.empty(len(sheet))
    names = np.empty(len(sheet), dtype=object)
    for row, number in enumerate(sheet.reading.tolist()):
        if number not in windows:
            raise InputError(
                "the pattern has no reading of this number",
                row=row + 2,
                column="reading",
                value=number,
                mend="check that the sheet and pattern.csv belong together",
            )
        start[row], end[row], names[row] = windows[number]
        for axis in ("x", "y"):
            asked = float(np.interp(end[row], pattern.t_s, getattr(pattern, f"drive_{axis}")))
            written = float(getattr(sheet, f"drive_{axis}")[row])
            if abs(asked - written) > SAME_DRIVE:
                raise InputError(
                    f"the pattern drives reading {number} to {asked:g}",
                    row=row + 2,
                    column=f"drive_{axis}",
                    value=written,
                    mend="check that the sheet and pattern.csv belong together",
                )
    outside = (sheet.t_s < start - _STRAY_S) | (sheet.t_s > end + _STRAY_S)
    timed = ~np.isnan(sheet.t_s)
    if timed.any() and outside.sum() > 0.5 * timed.sum():
        row = int(np.argmax(outside))
        raise InputError(
            f"most times on the sheet lie outside their readings (the pattern holds reading "
            f"{sheet.reading[row]} from {start[row]:.0f} to {end[row]:.0f} s)",
            row=row + 2,
            column="t_s",
            value=float(sheet.t_s[row]),
            mend="count the seconds from the start of the pattern, or leave t_s empty",
        )
    notes = []
    absent = sorted(set(windows) - set(sheet.reading.tolist()))
    if absent:
        notes.append("readings of the pattern that are not on the sheet: " + listed(absent))
    if not timed.all():
        notes.append(
            "readings without a time are taken at the end of their hold: "
            + listed(sheet.reading[~timed].tolist())
        )
    inside = np.clip(sheet.t_s, start, end)
    moved = timed & ~outside & (inside != sheet.t_s)
    if moved.any():
        notes.append(
            "times a little outside their reading, taken at the edge of its hold: readings "
            + listed(sheet.reading[moved].tolist())
        )
    good = timed & ~outside
    return Placed(
        pattern=pattern,
        t_s=np.where(good, inside, np.nan),
        likely_s=np.where(good, inside, end),
        segment=names,
        late=tuple(np.flatnonzero(outside).tolist()),
        notes=tuple(notes),
    )


def reading_windows(pattern: Pattern) -> dict[int, tuple[float, float, str]]:
    """Start and end (s) of the hold `reading/NNN`, and its name, by number."""
    found: dict[int, tuple[float, float, str]] = {}
    for i, name in enumerate(pattern.segment[:-1]):
        words = str(name).split("/")
        if words[0] != "reading" or len(words) != 2:  # with a third word: the way there
            continue
        number = int(words[1])
        start = found[number][0] if number in found else float(pattern.t_s[i])
        found[number] = (start, float(pattern.t_s[i + 1]), str(name))
    return found


def pattern_from(sheet: TypedSheet) -> Placed:
    """Make the pattern that a sheet describes: to each drive in turn, held until it was read.

    The drive moves on a second after each reading, in a tenth of a second. Missing times are
    filled in between the given ones; without any, a reading every `NOMINAL_S` is assumed.

    Raises `InputError` when the times do not rise.
    """
    given = ~np.isnan(sheet.t_s)
    back = np.flatnonzero(np.diff(sheet.t_s[given]) <= 0)
    if len(back):
        row = int(np.flatnonzero(given)[back[0] + 1])
        raise InputError(
            "time does not rise from one reading to the next",
            row=row + 2,
            column="t_s",
            value=float(sheet.t_s[row]),
            mend="write seconds from the start, in the order of the readings",
        )
    notes = ["pattern.csv was made from the drives and times on the sheet"]
    t = _every_time(sheet.t_s)
    if not given.any():
        notes.append(
            f"without times no creep can be fitted: a reading every {NOMINAL_S:g} s is assumed"
        )
    elif not given.all():
        notes.append(
            "times filled in between the others for readings "
            + listed(sheet.reading[~given].tolist())
        )
    spacing = float(np.median(np.diff(t))) if len(t) > 1 else NOMINAL_S
    if t[0] < min(1.0, spacing / 2):
        shift = spacing - t[0]
        notes.append(f"the pattern starts at zero drive {spacing:.3g} s before the first reading")
    else:
        shift = 0.0
    t = t + shift
    pause = min(_AFTER_S, 0.2 * float(np.min(np.diff(t, prepend=0.0))))
    rise = min(_RISE_S, pause)
    # vertices: start of the move to a reading's drive, its end, and at last the end of the hold
    starts = np.concatenate([[0.0], t[:-1] + pause])
    time = np.column_stack([starts, starts + rise]).ravel()
    names = np.repeat([f"reading/{number:03d}" for number in sheet.reading.tolist()], 2)
    drives = []
    for drive in (sheet.drive_x, sheet.drive_y):
        before = np.concatenate([[0.0], drive[:-1]])
        drives.append(np.append(np.column_stack([before, drive]).ravel(), drive[-1]))
    pattern = Pattern(
        t_s=np.append(time, t[-1] + pause),
        drive_x=drives[0],
        drive_y=drives[1],
        beam=np.ones(len(time) + 1, dtype=bool),
        segment=np.append(names, names[-1:]).astype(object),
    )
    return Placed(
        pattern=pattern,
        t_s=np.where(given, t, np.nan),
        likely_s=t,
        segment=names[::2].astype(object),
        late=(),
        notes=tuple(notes),
    )


def _every_time(t_s: Floats) -> Floats:
    """The times with the missing ones filled in, at the spacing of those around them."""
    given = np.flatnonzero(~np.isnan(t_s))
    rows = np.arange(len(t_s), dtype=float)
    if len(given) == 0:
        return NOMINAL_S * (rows + 1.0)
    spacing = NOMINAL_S
    if len(given) > 1:
        spacing = float(np.median(np.diff(t_s[given]) / np.diff(given)))
    t = np.interp(rows, given, t_s[given])
    t += spacing * (np.minimum(rows - given[0], 0.0) + np.maximum(rows - given[-1], 0.0))
    return np.asarray(t)


def listed(numbers: list[int]) -> str:
    """Whole numbers in words, runs drawn together: 3, 7 to 9, 12."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    parts = []
    for run in runs:
        if len(run) > 2:
            parts.append(f"{run[0]} to {run[-1]}")
        else:
            parts += map(str, run)
    return ", ".join(parts)
