"""Picture of a forecast: the path as a map, the error foretold at each place."""

from __future__ import annotations

from typing import Any

import numpy as np

from hysteresis.compensate.forecast_map import ForecastMap, ten_worst
from hysteresis.report.drawing import (
    INK,
    PAPER,
    QUIET,
    SHADES,
    WANTED,
    Picture,
    legend_above,
    new_figure,
    picture,
    styled,
)
from hysteresis.tables import Bools, Floats

CLASSES = 5
FEWEST = 40  # places of a layer, for it to be drawn alone
SIZES = (10.0, 20.0, 34.0, 54.0, 80.0)  # of dots, points²: larger where more is foretold
COLOURS = (SHADES[0], SHADES[1], SHADES[2], SHADES[3], SHADES[5])


def forecast_picture(told: ForecastMap) -> Picture:
    """Every place a dot, larger and darker the more error is foretold; the worst have numbers."""
    with styled():
        return _drawn(told)


def _drawn(told: ForecastMap) -> Picture:
    layer, shown = _shown(told)
    edges = _edges(told.rms_mm[shown])
    grade = np.clip(np.searchsorted(edges, told.rms_mm, side="right") - 1, 0, len(edges) - 2)
    extent = max(float(np.ptp(told.x_mm)), float(np.ptp(told.y_mm)), 1e-6)
    ratio = float(np.clip(np.ptp(told.y_mm) / max(float(np.ptp(told.x_mm)), 1e-9), 0.4, 1.25))
    figure = new_figure(1.5 + 4.75 * ratio)
    axes = figure.subplots()
    _trace(axes, told.outline, layer)
    # what is worse lies on top, so that no layer hides it
    for number in range(len(edges) - 1):
        mine = (grade == number) & shown
        label = f"{edges[number]:.3f} to {edges[number + 1]:.3f} mm"
        axes.scatter(
            told.x_mm[mine], told.y_mm[mine], s=SIZES[number], color=COLOURS[number],
            edgecolors=PAPER, linewidths=0.4, label=label, zorder=3 + number,
        )  # fmt: skip
    worst = ten_worst(told)
    middle = np.array([told.x_mm.mean(), told.y_mm.mean()])
    for number, place in enumerate(worst, 1):
        _numbered(axes, number, np.array([place.x_mm, place.y_mm]), middle, extent)
    axes.set_aspect("equal", adjustable="datalim")
    axes.margins(0.12)
    axes.set_xlabel("x, mm")
    axes.set_ylabel("y, mm")
    legend_above(figure, 2, axes)
    most = worst[0]
    which = "" if layer is None else f" Layer {layer + 1}, the worst; numbers are of all layers."
    caption = (
        f"Error foretold with compensation, rms at each place: {told.looked_at}.{which} Over all "
        f"{told.whole_rms_mm:.3f} mm; largest at 1, {most.rms_mm:.3f} mm "
        f"({most.low_mm:.3f} to {most.high_mm:.3f} mm in 95 of 100 plays), mostly {most.cause}."
    )
    alt = (
        f"Map of the traced path, {int(shown.sum())} dots in {len(edges) - 1} sizes by the error "
        f"foretold, from {told.rms_mm[shown].min():.3f} to {told.rms_mm[shown].max():.3f} mm, the "
        f"{len(worst)} worst places numbered."
    )
    return picture(figure, "forecast_map", caption, alt)


def _trace(axes: Any, outline: Floats, layer: int | None) -> None:
    """The traced path itself, thin and light, broken where the beam is off."""
    t, x, y = outline[:3] if layer is None else outline[:3, outline[3] == layer]
    if len(t) < 3:
        return
    gaps = np.flatnonzero(np.diff(t) > 1.8 * np.median(np.diff(t))) + 1
    style = WANTED | {"linewidth": 1.4}
    axes.plot(np.insert(x, gaps, np.nan), np.insert(y, gaps, np.nan), zorder=2, **style)


def _shown(told: ForecastMap) -> tuple[int | None, Bools]:
    """The layer to draw and its places: the worst one, or all (None) where it has few places."""
    layers = np.unique(told.layer)
    mean = [float(np.mean(told.rms_mm[told.layer == n])) for n in layers]
    worst = int(layers[int(np.argmax(mean))])
    mine = told.layer == worst
    if len(layers) == 1 or mine.sum() < FEWEST:
        return None, np.ones(len(mine), dtype=bool)
    return worst, mine


def _numbered(axes: Any, number: int, at: Floats, middle: Floats, extent: float) -> None:
    away = at - middle
    length = float(np.hypot(*away))
    turn = away / length if length > 1e-6 * extent else np.array([0.0, 1.0])
    axes.annotate(
        str(number), at, at + 0.075 * extent * turn, color=INK, fontsize=9.5, ha="center",
        va="center", zorder=20, arrowprops={"arrowstyle": "-", "color": QUIET, "linewidth": 0.8},
        bbox={"boxstyle": "circle,pad=0.15", "facecolor": PAPER, "edgecolor": QUIET,
              "linewidth": 0.6},
    )  # fmt: skip


def _edges(values: Floats) -> Floats:
    """Bounds of at most `CLASSES` classes of equal width, each a micrometre or more."""
    low = np.floor(1000.0 * float(values.min())) / 1000.0
    high = np.ceil(1000.0 * float(values.max()) + 1e-9) / 1000.0
    count = int(np.clip(round((high - low) / 0.001), 1, CLASSES))
    return np.linspace(low, max(high, low + 0.001), count + 1)
