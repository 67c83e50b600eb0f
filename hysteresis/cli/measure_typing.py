"""`hysteresis measure RUN --type`: readings typed at the keyboard, each saved at once."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import typer

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.journal import Journal
    from hysteresis.measure import Measured
    from hysteresis.measure.typed_questions import Questions
    from hysteresis.measure.typed_words import Line
    from hysteresis.measure.typing_session import Session
    from hysteresis.run_folder import RunFolder
    from hysteresis.tables import Pattern, TypedSheet

_STOPPED = 130
_HELP = """\
  12.5 -3      x and y in mm; a decimal comma and units do as well: 12,5 -3   1.25 cm -0.3 cm
  x=12.5 y=-3  the same with names; one value alone is x, and y is asked for next
  - -3         x was not read; an empty line: neither was
  + 12.6 -3.1  one more reading of the step just read: all are kept, their mean is used
  =            keep the value that was asked about
  t 83         this step was read 83 s after the start (or t 1:23), not when it was due
  note WORDS   a note on this step
  go 17        to step 17;  clear  empties the step
  undo         take back the last entry;  list  what is typed so far
  quit         save and leave: the same command goes on later"""


def type_readings(folder: RunFolder, force: bool) -> tuple[Path, set[int]]:
    """Ask for the readings of the run's pattern; leaves typed.csv when done, or on quit.

    Returns its path and the numbers of the readings that were asked about and kept. Ends the
    command with exit code 130 at Ctrl-C or the end of the input: what was typed is in the journal.

    Raises
    ------
    InputError : the run has no pattern of reading steps, its journal belongs to another one, or
        typed.csv is there and was not made here.
    """
    from hysteresis.bench import read_bench
    from hysteresis.errors import InputError
    from hysteresis.journal import open_journal, read_journal
    from hysteresis.measure.typed_questions import Questions
    from hysteresis.measure.typing_session import first_entry, resumed
    from hysteresis.plan.sheet import reading_sheet
    from hysteresis.table_files import read_pattern

    bench = read_bench(folder.bench_toml)
    if not folder.pattern_csv.exists():
        raise InputError(
            "the run has no pattern, so there are no steps to type readings of",
            file=folder.pattern_csv,
            mend=f"plan one: hysteresis plan {folder.path} --kind reading-steps",
        )
    pattern = read_pattern(folder.pattern_csv)
    sheet = reading_sheet(pattern)
    before = read_journal(folder.typing_jsonl) if folder.typing_jsonl.exists() else []
    refuse_others(folder.typed_csv, before, force)
    refuse_others(folder.recording_csv, before, force)
    with open_journal(folder.typing_jsonl) as journal:
        try:
            session = resumed(sheet, journal.entries)
        except InputError as error:
            raise InputError(
                error.what, file=journal.path, value=error.value, mend=error.mend
            ) from None
        if not any(entry.get("kind") == "steps" for entry in journal.entries):
            journal.append(first_entry(sheet))
        _say_start(folder, session, journal)
        session = _Desk(journal, Questions(sheet, pattern, bench), pattern, bench).run(session)
        if not session.count:
            print("Nothing is typed yet, so there is nothing to measure.")
            raise typer.Exit()
        return _written(folder, journal, session)


def refuse_others(path: Path, entries: list[dict[str, Any]], force: bool) -> None:
    """Raise `InputError` for a file that is there and was not made from this journal."""
    from hysteresis.errors import InputError
    from hysteresis.files import sha256_of

    if not path.exists() or force:
        return
    made = {entry.get("sha256") for entry in entries if entry.get("kind") == "written"}
    if sha256_of(path) not in made:
        raise InputError(
            "the file exists, was not made by typing, and is kept",
            file=path,
            mend="add --force to write it anew once the readings are typed, or rename it",
        )


def note_written(folder: RunFolder, path: Path) -> None:
    """Put into the journal that this file was made from it, so that it may be made anew."""
    from hysteresis.files import sha256_of
    from hysteresis.journal import open_journal

    with open_journal(folder.typing_jsonl) as journal:
        journal.append({"kind": "written", "file": path.name, "sha256": sha256_of(path)})


def _written(folder: RunFolder, journal: Journal, session: Session) -> tuple[Path, set[int]]:
    """Write typed.csv; the journal says so before the file has its name."""
    from hysteresis.cli.console import say
    from hysteresis.files import sha256_of, writing
    from hysteresis.measure.typing_session import filled_in, rows_kept
    from hysteresis.table_files import write_typed_sheet

    sheet = filled_in(session)
    with writing(folder.typed_csv) as part:
        write_typed_sheet(part, sheet)
        journal.append({"kind": "written", "file": "typed.csv", "sha256": sha256_of(part)})
    print(f"Wrote {folder.typed_csv}.")
    left = len(session.open_rows)
    if left:
        say(
            f"{left} of {len(sheet)} steps are still open. To go on with them, give the same "
            "command again; what follows is measured with those that are there."
        )
    return folder.typed_csv, {int(sheet.reading[row]) for row in rows_kept(session)}


def _say_start(folder: RunFolder, session: Session, journal: Journal) -> None:
    from hysteresis.cli.console import say

    n = len(session.sheet)
    if session.count or session.skipped:
        closed = n - len(session.open_rows)
        where = (
            f"step {session.sheet.reading[session.at]} is next" if session.at < n
            else "every step is done"
        )  # fmt: skip
        say(f"Going on: {closed} of {n} steps are saved in {journal.path.name}, {where}.")
        if any(entry.get("kind") == "torn" for entry in journal.entries[-1:]):
            print("The last line had been cut off while it was written; type that entry again.")
    else:
        say(
            f"{n} steps, numbered as on {folder.reading_sheet_pdf.name}. Write x and y in mm, such "
            "as 12.5 -3; an empty line is a reading that was missed; help lists the rest. Every "
            "entry is saved at once."
        )


class _Desk:
    """The conversation: what is shown and asked. What it means is `typing_session`'s business."""

    def __init__(
        self, journal: Journal, questions: Questions, pattern: Pattern, bench: Bench
    ) -> None:
        from hysteresis.plan.sheet import reading_sheet, where_to_look

        self._journal, self._questions = journal, questions
        self._pattern, self._bench = pattern, bench
        self._look = where_to_look(reading_sheet(pattern), bench)

    def run(self, session: Session) -> Session:
        """Ask until every step is done and looked through, or the person leaves."""
        from hysteresis.errors import InputError
        from hysteresis.measure.typed_words import understand

        if sys.stdin is not None and hasattr(sys.stdin, "reconfigure"):
            sys.stdin.reconfigure(errors="replace")
        told: Session | None = None
        shown_at = -1
        while True:
            if session.done and session is not told:
                if not self._say_doubts(session):
                    return session
                told, shown_at = session, -1
            if not session.done and session.at != shown_at:
                self._say_step(session)
                shown_at = session.at
            line = self._ask(session)
            try:
                meant = understand(line)
                if meant.kind == "quit" or (meant.kind == "empty" and session.done):
                    return session
                before = session
                session = self._do(session, meant)
                if meant.kind in ("go", "undo", "clear") and session is not before:
                    shown_at = -1
            except InputError as error:
                print(f"  {error}")

    def _do(self, session: Session, line: Line) -> Session:
        """Act on one line: first into the journal, then into the session."""
        from hysteresis.measure.typing_session import after, doubted, entry_of

        if line.kind == "help":
            print(_HELP)
            return session
        if line.kind == "list":
            self._say_list(session)
            return session
        entry = entry_of(session, line)
        if entry["kind"] == "reading":
            entry = doubted(entry, session, self._questions.about(session, entry))
        self._journal.append(entry)
        now = after(session, entry)
        self._say_entry(session, now, entry)
        return now

    def _ask(self, session: Session) -> str:
        prompt = "x, y > "
        if session.done:
            prompt = "Enter to go on, or go and a step > "
        elif session.half is not None:
            prompt = "y > " if session.half[0] == "x" else "x > "
        elif session.asked:
            prompt = "again, or = to keep > "
        try:
            return input("  " + prompt)
        except (EOFError, KeyboardInterrupt, RuntimeError):  # RuntimeError: no stdin at all
            self._leave(session)

    def _leave(self, session: Session) -> NoReturn:
        n = len(session.sheet)
        where = (
            f"at step {session.sheet.reading[session.at]}" if session.at < n else "where you left"
        )
        print()
        print(
            f"hysteresis: stopped; all that was typed is saved in {self._journal.path} "
            f"({n - len(session.open_rows)} of {n} steps), and the same command goes on {where}.",
            file=sys.stderr,
        )
        raise SystemExit(_STOPPED)

    # ---- what is said -----------------------------------------------------------------------

    def _say_step(self, session: Session) -> None:
        from hysteresis.measure.typing_session import shown
        from hysteresis.plan.sheet import due

        row, sheet = session.at, session.sheet
        print(
            f"Step {sheet.reading[row]} of {len(sheet)}, at {due(float(sheet.t_s[row]))}, "
            f"{sheet.note[row]}, look near {self._look[row]} mm"
        )
        for one in session.readings.get(row, ()):
            print(f"  typed: {shown(one.x_mm)} {shown(one.y_mm)}")
        if session.asked:
            print(f"  {session.readings[row][-1].doubt}?".replace("??", "?"))
        if session.half is not None:
            print(f"  {session.half[0]} = {shown(session.half[1])}")

    def _say_entry(self, before: Session, now: Session, entry: dict[str, Any]) -> None:
        from hysteresis.measure.typing_session import filled_in, shown

        kind = entry["kind"]
        if kind == "undo":
            taken = next(one for one in reversed(before.entries) if one["kind"] != "go")
            print(f"  taken back: {taken['kind']} of step {now.sheet.reading[int(taken['row'])]}")
            return
        row = int(entry["row"])
        number = now.sheet.reading[row]
        if kind == "reading":
            readings = now.readings[row]
            print(f"  step {number}: {shown(readings[-1].x_mm)} {shown(readings[-1].y_mm)} mm")
            if len(readings) > 1:
                sheet = filled_in(now)
                print(
                    f"  reading {len(readings)} of this step; mean "
                    f"{sheet.x_mm[row]:.4g} {sheet.y_mm[row]:.4g} mm "
                    "(to put it in place of the others: undo, clear, and type it again)"
                )
            if now.asked:
                print(f"  {readings[-1].doubt}?".replace("??", "?"))
        elif kind == "half" and entry["value_mm"] is not None:
            print(f"  {entry['axis']} = {shown(entry['value_mm'])} mm")
        elif kind == "skip":
            print(f"  step {number}: not read")
        elif kind in ("note", "moment"):
            what = "note" if kind == "note" else f"time {entry['t_s']:g} s"
            print(f"  {what} on step {number}")
        elif kind == "clear":
            print(f"  step {number} is empty again")

    def _say_list(self, session: Session) -> None:
        from hysteresis.cli.console import table
        from hysteresis.measure.typing_session import filled_in, shown, times_of
        from hysteresis.plan.sheet import due

        sheet: TypedSheet = filled_in(session)
        rows = [
            (
                sheet.reading[k],
                due(times_of(session)[k]),
                shown(round(float(sheet.x_mm[k]), 4)) if session.readings.get(k) else "",
                shown(round(float(sheet.y_mm[k]), 4)) if session.readings.get(k) else "",
                str(sheet.note[k]) or ("not read" if k in session.skipped else ""),
            )
            for k in range(len(sheet))
            if session.closed(k) or sheet.note[k]
        ]
        table("Typed so far", ("step", "at", "x mm", "y mm", ""), rows)
        print()

    def _say_doubts(self, session: Session) -> bool:
        """Look the whole sheet through; whether there is something to say."""
        from hysteresis.cli.console import table
        from hysteresis.measure import measure_typed
        from hysteresis.measure.typing_session import filled_in

        if not session.count:
            return False
        measured: Measured = measure_typed(filled_in(session), self._pattern, self._bench)
        if not measured.doubts:
            return False
        table(
            "Every step is done. Looking it through, these are in doubt",
            ("step", "why"),
            [(doubt.number, doubt.text) for doubt in measured.doubts],
        )
        print(
            "To mend one: go and its number, then clear, then its reading. As they stand, they are "
            "set aside,\nexcept those that you kept with =."
        )
        return True
