"""What the words of an RS-274 program do: modes in force, and the rows that its moves make.

Items of one line act in the order of NISTIR 6556, section 3.8, Table 8; `paths/rs274.py` says which
dialect this is and what a beam needs beyond the standard.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from hysteresis.errors import InputError
from hysteresis.paths.arcs import (
    CHORD_TOLERANCE_MM,
    RADIUS_TOLERANCE_INCH_MM,
    RADIUS_TOLERANCE_MM,
    Arc,
    ArcFault,
    arc_about,
    arc_of_radius,
    chords_of,
    points_on,
)  # fmt: skip
from hysteresis.paths.chunking import Rows
from hysteresis.paths.notes import Tally
from hysteresis.paths.rs274_groups import (
    ARGUMENTS,
    GROUP,
    M_GROUP,
    NON_MODAL,
    PLAIN_M,
    TAKE_NO_AXES,
)
from hysteresis.paths.rs274_words import Block
from hysteresis.tables import Floats

INCH_MM = 25.4
Z_IGNORED = "Z is ignored"
FARTHEST_MM = 1e5  # a coordinate beyond 100 m is a slip, not a target plane
LONGEST_DWELL_S = 86_400.0

_LONG_WAIT_S = 100.0  # perhaps meant in milliseconds


@dataclass
class Machine:
    """The modes in force while a program runs, and the rows made since `take` was last called."""

    file: str | Path | None
    skip_unknown: bool
    default_feed_mm_s: float | None
    tally: Tally
    unit_mm: float = 1.0
    absolute: bool = True
    absolute_centres: bool = False
    motion: int | None = None  # 0, 1, 2, 3
    feed: float | None = None  # units per minute, as written
    turning: bool = False
    power: float | None = None
    x_mm: float = 0.0  # in the field; a coordinate of the program is less by the offset
    y_mm: float = 0.0
    offset: tuple[float, float] = (0.0, 0.0)
    saved_offset: tuple[float, float] = (0.0, 0.0)
    z_mm: float = 0.0
    z_traced_mm: float | None = None
    # one entry per row, arcs as one row each until they are taken
    xs: list[float] = field(default_factory=list)
    ys: list[float] = field(default_factory=list)
    beams: list[bool] = field(default_factory=list)
    feeds: list[float] = field(default_factory=list)
    dwells: list[float] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    arcs: list[Arc] = field(default_factory=list)
    arc_rows: list[int] = field(default_factory=list)
    points: int = 0  # how many rows there will be with the arcs' points
    chord_tolerance_mm: float = CHORD_TOLERANCE_MM
    chords: list[int] = field(default_factory=list)

    def note(self, what: str, row: int) -> None:
        self.tally.note(what, row)

    def fault(self, what: str, row: int, value: object, mend: str) -> InputError:
        return InputError(what, file=self.file, row=row, value=value, mend=mend)

    def unknown(self, word: str, row: int, written: str | None = None) -> None:
        """A word without a meaning here: an error, or counted."""
        if not self.skip_unknown:
            raise self.fault(
                "a word that is not read", row, written or word,
                "delete it, or use --skip-unknown to leave such words out and have them counted",
            )  # fmt: skip
        self.tally.skip(word, row)

    def append(self, x: float, y: float, beam: bool, feed: float, dwell_s: float, row: int) -> None:
        self.xs.append(x)
        self.ys.append(y)
        self.beams.append(beam)
        self.feeds.append(feed)
        self.dwells.append(dwell_s)
        self.rows.append(row)
        self.points += 1

    def take(self) -> Rows:
        """The rows made since the last call, arcs with all their points."""
        counts = np.ones(len(self.xs), dtype=np.int64)
        chords = np.array(self.chords, dtype=np.int64)
        counts[self.arc_rows] = chords
        x, y = np.repeat(self.xs, counts), np.repeat(self.ys, counts)
        if self.arcs:
            on_arc = np.zeros(len(self.xs), dtype=bool)
            on_arc[self.arc_rows] = True
            where = np.flatnonzero(np.repeat(on_arc, counts))
            xs, ys = points_on(np.array(self.arcs, dtype=np.float64), chords)
            inner = np.ones(len(where), dtype=bool)
            inner[np.cumsum(chords) - 1] = False  # the end stays as programmed
            x[where[inner]], y[where[inner]] = xs[inner], ys[inner]
        rows = Rows(
            x, y, np.repeat(np.array(self.beams, dtype=bool), counts),
            np.repeat(self.feeds, counts), np.repeat(self.dwells, counts),
            np.repeat(np.array(self.rows, dtype=np.int64), counts),
        )  # fmt: skip
        for column in (
            self.xs, self.ys, self.beams, self.feeds, self.dwells, self.rows, self.arcs,
            self.arc_rows, self.chords,
        ):  # fmt: skip
            column.clear()
        self.points = 0
        return rows

    def to_state(self, state: Floats) -> None:
        """Write the modes into the state of `kernels/plain_moves.py`."""

        def known(value: float | None) -> float:
            return math.nan if value is None else float(value)

        state[:] = (
            self.x_mm, self.y_mm, self.unit_mm, self.absolute, known(self.motion),
            known(self.feed), self.turning, known(self.power), *self.offset,
            known(self.default_feed_mm_s), self.z_mm, known(self.z_traced_mm),
        )  # fmt: skip

    def from_state(self, state: Floats) -> None:
        """Take over what the kernel changed."""
        x, y, _, _, motion, feed, turning, power, _, _, _, z, traced = state.tolist()
        self.x_mm, self.y_mm, self.z_mm, self.turning = x, y, z, turning == 1.0
        self.motion = None if math.isnan(motion) else int(motion)
        self.feed = None if math.isnan(feed) else feed
        self.power = None if math.isnan(power) else power
        self.z_traced_mm = None if math.isnan(traced) else traced


def carry_out(m: Machine, block: Block) -> bool:
    """Carry out one line; True at the end of the program."""
    row = block.row
    args: dict[str, float] = {}
    groups: dict[str, int] = {}
    foreign = ""  # letters that belong to a word that is left out
    if block.summed:
        m.note("checksums (*nn) are not looked at", row)
    for letter, number in block.words:
        value = float(number)
        if letter in ARGUMENTS:
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
        group = (GROUP if letter == "G" else M_GROUP if letter == "M" else {}).get(code)
        if group is None:
            if letter == "G" and code == 930:  # passed over, F would be read as another speed
                raise m.fault(
                    "feeds as inverse times (G93) are not read", row, letter + number,
                    "write feeds per minute (G94)",
                )  # fmt: skip
            name = f"{letter}{value:g}" if letter in "GM" else letter
            m.unknown(name, row, letter + number)
            if letter == "G" and code not in TAKE_NO_AXES:
                foreign += "XYZIJRPS"
                if code not in NON_MODAL:
                    m.motion = None
            elif letter == "M" and code not in PLAIN_M:
                foreign += "SP" if any(c == "G" for c, _ in block.words) else "XYZIJRPSF"
        elif group in groups:
            raise m.fault(
                "two words on one line that contradict each other", row, letter + number,
                "leave one out, or split the line",
            )  # fmt: skip
        else:
            groups[group] = code
    if foreign:
        kept = ("S" if "spindle" in groups else "") + ("P" if "wait" in groups else "")
        for letter in [c for c in "XYZIJRPSF" if c in args and c in foreign and c not in kept]:
            m.unknown(letter, row)
            del args[letter]
    _set_modes(m, args, groups, row)
    if "offset" in groups:
        if "motion" in groups:
            raise m.fault(
                "two words on one line that contradict each other", row, "G92",
                "split the line: G92 sets what the present place is called and moves nothing",
            )  # fmt: skip
        _set_offset(m, args, groups["offset"], row, any(c == "E" for c, _ in block.words))
        return "end" in groups
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


def _set_modes(m: Machine, args: dict[str, float], groups: dict[str, int], row: int) -> None:
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
        if args["P"] >= _LONG_WAIT_S:
            m.note(f"a wait of {args['P']:g} s: P of G4 is read in seconds", row)
        m.append(m.x_mm, m.y_mm, beam, math.nan, args["P"], row)
    if "units" in groups:
        unit_mm = INCH_MM if groups["units"] == 200 else 1.0
        if unit_mm != m.unit_mm and m.feed is not None and "F" not in args:
            m.note("the unit changes and the feed in force is now read in the new unit", row)
        m.unit_mm = unit_mm
    if "distance" in groups:
        m.absolute = groups["distance"] == 900
    if "arc distance" in groups:
        m.absolute_centres = groups["arc distance"] == 901


def _set_offset(m: Machine, args: dict[str, float], code: int, row: int, names_e: bool) -> None:
    """G92 to G92.3 (section 3.5.18): what the present place is called; nothing moves."""
    unit = m.unit_mm
    for letter in "IJR":
        if letter in args:
            raise m.fault("a word that G92 does not take", row, letter, "leave it out")
    if code == 920:
        if not names_e and not any(c in args for c in "XYZ"):
            raise m.fault("G92 without an axis", row, "G92", "write X or Y and what it is to be")
        x, y = m.offset
        if "X" in args:
            x = m.x_mm - args["X"] * unit
        if "Y" in args:
            y = m.y_mm - args["Y"] * unit
        if not (abs(x) <= FARTHEST_MM and abs(y) <= FARTHEST_MM):
            raise m.fault(
                f"an offset of more than {FARTHEST_MM:g} mm", row, "G92", "check the unit"
            )
        m.offset = m.saved_offset = (x, y)
        if "Z" in args:
            m.note(Z_IGNORED, row)
            m.z_mm = args["Z"] * unit
        return
    if any(c in args for c in "XYZ"):
        raise m.fault(
            "an axis on a line that does not take it", row, f"G{code / 10:g}", "leave it out"
        )
    if code == 921:
        m.offset = m.saved_offset = (0.0, 0.0)
    else:
        m.offset = (0.0, 0.0) if code == 922 else m.saved_offset


def _beam_on(m: Machine) -> bool:
    return m.turning and (m.power is None or m.power > 0.0)


def _move(m: Machine, args: dict[str, float], row: int) -> None:
    """Item 20 of Table 8: one straight move or arc."""
    if m.motion is None:
        raise m.fault(
            "coordinates without a mode of motion in force", row,
            " ".join(f"{c}{v:g}" for c, v in args.items()), "write G0, G1, G2 or G3 before them",
        )  # fmt: skip
    unit = m.unit_mm
    x, y = m.x_mm, m.y_mm
    if "X" in args:
        x = args["X"] * unit + m.offset[0] if m.absolute else x + args["X"] * unit
    if "Y" in args:
        y = args["Y"] * unit + m.offset[1] if m.absolute else y + args["Y"] * unit
    # Written so that a number too large for a float fails too.
    if not (abs(x) <= FARTHEST_MM and abs(y) <= FARTHEST_MM):
        raise m.fault(
            f"a position more than {FARTHEST_MM:g} mm away", row, f"X{x:g} Y{y:g} mm",
            "check the unit (G20, G21) and the distance mode (G90, G91)",
        )  # fmt: skip
    if "Z" in args:
        m.note(Z_IGNORED, row)
        m.z_mm = args["Z"] * unit if m.absolute else m.z_mm + args["Z"] * unit
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
        m.chords.append(chords_of(arc, m.chord_tolerance_mm))
        m.points += m.chords[-1] - 1
    if beam and m.z_mm != m.z_traced_mm:
        m.z_traced_mm = m.z_mm
        m.tally.heights += 1
    m.append(x, y, beam, feed, 0.0, row)
    m.x_mm, m.y_mm = x, y


def _arc(m: Machine, args: dict[str, float], x: float, y: float, row: int) -> Arc:
    """The arc of this line, in centre form or radius form."""
    unit, clockwise = m.unit_mm, m.motion == 2
    tolerance = RADIUS_TOLERANCE_MM if unit == 1.0 else RADIUS_TOLERANCE_INCH_MM
    by_centre = "I" in args or "J" in args
    said = " ".join(f"{c}{args[c]:g}" for c in "XYIJR" if c in args)
    for letter in "IJR":
        if not abs(args.get(letter, 0.0)) * unit <= FARTHEST_MM:
            raise m.fault("an arc that is too large", row, said, "check I, J or R and the unit")
    try:
        if by_centre and "R" in args:
            raise ArcFault("an arc with a centre and a radius", "write I and J, or R")
        if by_centre:
            i, j = args.get("I", 0.0) * unit, args.get("J", 0.0) * unit
            if m.absolute_centres:
                if "I" not in args or "J" not in args:
                    raise ArcFault(
                        "an arc whose centre lacks I or J, in absolute centres (G90.1)",
                        "write both I and J, or G91.1 for offsets from the start",
                    )
                i, j = i + m.offset[0] - m.x_mm, j + m.offset[1] - m.y_mm
            return arc_about(
                m.x_mm, m.y_mm, x, y, i, j, clockwise=clockwise, tolerance_mm=tolerance
            )
        if "R" not in args:
            raise ArcFault(
                "an arc without a centre or radius", "write I and J, or R, on every arc's line"
            )
        return arc_of_radius(
            m.x_mm, m.y_mm, x, y, args["R"] * unit, clockwise=clockwise, tolerance_mm=tolerance
        )
    except ArcFault as fault:
        raise m.fault(fault.what, row, said, fault.mend) from None
