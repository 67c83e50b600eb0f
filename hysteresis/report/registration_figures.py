"""Pictures of a registration: what is left at the marks; what was seen where none was found."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import numpy as np

from hysteresis.measure.registration import MarksLeft, Registration
from hysteresis.measure.target_blobs import Blobs, Picture
from hysteresis.report.drawing import (
    AFTER,
    BEFORE,
    DPI,
    INK,
    PAPER,
    QUIET,
    RULE,
    WIDTH_IN,
    new_figure,
    styled,
)
from hysteresis.tables import Floats, Ints

_STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000)
_LONGEST_PX = 1400


def registration_png(registration: Registration) -> bytes:
    """Errors at the marks as arrows, magnified, over the standard uncertainty of places.

    ValueError for a registration without marks or without known uncertainty.
    """
    left, known = registration.left, registration.known
    if left is None or known is None:
        raise ValueError("nothing to draw")
    with styled():
        figure = new_figure(5.9)
        axes = figure.subplots()
        mm = left.mm
        reach = max(float(np.ptp(mm, axis=0).max()), 1e-6)
        low, high = mm.min(axis=0) - 0.08 * reach, mm.max(axis=0) + 0.08 * reach
        low[1] -= 0.06 * reach  # room for the scale of the arrows
        x, y, sigma = _sigma_map(registration, low, high)
        shade = axes.contourf(1000.0 * sigma, levels=8, cmap="Greys", alpha=0.55,
                              extent=(x[0], x[-1], y[0], y[-1]))  # fmt: skip
        figure.colorbar(shade, ax=axes, shrink=0.8, pad=0.02,
                        label="standard uncertainty of a place in µm, scale aside")  # fmt: skip
        _arrows(axes, left, reach)
        axes.set(xlabel="x in mm", ylabel="y in mm", xlim=(low[0], high[0]),
                 ylim=(low[1], high[1]), aspect="equal")  # fmt: skip
        axes.set_title(
            f"What is left at {registration.fiducials} marks: {registration.residual_mm:.2g} mm, "
            f"{registration.residual_px:.2g} px"
        )
        return _png(figure)


def seen_png(picture: Picture, blobs: Blobs, numbered: Ints) -> bytes:
    """What was seen where no target could be used: outlines of what looks like marks."""
    grey = np.asarray(picture, dtype=float)
    grey = grey[..., :3].mean(axis=2) if grey.ndim == 3 else grey
    step = max(1, int(np.ceil(max(grey.shape) / _LONGEST_PX)))
    with styled():
        # as high as the picture asks for, and room for title, axis and legend
        figure = new_figure(min(0.86 * WIDTH_IN * grey.shape[0] / grey.shape[1] + 1.1, 9.0))
        axes = figure.subplots()
        # from black, so that an even picture looks even
        axes.imshow(grey[::step, ::step], cmap="gray", vmin=0.0, vmax=max(float(grey.max()), 1.0),
                    extent=(-0.5, grey.shape[1] - 0.5, grey.shape[0] - 0.5, -0.5))  # fmt: skip
        axes.grid(False)
        is_numbered = np.isin(np.arange(len(blobs)), numbered)
        for ring, word in ((False, "dots"), (True, "rings")):
            for of_lattice, style in ((True, AFTER), (False, BEFORE)):
                rows = np.flatnonzero((blobs.ring == ring) & (is_numbered == of_lattice))
                if not len(rows):
                    continue
                place = "on a lattice" if of_lattice else "on no lattice"
                look = {"linestyle": "", "marker": "D" if ring else "o", "markersize": 6,
                        "fillstyle": "none"}  # fmt: skip
                axes.plot(*blobs.px[rows].T, color="white", markeredgewidth=3.2, **look)
                axes.plot(
                    *blobs.px[rows].T, markeredgewidth=1.4,
                    color=style["color"] if of_lattice else "#cf7a16",
                    label=f"{len(rows)} {word} {place}", **look,
                )  # fmt: skip
        axes.set(xlabel="u in px", ylabel="v in px")
        axes.set_title("What was seen of a target" if len(blobs) else "No mark of a target is seen")
        if len(blobs):
            figure.legend(loc="outside lower center", ncols=2)
        return _png(figure)


def _sigma_map(
    registration: Registration, low: Floats, high: Floats
) -> tuple[Floats, Floats, Floats]:
    x, y = np.linspace(low[0], high[0], 31), np.linspace(low[1], high[1], 31)
    xx, yy = np.meshgrid(x, y)
    px = registration.px_of(xx.ravel(), yy.ravel())
    sigma = registration.place_sigma_mm(*px, scale=False)
    return x, y, np.linalg.norm(sigma, axis=1).reshape(xx.shape)


def _arrows(axes: Any, left: MarksLeft, reach: float) -> None:
    used, length = left.used, np.linalg.norm(left.error_mm, axis=1)
    wanted = 0.06 * reach / max(float(np.quantile(length[used], 0.9)), 1e-9)
    times = max((n for n in _STEPS if n <= max(wanted, 1.0)), default=1)
    axes.plot(*left.mm[used].T, linestyle="", marker="o", markersize=2.6, color=QUIET)
    axes.quiver(
        *left.mm[used].T, *(times * left.error_mm[used].T), angles="xy", scale_units="xy", scale=1,
        width=0.0035, color=AFTER["color"],
    )  # fmt: skip
    if not used.all():
        axes.plot(*left.mm[~used].T, linestyle="", marker="x", markersize=8, markeredgewidth=2,
                  color=BEFORE["color"], label="set aside")  # fmt: skip
        axes.legend(loc="upper right", facecolor=PAPER, framealpha=0.9, frameon=True)
    size = _round_length(0.06 * reach / times)
    x0, y0 = left.mm[:, 0].min(), left.mm[:, 1].min() - 0.1 * reach
    axes.plot([x0, x0 + size * times], [y0, y0], color=INK, linewidth=2.2)
    axes.text(x0 + size * times + 0.012 * reach, y0, f"{1000.0 * size:g} µm (arrows {times} times "
              "their size)", va="center", fontsize=9,
              bbox={"facecolor": PAPER, "edgecolor": RULE, "pad": 1.5})  # fmt: skip


def _round_length(value: float) -> float:
    power = 10.0 ** np.floor(np.log10(value))
    return float(max(m for m in (1.0, 2.0, 5.0) if m * power <= value * (1 + 1e-9)) * power)


def _png(figure: Any) -> bytes:
    out = BytesIO()
    figure.savefig(out, format="png", dpi=DPI)
    return out.getvalue()
