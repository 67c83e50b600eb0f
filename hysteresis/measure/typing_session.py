"""A session at the keyboard, as a state that follows from the journal alone; no terminal here.

Every line that was understood becomes one *entry* (a small dict, one line of the journal).
`after` applies an entry to a session; a session resumed from its journal is therefore the session
that was left, at the same step, with the same question open. Entries are only ever added: `undo`
and `clear` are entries too, so what was once typed stays in the journal.

Kinds of entries: steps (the first: which sheet is filled in), reading, half (one axis so far),
skip, note, moment, go, keep, clear, undo; written (a file was made from the journal) and torn
(what a kill left of a line) change nothing.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from hysteresis.errors import InputError
from hysteresis.measure.typed_words import Line
from hysteresis.plan.sheet import due
from hysteresis.tables import TypedSheet

Entry = dict[str, Any]
_VALUES = ("reading", "half", "skip", "note", "moment", "keep", "clear")
"""Kinds of entries that `undo` takes back; a `go` behind them goes with them."""


@dataclass(frozen=True)
class Reading:
    """One reading of a step, mm; NaN on an axis that was not read.

    `doubt` is what was asked about it when it was typed ('': nothing), `kept` the answer.
    """

    x_mm: float
    y_mm: float
    doubt: str = ""
    kept: bool = False


@dataclass(frozen=True)
class Session:
    """What has been typed so far. `sheet` is the empty one; steps are its rows, counted from 0.

    readings : by row, the readings in the order typed. skipped : rows passed over empty.
    notes, moments : by row. at : the row that is on, `len(sheet)` when none is left.
    half : axis and value of a reading of which the other axis is still to be typed.
    asked : the last reading of row `at` is in question. entries : those that count.
    """

    sheet: TypedSheet
    readings: dict[int, tuple[Reading, ...]] = field(default_factory=dict)
    skipped: frozenset[int] = frozenset()
    notes: dict[int, tuple[str, ...]] = field(default_factory=dict)
    moments: dict[int, float] = field(default_factory=dict)
    at: int = 0
    half: tuple[str, float] | None = None
    asked: bool = False
    entries: tuple[Entry, ...] = ()

    @property
    def done(self) -> bool:
        """Whether every step was read or passed over, and no question is open."""
        return not self.asked and self.half is None and not self.open_rows

    @property
    def open_rows(self) -> list[int]:
        """Rows that were neither read nor passed over."""
        return [k for k in range(len(self.sheet)) if not self.closed(k)]

    def closed(self, row: int) -> bool:
        """Whether a row was read or passed over."""
        return bool(self.readings.get(row)) or row in self.skipped

    @property
    def count(self) -> int:
        """Number of readings typed, repeats and all."""
        return sum(len(one) for one in self.readings.values())


# ---- entries -----------------------------------------------------------------------------------


def first_entry(sheet: TypedSheet) -> Entry:
    """The entry that opens a journal: which steps are read."""
    return {"kind": "steps", "count": len(sheet), "sha256": fingerprint(sheet)}


def fingerprint(sheet: TypedSheet) -> str:
    """SHA-256 of numbers, times (to 10 ms) and drives (to 1e-6) of the steps, in hexadecimal."""
    columns = (
        sheet.reading.astype(float), np.round(100.0 * sheet.t_s),
        np.round(1e6 * sheet.drive_x), np.round(1e6 * sheet.drive_y),
    )  # fmt: skip
    return hashlib.sha256(np.column_stack(columns).astype("<i8").tobytes()).hexdigest()


def resumed(sheet: TypedSheet, entries: Iterable[Entry]) -> Session:
    """The session that these entries leave, the first of which says of which steps.

    Raises `InputError` when they belong to other steps or hold what no session writes.
    """
    entries = list(entries)
    session = Session(sheet)
    kept = [entry for entry in entries if entry.get("kind") not in ("torn", "written")]
    if not kept:
        return session
    if kept[0].get("kind") != "steps" or kept[0].get("sha256") != fingerprint(sheet):
        raise InputError(
            "these readings were typed to another pattern",
            mend="put the pattern back that was read, or give this file another name to begin anew",
        )
    for entry in kept[1:]:
        session = after(session, entry)
    return move_on(session)


def after(session: Session, entry: Entry) -> Session:
    """The session with one more entry. Raises `InputError` for one that no session writes."""
    kind = entry.get("kind")
    if kind in ("torn", "written", "steps"):
        return session
    if kind == "undo":
        left = list(session.entries)
        while left and left[-1]["kind"] not in _VALUES:
            left.pop()
        back = Session(session.sheet)
        for earlier in left[:-1]:
            back = after(back, earlier)
        # back to the step that the taken-back entry was about, whatever came between
        return replace(back, at=int(left[-1]["row"]) if left else back.at)
    try:
        row = int(entry["row"])
        if not 0 <= row < len(session.sheet):
            raise ValueError(row)
        changed = _applied(session, str(kind), row, entry)
    except (LookupError, TypeError, ValueError) as error:
        raise InputError(
            "this entry of the journal makes no sense", value=str(entry)[:80],
            mend="delete the line, or give the file another name and begin anew",
        ) from error  # fmt: skip
    return replace(changed, entries=(*session.entries, entry))


def _applied(session: Session, kind: str, row: int, entry: Entry) -> Session:
    readings = session.readings.get(row, ())
    if kind == "reading":
        new = Reading(_from(entry["x_mm"]), _from(entry["y_mm"]), str(entry.get("doubt", "")))
        if entry.get("instead"):
            readings = readings[:-1]
        changed = replace(
            session, readings={**session.readings, row: (*readings, new)},
            skipped=session.skipped - {row}, at=row, half=None, asked=bool(new.doubt),
        )  # fmt: skip
        return changed if new.doubt else move_on(changed)
    if kind == "keep":
        last = replace(readings[-1], kept=True)  # IndexError: a keep without a reading
        kept = {**session.readings, row: (*readings[:-1], last)}
        return move_on(replace(session, readings=kept, at=row, half=None, asked=False))
    if kind == "half":
        return replace(session, at=row, half=(str(entry["axis"]), _from(entry["value_mm"])))
    if kind == "skip":
        return move_on(replace(session, skipped=session.skipped | {row}, at=row, half=None))
    if kind == "note":
        words = (*session.notes.get(row, ()), str(entry["words"]))
        return replace(session, notes={**session.notes, row: words})
    if kind == "moment":
        return replace(session, moments={**session.moments, row: float(entry["t_s"])})
    if kind == "go":
        open_question = bool(readings and readings[-1].doubt and not readings[-1].kept)
        return replace(session, at=row, half=None, asked=open_question)
    if kind == "clear":
        left = {k: v for k, v in session.readings.items() if k != row}
        return replace(session, readings=left, skipped=session.skipped - {row}, at=row, half=None,
                       asked=False)  # fmt: skip
    raise ValueError(kind)


def move_on(session: Session) -> Session:
    """On to the next open step behind the one that is on, or the first open one of all.

    A step with a question or half a reading open stays on.
    """
    if session.asked or session.half is not None:
        return session
    rows = session.open_rows
    later = [row for row in rows if row >= session.at]
    return replace(session, at=(later or rows or [len(session.sheet)])[0])


def _from(value: Any) -> float:
    """A value of the journal, where an axis that was not read is null."""
    return math.nan if value is None else float(value)


def _to(value: float) -> float | None:
    return None if math.isnan(value) else value


# ---- from a line to an entry -------------------------------------------------------------------


def entry_of(session: Session, line: Line) -> Entry:
    """The entry that a line makes now; of a reading without the doubt, which `doubted` adds.

    Lines that change nothing (list, help, quit) are none of its business. Raises `InputError`
    for a line that cannot be meant here.
    """
    row = session.at
    if line.kind == "undo":
        if not any(entry["kind"] in _VALUES for entry in session.entries):
            raise InputError("there is nothing to take back")
        return {"kind": "undo"}
    if line.kind == "go":
        rows = np.flatnonzero(session.sheet.reading == line.number)
        if not len(rows):
            raise InputError("there is no step of this number", value=line.number)
        return {"kind": "go", "row": int(rows[0])}
    if line.kind == "keep":
        if not session.asked:
            raise InputError("= keeps a value that was asked about, and none is now")
        return {"kind": "keep", "row": row}
    if line.again:
        if session.half is not None or session.asked:
            raise InputError("finish this reading first", mend="then add the repeat with +")
        row = _row_to_repeat(session)
    if row >= len(session.sheet):
        raise InputError("every step is done", mend="go to the one to change, such as go 17")
    number = int(session.sheet.reading[row])
    if line.kind == "note":
        return {"kind": "note", "row": row, "words": line.words}
    if line.kind == "moment":
        _check_moment(session, row, line.t_s)
        return {"kind": "moment", "row": row, "t_s": line.t_s}
    if line.kind == "clear":
        if not session.closed(row):
            raise InputError(f"step {number} holds nothing to clear")
        return {"kind": "clear", "row": row}
    if line.kind == "reading":
        return _reading(session, row, line.x_mm, line.y_mm)
    if line.kind == "empty":
        if session.asked:
            raise InputError("enter the reading again, or = to keep it")
        if session.half is None:
            if session.readings.get(row):
                raise InputError(f"step {number} is read already", mend="go on with go and a step")
            return {"kind": "skip", "row": row}
        line = Line("half")
    return _with_half(session, row, line)


def _with_half(session: Session, row: int, line: Line) -> Entry:
    """Half a reading: the first half waits, the second completes it."""
    if session.half is None:
        return {
            "kind": "half",
            "row": row,
            "axis": line.axis or "x",
            "value_mm": _to(line.value_mm),
        }
    first, value = session.half
    second = "y" if first == "x" else "x"
    if line.axis == first:  # the first half again: it was mistyped
        return {"kind": "half", "row": row, "axis": first, "value_mm": _to(line.value_mm)}
    both = {first: value, second: line.value_mm}
    return _reading(session, row, both["x"], both["y"])


def _reading(session: Session, row: int, x_mm: float, y_mm: float) -> Entry:
    if math.isnan(x_mm) and math.isnan(y_mm):
        if session.asked:
            raise InputError("enter the reading again, or = to keep it", mend="clear empties it")
        return {"kind": "skip", "row": row}
    entry: Entry = {"kind": "reading", "row": row, "x_mm": _to(x_mm), "y_mm": _to(y_mm)}
    if session.asked and row == session.at:
        entry["instead"] = True
    return entry


def _row_to_repeat(session: Session) -> int:
    """Of a reading that repeats one: the step that is on if it has one, else the last read."""
    if session.readings.get(session.at):
        return session.at
    for entry in reversed(session.entries):
        if entry["kind"] == "reading" and session.readings.get(int(entry["row"])):
            return int(entry["row"])
    raise InputError("+ repeats a reading, and none is typed yet")


def _check_moment(session: Session, row: int, t_s: float) -> None:
    """The moments of a sheet rise from step to step."""
    times = times_of(session)
    low = times[row - 1] if row > 0 else 0.0
    high = times[row + 1] if row + 1 < len(times) else math.inf
    if not low < t_s < high:
        number = session.sheet.reading[row]
        until = "" if math.isinf(high) else f" and before {due(high)}"
        raise InputError(
            f"step {number} is read after {due(low)}{until}", value=t_s,
            mend="count the seconds from the start of the pattern",
        )  # fmt: skip


def doubted(entry: Entry, session: Session, doubt: str) -> Entry:
    """`entry` (a reading) with the question about it. The same value typed again is its answer."""
    if entry.get("instead"):
        last = session.readings[session.at][-1]
        same = (_to(last.x_mm), _to(last.y_mm)) == (entry["x_mm"], entry["y_mm"])
        if same:
            return {"kind": "keep", "row": entry["row"]}
    return {**entry, "doubt": doubt} if doubt else entry


# ---- what comes out ----------------------------------------------------------------------------


def times_of(session: Session) -> list[float]:
    """The moment of each step: the one typed, or the planned one."""
    return [session.moments.get(k, float(t)) for k, t in enumerate(session.sheet.t_s)]


def rows_kept(session: Session) -> set[int]:
    """Rows of which a reading was asked about and kept as typed."""
    return {row for row, all_ in session.readings.items() if any(one.kept for one in all_)}


def filled_in(session: Session) -> TypedSheet:
    """The sheet with what was typed: means of repeats, with their number and scatter.

    A note says what was asked about and kept, and lists the repeats.
    """
    n = len(session.sheet)
    mean, scatter = np.full((n, 2), np.nan), np.full((n, 2), np.nan)
    repeats = np.zeros((n, 2))
    notes = np.full(n, "", dtype=object)
    for row in range(n):
        readings = session.readings.get(row, ())
        values = np.array([(one.x_mm, one.y_mm) for one in readings]).reshape(-1, 2)
        for axis in range(2):
            own = values[~np.isnan(values[:, axis]), axis]
            repeats[row, axis] = len(own)
            if len(own):
                mean[row, axis] = own.mean()
            if len(own) > 1:
                scatter[row, axis] = own.std(ddof=1)
        words = list(session.notes.get(row, ()))
        if len(readings) > 1:
            words.append("readings " + ", ".join(f"{shown(x)} {shown(y)}" for x, y in values))
        if any(one.kept for one in readings):
            words.append("asked about and kept")
        elif any(one.doubt for one in readings):
            words.append("asked about, not answered")
        notes[row] = "; ".join(words)
    return replace(
        session.sheet, t_s=np.array(times_of(session)), x_mm=mean[:, 0], y_mm=mean[:, 1],
        note=notes, repeats_x=repeats[:, 0], repeats_y=repeats[:, 1],
        scatter_x_mm=scatter[:, 0], scatter_y_mm=scatter[:, 1],
    )  # fmt: skip


def shown(value_mm: float) -> str:
    """A value as a person would write it; '-' for one that was not read."""
    return "-" if math.isnan(value_mm) else f"{value_mm:.10g}"
