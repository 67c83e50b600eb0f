"""Pre-distorted paths for controllers that take positions: a table, or an RS-274 program.

The positions are those that a controller without memory turns into the wanted drives. In a
program each row becomes one move at an even feed (or a wait), so that the controller's own clock
keeps the path's: what rounding of one feed loses in time, the next one makes good.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from pathlib import Path

from hysteresis.cautions import caution_line
from hysteresis.errors import InputError
from hysteresis.files import writing
from hysteresis.paths.simplified import Samples

_STILL_MM = 5e-5  # half of the last decimal of a coordinate
_SHORTEST_S = 1e-6


def write_positions(
    path: Path | str, blocks: Iterable[Samples], *, title: str = "", overwrite: bool = True
) -> int:
    """Write rows as `.csv` (t_s, x_mm, y_mm, beam) or as a program (.ngc, .nc, .gcode).

    Returns the number of rows. InputError for another suffix or an empty path.
    """
    suffix = Path(path).suffix.lower()
    if suffix == ".csv":
        lines = _table(blocks)
    elif suffix in (".ngc", ".nc", ".gcode"):
        lines = _program(blocks, title)
    else:
        raise InputError(
            "positions are written as .csv or as a program .ngc, .nc or .gcode",
            file=path, value=suffix or None, mend="give the file one of these endings",
        )  # fmt: skip
    rows = 0
    with writing(path, overwrite=overwrite) as part, open(part, "w", encoding="ascii") as out:
        for text, count in lines:
            out.write(text)
            rows += count
        if rows < 2:
            raise InputError("the path has fewer than two rows, so nothing was written", file=path)
    return rows


def _table(blocks: Iterable[Samples]) -> Iterator[tuple[str, int]]:
    yield "t_s,x_mm,y_mm,beam\n", 0
    for b in blocks:
        rows = zip(b.t_s.tolist(), b.x_mm.tolist(), b.y_mm.tolist(), b.beam.tolist(), strict=True)
        yield "".join(f"{t:.6f},{x:.5f},{y:.5f},{on:d}\n" for t, x, y, on in rows), len(b.t_s)


def _program(blocks: Iterable[Samples], title: str) -> Iterator[tuple[str, int]]:
    """Lines of the program: RS-274 as NISTIR 6556 describes it, mm, absolute, feed per minute."""
    plain = "".join(c if c.isprintable() and c not in "()" else " " for c in title)
    yield (
        (
            f"({plain.encode('ascii', 'replace').decode()})\n"
            f"({caution_line().encode('ascii', 'replace').decode()})\n"
            "G17 G21 G90\nM5\n"
        ),
        0,
    )
    at: tuple[str, str] | None = None  # where the controller is, as written
    place = (0.0, 0.0)
    clock = start = 0.0  # the controller's own time, and the path's at its first row
    lit, shown = False, -1
    for b in blocks:
        text = []
        columns = (b.t_s, b.x_mm, b.y_mm, b.beam, b.line)
        for t, x, y, on, line in zip(*(c.tolist() for c in columns), strict=True):
            words = f"{x:.4f}", f"{y:.4f}"
            goal = float(words[0]), float(words[1])
            if at is None:
                start = t
                text.append(f"G0 X{words[0]} Y{words[1]}\n")
            else:
                left = t - start - clock
                length = math.dist(place, goal)
                if length <= _STILL_MM:
                    if left > 1e-3:  # a shorter wait is made good by the next move
                        text.append(f"G4 P{left:.6f}\n")
                        clock += float(f"{left:.6f}")
                else:
                    feed = f"{60.0 * length / max(left, _SHORTEST_S):.3f}"
                    text.append(f"G1 X{words[0]} Y{words[1]} F{feed}\n")
                    clock += 60.0 * length / float(feed)
            if on != lit:
                text.append("M3 S1\n" if on else "M5\n")
                lit = on
            if line != shown and line > 0:
                text.append(f"(line {line})\n")
                shown = line
            at, place = words, goal
        yield "".join(text), len(b.t_s)
    yield "M5\nM2\n", 0
