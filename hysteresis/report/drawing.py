"""What all pictures of a report share: colours, line styles, sizes, and how they become PNG.

The colours are chosen to stay apart for colour-blind readers and in grey (light, middle, dark),
and every kind of line has a style and a marker of its own besides.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from io import BytesIO
from typing import Any

INK, QUIET, PAPER, RULE = "#22303a", "#5d6b75", "#ffffff", "#d9dee1"
WANTED: dict[str, Any] = {"color": "#b9c1c6", "linewidth": 3.2, "solid_capstyle": "round"}
BEFORE: dict[str, Any] = {"color": "#cf7a16", "linewidth": 1.3, "linestyle": (0, (3.5, 1.4))}
AFTER: dict[str, Any] = {"color": "#0b3c5d", "linewidth": 1.3, "linestyle": "-"}
BEFORE_MARK, AFTER_MARK = "^", "o"
# light to dark for short to long dwells; markers tell them apart in grey
SHADES = ("#c9a3c4", "#ad77ac", "#8c5494", "#693a7c", "#472560", "#281340", "#120522")
MARKERS = ("s", "D", "v", "P", "X", "p", "<")
DASHES = ("-", (0, (5, 1.5)), (0, (2, 1)), (0, (6, 1.5, 1.2, 1.5)), (0, (1, 1)), "-", (0, (4, 2)))
WIDTH_IN, DPI = 5.6, 190

_STYLE: dict[str, Any] = {
    "font.family": "sans-serif",
    "font.size": 10.5,
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlepad": 7.0,
    "axes.labelsize": 10.5,
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "grid.color": RULE,
    "grid.linewidth": 0.7,
    "text.color": INK,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "legend.fontsize": 9.5,
    "legend.frameon": False,
    "legend.handlelength": 2.6,
    "legend.borderaxespad": 0.2,
    "figure.facecolor": PAPER,
    "axes.facecolor": PAPER,
}


@dataclass(frozen=True)
class Picture:
    """One picture of the report: PNG bytes, its caption, and a text for who cannot see it.

    `data`: the columns behind it, each named with its unit.
    """

    key: str
    png: bytes
    caption: str
    alt: str
    data: Mapping[str, Any] = field(default_factory=dict)


def styled() -> Any:
    """Context in which figures get the report's style; nothing global stays changed."""
    import matplotlib

    style: Any = _STYLE
    return matplotlib.rc_context(style)


def new_figure(height_in: float) -> Any:
    """An empty figure of the report's width."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
    engine: Any = figure.get_layout_engine()
    engine.set(h_pad=0.07, w_pad=0.05)
    return figure


def picture(
    figure: Any, key: str, caption: str, alt: str, data: Mapping[str, Any] | None = None
) -> Picture:
    """The finished figure as PNG, in 128 colours of its own: a third of the size."""
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    figure.set_dpi(DPI)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # once; savefig would draw twice, and write a file that is read again
    out = BytesIO()
    image = Image.fromarray(np.asarray(canvas.buffer_rgba())[..., :3])
    image.quantize(128, dither=Image.Dither.NONE).save(out, format="png", optimize=True)
    return Picture(key, out.getvalue(), caption, alt, data or {})


def legend_above(figure: Any, columns: int, *every: Any) -> None:
    """One legend over the figure for all its axes, each label once and in order of appearance."""
    found: dict[str, Any] = {}
    for axes in every:
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
            found.setdefault(label, handle)
    figure.legend(
        list(found.values()), list(found), loc="outside upper left", ncols=columns,
        columnspacing=1.4,
    )  # fmt: skip


def short_label(text: str, most: int = 20) -> str:
    """A name that leaves room for the picture itself; the whole name stands in the tables."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def plain_log(axis: Any) -> None:
    """Numbers such as 0.1 and 10 on a logarithmic axis instead of powers of ten."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())
