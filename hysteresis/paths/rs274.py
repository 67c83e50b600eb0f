"""RS-274 programs (G-code) as toolpaths.

The dialect is that of NISTIR 6556 (T. R. Kramer, F. M. Proctor, E. Messina, 2000), of which
this reader knows what a beam in a plane needs:

    G0 travel           G1 line     G2, G3 arcs (I J, or R)    G4 P wait, seconds
    G17 XY plane        G20, G21 inch, mm                      G90, G91 absolute, incremental
    F units per minute  M3, M4, M5 beam on, on, off            S beam power: 0 is off
    M2, M30 end         X Y Z  N  / % ( ) ;

Items of one line act in the order of section 3.8, Table 8. Anything else is an error, or, on
request, skipped and counted.

Where a beam needs a meaning that the standard leaves to the machine:

* the beam is on while the spindle would turn (M3 or M4, and S above 0; S never written counts
  as above 0), except on a G0 move, on which "cutting" is not expected (section 3.5.1);
* the program starts at the centre of the field, in mm and absolute, with the beam off;
* Z is read and ignored, and said so; the feed is that of the move in the plane;
* the number after F is kept when the unit changes, as feeds are in the units in force
  (2.1.2.5, 2.1.2.9); this is remarked on.

Two leniencies: G0 or G1 alone on a line sets the mode, and a full circle may be written with
I and J alone. Lines that begin with / are executed unless `delete_slashed` (2.2.2).
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from hysteresis.errors import InputError
from hysteresis.paths import arcs
from hysteresis.paths.notes import ReadPolyline, SkippedWord
from hysteresis.paths.rs274_words import Block, blocks
from hysteresis.tables import Polyline

INCH_MM = 25.4
FARTHEST_MM = 1e5  # a coordinate beyond 100 m is a slip, not a target plane
MOST_VERTICES = 20_000_000
LONGEST_DWELL_S = 86_400.0

# G words times ten, by modal group (NISTIR 6556, Table 4).
_MOTION = (0, 10, 20, 30)
_GROUP = {
    0: "motion", 10: "motion", 20: "motion", 30: "motion", 40: "wait", 170: "plane",
    200: "units", 210: "units", 900: "distance", 910: "distance",
}  # fmt: skip
_M_GROUP = {2: "end", 30: "end", 3: "spindle", 4: "spindle", 5: "spindle"}
_ARGUMENTS = frozenset("XYZIJRPFS")
# Known to the standard, unknown here, and taking no axis words (times ten); on a line with any
# other unknown G word, the axis words belong to it and must not become a move.
_TAKE_NO_AXES = frozenset((
    180, 190, 400, 410, 420, 430, 490, 540, 550, 560, 570, 580, 590, 591, 592, 593,
    610, 611, 640, 930, 940, 980, 990,
))  # fmt: skip
# Unknown here and not modal: what was the mode of motion before stays it (Table 4, group 0).
_NON_MODAL = frozenset([100, 280, 300, 530, 920, 921, 922, 923])


@dataclass
class _Machine:
    """The modes in force while a program runs, and the moves made so far."""

    file: str | Path | None
    skip_unknown: bool
    default_feed_mm_s: float | None
    unit_mm: float = 1.0
    absolute: bool = True
    motion: int | None = None  # 0, 1, 2, 3
    feed: float | None = None  # units per minute, as written
    turning: bool = False
    power: float | None = None
    x_mm: float = 0.0
    y_mm: float = 0.0
    # one entry per row of the polyline, arcs as one row each until the end
    xs: list[float] = field(default_factory=lambda: [0.0])
    ys: list[float] = field(default_factory=lambda: [0.0])
    beams: list[bool] = field(default_factory=lambda: [False])
    feeds: list[float] = field(default_factory=lambda: [math.nan])
    dwells: list[float] = field(default_factory=lambda: [0.0])
    rows: list[int] = field(default_factory=lambda: [0])
    arcs: list[arcs.Arc] = field(default_factory=list)
    arc_rows: list[int] = field(default_factory=list)
    skipped: Counter[str] = field(default_factory=Counter)
    first_skipped: dict[str, int] = field(default_factory=dict)
    seen: dict[str, list[int]] = field(default_factory=dict)  # remark -> [count, first line]

    def note(self, what: str, row: int) -> None:
        self.seen.setdefault(what, [0, row])[0] += 1

    def fault(self, what: str, row: int, value: object, mend: str) -> InputError:
        return InputError(what, file=self.file, row=row, value=value, mend=mend)

    def unknown(self, word: str, row: int, written: str | None = None) -> None:
        """A word without a meaning here: an error, or counted."""
        if not self.skip_unknown:
            raise self.fault(
                "a word that is not read", row, written or word,
                "delete it, or use --skip-unknown to leave such words out and have them counted",
            )  # fmt: skip
        self.skipped[word] += 1
        self.first_skipped.setdefault(word, row)


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
    machine = _Machine(file, skip_unknown, default_feed_mm_s)
    last = 0
    for block in blocks(text, file):
        last = block.row
        if block.slashed:
            if delete_slashed:
                machine.note("lines that begin with '/' are left out", block.row)
                continue
            machine.note("lines that begin with '/' are carried out like any other", block.row)
        if _carry_out(machine, block):
            break
    if len(machine.xs) == 1:
        raise InputError(
            "the program holds no move", file=file, row=last or None,
            mend="write at least one G0 or G1 with X or Y",
        )  # fmt: skip
    return _polyline(machine, chord_tolerance_mm)


def _carry_out(m: _Machine, block: Block) -> bool:
    """Carry out one line; True at the end of the program."""
    row = block.row
    args: dict[str, float] = {}
    groups: dict[str, int] = {}
    foreign_axes = False
    for letter, number in block.words:
        value = float(number)
        if letter in _ARGUMENTS:
            if letter in args:
                raise m.fault(
                    f"the letter {letter} stands twice on the line", row, letter + number,
                    "write it once, or split the line",
                )  # fmt: skip
            args[letter] = value
            continue
        scale = 10.0 if letter == "G" else 1.0
        # Codes count as whole when within 0.0001 of a whole number (3.3.2.1).
        code = round(value * scale) if value < 1e6 else -1
        if abs(value * scale - code) > 1e-4:
            code = -1
        group = (_GROUP if letter == "G" else _M_GROUP if letter == "M" else {}).get(code)
        if group is None:
            name = f"{letter}{value:g}" if letter in "GM" else letter
            m.unknown(name, row, letter + number)
            if letter == "G" and code not in _TAKE_NO_AXES:
                foreign_axes = True
                if code not in _NON_MODAL:
                    m.motion = None
        elif group in groups:
            raise m.fault(
                "two words on one line that contradict each other", row, letter + number,
                "leave one out, or split the line",
            )  # fmt: skip
        else:
            groups[group] = code
    if foreign_axes:
        for letter in [c for c in "XYZIJRP" if c in args]:
            m.unknown(letter, row)
            del args[letter]
    _set_modes(m, args, groups, row)
    if "motion" in groups:
        m.motion = groups["motion"] // 10
    if "X" in args or "Y" in args or "Z" in args or "I" in args or "J" in args or "R" in args:
        _move(m, args, row)
    elif groups.get("motion", 0) >= 20:
        raise m.fault(
            "an arc without its end and its centre", row, f"G{m.motion}",
            "write X and Y of the end, and I and J of the centre or R",
        )  # fmt: skip
    return "end" in groups


def _set_modes(m: _Machine, args: dict[str, float], groups: dict[str, int], row: int) -> None:
    """Items 3 to 17 of Table 8: feed, power, beam, wait, plane, units, distance mode."""
    if "F" in args:
        m.feed = args["F"]
        if not 0.0 <= m.feed <= 1e9:
            raise m.fault("a feed out of range", row, f"F{m.feed:g}", "write F in units per minute")
    if "S" in args:
        m.power = args["S"]
        if not 0.0 <= m.power < math.inf:
            raise m.fault("a power below 0", row, f"S{m.power:g}", "write S0 for off")
    if "spindle" in groups:
        m.turning = groups["spindle"] != 5
    if "P" in args and "wait" not in groups:
        if not m.skip_unknown:
            raise m.fault("P without G4", row, f"P{args['P']:g}", "write G4 P… for a wait")
        m.unknown("P", row)
    elif "wait" in groups:
        if "P" not in args:
            raise m.fault("a wait without its length", row, "G4", "write G4 P and the seconds")
        if not 0.0 <= args["P"] <= LONGEST_DWELL_S:
            raise m.fault(
                f"a wait that is not between 0 and {LONGEST_DWELL_S:g} s", row,
                f"P{args['P']:g}", "write the wait in seconds",
            )  # fmt: skip
        beam = _beam_on(m)
        if beam and args["P"] > 0:
            m.note("the beam is on and stands still during a wait", row)
        _append(m, m.x_mm, m.y_mm, beam, math.nan, args["P"], row)
    if "units" in groups:
        unit_mm = INCH_MM if groups["units"] == 200 else 1.0
        if unit_mm != m.unit_mm and m.feed is not None and "F" not in args:
            m.note("the unit changes and the feed in force is now read in the new unit", row)
        m.unit_mm = unit_mm
    if "distance" in groups:
        m.absolute = groups["distance"] == 900


def _beam_on(m: _Machine) -> bool:
    return m.turning and (m.power is None or m.power > 0.0)


def _move(m: _Machine, args: dict[str, float], row: int) -> None:
    """Item 20 of Table 8: one straight move or arc."""
    if m.motion is None:
        raise m.fault(
            "coordinates without a mode of motion in force", row,
            " ".join(f"{c}{v:g}" for c, v in args.items()), "write G0, G1, G2 or G3 before them",
        )  # fmt: skip
    unit = m.unit_mm
    x, y = m.x_mm, m.y_mm
    if "X" in args:
        x = args["X"] * unit if m.absolute else x + args["X"] * unit
    if "Y" in args:
        y = args["Y"] * unit if m.absolute else y + args["Y"] * unit
    # Written so that a number too large for a float fails too.
    if not (abs(x) <= FARTHEST_MM and abs(y) <= FARTHEST_MM):
        raise m.fault(
            f"a position more than {FARTHEST_MM:g} mm away", row, f"X{x:g} Y{y:g} mm",
            "check the unit (G20, G21) and the distance mode (G90, G91)",
        )  # fmt: skip
    if "Z" in args:
        m.note("Z is ignored", row)
    curved = "I" in args or "J" in args or "R" in args
    if m.motion < 2:
        if curved:
            raise m.fault(
                "a centre or radius (I, J, R) on a line that is not an arc", row,
                f"G{m.motion}", "write G2 or G3, or leave I, J and R out",
            )  # fmt: skip
        if "X" not in args and "Y" not in args:
            return  # Z alone: nothing moves in the plane
        arc = None
    else:
        arc = _arc(m, args, x, y, row)
    beam = m.motion != 0 and _beam_on(m)
    feed = math.nan
    if m.motion != 0:
        if m.feed is not None:
            feed = m.feed * unit / 60.0
        elif m.default_feed_mm_s is not None:
            feed = m.default_feed_mm_s
        if feed == 0.0 and not beam:
            feed = math.nan
        elif beam and not feed > 0.0:
            missing = m.feed is None
            raise m.fault(
                "a move with the beam on before any feed" if missing else "a feed of 0, beam on",
                row, f"G{m.motion}" if missing else "F0",
                "write F in units per minute on this line or before it",
            )  # fmt: skip
    if arc is not None:
        m.arcs.append(arc)
        m.arc_rows.append(len(m.xs))
    _append(m, x, y, beam, feed, 0.0, row)
    m.x_mm, m.y_mm = x, y


def _arc(m: _Machine, args: dict[str, float], x: float, y: float, row: int) -> arcs.Arc:
    """The arc of this line, in centre form or radius form."""
    unit, clockwise = m.unit_mm, m.motion == 2
    tolerance = arcs.RADIUS_TOLERANCE_MM if unit == 1.0 else arcs.RADIUS_TOLERANCE_INCH_MM
    by_centre = "I" in args or "J" in args
    said = " ".join(f"{c}{args[c]:g}" for c in "XYIJR" if c in args)
    for letter in "IJR":
        if not abs(args.get(letter, 0.0)) * unit <= FARTHEST_MM:
            raise m.fault("an arc that is too large", row, said, "check I, J or R and the unit")
    try:
        if by_centre and "R" in args:
            raise arcs.ArcFault("an arc with a centre and a radius", "write I and J, or R")
        if by_centre:
            i, j = args.get("I", 0.0) * unit, args.get("J", 0.0) * unit
            return arcs.arc_about(
                m.x_mm, m.y_mm, x, y, i, j, clockwise=clockwise, tolerance_mm=tolerance
            )
        if "R" not in args:
            raise arcs.ArcFault(
                "an arc without a centre or radius", "write I and J, or R, on every arc's line"
            )
        return arcs.arc_of_radius(
            m.x_mm, m.y_mm, x, y, args["R"] * unit, clockwise=clockwise, tolerance_mm=tolerance
        )
    except arcs.ArcFault as fault:
        raise m.fault(fault.what, row, said, fault.mend) from None


def _append(
    m: _Machine, x: float, y: float, beam: bool, feed: float, dwell_s: float, row: int
) -> None:
    m.xs.append(x)
    m.ys.append(y)
    m.beams.append(beam)
    m.feeds.append(feed)
    m.dwells.append(dwell_s)
    m.rows.append(row)


def _polyline(m: _Machine, chord_tolerance_mm: float) -> ReadPolyline:
    """Put the arcs' points in, all at once, and gather the remarks."""
    counts = np.ones(len(m.xs), dtype=np.int64)
    chords = np.array([arcs.chords_of(a, chord_tolerance_mm) for a in m.arcs], dtype=np.int64)
    counts[m.arc_rows] = chords
    if counts.sum() > MOST_VERTICES:
        raise InputError(
            f"the arcs of this program need {counts.sum()} points, more than {MOST_VERTICES}",
            file=m.file, mend="split the program",
        )  # fmt: skip
    x, y = np.repeat(m.xs, counts), np.repeat(m.ys, counts)
    if m.arcs:
        on_arc = np.zeros(len(m.xs), dtype=bool)
        on_arc[m.arc_rows] = True
        where = np.flatnonzero(np.repeat(on_arc, counts))
        xs, ys = arcs.points_on(np.array(m.arcs, dtype=np.float64), chords)
        inner = np.ones(len(where), dtype=bool)
        inner[np.cumsum(chords) - 1] = False  # the end stays as programmed
        x[where[inner]], y[where[inner]] = xs[inner], ys[inner]
    beams, feeds, dwells = (np.repeat(each, counts) for each in (m.beams, m.feeds, m.dwells))
    return ReadPolyline(
        Polyline(x, y, beams, feeds, dwells),
        np.repeat(np.array(m.rows, dtype=np.int64), counts),
        tuple(SkippedWord(w, n, m.first_skipped[w]) for w, n in sorted(m.skipped.items())),
        tuple(
            f"{what} ({f'{n} lines, first ' if n > 1 else ''}line {first})"
            for what, (n, first) in m.seen.items()
        ),
    )
