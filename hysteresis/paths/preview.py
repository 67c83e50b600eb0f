"""A picture of a toolpath before anything moves: traces, travel, parks, the field and its reach.

A long job is drawn from bounded memory: positions are put on a raster finer than the picture's
own points, and a piece of way between two cells that is there already (as layer upon layer has
it) is drawn once. The picture says so, and where it stopped if even that was too much.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from hysteresis.bench import Bench
from hysteresis.paths.chunk import Chunk
from hysteresis.paths.placement import reach_mm
from hysteresis.tables import Floats, Ints

if TYPE_CHECKING:
    from matplotlib.figure import Figure

TRACE, TRAVEL, PARK, INK, QUIET, FAINT = (
    "#0b3c5d", "#8a6d3b", "#cf7a16", "#22303a", "#5d6b75", "#d9dee1",
)  # fmt: skip
"""Dark blue and ochre differ in lightness too; travel is dashed and thin, parks are triangles."""

CELLS = 4000  # across the field's larger reach, some three times the picture's own points
MOST_PIECES = 300_000  # of one kind: what the picture's maker draws within seconds
MOST_PARKS = 200
PARK_S = 0.2  # a shorter stop with the beam off is a corner of the travel
DPI = 160


@dataclass(frozen=True)
class Drawn:
    """What a picture shows: pieces of way (n, 4) as x, y, x, y in mm, and parks (m, 2).

    `rows` and `last_line` count what went by; `pieces` the pieces of way before thinning;
    `stopped_line` is the line behind which nothing is drawn, None where all is.
    """

    trace: Floats
    travel: Floats
    parks: Floats
    rows: int
    last_line: int
    pieces: int
    stopped_line: int | None

    @property
    def thinned(self) -> bool:
        """Whether fewer pieces are drawn than the path has."""
        return len(self.trace) + len(self.travel) < self.pieces


def drawn(chunks: Iterable[Chunk], bench: Bench) -> Drawn:
    """Go once through a path and keep what a picture can show."""
    cell_mm = 2.0 * max(reach_mm(bench)) / CELLS
    kept = {True: np.empty((0, 5)), False: np.empty((0, 5))}  # x, y, x, y, line
    waiting: dict[bool, list[Floats]] = {True: [], False: []}
    parks: dict[tuple[float, float], None] = {}
    rows = pieces = last_line = 0
    stopped: int | None = None
    for number, chunk in enumerate(chunks):
        path = chunk.polyline
        rows += len(path) - (number > 0)
        last_line = max(last_line, int(chunk.line_of_vertex.max()))
        places = np.column_stack([path.x_mm, path.y_mm])
        ways = np.column_stack([places[:-1], places[1:], chunk.line_of_vertex[1:]])
        moved = (ways[:, :2] != ways[:, 2:4]).any(axis=1)
        pieces += int(moved.sum())
        for on in (True, False):
            if len(kept[on]) <= MOST_PIECES:
                waiting[on].append(_merged(ways[moved & (path.beam[1:] == on)], cell_mm))
                if sum(map(len, waiting[on])) > MOST_PIECES:
                    kept[on] = _once(np.concatenate([kept[on], *waiting[on]]), cell_mm)
                    waiting[on].clear()
        for i in np.flatnonzero(~path.beam & (path.dwell_s >= PARK_S)).tolist():
            if len(parks) < MOST_PARKS:
                parks[(float(path.x_mm[i]), float(path.y_mm[i]))] = None
    for on in (True, False):
        kept[on] = _once(np.concatenate([kept[on], *waiting[on]]), cell_mm)
        if len(kept[on]) > MOST_PIECES:
            line = int(kept[on][MOST_PIECES, 4])
            stopped = line if stopped is None else min(stopped, line)
    trace, travel = (kept[on][:MOST_PIECES, :4] for on in (True, False))
    return Drawn(
        trace, travel, np.array(list(parks)).reshape(-1, 2), rows, last_line, pieces, stopped
    )


def preview(chunks: Iterable[Chunk], bench: Bench, *, title: str = "") -> Figure:
    """A figure of the path in the field, axes in mm, to scale.

    `chunks` as `source.PathSource.chunks` gives them. Save it with `preview_png`, or with
    `figure.savefig` in any format.
    """
    return figure_of(drawn(chunks, bench), bench, title=title)


def preview_png(chunks: Iterable[Chunk], bench: Bench, *, title: str = "") -> bytes:
    """The same as a PNG file's bytes."""
    out = BytesIO()
    preview(chunks, bench, title=title).savefig(out, format="png", dpi=DPI)
    return out.getvalue()


def figure_of(what: Drawn, bench: Bench, *, title: str = "") -> Figure:
    """The figure of what `drawn` kept."""
    from matplotlib.collections import LineCollection
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

    figure = Figure(figsize=(6.4, 6.9), layout="constrained")
    axes: Any = figure.add_subplot()
    full = (bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm)
    for (half_x, half_y), style, label in (
        (full, "-", "field (full scale)"), (reach_mm(bench), (0, (6, 2)), "reach of the drive"),
    ):  # fmt: skip
        axes.add_patch(Rectangle(
            (-half_x, -half_y), 2 * half_x, 2 * half_y, fill=False, edgecolor=QUIET,
            linewidth=0.9, linestyle=style, label=label, zorder=1,
        ))  # fmt: skip
    for ways, colour, width, style, label, order in (
        (what.travel, TRAVEL, 0.6, (0, (3, 2)), "travel, beam off", 2),
        (what.trace, TRACE, 1.0, "-", "trace, beam on", 3),
    ):
        if len(ways):
            axes.add_collection(LineCollection(
                list(ways.reshape(-1, 2, 2)), colors=colour, linewidths=width, linestyles=[style],
                label=label, zorder=order,
            ))  # fmt: skip
    if len(what.parks):
        axes.plot(
            what.parks[:, 0], what.parks[:, 1], "^", color=PARK, markeredgecolor=INK,
            markersize=7, label="park, beam off", zorder=4,
        )  # fmt: skip
    axes.set(
        xlim=(-1.06 * full[0], 1.06 * full[0]), ylim=(-1.06 * full[1], 1.06 * full[1]),
        xlabel="x in mm", ylabel="y in mm", aspect="equal",
    )  # fmt: skip
    axes.grid(True, color=FAINT, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.set_title(title, loc="left", fontsize=10.5, fontweight="bold", color=INK)
    figure.legend(loc="outside upper left", ncols=3, frameon=False, fontsize=9)
    figure.text(0.01, 0.006, said(what), fontsize=8, color=QUIET, wrap=True, va="bottom")
    axes.set_xlabel("x in mm\n\n")  # room for the line at the foot
    return figure


def said(what: Drawn) -> str:
    """The line at the foot of the picture: how much went by, and what is not drawn."""
    text = f"{what.rows} positions, up to line {what.last_line}"
    if what.thinned:
        shown = len(what.trace) + len(what.travel)
        text += (
            f"; {shown} of {what.pieces} pieces of way drawn: those finer than the picture shows "
            "are joined, and each is drawn once"
        )
    if what.stopped_line is not None:
        text += f"; from line {what.stopped_line} on not all is drawn"
    return text + "."


def _merged(ways: Floats, cell_mm: float) -> Floats:
    """Pieces shorter than a cell joined with those that follow them without a gap."""
    if len(ways) < 2:
        return ways
    cells = _cells(ways, cell_mm)
    # a run of pieces that follow each other and end in one cell becomes one piece
    follows = (ways[1:, :2] == ways[:-1, 2:4]).all(axis=1)
    same = (cells[1:, 2:] == cells[:-1, 2:]).all(axis=1)
    begins = np.concatenate([[True], ~(follows & same)])
    first = np.flatnonzero(begins)
    last = np.append(first[1:], len(ways)) - 1
    return np.column_stack([ways[first, :2], ways[last, 2:4], ways[first, 4]])


def _once(ways: Floats, cell_mm: float) -> Floats:
    """Each piece between two cells once, whichever way it runs, in the order of the path."""
    cells = _cells(ways, cell_mm) + 4 * CELLS
    a = cells[:, 0] * (16 * CELLS) + cells[:, 1]
    b = cells[:, 2] * (16 * CELLS) + cells[:, 3]
    low, high = np.minimum(a, b), np.maximum(a, b)
    order = np.lexsort((high, low))  # stable: the first of equal ones stays the first
    fresh = np.ones(len(ways), dtype=bool)
    fresh[1:] = (low[order][1:] != low[order][:-1]) | (high[order][1:] != high[order][:-1])
    return ways[np.sort(order[fresh])]


def _cells(ways: Floats, cell_mm: float) -> Ints:
    return np.clip(np.round(ways[:, :4] / cell_mm), -2 * CELLS, 2 * CELLS).astype(np.int64)
