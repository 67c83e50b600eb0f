"""The reading sheet: a table to fill in, and the same as a page to print.

The printed sheet is A4, one numbered line per reading, with boxes large enough to write in with
gloves on. Where to look is given to the nearest 5 mm only, so that nobody reads what they expect.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from hysteresis.bench import Bench
from hysteresis.cautions import CAUTIONS
from hysteresis.errors import DataError
from hysteresis.files import writing
from hysteresis.optics import nominal_optics, spot_from_deflection
from hysteresis.plan.demands import drives
from hysteresis.plan.readings import READ_S, reading_moments
from hysteresis.tables import Pattern, TypedSheet

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDTH_MM, _HEIGHT_MM, _MARGIN_MM = 210.0, 297.0, 14.0
_ROW_MM = 12.5
_LOOK_MM = 5.0  # the place to look is rounded to this
_LINE_MM = 4.4  # one line of small print
# Left edge and width (mm) of each column, and its heading.
_COLUMNS = (
    (14.0, 12.0, "no."), (26.0, 16.0, "at\nmin:s"), (42.0, 44.0, "what the rig is doing"),
    (86.0, 26.0, "look near\nx, y in mm"), (112.0, 28.0, "x in mm"), (140.0, 28.0, "y in mm"),
    (168.0, 28.0, "note"),
)  # fmt: skip


def reading_sheet(pattern: Pattern) -> TypedSheet:
    """The empty sheet of a reading-steps pattern: times and drives filled in, places left open.

    `t_s` is the moment at which the hold `reading/NNN` ends. Raises `DataError` for a pattern
    without readings.
    """
    names, at = reading_moments(pattern)
    if not names:
        raise DataError(
            "the pattern has no readings, so there is no sheet for it; "
            "plan one with --kind reading-steps"
        )
    both = drives(pattern)
    return TypedSheet(
        reading=np.array([int(name.split("/")[1]) for name in names], np.int64),
        t_s=pattern.t_s[at].copy(),
        drive_x=both[at, 0].copy(),
        drive_y=both[at, 1].copy(),
        x_mm=np.full(len(names), np.nan),
        y_mm=np.full(len(names), np.nan),
        note=np.array([_doing(pattern, int(k)) for k in at], dtype=object),
    )


def sheet_in_tenths(pattern: Pattern) -> TypedSheet:
    """The empty sheet with its moments cut to tenths of a second.

    Rounded up, a moment would lie after its hold, where the spot has moved on.
    """
    sheet = reading_sheet(pattern)
    return replace(sheet, t_s=np.floor(10.0 * sheet.t_s + 1e-6) / 10.0)


def _doing(pattern: Pattern, vertex: int) -> str:
    """What the rig has been doing up to the reading at this vertex, in words."""
    both, t = drives(pattern), pattern.t_s
    moved = np.flatnonzero(np.any(both[: vertex + 1] != both[vertex], axis=1))
    since_s = t[vertex] - t[moved[-1] + 1] if len(moved) else t[vertex]
    if np.any(both[vertex] != 0):
        return f"held for {since_s:.0f} s"
    came_from = pattern.segment[moved[-1]].split("/")[0] if len(moved) else ""
    if came_from == "conditioning":
        return "at zero, after conditioning"
    return f"back at zero for {since_s:.0f} s"


# ---- printing ----------------------------------------------------------------------------------


class _Page:
    """One A4 page on which places are given in mm from the top left corner."""

    def __init__(self) -> None:
        from matplotlib.figure import Figure

        self.figure = Figure(figsize=(_WIDTH_MM / 25.4, _HEIGHT_MM / 25.4), facecolor="white")
        self.axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self.axes.set(xlim=(0.0, _WIDTH_MM), ylim=(_HEIGHT_MM, 0.0))
        self.axes.set_axis_off()

    def text(self, x: float, y: float, words: str, size: float = 9.0, **style: Any) -> None:
        self.axes.text(x, y, words, fontsize=size, **{"va": "top", "color": "black"} | style)

    def box(self, x: float, y: float, width: float, height: float, **style: Any) -> None:
        from matplotlib.patches import Rectangle

        look: dict[str, Any] = {"fill": False, "edgecolor": "black", "linewidth": 0.8} | style
        self.axes.add_patch(Rectangle((x, y), width, height, **look))


def sheet_pages(pattern: Pattern, bench: Bench, title: str = "") -> list[Figure]:
    """The pages of the printed sheet, as figures of A4 size."""
    sheet = reading_sheet(pattern)
    look = where_to_look(sheet, bench)
    pages, page = [], _Page()
    y = _heading(page, pattern, bench, title)
    y = _column_heads(page, y)
    pages.append(page)
    for k in range(len(sheet)):
        if y + _ROW_MM > _HEIGHT_MM - 16.0:
            page = _Page()
            pages.append(page)
            page.text(_MARGIN_MM, 12.0, f"Reading sheet, {bench.name}, unit {bench.unit}", 9.0)
            y = _column_heads(page, 20.0)
        _row(page, y, sheet, k, look[k])
        y += _ROW_MM
    for number, page in enumerate(pages, start=1):
        page.text(
            _WIDTH_MM - _MARGIN_MM, _HEIGHT_MM - 9.0, f"page {number} of {len(pages)}", 8.0,
            ha="right",
        )  # fmt: skip
        page.text(_MARGIN_MM, _HEIGHT_MM - 9.0, "A beam that stands still is dangerous: "
                  "never look along it, read its mark on the target.", 8.0)  # fmt: skip
    return [page.figure for page in pages]


def write_sheet_pdf(pattern: Pattern, bench: Bench, path: Path | str, title: str = "") -> None:
    """Write the printable sheet. Raises `DataError` for a pattern without readings."""
    from matplotlib.backends.backend_pdf import PdfPages

    pages = sheet_pages(pattern, bench, title)
    with writing(path) as part, PdfPages(part, metadata={"Title": "Reading sheet"}) as pdf:
        for page in pages:
            pdf.savefig(page)


def where_to_look(sheet: TypedSheet, bench: Bench) -> list[str]:
    """Where the spot will be, roughly: x, y in mm, to the nearest 5 mm, one text per reading."""
    optics = nominal_optics(bench.optics)
    x_mm, y_mm = spot_from_deflection(sheet.drive_x, sheet.drive_y, optics)
    near = np.round(np.column_stack([x_mm, y_mm]) / _LOOK_MM) * _LOOK_MM + 0.0
    return [f"{x:.0f}, {y:.0f}".replace("-", "−") for x, y in near]


def due(t_s: float) -> str:
    """A moment of the pattern as a clock shows it, min:s."""
    minutes, seconds = divmod(math.floor(t_s), 60)
    return f"{minutes}:{seconds:02d}"


def _heading(page: _Page, pattern: Pattern, bench: Bench, title: str) -> float:
    """Title, boxes about the sitting, how to read, cautions; returns where the table begins."""
    minutes, seconds = divmod(round(float(pattern.t_s[-1])), 60)
    page.text(_MARGIN_MM, 12.0, "Reading sheet", 18.0, weight="bold")
    page.text(
        _MARGIN_MM, 22.0, f"{bench.name}   suspension: {bench.suspension}   unit: {bench.unit}"
        + (f"   run: {title}" if title else "") + f"   takes {minutes} min {seconds:02d} s", 9.5,
    )  # fmt: skip
    y = 29.0
    for k, words in enumerate(("date", "read by", "room / °C", "ruler graduation / mm")):
        page.box(_MARGIN_MM + 45.5 * k, y, 43.5, 12.0)
        page.text(_MARGIN_MM + 45.5 * k + 1.5, y + 1.0, words, 7.5, color="0.35")
    blink = (
        f"the beam blinks once {READ_S:.0f} s before the reading (after a return: at once)"
        if bench.beam.mode == "switched"
        else "follow the time column with a clock started together with the pattern"
    )
    ways = (
        "Fix squared paper or a rule on the target: x to the right and y up, zero where the "
        "spot stands at rest before the start.",
        f"Start the pattern. For each line, {blink}; read the middle of the spot just before "
        "it moves on. A photograph of the paper at that moment is quicker than writing.",
        "Write what you see, to half a graduation, sign included. A missed reading stays empty; "
        "a doubtful one gets a note. 'Look near' is rough on purpose.",
    )
    y += 16.0
    y = _paragraphs(page, y, "How to read", ways)
    return _paragraphs(page, y + 1.5, "Cautions", CAUTIONS, framed=True) + 3.0


def _paragraphs(
    page: _Page, y: float, head: str, texts: tuple[str, ...], framed: bool = False
) -> float:
    """Numbered or framed small print; returns the place below it."""
    top = y
    inset = 3.0 if framed else 0.0
    y += 2.0 if framed else 0.0
    page.text(_MARGIN_MM + inset, y, head, 10.0, weight="bold")
    y += 5.5
    for number, words in enumerate(texts, start=1):
        mark = "•" if framed else f"{number}."
        lines = textwrap.wrap(words, 112 if framed else 116)
        page.text(_MARGIN_MM + inset, y, mark, 8.5)
        for line in lines:
            page.text(_MARGIN_MM + inset + 5.0, y, line, 8.5)
            y += _LINE_MM
    if framed:
        page.box(_MARGIN_MM, top, _WIDTH_MM - 2 * _MARGIN_MM, y + 1.0 - top, linewidth=1.6)
        y += 1.0
    return y


def _column_heads(page: _Page, y: float) -> float:
    for left, width, words in _COLUMNS:
        page.text(left + width / 2.0, y + 8.5, words, 8.5, ha="center", va="bottom", weight="bold")
    return y + 10.0


def _row(page: _Page, y: float, sheet: TypedSheet, k: int, look: str) -> None:
    if k % 2 == 0:
        left, right = _COLUMNS[0][0], _COLUMNS[3][0] + _COLUMNS[3][1]
        page.box(left, y, right - left, _ROW_MM, fill=True, facecolor="0.93", edgecolor="none")
    middle = y + _ROW_MM / 2.0
    cells = (f"{sheet.reading[k]}", due(float(sheet.t_s[k])), str(sheet.note[k]), look)
    sizes = (14.0, 11.0, 9.0, 11.0)
    for (left, width, _), words, size in zip(_COLUMNS[:4], cells, sizes, strict=True):
        page.text(left + width / 2.0, middle, words, size, ha="center", va="center")
    for left, width, _ in _COLUMNS[4:]:
        page.box(left + 0.8, y + 0.8, width - 1.6, _ROW_MM - 1.6)
