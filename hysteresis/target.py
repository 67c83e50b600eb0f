"""The printed target: a field of round dots and rings by which a camera learns the plane.

The marks stand on a square lattice. Which of them are rings follows a fixed rule, another one for
each pitch, so that a part of the field seen from any side tells where on the target it lies, how
it is turned, whether it is mirrored, and in which size it was printed. Discs are used because
their centres are found from many pixels, whatever the light and the focus.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from hysteresis.cautions import CAUTIONS
from hysteresis.errors import InputError
from hysteresis.files import writing
from hysteresis.tables import Bools, Floats, Ints

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PITCHES_MM = (2.0, 5.0, 10.0, 20.0)
DOT, RING, HOLE = 0.21, 0.32, 0.16
"""Radii of a dot, of a ring and of its hole, as parts of the pitch."""
RULER_MM = 100.0
SMALLEST_MM, LARGEST_MM = 16.0, 160.0
REACH = 10
"""The rule of the rings is defined for lattice places from -REACH to REACH."""
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
_FEWEST_CELLS = 8
_MODULUS, _RINGS_OF = 101, 26


@dataclass(frozen=True)
class Target:
    """A target of (2 `half` + 1)² marks, `pitch_mm` apart, zero in the middle one."""

    pitch_mm: float
    half: int

    @property
    def extent_mm(self) -> float:
        """Distance of the middle from the outermost rows."""
        return self.half * self.pitch_mm


@dataclass(frozen=True)
class Marks:
    """Marks of a target: lattice places, mm right and up from the middle, rings."""

    i: Ints
    j: Ints
    x_mm: Floats
    y_mm: Floats
    ring: Bools


def target_for(field_mm: float) -> Target:
    """The target that fills a square field of this side.

    The pitch is the coarsest that leaves eight cells or more along a side. Raises `InputError`
    for a field that does not fit on a page.
    """
    if not SMALLEST_MM <= field_mm <= LARGEST_MM:
        raise InputError(
            "no target of this size can be printed on one page",
            value=field_mm,
            mend=f"choose {SMALLEST_MM:g} to {LARGEST_MM:g} mm",
        )
    pitch = max(p for p in PITCHES_MM if field_mm / p >= _FEWEST_CELLS - 1e-9)
    return Target(pitch, min(int(field_mm / (2.0 * pitch) + 1e-9), REACH))


def is_ring(pitch_mm: float, i: Ints, j: Ints) -> Bools:
    """Whether the mark at lattice place (i right, j up) is a ring; False beyond `REACH`.

    A polynomial modulo a prime scatters the rings. Of 600 rules tried this one keeps the nine by
    nine marks of the middle furthest from every other place, turn, mirror image and pitch: they
    differ in 19 marks or more (the tests count them).
    """
    v = PITCHES_MM.index(pitch_mm)
    i, j = np.asarray(i, dtype=np.int64), np.asarray(j, dtype=np.int64)
    value = 81 * i**3 + 16 * j**2 + 68 * i * j + 52 * i + 74 * j**3
    value = value + 15 * (v + 1) * (i + 3 * j) + 17 * v
    inside = (np.abs(i) <= REACH) & (np.abs(j) <= REACH)
    return np.asarray((value % _MODULUS < _RINGS_OF) & inside)


def marks_of(target: Target) -> Marks:
    """All marks, row by row from the lower left."""
    line = np.arange(-target.half, target.half + 1)
    j, i = (places.ravel() for places in np.meshgrid(line, line, indexing="ij"))
    x, y = (np.asarray(places * target.pitch_mm, dtype=np.float64) for places in (i, j))
    return Marks(i, j, x, y, is_ring(target.pitch_mm, i, j))


def place_on_page_mm(target: Target, paper: str) -> tuple[float, float]:
    """Where the middle mark stands: mm from the left edge and from the upper edge of the page."""
    width, _ = _size_of(paper)
    return width / 2.0 + 6.0, 53.0 + max(target.extent_mm, 25.0)


# ---- printing ----------------------------------------------------------------------------------

_INTRO = (
    "Print at 100 % (not 'fit to page') on matt paper: glossy paper mirrors lamps and the beam. "
    "Glue or tape it flat; a bulge of 1 mm moves marks by tenths of a millimetre.",
    "Measure both check rulers. Each must be 100 mm long; if it is not, print at 100 %, or say "
    "what you measured: hysteresis register RUN --target STILL --ruler-mm ACROSS,UP.",
    "Lay the target in the plane in which the spot will move, x as the first mirror moves it, "
    "photograph it with the camera as it stands for the measurement, beam off or at lowest power.",
)
_LEAST_LINE_MM = 3.7
_LEAST_APART_MM = 8.0  # of the numbers along an edge
_BELOW_MM = 68.0  # what stands below the field: scale, ruler, cautions


def target_page(target: Target, paper: str = "a4") -> Figure:
    """The printed page at true scale, as a figure.

    Raises `InputError` for a paper that is not known or too small.
    """
    from matplotlib.figure import Figure
    from matplotlib.patches import Annulus, Circle

    width, height = _size_of(paper)
    x0, y0 = place_on_page_mm(target, paper)
    if y0 + target.extent_mm + _BELOW_MM > height:
        raise InputError(
            f"a field of {2 * target.extent_mm:g} mm does not fit on this paper",
            value=paper, mend="choose a4, or a field of at most 140 mm",
        )  # fmt: skip
    figure = Figure(figsize=(width / 25.4, height / 25.4), facecolor="white")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(xlim=(0.0, width), ylim=(height, 0.0))
    axes.set_axis_off()
    marks, pitch = marks_of(target), target.pitch_mm
    for x, y, ring in zip(marks.x_mm, marks.y_mm, marks.ring, strict=True):
        at = (x0 + x, y0 - y)
        axes.add_patch(
            Annulus(at, RING * pitch, (RING - HOLE) * pitch, color="black", linewidth=0)
            if ring
            else Circle(at, DOT * pitch, color="black", linewidth=0)
        )
    _words(axes, target, width)
    _scales(axes, target, x0, y0)
    _ruler(axes, x0 - RULER_MM / 2.0, y0 + target.extent_mm + 25.0, across=True)
    _ruler(axes, 15.0, max(y0 - RULER_MM / 2.0, 47.0), across=False)
    below = max(y0 + target.extent_mm + 33.0, 47.0 + RULER_MM + 8.0)
    _cautions(axes, width, height, below)
    return figure


def write_target_pdf(target: Target, path: Path | str, paper: str = "a4") -> None:
    """Write the page to print."""
    from matplotlib.backends.backend_pdf import PdfPages

    page = target_page(target, paper)
    with writing(path) as part, PdfPages(part, metadata={"Title": "Printed target"}) as pdf:
        pdf.savefig(page)


def write_target_png(target: Target, path: Path | str, dpi: float, paper: str = "a4") -> None:
    """Write the page as a picture of `dpi` pixels per inch."""
    page = target_page(target, paper)
    with writing(path) as part:
        page.savefig(part, format="png", dpi=dpi)


def _size_of(paper: str) -> tuple[float, float]:
    if paper not in PAPERS_MM:
        raise InputError(
            "this paper is not known", value=paper,
            mend="write " + " or ".join(PAPERS_MM),
        )  # fmt: skip
    return PAPERS_MM[paper]


def _words(axes: Any, target: Target, width: float) -> None:
    n = 2 * target.half + 1
    axes.text(14.0, 9.0, "Target", fontsize=17, weight="bold", va="top")
    axes.text(
        width - 14.0, 11.0, f"{n} × {n} marks, {target.pitch_mm:g} mm apart: a field of "
        f"{2 * target.extent_mm:g} mm", fontsize=9.5, va="top", ha="right",
    )  # fmt: skip
    y = 17.5
    for number, words in enumerate(_INTRO, start=1):
        for k, line in enumerate(textwrap.wrap(words, 125)):
            axes.text(19.0, y, line, fontsize=8, va="top")
            if k == 0:
                axes.text(14.0, y, f"{number}.", fontsize=8, va="top")
            y += _LEAST_LINE_MM


def _scales(axes: Any, target: Target, x0: float, y0: float) -> None:
    """Numbers along the lower and left edge, and which way x and y go."""
    edge = target.extent_mm + RING * target.pitch_mm + 2.0
    every = int(np.ceil(_LEAST_APART_MM / target.pitch_mm))
    style = {"fontsize": 7.5, "color": "0.25"}
    for k in range(-target.half, target.half + 1):
        if k % every:
            continue
        value = k * target.pitch_mm
        told = f"{value:g}".replace("-", "−")
        axes.text(x0 + value, y0 + edge, told, ha="center", va="top", **style)
        axes.text(x0 - edge, y0 - value, told, ha="right", va="center", **style)
    arrow = {"arrowstyle": "-|>", "color": "black", "linewidth": 1.1}
    low = y0 + edge + 7.5
    span = min(target.extent_mm, 30.0)
    axes.annotate("", (x0 + span, low), (x0, low), arrowprops=arrow)
    axes.text(x0 + span + 2.0, low, "x in mm", fontsize=9, va="center", weight="bold")
    axes.text(x0 - 3.0, low, "this side down", fontsize=9, va="center", ha="right", weight="bold")
    right = x0 + edge + 2.0
    axes.annotate("", (right, y0 - span), (right, y0), arrowprops=arrow)
    axes.text(right, y0 - span - 2.0, "y in mm", fontsize=9, va="bottom", ha="center",
              weight="bold", rotation=90)  # fmt: skip


def _ruler(axes: Any, x: float, y: float, *, across: bool) -> None:
    """A line of exactly RULER_MM with a stroke every 10 mm; (x, y) is its left or upper end."""
    along, aside = (1.0, 0.0) if across else (0.0, 1.0), (0.0, -1.0) if across else (1.0, 0.0)
    thin = {"color": "black", "linewidth": 0.5, "solid_capstyle": "butt"}

    def line(start: float, end: float, out: float, up_to: float) -> None:
        axes.plot(
            [x + along[0] * start + aside[0] * out, x + along[0] * end + aside[0] * up_to],
            [y + along[1] * start + aside[1] * out, y + along[1] * end + aside[1] * up_to],
            **thin,
        )

    line(0.0, RULER_MM, 0.0, 0.0)
    for at in np.arange(0.0, RULER_MM + 1.0, 10.0):
        line(at, at, -2.0 if at in (0.0, RULER_MM) else 0.0, 2.5)
    words = (
        f"measure this {'across' if across else 'up'}: it must be {RULER_MM:g} mm; if not, "
        "print at 100 %"
    )
    if across:
        axes.text(x + RULER_MM / 2, y + 0.7, words, fontsize=8, va="top", ha="center")
    else:
        axes.text(x - 0.7, y + RULER_MM / 2, words, fontsize=8, va="center", ha="right",
                  rotation=90)  # fmt: skip


def _cautions(axes: Any, width: float, height: float, y: float) -> None:
    from matplotlib.patches import Rectangle

    lines = [
        ("• " if k == 0 else "   ") + line
        for words in CAUTIONS
        for k, line in enumerate(textwrap.wrap(words, 118))
    ]
    top = min(y, height - 10.0 - (len(lines) + 1) * _LEAST_LINE_MM)
    axes.text(17.0, top + 1.5, "Cautions", fontsize=9, weight="bold", va="top")
    for k, line in enumerate(lines, start=1):
        axes.text(17.0, top + 2.0 + k * _LEAST_LINE_MM, line, fontsize=7.8, va="top")
    tall = (len(lines) + 1) * _LEAST_LINE_MM + 3.0
    axes.add_patch(Rectangle((14.0, top), width - 28.0, tall, fill=False, linewidth=1.3))
