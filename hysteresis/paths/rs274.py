"""RS-274 programs (G-code) as toolpaths.

The dialect is that of NISTIR 6556 (T. R. Kramer, F. M. Proctor, E. Messina, 2000), of which
this reader knows what a beam in a plane needs:

    G0 travel           G1 line     G2, G3 arcs (I J, or R)    G4 P wait, seconds
    G17 XY plane        G20, G21 inch, mm                      G90, G91 absolute, incremental
    G92 to G92.3 what the present place is called              G90.1, G91.1 the same for I and J
    F units per minute  M3, M4, M5 beam on, on, off            S beam power: 0 is off
    M2, M30 end         X Y Z  N  / % ( ) ;  G40 G49 G94: so anyway

Items of one line act in the order of section 3.8, Table 8. Anything else is an error, or, on
request, skipped and counted.

Where a beam needs a meaning that the standard leaves to the machine:

* the beam is on while the spindle would turn (M3 or M4, and S above 0; S never written counts
  as above 0), except on a G0 move, on which "cutting" is not expected (section 3.5.1);
* the program starts at the centre of the field, in mm and absolute, with the beam off;
* Z is read and ignored, and said so; the feed is that of the move in the plane; the heights at
  which traces begin are counted, as programs for layered work say their layers by Z;
* the number after F is kept when the unit changes, as feeds are in the units in force
  (2.1.2.5, 2.1.2.9); this is remarked on.

G90.1 and G91.1 (I and J absolute, or offsets from the start) are no words of the standard but a
common extension, from memory. On request words without a meaning here are left out and counted,
and with an unknown M word the S, P and so on behind it: a temperature is no power of the beam. An E
behind a blank counts as such a word.

Two leniencies: G0 or G1 alone on a line sets the mode, and a full circle may be written with
I and J alone. Lines that begin with / are executed unless `delete_slashed` (2.2.2).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from hysteresis.errors import InputError
from hysteresis.paths import arcs
from hysteresis.paths.chunking import Rows, chunks_of, joined, start_row
from hysteresis.paths.notes import ReadPolyline, Tally
from hysteresis.paths.rs274_machine import Z_IGNORED, Machine, carry_out
from hysteresis.paths.rs274_words import Grammar
from hysteresis.paths.text_blocks import LONGEST_LINE, decoded, line_blocks, lines_in, too_long
from hysteresis.tables import Ints

BATCH_ROWS = 16_384  # rows handed on at once
FAST_FROM_BYTES = 1 << 18  # a shorter program is read before the kernel is loaded
MOST_SLOW_LINES = 64


def read_rs274(
    text: str,
    *,
    file: str | Path | None = None,
    skip_unknown: bool = False,
    delete_slashed: bool = False,
    default_feed_mm_s: float | None = None,
    chord_tolerance_mm: float = arcs.CHORD_TOLERANCE_MM,
) -> ReadPolyline:
    """Read an RS-274 program into a polyline, with the line of each vertex.

    Parameters
    ----------
    text : the program.
    file : its name, for complaints.
    skip_unknown : leave out words without a meaning here and count them, instead of stopping.
    delete_slashed : leave out lines that begin with '/' (the block delete switch).
    default_feed_mm_s : feed of moves before the first F; without it they are an error when the
        beam is on.
    chord_tolerance_mm : largest distance between an arc and its chords.

    Returns
    -------
    The polyline in mm; its first row is the start at (0, 0), line 0.

    Raises
    ------
    InputError, naming the line, for all that cannot be carried out.
    """
    tally = Tally()
    raw = text.encode("utf-8", errors="surrogatepass")
    batches = rows_of_program(
        [(raw, 1)] if raw else [], tally, file=file, skip_unknown=skip_unknown,
        delete_slashed=delete_slashed, default_feed_mm_s=default_feed_mm_s,
        chord_tolerance_mm=chord_tolerance_mm,
    )  # fmt: skip
    line, lines = joined(chunks_of(batches), file)
    return ReadPolyline(line, lines, tally.skipped(), tally.remarks())


def rows_of_file(path: Path | str, tally: Tally, **options: object) -> Iterator[Rows]:
    """Rows of a program of any length on disk; options as those of `rows_of_program`."""
    return rows_of_program(line_blocks(path), tally, file=path, **options)  # type: ignore[arg-type]


def rows_of_program(
    blocks: Iterable[tuple[bytes, int]],
    tally: Tally,
    *,
    file: str | Path | None = None,
    skip_unknown: bool = False,
    delete_slashed: bool = False,
    default_feed_mm_s: float | None = None,
    chord_tolerance_mm: float = arcs.CHORD_TOLERANCE_MM,
    fast: bool | None = None,
) -> Iterator[Rows]:
    """Rows of a program, as in `read_rs274`, from blocks of whole lines with their first line.

    The first batch is the start. Remarks and skipped words go to `tally`. `fast`: plain lines
    go through `kernels/plain_moves.py`, by default those of longer programs; the rows are the same.
    """
    machine = Machine(
        file, skip_unknown, default_feed_mm_s, tally, chord_tolerance_mm=chord_tolerance_mm
    )
    grammar = Grammar(file, words_of_e=skip_unknown)
    made = False
    last = end = 0
    yield start_row()
    for block, line in blocks:
        if b"\r" in block:
            block = block.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        end = line + lines_in(block)
        plain = None
        if fast or (fast is None and len(block) >= FAST_FROM_BYTES):
            plain = _PlainLines(machine, grammar, block)
        for rows, row, ended in _batches(machine, grammar, block, line, plain, delete_slashed):
            last = row or last
            if rows is not None and len(rows.x_mm):
                made = True
                yield rows
            if ended:
                grammar.ended = True
        if grammar.ended:
            break
    else:
        grammar.close(end)
    if not made:
        raise InputError(
            "the program holds no move", file=file, row=last or None,
            mend="write at least one G0 or G1 with X or Y",
        )  # fmt: skip
    if Z_IGNORED not in tally.seen:
        tally.heights = 0
    if tally.heights > 1:
        tally.note(
            f"the traces lie at {tally.heights} heights Z in turn; a layer is counted where the "
            "spot waits with the beam off, not by Z", 0,
        )  # fmt: skip


def _batches(
    machine: Machine,
    grammar: Grammar,
    block: bytes,
    line: int,
    plain: _PlainLines | None,
    delete_slashed: bool,
) -> Iterator[tuple[Rows | None, int, bool]]:
    """Rows of one block, the last line that held words, and whether the program ended there."""
    at, patience, last = 0, 1, 0
    while at < len(block):
        if plain is not None:
            before = line
            at, line, rows, words = plain.run(at, line)
            if words:
                last = line - 1
            if rows is not None:
                yield rows, last, False
            if at >= len(block):
                break
            # Where plain lines are few, asking the kernel after every line would cost more.
            patience = 1 if line - before > 4 else min(2 * patience, MOST_SLOW_LINES)
        for _ in range(patience if plain is not None else 1 << 62):
            stop = block.find(b"\n", at)
            stop = len(block) if stop < 0 else stop
            if stop - at > LONGEST_LINE:
                raise too_long(machine.file, line)
            found = grammar.block(decoded(block[at:stop], machine.file, line), line)
            if grammar.ended:
                yield machine.take(), last, True
                return
            if found is not None and found.words:
                last = line
            if found is not None and not _left_out(machine, found.slashed, line, delete_slashed):
                ended = carry_out(machine, found)
                if ended or machine.points >= BATCH_ROWS:
                    yield machine.take(), last, ended
                if ended:
                    return
            at, line = stop + 1, line + 1
            if at >= len(block):
                break
        if plain is not None and machine.points:
            yield machine.take(), last, False  # before the kernel adds rows of its own
    yield (machine.take() if machine.points else None), last, False


def _left_out(machine: Machine, slashed: bool, line: int, delete_slashed: bool) -> bool:
    """Whether a line is left out for its slash, and the remark on it."""
    if slashed and delete_slashed:
        machine.note("lines that begin with '/' are left out", line)
        return True
    if slashed:
        machine.note("lines that begin with '/' are carried out like any other", line)
    return False


class _PlainLines:
    """The kernel of plain lines over one block, with its working arrays."""

    def __init__(self, machine: Machine, grammar: Grammar, block: bytes) -> None:
        from hysteresis.kernels import plain_moves

        self.kernel, self.machine, self.grammar = plain_moves, machine, grammar
        self.data = np.frombuffer(block, dtype=np.uint8)
        self.state = np.empty(plain_moves.STATES)
        self.counts: Ints = np.zeros(plain_moves.COUNTS, dtype=np.int64)
        self.x, self.y, self.feed = (np.empty(BATCH_ROWS) for _ in range(3))
        self.beam = np.empty(BATCH_ROWS, dtype=bool)
        self.line = np.empty(BATCH_ROWS, dtype=np.int64)

    def run(self, at: int, line: int) -> tuple[int, int, Rows | None, bool]:
        """Carry out plain lines from byte `at`: where it stopped, the line, rows, any words."""
        machine, kernel = self.machine, self.kernel
        machine.to_state(self.state)
        self.counts[:] = 0
        at, line, n = kernel.run(
            self.data, at, len(self.data), line, machine.skip_unknown, self.state, self.counts,
            self.x, self.y, self.beam, self.feed, self.line, 0,
        )  # fmt: skip
        machine.from_state(self.state)
        z, sums, e = (self.counts[i : i + 2].tolist() for i in (
            kernel.Z_LINES, kernel.CHECKSUMS, kernel.E_WORDS))  # fmt: skip
        for (count, first), note in (
            (sums, "checksums (*nn) are not looked at"), (z, Z_IGNORED),
        ):  # fmt: skip
            if count:
                machine.tally.note(note, first, count)
        if e[0]:
            machine.tally.skip("E", e[1], e[0])
        machine.tally.heights += int(self.counts[kernel.LAYERS])
        words = bool(self.counts[kernel.WORDS_SEEN])
        if words:
            self.grammar.first = False
        rows = None
        if n:
            rows = Rows(
                self.x[:n].copy(), self.y[:n].copy(), self.beam[:n].copy(), self.feed[:n].copy(),
                np.zeros(n), self.line[:n].copy(),
            )  # fmt: skip
        return at, line, rows, words
