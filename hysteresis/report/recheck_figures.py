"""Pictures of a recheck: what moved, and the control charts of all rechecks of one model."""

from __future__ import annotations

from typing import Any

import numpy as np

from hysteresis.recheck.charts import D2, WEIGHT
from hysteresis.recheck.results import WORDS, ControlChart, Judgement, LogRow
from hysteresis.report.drawing import (
    AFTER,
    BEFORE,
    INK,
    QUIET,
    SHADES,
    Picture,
    legend_above,
    new_figure,
    picture,
)
from hysteresis.report.figure_data import stacked
from hysteresis.report.words import plain

_VERDICT_MARK = {"pass": ("o", AFTER["color"]), "watch": ("s", "#8c5494"), "refit": ("^", INK)}


def moved_picture(judgement: Judgement) -> Picture:
    """Every direction as its change in units of its standard uncertainty, blamed ones marked."""
    shifts = judgement.shifts
    figure = new_figure(1.15 + 0.34 * len(shifts))
    axes = figure.subplots()
    axes.axvspan(-2.0, 2.0, color="#d9dee1", alpha=0.8, linewidth=0, zorder=0)
    axes.axvline(0.0, color=QUIET, linewidth=0.9, zorder=1)
    for row, s in enumerate(shifts):
        size = s.value / max(s.standard_error, 1e-12)
        style = BEFORE if s.moved else AFTER
        axes.plot([0.0, size], [row, row], color=style["color"], linewidth=2.0, zorder=2)
        axes.plot(size, row, linestyle="none", marker="D" if s.moved else "o", markersize=6.5,
                  color=style["color"], markeredgecolor=INK if s.moved else "white",
                  markeredgewidth=0.9, zorder=3)  # fmt: skip
        # on the free side, so that it never lies over the bar
        axes.annotate(change_words(s.unit, s.value), (0.0, row),
                      xytext=(-6 if size >= 0 else 6, 0), textcoords="offset points",
                      ha="right" if size >= 0 else "left", va="center", fontsize=8.5,
                      color=INK, zorder=4)  # fmt: skip
    for marked, label in ((False, "not blamed"), (True, "blamed")):
        if any(s.moved == marked for s in shifts):
            style = BEFORE if marked else AFTER
            axes.plot([], [], color=style["color"], marker="D" if marked else "o",
                      markeredgecolor=INK if marked else "white", label=label)  # fmt: skip
    axes.set_yticks(range(len(shifts)), [s.words for s in shifts])
    axes.set_ylim(len(shifts) - 0.4, -0.6)
    reach = 1.15 * max(4.0, *(abs(s.value) / max(s.standard_error, 1e-12) for s in shifts))
    axes.set_xlim(-reach, reach)
    axes.tick_params(axis="y", length=0)
    axes.grid(visible=False, axis="y")
    axes.set_xlabel("change / its standard uncertainty")
    legend_above(figure, 2, axes)
    return picture(
        figure, "moved",
        f"Change of each number of the model against {judgement.against}, in units of its "
        "standard uncertainty; beside it the change itself. Grey: within two.",
        "One bar per number of the model with its change in standard uncertainties",
        stacked(
            {"number": s.words, "change": s.value, "standard_uncertainty": s.standard_error,
             "of_unit": s.unit, "blamed": float(s.moved)}
            for s in shifts
        ),
    )  # fmt: skip


def change_words(unit: str, value: float) -> str:
    """A change with its sign: per cent, or mm."""
    text = f"{value:+.3f} mm" if unit == "mm" else f"{100.0 * value:+.2f} %"
    return text.replace("-", "−")


def name_of_chart(name: str) -> str:
    """What the figure of a chart is called."""
    direction, _, axis = name.rpartition("_")
    if name == "return_mm":
        return "returns to zero off the model, mm"
    unit = ", mm" if direction == "zero_mm" else ", %"
    return f"{WORDS.get(direction, direction)}, {axis}{unit}"


def history_picture(rows: tuple[LogRow, ...]) -> Picture:
    """The error that the change would leave on the path, recheck by recheck."""
    figure = new_figure(3.1)
    axes = figure.subplots()
    number = np.arange(1, len(rows) + 1)
    error = np.array([r.error_mm for r in rows])
    high = np.array([r.error_high_mm for r in rows])
    axes.vlines(number, error, np.maximum(high, error), color=QUIET, linewidth=1.2)
    for verdict, (mark, colour) in _VERDICT_MARK.items():
        mine = np.array([r.verdict == verdict for r in rows])
        if mine.any():
            axes.plot(number[mine], error[mine], linestyle="none", marker=mark, markersize=7,
                      color=colour, markeredgecolor="white", label=verdict, zorder=3)  # fmt: skip
    tolerance = np.array([r.tolerance_mm for r in rows])
    edges = np.append(number - 0.5, number[-1] + 0.5)
    axes.stairs(tolerance, edges, baseline=None, color=INK, linestyle=":", linewidth=1.2,
                label="tolerance")  # fmt: skip
    axes.set_ylim(bottom=0.0)
    _dates(axes, number, [r.date for r in rows])
    axes.set_ylabel("error on the path, mm")
    legend_above(figure, 4, axes)
    return picture(
        figure, "history",
        "What the change would leave on the path (rms) at each recheck, the line up to the upper "
        "end of its 95 % interval, and the verdict as mark. Dotted: the tolerance.",
        "Marks of the error on the path against the rechecks in order of date",
        stacked(
            {"recheck": float(k), "date": r.date, "verdict": r.verdict, "error_mm": r.error_mm,
             "error_high_mm": r.error_high_mm, "tolerance_mm": r.tolerance_mm,
             "temperature_c": r.temperature_c}
            for k, r in enumerate(rows, 1)
        ),
    )  # fmt: skip


def _dates(axes: Any, number: Any, dates: list[str]) -> None:
    """Rechecks at even steps, some of them named by their day."""
    every = max(1, -(-len(dates) // 4))  # more would touch each other
    shown = list(range(0, len(dates), every))
    axes.set_xticks([number[k] for k in shown], [f"{number[k]}\n{dates[k][:10]}" for k in shown])
    axes.set_xlim(number[0] - 0.6, number[-1] + 0.6)
    axes.set_xlabel("recheck")


LIMITS_TOLD = (
    f"The standard deviation is the mean moving range over d₂ = {D2:g} (ASTM E2587, from memory, "
    f"checked by integration); the weighted mean has λ = {WEIGHT:g}. Limits of single values, "
    "moving range and weighted mean are Student's t times it, by Bonferroni over these three rules "
    "and all charts, with the scatter of the centre. Rechecks with a refit make no limits."
)


def chart_pictures(charts: tuple[ControlChart, ...]) -> list[Picture]:
    """Individuals with limits and weighted mean, and the moving range: one picture per figure.

    None before there are limits: the log tells as much.
    """
    return [_chart(chart) for chart in charts if chart.enough]


def _chart(chart: ControlChart) -> Picture:
    times = 1.0 if chart.unit == "mm" else 100.0
    number = np.arange(1, len(chart.values) + 1)
    figure = new_figure(4.1)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2.0, 1.0))
    limit: dict[str, Any] = {"color": INK, "linewidth": 1.1, "linestyle": (0, (5, 2))}
    for k, level in enumerate((chart.low, chart.high)):
        upper.axhline(times * level, label="limits of single values" if k == 0 else None,
                      **limit)  # fmt: skip
    upper.fill_between(number, times * chart.ewma_low, times * chart.ewma_high, step="mid",
                       color="#d9dee1", alpha=0.9, linewidth=0, zorder=0,
                       label="limits of the weighted mean")  # fmt: skip
    lower.axhline(times * chart.range_high, **limit)
    upper.axhline(times * chart.centre, color=QUIET, linewidth=0.9)
    upper.plot(number, times * chart.values, marker="o", markersize=4.8, color=AFTER["color"],
               linewidth=0.9, label="recheck")  # fmt: skip
    upper.plot(number, times * chart.ewma, color=BEFORE["color"], linewidth=1.8,
               linestyle=(0, (3.5, 1.4)), label="weighted mean")  # fmt: skip
    if chart.out.any():
        upper.plot(number[chart.out], times * chart.values[chart.out], linestyle="none",
                   marker="o", markersize=11, markerfacecolor="none", color=INK,
                   markeredgewidth=1.4, label="out of control")  # fmt: skip
    lower.plot(number, times * chart.moving_range, marker="s", markersize=3.6, color=SHADES[3],
               linewidth=0.9)  # fmt: skip
    lower.axhline(times * chart.range_centre, color=QUIET, linewidth=0.9)
    lower.set_ylim(bottom=0.0)
    upper.set_title(name_of_chart(chart.name))
    upper.set_ylabel(f"change, {'mm' if chart.unit == 'mm' else '%'}")
    lower.set_ylabel("moving range")
    _dates(lower, number, list(chart.dates))
    legend_above(figure, 3, upper)
    told = (
        f"Centre {plain(times * chart.centre)}, limits {plain(times * chart.low)} and "
        f"{plain(times * chart.high)}, from the first {chart.baseline} sound values"
    )
    name = name_of_chart(chart.name)
    return picture(
        figure,
        f"chart-{chart.name}",
        f"{name[:1].upper()}{name[1:]}: single values, their weighted mean, and their moving "
        f"range. {told}.",
        f"Control chart of {name} over {len(number)} rechecks",
        stacked([{
            "recheck": number.astype(float), "date": np.array(chart.dates, dtype=object),
            "value": chart.values, "moving_range": chart.moving_range,
            "weighted_mean": chart.ewma, "weighted_mean_low": chart.ewma_low,
            "weighted_mean_high": chart.ewma_high, "centre": chart.centre, "low": chart.low,
            "high": chart.high, "range_high": chart.range_high, "of_unit": chart.unit,
            "out_of_control": chart.out.astype(float),
        }]),
    )  # fmt: skip
