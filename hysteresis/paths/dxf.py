"""DXF drawings as toolpaths: every outline in model space, traced once, in the file's order.

Read are LINE, LWPOLYLINE and POLYLINE with bulges, ARC, CIRCLE, ELLIPSE, SPLINE, and INSERT, taken
apart, on layers that are shown; anything else is passed over and named. $INSUNITS gives the unit
(none: mm), the origin is the field's centre, z is left out. Files are taken apart by the
library ezdxf (extra `drawings`); the curves are this project's own, so that the tolerance holds for
each. Fitted and smoothed polylines count as the vertices that the file holds for them.
"""

from __future__ import annotations

import contextlib
import logging
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis.errors import InputError
from hysteresis.paths.chunking import Rows, rows_of, start_row
from hysteresis.paths.curves import TooManyChords
from hysteresis.paths.dxf_outlines import OUTLINES
from hysteresis.paths.notes import Tally
from hysteresis.paths.placement import FARTHEST_MM
from hysteresis.paths.text_blocks import check_ordinary, text_lines
from hysteresis.tables import Floats

MOST_BYTES = 128 * 1024 * 1024
MOST_ENTITIES = 300_000
DEEPEST = 32
SAME_MM = 1e-9

# $INSUNITS of the DXF reference, by their definition in mm.
_UNITS_MM = {
    0: 1.0, 1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0, 8: 25.4e-6, 9: 0.0254, 10: 914.4,
    11: 1e-7, 12: 1e-6, 13: 1e-3, 14: 100.0,
}  # fmt: skip


def rows_of_dxf(
    path: Path | str,
    tally: Tally,
    *,
    feed_mm_s: float,
    tolerance_mm: float,
    layers: tuple[str, ...] | None = None,
) -> Iterator[Rows]:
    """Rows of a drawing: the start, then for each outline a travel and its trace.

    The line of a row is the one on which its entity (or the INSERT that shows it) begins. Where
    an outline starts at the end of the one before, the beam stays on. Raises InputError for what
    is no DXF, is too large, or holds no outline, and for layers that are not in it.
    """
    drawing = _Drawing(path, tally, tolerance_mm, layers)
    yield start_row()
    at = np.full(2, np.nan)
    for outline, line in drawing.outlines():
        if len(outline) < 2 or not np.ptp(outline, axis=0).any():
            tally.note("outlines without a length are left out", line)
            continue
        if not np.hypot(*(outline[0] - at)) <= SAME_MM:  # NaN before the first
            yield rows_of(outline[:1, 0], outline[:1, 1], beam=False, feed_mm_s=math.nan, line=line)
        yield rows_of(outline[1:, 0], outline[1:, 1], beam=True, feed_mm_s=feed_mm_s, line=line)
        at = outline[-1]
    if np.isnan(at[0]):
        raise InputError(
            "the drawing holds no outline that can be traced", file=path,
            mend="; ".join(map(str, tally.skipped())) or "draw lines, arcs or curves",
        )  # fmt: skip


class _Drawing:
    """One drawing while it is walked through."""

    def __init__(
        self, path: Path | str, tally: Tally, tolerance_mm: float, layers: tuple[str, ...] | None
    ) -> None:
        size = check_ordinary(path)
        if size > MOST_BYTES:
            raise InputError(
                f"the drawing is too large: {size / 2**20:.0f} MB, at most {MOST_BYTES >> 20} MB",
                file=path, mend="split it into several drawings and name them in a job file",
            )  # fmt: skip
        self.path, self.tally = path, tally
        self.lines, code = _lines_and_unit(path)
        try:
            import ezdxf
        except ImportError as error:
            raise InputError(
                "DXF drawings need the library ezdxf, which is not installed", file=path,
                mend='install it: pip install "hysteresis[drawings]"',
            ) from error  # fmt: skip
        with _foreign_faults(path):
            self.doc: Any = ezdxf.readfile(str(path))
            self.known: dict[str, Any] = {
                layer.dxf.name.lower(): layer for layer in self.doc.layers
            }
        if code not in _UNITS_MM:
            raise InputError(
                "a unit that no field is measured in", file=path, column="$INSUNITS", value=code,
                mend="save the drawing in mm",
            )  # fmt: skip
        if code == 0:
            tally.note("the drawing names no unit; mm are taken", 0)
        self.unit_mm = _UNITS_MM[code]
        self.tolerance = tolerance_mm / self.unit_mm
        self.layers = None if layers is None else {name.lower() for name in layers}
        used = self.known.keys()
        for name in self.layers or ():
            if name not in used:
                raise InputError(
                    "the drawing has no layer of this name", file=path, value=name,
                    mend=f"it has {', '.join(sorted(used)) or 'none'}",
                )  # fmt: skip
        self._refuse_growth()

    def _refuse_growth(self) -> None:
        """InputError where a block holds itself, or all references together show too much."""
        sizes: dict[str, int] = {}

        def size(entities: Any, within: tuple[str, ...]) -> int:
            count = 0
            for entity in entities:
                count += 1
                if entity.dxftype() != "INSERT":
                    continue
                name = str(entity.dxf.name).lower()
                if name in within or len(within) >= DEEPEST:
                    raise InputError(
                        f"a block that holds itself, or more than {DEEPEST} within each other",
                        file=self.path, row=self._line(entity), value=entity.dxf.name,
                        mend="take the blocks apart",
                    )  # fmt: skip
                if name not in sizes:
                    sizes[name] = size(entity.block() or (), (*within, name))
                count += max(1, int(entity.mcount)) * sizes[name]
            return min(count, MOST_ENTITIES + 1)

        with _foreign_faults(self.path):
            count = size(self.doc.modelspace(), ())
        if count > MOST_ENTITIES:
            raise InputError(
                f"with all blocks taken apart, more than {MOST_ENTITIES} entities",
                file=self.path, mend="split the drawing",
            )  # fmt: skip

    def _line(self, entity: Any) -> int:
        return self.lines.get(str(entity.dxf.handle).upper(), 1)

    def outlines(self) -> Iterator[tuple[Floats, int]]:
        """Outlines (n, 2) in mm, with the line of their entity."""
        with _foreign_faults(self.path):
            entities = list(self.doc.modelspace())
        for entity in entities:
            with _foreign_faults(self.path):
                line = self._line(entity)
            for points in self._of(entity, line, np.eye(4), None):
                flat = points * self.unit_mm
                if not (np.abs(flat) <= FARTHEST_MM).all():  # NaN too
                    raise InputError(
                        f"a position more than {FARTHEST_MM:g} mm away", file=self.path, row=line,
                        mend="check the unit of the drawing ($INSUNITS)",
                    )  # fmt: skip
                yield flat, line

    def _of(self, entity: Any, line: int, matrix: Floats, above: str | None) -> Iterator[Floats]:
        """Outlines of one entity in the drawing's unit.

        `matrix` (4, 4) takes rows x, y, z, 1 of the block it stands in to the drawing; `above` is
        the layer of the reference that shows the block, which its layer 0 stands for.
        """
        with _foreign_faults(self.path, line):
            kind = entity.dxftype()
            layer = str(entity.dxf.layer)
            layer = above if layer == "0" and above is not None else layer
            hidden = bool(entity.dxf.get("invisible", 0)) or self._off(layer)
        if kind == "INSERT":
            with _foreign_faults(self.path, line):
                places = list(_places(entity))
                parts = list(entity.block() or ())
            for place in places:
                for part in parts:
                    yield from self._of(part, line, place @ matrix, layer)
        elif hidden:
            self.tally.skip("hidden entity", line)
        elif self.layers is not None and layer.lower() not in self.layers:
            self.tally.skip("entity on another layer", line)
        elif kind not in OUTLINES:
            self.tally.skip(kind if kind.isascii() and kind.isalnum() else "entity", line)
        else:
            points = self._points(entity, kind, line, matrix)
            if points is None:
                self.tally.skip(f"{kind} that is a mesh or has no points", line)
            else:
                yield points

    def _points(self, entity: Any, kind: str, line: int, matrix: Floats) -> Floats | None:
        """The outline of an entity, flattened in its block and put into the drawing."""
        flat = matrix[:2, :2]
        with _foreign_faults(self.path, line):
            stretch = float(np.linalg.svd(flat, compute_uv=False)[0])
            try:
                points: Floats | None = OUTLINES[kind](
                    entity, self.tolerance / stretch if stretch > 0 else self.tolerance
                )
            except TooManyChords:
                raise InputError(
                    "a curve too large for this tolerance", file=self.path, row=line,
                    mend="check the unit of the drawing, or give a larger tolerance",
                ) from None  # fmt: skip
            if points is None or not len(points):
                return None
            with np.errstate(invalid="ignore", over="ignore"):  # refused as too far
                placed: Floats = points @ flat + matrix[3, :2]
            return placed

    def _off(self, layer: str) -> bool:
        found = self.known.get(layer.lower())
        return found is not None and bool(found.is_off() or found.is_frozen())


def _places(entity: Any) -> Iterator[Floats]:
    """Matrices of a block reference, one for each place of its rows and columns."""
    matrix = np.array(list(entity.matrix44())).reshape(4, 4)
    columns = int(entity.dxf.column_count) if entity.dxf.column_spacing else 1
    rows = int(entity.dxf.row_count) if entity.dxf.row_spacing else 1
    turn = math.radians(float(entity.dxf.rotation))
    along = np.array([math.cos(turn), math.sin(turn), 0.0])
    across = np.array([-along[1], along[0], 0.0])
    ocs = entity.ocs()
    for row in range(max(rows, 1)):
        for column in range(max(columns, 1)):
            shift = (
                column * float(entity.dxf.column_spacing or 0.0) * along
                + row * float(entity.dxf.row_spacing or 0.0) * across
            )
            place = matrix.copy()
            place[3, :3] += tuple(ocs.to_wcs(tuple(shift)))
            yield place


def _lines_and_unit(path: Path | str) -> tuple[dict[str, int], int]:
    """On which line each entity begins, by its handle (group 5 behind a group 0); the unit's code.

    The unit is 0 where the file names none (the library would take its own default). Raises
    InputError for a text that is not made of pairs of a group's number and its value.
    """
    unit, variable = 0, ""
    found: dict[str, int] = {}
    begin = line = 0
    code: str | None = None
    sections = False
    for text in text_lines(path):
        line += 1
        value = text.strip()
        if code is None:
            if not value.lstrip("-").isdecimal() or not value.isascii():
                if not value and line > 1:
                    continue  # a blank line at the end
                raise InputError(
                    "a group of a DXF file begins with a whole number", file=path, row=line,
                    value=value[:40], mend="save the drawing as DXF text again",
                )  # fmt: skip
            code = value
            continue
        if code == "0":
            begin = line
            sections |= value == "SECTION"
            if value == "EOF":
                break
        elif code == "5" and begin:
            found.setdefault(value.upper(), begin)
        elif code == "9":
            variable = value
        elif code == "70" and variable == "$INSUNITS":
            variable = ""
            unit = int(value) if value.isdecimal() and value.isascii() and len(value) < 4 else -1
        code = None
    if not sections:
        raise InputError(
            "this is no DXF drawing: it has no sections", file=path, mend="name a DXF file"
        )
    return found, unit


@contextlib.contextmanager
def _foreign_faults(path: Path | str, line: int | None = None) -> Iterator[None]:
    """The library fails in many ways on a damaged file; here it is one sentence."""
    log = logging.getLogger("ezdxf")
    quiet = logging.NullHandler()
    log.addHandler(quiet)  # else its warnings go to the terminal
    try:
        yield
    except (InputError, TooManyChords):
        raise
    except Exception as error:
        raise InputError(
            "this part of the drawing cannot be read" if line else "this DXF cannot be read",
            file=path, row=line, mend="save the drawing as DXF text again",
        ) from error  # fmt: skip
    finally:
        log.removeHandler(quiet)
