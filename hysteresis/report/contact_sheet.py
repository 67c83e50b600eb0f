"""The most difficult frames of a film side by side, each with its frame, time and what it is."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from hysteresis.report.drawing import DPI, INK, QUIET, WIDTH_IN, styled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hysteresis.measure.difficult import Difficult
    from hysteresis.measure.film_frames import Picture

COLUMNS = 6
_TITLE_IN, _CELL_IN, _HEAD_IN = 0.42, 1.06, 0.5
_FOUND: dict[str, Any] = {"marker": "o", "s": 120, "facecolors": "none", "linewidths": 1.2}
_OTHER: dict[str, Any] = {"marker": "D", "s": 70, "facecolors": "none", "linewidths": 1.0}


def contact_sheet(difficult: Sequence[Difficult]) -> bytes:
    """PNG of the crops by kind; the spot as found is ringed, other spots bear a diamond.

    Brightness of each crop is stretched to its own darkest and brightest pixel.
    """
    from matplotlib.figure import Figure

    rows = max(-(-len(difficult) // COLUMNS), 1)
    height = _HEAD_IN + rows * (_CELL_IN + _TITLE_IN)
    with styled():
        figure = Figure(figsize=(1.25 * WIDTH_IN, height))
        figure.text(
            0.012, 1 - 0.17 / height, "The most difficult frames of the film", weight="bold",
            va="center", color=INK,
        )  # fmt: skip
        figure.text(
            0.012, 1 - 0.37 / height,
            "ring: the spot as found; diamond: another spot in the picture; dashed frame: not "
            "used. Each stretched to its own contrast.",
            size=7.5, va="center", color=QUIET,
        )  # fmt: skip
        for k, one in enumerate(difficult):
            row, column = divmod(k, COLUMNS)
            bottom = 1 - (_HEAD_IN + row * (_CELL_IN + _TITLE_IN) + _TITLE_IN + _CELL_IN) / height
            axes = figure.add_axes((
                (column + 0.075) / COLUMNS, bottom + 0.04 / height, 0.85 / COLUMNS,
                _CELL_IN / height,
            ))  # fmt: skip
            _cell(axes, one)
        if not difficult:
            figure.text(0.5, 0.3, "none", ha="center")
        out = BytesIO()
        figure.savefig(out, format="png", dpi=DPI)
    return out.getvalue()


def _cell(axes: Any, one: Difficult) -> None:
    axes.grid(False)
    rows, columns = one.crop.shape
    low, high = float(one.crop.min()), max(float(one.crop.max()), float(one.crop.min()) + 8)
    axes.imshow(one.crop, cmap="gray", vmin=low, vmax=high, interpolation="nearest",
                extent=(-0.5, columns - 0.5, rows - 0.5, -0.5))  # fmt: skip
    # a white line on a dark one is seen on any ground, in grey too
    for width, colour in ((2.6, "#000000"), (1.1, "#ffffff")):
        if np.isfinite(one.u_px):
            axes.scatter(one.u_px - one.u0, one.v_px - one.v0,
                         **(_FOUND | {"edgecolors": colour, "linewidths": width}))  # fmt: skip
        if len(one.other_px):
            axes.scatter(one.other_px[:, 0] - one.u0, one.other_px[:, 1] - one.v0,
                         **(_OTHER | {"edgecolors": colour, "linewidths": width}))  # fmt: skip
    axes.set(xlim=(-0.5, columns - 0.5), ylim=(rows - 0.5, -0.5), xticks=[], yticks=[])
    for side in axes.spines.values():
        side.set(visible=True, color=INK if one.used else "#b0b6ba", linewidth=1.2,
                 linestyle="-" if one.used else (0, (3, 2)))  # fmt: skip
    title = f"{one.kind}\n{one.frame}: {one.t_s:.2f} s"
    axes.set_title(title, size=7.5, weight="normal", pad=2.5, linespacing=1.15)


def grey_png(picture: Picture) -> bytes:
    """A grey picture as PNG, as it is: what was seen where nothing could be found."""
    from PIL import Image

    out = BytesIO()
    Image.fromarray(picture).save(out, format="png")
    return out.getvalue()
