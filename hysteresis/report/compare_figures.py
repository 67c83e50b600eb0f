"""Pictures of a comparison: units as dots with intervals, loops and recoveries on equal axes."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import Any

import numpy as np

from hysteresis.compare.results import (
    ComparedRun,
    Comparison,
    DesignFigure,
    FigureComparison,
    OnPath,
)
from hysteresis.loops import QUICK, STRAY
from hysteresis.report.compare_tables import figure_name
from hysteresis.report.drawing import (
    AFTER,
    BEFORE,
    DASHES,
    INK,
    QUIET,
    SHADES,
    Picture,
    legend_above,
    new_figure,
    picture,
    plain_log,
    short_label,
)
from hysteresis.report.figure_data import stacked
from hysteresis.report.measured_figures import loops_of

MOST_PANELS, COLUMNS = 12, 3
TITLE_SIGNS = 30  # of a line above one of two panels side by side
LEAST_EXCURSION = 0.05  # of full scale: a share of less is noise
_LOOK = {"unit": AFTER["color"], "interval": "#8fb0c6"}


def path_picture(path: OnPath) -> Picture:
    """The deciding figure: error on the own path of every design, plain and compensated."""
    names = [
        f"{short_label(v.suspension)}\n{'compensated' if v.compensated else 'plain'}"
        for v in path.variants
    ]
    figure = new_figure(1.0 + 0.5 * len(names))
    axes = figure.subplots()
    for row, variant in enumerate(path.variants):
        style = AFTER if variant.compensated else BEFORE
        _design(axes, row, variant.figure, style["color"], "o" if variant.compensated else "^")
    axes.axvline(path.tolerance_mm, color=INK, linewidth=1.1, linestyle=":",
                 label=f"tolerance {path.tolerance_mm:g} mm")  # fmt: skip
    _rows(axes, names)
    axes.set_xscale("log")
    plain_log(axes.xaxis)
    axes.xaxis.set_major_locator(_few(True))
    axes.set_xlabel("error on the path, rms mm (foretold)")
    _marks(axes, "one unit, compensated")
    axes.plot([], [], linestyle="none", marker="^", color=BEFORE["color"], markersize=5.0,
              label="one unit, plain")  # fmt: skip
    legend_above(figure, 2, axes)
    data = [
        row | {"treatment": "compensated" if v.compensated else "plain"}
        for v in path.variants
        for row in _data(v.figure, "error on the path", "mm")
    ]
    return picture(
        figure, "on-path",
        "Error on the person's own path, foretold by the model of every run: each mark is one "
        "unit (triangle: plain, disc: compensated), the broad line the mean over units with its "
        "interval. Dotted: the tolerance. The scale is logarithmic.",
        "One row per design and treatment with the units as marks and the mean's interval as a "
        "line",
        stacked(data),
    )  # fmt: skip


def dots_picture(key: str, figures: Sequence[FigureComparison], left_out: int = 0) -> Picture:
    """One panel per figure, one row per design: units as dots, the mean with its interval."""
    columns = 1 if len(figures) == 1 else 2
    rows = -(-len(figures) // columns)
    most = max(len(f.designs) for f in figures)
    figure = new_figure(0.55 + rows * (0.72 + 0.3 * most))
    panels = np.atleast_1d(figure.subplots(rows, columns, squeeze=False)).ravel()
    for panel in panels[len(figures) :]:
        panel.set_visible(False)
    data: list[dict[str, Any]] = []
    for number, (one, axes) in enumerate(zip(figures, panels, strict=False)):
        for row, design in enumerate(one.designs):
            _design(axes, row, design, AFTER["color"], "o")
            data += _data(design, one.key, one.definition.unit, one.axis)
        names = [short_label(d.suspension) for d in one.designs]
        _rows(axes, names if number % columns == 0 else ["" for _ in names])
        if one.scale == "log":
            axes.set_xscale("log")
            plain_log(axes.xaxis)
        axes.xaxis.set_major_locator(_few(one.scale == "log"))
        unit = "" if one.definition.unit == "1" else f", {one.definition.unit}"
        axis = "" if one.axis == "xy" else f" of {one.axis}"
        title = fill(
            f"{figure_name(one.definition)}{axis}{unit}", TITLE_SIGNS if columns > 1 else 70
        )
        axes.set_title(title, fontsize=9.0, fontweight="normal")
    _marks(panels[0])
    legend_above(figure, 2, panels[0])
    more = "" if not left_out else f" {left_out} further figures stand in the table."
    return picture(
        figure, key,
        "Designs by figure: each dot is one unit (the mean of its runs) with its standard "
        "uncertainty, the broad line the mean over units with its interval; one unit alone has "
        f"none.{more}",
        "Small panels, one per figure, with one row per design showing its units as dots",
        stacked(data),
    )  # fmt: skip


def _few(logarithmic: bool) -> Any:
    from matplotlib.ticker import LogLocator, MaxNLocator

    return LogLocator(subs=(1.0, 2.0, 5.0), numticks=5) if logarithmic else MaxNLocator(4)


def _design(axes: Any, row: int, design: DesignFigure, colour: str, mark: str) -> None:
    if np.isfinite(design.low) and np.isfinite(design.high):
        axes.plot([design.low, design.high], [row, row], color=_LOOK["interval"], linewidth=5.5,
                  solid_capstyle="butt", zorder=2)  # fmt: skip
        axes.plot(design.mean, row, linestyle="none", marker="|", markersize=13, color=INK,
                  markeredgewidth=1.6, zorder=3)  # fmt: skip
    spread = np.linspace(-0.2, 0.2, len(design.units)) if len(design.units) > 1 else [0.0]
    for unit, offset in zip(design.units, spread, strict=True):
        # a bar that would reach beyond zero cannot be drawn on a logarithmic axis
        half = unit.u if np.isfinite(unit.u) and (unit.value <= 0 or unit.u < unit.value) else 0.0
        axes.errorbar(
            unit.value, row + offset, xerr=half, color=colour, marker=mark, markersize=4.6,
            elinewidth=0.9, markeredgecolor="white", markeredgewidth=0.5, linestyle="none",
            zorder=4,
        )  # fmt: skip


def _marks(axes: Any, unit: str = "one unit") -> None:
    axes.plot([], [], color=_LOOK["interval"], linewidth=5.5, label="mean and its interval")
    axes.plot([], [], linestyle="none", marker="o", color=AFTER["color"], markersize=4.6,
              label=unit)  # fmt: skip


def _rows(axes: Any, names: Sequence[str]) -> None:
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.45, -0.55)
    axes.tick_params(axis="y", length=0)
    axes.grid(visible=False, axis="y")


def _data(design: DesignFigure, key: str, unit: str, axis: str = "xy") -> list[dict[str, Any]]:
    shared = {"figure": key, "axis": axis, "of_unit": unit, "suspension": design.suspension}
    units = [
        shared | {"series": f"unit {u.unit}", "value": u.value, "standard_uncertainty": u.u}
        for u in design.units
    ]
    mean = {"series": "mean", "value": design.mean, "low": design.low, "high": design.high}
    return [*units, shared | mean]


# ---- small multiples ---------------------------------------------------------------------------


def _shown(runs: Sequence[ComparedRun]) -> list[ComparedRun]:
    """At most `MOST_PANELS` runs: the first run of each unit, the designs in turn."""
    first = {(r.suspension, r.unit): r for r in reversed(runs)}
    by_design: dict[str, list[ComparedRun]] = {}
    for run in runs:
        if first[(run.suspension, run.unit)] is run:
            by_design.setdefault(run.suspension, []).append(run)
    kept: list[ComparedRun] = []
    for turn in range(max((len(found) for found in by_design.values()), default=0)):
        kept += [found[turn] for found in by_design.values() if turn < len(found)]
    kept = kept[:MOST_PANELS]
    return [run for found in by_design.values() for run in found if run in kept]


def _panels(runs: Sequence[ComparedRun]) -> tuple[Any, Any]:
    columns = min(COLUMNS, len(runs))
    rows = -(-len(runs) // columns)
    figure = new_figure(0.75 + 1.75 * rows)
    every = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    for panel in every.ravel()[len(runs) :]:
        panel.set_visible(False)
    for run, panel in zip(runs, every.ravel(), strict=False):
        # the end of a label tells units apart
        label = f"{short_label(run.suspension, 18)} {short_label(run.unit, 6)}"
        panel.set_title(label, fontsize=9.0)
    return figure, every


def _left(shown: int, all_runs: int) -> str:
    return "" if shown == all_runs else f" {shown} of {all_runs} runs are shown, units in turn."


def loops_picture(found: Comparison) -> tuple[Picture, ...]:
    """The slowest sweep of every run, less its straight line, all on the same axes."""
    runs = [r for r in _shown(found.runs) if any(r.lines.values()) and r.loops]
    if not runs:
        return ()
    figure, every = _panels(runs)
    data: list[dict[str, Any]] = []
    styles = {"x": {"color": SHADES[5], "linestyle": "-"},
              "y": {"color": BEFORE["color"], "linestyle": (0, (3, 1.2))}}  # fmt: skip
    for run, axes in zip(runs, every.ravel(), strict=False):
        for axis, style in styles.items():
            line = run.lines.get(axis)
            if line is None:
                continue
            for loop in loops_of(run.loops, axis, "slow sweep"):
                off = 100.0 * line.departure(loop.drive, loop.deflection_fs)
                keep = (loop.run != STRAY) & (loop.run != QUICK)
                axes.plot(100.0 * loop.drive[keep], off[keep], linewidth=1.2,
                          label=f"axis {axis}", **style)  # fmt: skip
                data.append({
                    "run": run.label, "suspension": run.suspension, "unit": run.unit,
                    "axis": axis, "drive_percent": 100.0 * loop.drive[keep],
                    "off_the_line_percent_fs": off[keep],
                })  # fmt: skip
        axes.axhline(0.0, color=QUIET, linewidth=0.7)
    if not data:
        return ()
    figure.supxlabel("drive, % of full scale", fontsize=10.5)
    figure.supylabel("off the straight line, % of full scale", fontsize=10.5)
    legend_above(figure, 2, *every.ravel())
    return (
        picture(
            figure, "loops",
            "The slowest sweep of each run, its straight line taken off, all on the same axes: "
            f"the wider, the more it remembers.{_left(len(runs), len(found.runs))}",
            "Small panels of hysteresis loops, one per run, on equal axes",
            stacked(data),
        ),
    )  # fmt: skip


def recovery_picture(found: Comparison) -> tuple[Picture, ...]:
    """Recoveries after the returns to zero as shares of the excursion, all on the same axes."""
    runs = [r for r in _shown(found.runs) if r.recoveries]
    if not runs:
        return ()
    full = {"x": found.optics.full_scale_x_mm, "y": found.optics.full_scale_y_mm}
    dwells = sorted({float(f"{c.dwell_s:.1g}") for r in runs for c in r.recoveries})
    order = np.linspace(0, len(SHADES) - 2, len(dwells)).round().astype(int)
    look = dict(zip(dwells, order.tolist(), strict=True))
    figure, every = _panels(runs)
    data: list[dict[str, Any]] = []
    for run, axes in zip(runs, every.ravel(), strict=False):
        for curve in run.recoveries:
            if abs(curve.excursion_fs) < LEAST_EXCURSION:
                continue
            k = look[float(f"{curve.dwell_s:.1g}")]
            share = 100.0 * curve.error_mm / (curve.excursion_fs * full[curve.axis])
            axes.plot(curve.after_s, share, color=SHADES[k], linestyle=DASHES[k], linewidth=1.0)
            data.append({
                "run": run.label, "suspension": run.suspension, "unit": run.unit,
                "axis": curve.axis, "excursion_percent_drive": 100.0 * curve.excursion_fs,
                "dwell_s": curve.dwell_s, "after_s": curve.after_s,
                "left_percent_of_excursion": share,
            })  # fmt: skip
        axes.axhline(0.0, color=QUIET, linewidth=0.7)
        axes.set_xscale("log")
    if not data:
        return ()
    plain_log(every[0, 0].xaxis)
    for dwell, k in look.items():
        every[0, 0].plot([], [], color=SHADES[k], linestyle=DASHES[k],
                         label=f"held about {dwell:g} s")  # fmt: skip
    figure.supxlabel("time since the drive came back to zero, s", fontsize=10.5)
    figure.supylabel("left, % of the excursion", fontsize=10.5)
    legend_above(figure, 3, every[0, 0])
    return (
        picture(
            figure, "recoveries",
            "Recovery after every return to zero of both axes, as a share of the excursion, all "
            "on the same axes. The time axis is logarithmic: a straight fall is creep, what stays "
            f"is friction memory.{_left(len(runs), len(found.runs))}",
            "Small panels of recovery curves, one per run, on equal axes",
            stacked(data),
        ),
    )  # fmt: skip
