"""Pictures of a played job: the path as a map, what is left magnified, the error along it."""

from __future__ import annotations

from typing import Any

import numpy as np

from hysteresis.path_error import PathError
from hysteresis.report.drawing import (
    AFTER,
    AFTER_MARK,
    BEFORE,
    BEFORE_MARK,
    INK,
    QUIET,
    RULE,
    WANTED,
    Picture,
    legend_above,
    new_figure,
    picture,
    plain_log,
)
from hysteresis.report.figure_data import stacked
from hysteresis.tables import Floats
from hysteresis.verify import Verification

_STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000)
_ARROWS = 170
CLOUD = 3000  # points of each cloud, evenly over the traced time
_STRETCH_S = 0.1
_SIDES: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("before", "not compensated", BEFORE),
    ("after", "compensated", AFTER),
)


def played_pictures(played: Verification) -> list[Picture]:
    """All pictures of a played job."""
    out = [_map(played), _error_along(played), _clouds(played)]
    left = _left_over(played)
    return [out[0], *([] if left is None else [left]), *out[1:]]


def _layer_shown(played: Verification) -> int:
    """The layer that came out worst; without compensation where that was played."""
    sizes = {}
    for layer in played.layers:
        figures = layer.before or layer.after
        if figures is not None:
            sizes[layer.layer] = figures.rms_mm
    return max(sizes, key=lambda n: sizes[n])


def _in_layer(played: Verification, error: PathError, layer: int) -> PathError:
    return error.take(played.marks.layer[error.row] == layer)


def _broken(t_s: Floats, *columns: Floats) -> list[Floats]:
    """Columns with a gap (NaN) wherever the trace pauses, so that lines do not bridge it."""
    if len(t_s) < 3:
        return [np.asarray(c) for c in columns]
    step = np.diff(t_s)
    gaps = np.flatnonzero(step > 3.0 * np.median(step) + 0.01) + 1
    return [np.insert(np.asarray(c, dtype=float), gaps, np.nan) for c in columns]


def _magnification(error_mm: float, extent_mm: float) -> int:
    """How often to magnify so that an error is seen: to some 8 % of the picture, not more."""
    wanted = 0.08 * extent_mm / max(error_mm, 1e-9)
    return max((n for n in _STEPS if n <= max(wanted * 1.6, 1.0)), default=1)


def _height_in(error: PathError) -> float:
    """Height at which a map with equal scales about fills the picture."""
    ratio = np.ptp(error.y_mm) / max(float(np.ptp(error.x_mm)), 1e-9)
    return 1.0 + 4.75 * float(np.clip(ratio, 0.4, 1.25))


def _extent(error: PathError) -> float:
    return float(max(np.ptp(error.x_mm), np.ptp(error.y_mm), 1e-3))


def _map(played: Verification) -> Picture:
    layer = _layer_shown(played)
    any_error = played.before or played.after
    assert any_error is not None
    shown = _in_layer(played, any_error, layer)
    worst = (played.before_figures or played.after_figures).q95_mm  # type: ignore[union-attr]
    times = _magnification(worst, _extent(shown))
    figure = new_figure(_height_in(shown))
    axes = figure.subplots()
    x, y = _broken(shown.t_s, shown.x_mm, shown.y_mm)
    axes.plot(x, y, label="wanted", **WANTED)
    data = [{"series": "wanted", "t_s": shown.t_s, "x_mm": shown.x_mm, "y_mm": shown.y_mm}]
    for key, words, style in _SIDES:
        error = getattr(played, key)
        if error is None:
            continue
        mine = _in_layer(played, error, layer)
        x, y = _broken(mine.t_s, mine.x_mm + times * mine.dx_mm, mine.y_mm + times * mine.dy_mm)
        axes.plot(x, y, label=words, **style)
        data.append({"series": words, "t_s": mine.t_s, "x_mm": mine.x_mm + mine.dx_mm,
                     "y_mm": mine.y_mm + mine.dy_mm})  # fmt: skip
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlabel("x, mm")
    axes.set_ylabel("y, mm")
    legend_above(figure, 3, axes)
    count = len(played.layers)
    which = "" if count == 1 else f" Layer {layer + 1} of {count}, the one that came out worst."
    scale = (
        "Drawn to scale." if times == 1 else f"Errors are drawn {times} times as large as they are."
    )
    return picture(
        figure,
        "map",
        f"The traced path: wanted and played.{which} {scale}",
        "Map of the target plane with the wanted path as a broad grey line and the played paths "
        "over it",
        stacked(data),
    )


def _left_over(played: Verification) -> Picture | None:
    """Arrows of the error left with compensation, magnified until they can be seen."""
    if played.after is None or played.after_figures is None:
        return None
    layer = _layer_shown(played)
    mine = _in_layer(played, played.after, layer)
    if not mine.t_s.size:
        return None
    times = _magnification(played.after_figures.q95_mm, _extent(mine))
    passed = np.cumsum(mine.weight_s)
    at = np.unique(np.searchsorted(passed, np.linspace(0.0, passed[-1], _ARROWS, endpoint=False)))
    figure = new_figure(_height_in(mine))
    axes = figure.subplots()
    x, y = _broken(mine.t_s, mine.x_mm, mine.y_mm)
    axes.plot(x, y, label="wanted", **WANTED)
    axes.quiver(
        mine.x_mm[at], mine.y_mm[at], mine.dx_mm[at], mine.dy_mm[at],
        angles="xy", scale_units="xy", scale=1.0 / times, width=0.0042, headwidth=4.0,
        headlength=5.0, color=AFTER["color"], zorder=3,
    )  # fmt: skip
    axes.plot([], [], color=AFTER["color"], marker=">", markersize=5,
              label=f"error left, × {times}")  # fmt: skip
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlabel("x, mm")
    axes.set_ylabel("y, mm")
    legend_above(figure, 2, axes)
    return picture(
        figure,
        "left-over",
        f"What is left with compensation in the same layer. The arrows are {times} times as long "
        "as the errors are.",
        f"Map of the wanted path with arrows of the error left, magnified {times} times",
        {"t_s": mine.t_s[at], "x_mm": mine.x_mm[at], "y_mm": mine.y_mm[at],
         "error_x_mm": mine.dx_mm[at], "error_y_mm": mine.dy_mm[at]},
    )  # fmt: skip


def _error_along(played: Verification) -> Picture:
    figure = new_figure(6.1)
    axes, below = figure.subplots(2, 1, height_ratios=(1.6, 1.0))
    data: list[dict[str, Any]] = []
    for key, words, style in _SIDES:
        error = getattr(played, key)
        if error is not None:
            t, rms = _stretches(error)
            axes.plot(t, rms, label=words, **style | {"linewidth": 1.2})
            shown = np.isfinite(t)
            data.append({"series": words, "t_s": t[shown], "rms_mm": rms[shown]})
    axes.set_yscale("log")
    plain_log(axes.yaxis)
    if played.tolerance_mm is not None:
        axes.axhline(played.tolerance_mm, color=INK, linewidth=1.0, linestyle=":",
                     label=f"tolerance {played.tolerance_mm:g} mm")  # fmt: skip
    for span in played.marks.spans_of("park"):
        axes.axvspan(span.start_s, span.end_s, color=RULE, alpha=0.55, linewidth=0, zorder=0)
    traces = played.marks.spans_of("trace")
    margin = 0.02 * (traces[-1].end_s - traces[0].start_s)
    axes.set_xlim(traces[0].start_s - margin, traces[-1].end_s + margin)
    axes.set_xlabel("time since the drive began, s")
    axes.set_ylabel("error, mm")
    data += _layers(below, played)
    legend_above(figure, 3, axes)
    return picture(
        figure,
        "along",
        f"Error along the path, rms of every {1000 * _STRETCH_S:.0f} ms (grey: the spot is "
        "parked), and rms layer by layer. Both scales are logarithmic.",
        "Distance of the played from the wanted spot against time, and rms error of each layer",
        stacked(data),
    )


def _stretches(error: PathError) -> list[Floats]:
    """Time and rms error of short stretches of the trace, with gaps where it pauses."""
    number = np.floor(error.t_s / _STRETCH_S).astype(np.int64)
    _, which = np.unique(number, return_inverse=True)
    weight = np.bincount(which, error.weight_s)
    t = np.bincount(which, error.weight_s * error.t_s) / weight
    rms = np.sqrt(np.bincount(which, error.weight_s * error.distance_mm**2) / weight)
    return _broken(t, t, np.maximum(rms, 1e-6))


def _layers(axes: Any, played: Verification) -> list[dict[str, Any]]:
    """Rms of each layer; gives what is drawn."""
    data = []
    number = np.array([layer.layer + 1 for layer in played.layers])
    for key, words, style in _SIDES:
        rms = np.array([
            np.nan if getattr(layer, key) is None else getattr(layer, key).rms_mm
            for layer in played.layers
        ])  # fmt: skip
        if np.isfinite(rms).any():
            mark = BEFORE_MARK if key == "before" else AFTER_MARK
            axes.plot(number, rms, label=words, marker=mark, markersize=5.5, **style)
            data.append({"series": f"{words}, by layer", "layer": number, "rms_mm": rms})
    axes.set_yscale("log")
    plain_log(axes.yaxis)
    if played.tolerance_mm is not None:
        axes.axhline(played.tolerance_mm, color=INK, linewidth=1.0, linestyle=":")
    axes.set_xlabel("layer")
    axes.set_ylabel("rms, mm")
    axes.set_xlim(number[0] - 0.5, number[-1] + 0.5)
    if len(number) <= 20:
        axes.set_xticks(number)
    return data


def _clouds(played: Verification) -> Picture:
    """Error vectors as points about the wanted spot: shift and spread at one look."""
    figure = new_figure(3.5)
    panels = figure.subplots(1, 2)
    sizes = {
        key: float(getattr(played, key).distance_mm.max())
        for key, *_ in _SIDES
        if getattr(played, key) is not None
    }
    tolerance = played.tolerance_mm or 0.0
    reaches = (1.05 * max(*sizes.values(), tolerance), 1.25 * max(min(sizes.values()), tolerance))
    for axes, reach in zip(panels, reaches, strict=True):
        _cloud(axes, played, reach)
    panels[0].set_ylabel("error in y, mm")
    panels[1].set_title("the middle, magnified", fontweight="normal")
    legend_above(figure, 3, panels[0])
    circle = "" if played.tolerance_mm is None else " Circle: the tolerance."
    return picture(
        figure,
        "clouds",
        f"Error vectors of the whole trace about the wanted spot; crosses: their means.{circle}",
        "Clouds of error vectors without and with compensation around the wanted spot",
        stacked(_cloud_data(played)),
    )


def _cloud_data(played: Verification) -> list[dict[str, Any]]:
    data = []
    for key, words, _ in _SIDES:
        error, figures = getattr(played, key), getattr(played, f"{key}_figures")
        if error is None:
            continue
        at = _evenly(error.weight_s, CLOUD)
        data.append({"series": words, "t_s": error.t_s[at], "error_x_mm": error.dx_mm[at],
                     "error_y_mm": error.dy_mm[at]})  # fmt: skip
        data.append({"series": f"mean, {words}", "error_x_mm": [figures.mean_x_mm],
                     "error_y_mm": [figures.mean_y_mm]})  # fmt: skip
    return data


def _cloud(axes: Any, played: Verification, reach: float) -> None:
    """Both clouds within ± `reach` mm."""
    for key, words, style in _SIDES:
        error = getattr(played, key)
        if error is None:
            continue
        at = _evenly(error.weight_s, CLOUD)
        mark = BEFORE_MARK if key == "before" else AFTER_MARK
        axes.plot(
            error.dx_mm[at], error.dy_mm[at], linestyle="none", alpha=0.3, rasterized=True,
            marker=mark, markersize=2.6, markeredgewidth=0, color=style["color"],
        )  # fmt: skip
        axes.plot([], [], linestyle="none", marker=mark, markersize=6, color=style["color"],
                  label=words)  # fmt: skip
        figures = getattr(played, f"{key}_figures")
        for color, width in (("white", 4.5), (style["color"], 2.2)):
            axes.plot(figures.mean_x_mm, figures.mean_y_mm, linestyle="none", marker="x",
                      markersize=9, markeredgewidth=width, color=color, zorder=4)  # fmt: skip
    if played.tolerance_mm is not None:
        from matplotlib.patches import Circle

        axes.add_patch(Circle((0.0, 0.0), played.tolerance_mm, fill=False, color=INK,
                              linewidth=1.2, zorder=5))  # fmt: skip
    axes.axhline(0.0, color=QUIET, linewidth=0.8, zorder=1)
    axes.axvline(0.0, color=QUIET, linewidth=0.8, zorder=1)
    axes.set_aspect("equal")
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
    axes.locator_params(nbins=5)
    axes.set_xlabel("error in x, mm")


def _evenly(weight_s: Floats, most: int) -> Any:
    """Places spread evenly over the traced time."""
    passed = np.cumsum(weight_s)
    return np.unique(np.searchsorted(passed, np.linspace(0.0, passed[-1], most, endpoint=False)))
