"""Pictures of a recording and of a fit: returns to zero, recovery, loops, residuals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from hysteresis.findings import Findings, Measured
from hysteresis.loops import QUICK, STRAY, Loop
from hysteresis.metrics import AXES, ReturnToZero
from hysteresis.path_error import StartError
from hysteresis.report.drawing import (
    AFTER,
    AFTER_MARK,
    BEFORE,
    BEFORE_MARK,
    DASHES,
    MARKERS,
    QUIET,
    SHADES,
    Picture,
    legend_above,
    new_figure,
    picture,
    plain_log,
)
from hysteresis.report.figure_data import stacked
from hysteresis.tables import Floats
from hysteresis.verify import Verification


def measured_pictures(measured: Measured) -> list[Picture]:
    """Pictures of the recording, as far as its pattern shows something."""
    out = []
    if measured.returns:
        out += [_against_excursion(measured, None), _against_dwell(measured)]
    if measured.recoveries:
        out.append(_recovery(measured))
    if any(measured.lines.values()):
        out.append(_loops(measured))
    return out


def start_pictures(findings: Findings) -> list[Picture]:
    """Where traces of the played job begin after a park, among the returns to zero."""
    measured, played = findings.measured, findings.played
    if measured is None or not measured.returns or played is None:
        return []
    if not (played.starts_before or played.starts_after):
        return []
    return [_against_excursion(measured, played)]


def _dwells(values: list[float]) -> dict[float, int]:
    """Dwells rounded to two digits, with the number of shade and marker of each."""
    rounded = sorted({_two_digits(v) for v in values})
    if len(rounded) <= len(SHADES):
        return {v: k for k, v in enumerate(rounded)}
    place = np.linspace(0, len(SHADES) - 1, len(rounded)).round().astype(int)
    return {v: int(k) for v, k in zip(rounded, place, strict=True)}


def _two_digits(value: float) -> float:
    return float(f"{value:.2g}")


def _axes_present(measured: Measured) -> list[str]:
    return [axis for axis in AXES if any(r.axis == axis for r in measured.returns)]


def _second_scale(axes: Any, full_scale_mm: float) -> None:
    """The same heights in per cent of full scale, at the right."""
    side = axes.secondary_yaxis(
        "right",
        functions=(lambda mm: 100.0 * mm / full_scale_mm, lambda p: p * full_scale_mm / 100.0),
    )
    side.set_ylabel("% of full scale")
    side.spines["right"].set_visible(False)


def _against_excursion(measured: Measured, played: Verification | None) -> Picture:
    shown = _axes_present(measured)
    dwells = _dwells([r.dwell_s for r in measured.returns])
    data: list[dict[str, Any]] = []
    figure = new_figure(0.9 + 2.75 * len(shown))
    every = np.atleast_1d(figure.subplots(len(shown), 1, sharex=True))
    for axis, axes in zip(shown, every, strict=True):
        mine = [r for r in measured.returns if r.axis == axis]
        for dwell, k in dwells.items():
            rows = [r for r in mine if _two_digits(r.dwell_s) == dwell]
            if rows:
                axes.errorbar(
                    [100 * r.excursion_fs for r in rows], [r.first.error_mm for r in rows],
                    yerr=[2 * r.first.u_mm for r in rows], color=SHADES[k], linestyle="none",
                    marker=MARKERS[k], markersize=6.0, elinewidth=1.2, label=f"held {dwell:g} s",
                )  # fmt: skip
        axes.axhline(0.0, color=QUIET, linewidth=0.9)
        axes.axvline(0.0, color=QUIET, linewidth=0.9)
        axes.set_ylabel(f"error of {axis}, mm")
        full_scale = mine[0].full_scale_mm
        data += [
            {"axis": axis, "series": "return to zero", "dwell_s": r.dwell_s,
             "excursion_percent_drive": 100 * r.excursion_fs, "wait_s": r.first.wait_s,
             "error_mm": r.first.error_mm, "standard_uncertainty_mm": r.first.u_mm}
            for r in mine
        ]  # fmt: skip
        if played is not None:
            data += _played_starts(axes, played, axis, full_scale)
        _second_scale(axes, full_scale)
    every[-1].set_xlabel("excursion, % of full drive")
    legend_above(figure, 3, *every)
    tail = (
        " Triangles and discs: where the played job begins to trace after a park, against the "
        "excursion to that park."
        if played is not None
        else ""
    )
    return picture(
        figure,
        "excursion" if played is None else "starts",
        f"Return-to-zero error against excursion, {_waits(measured.returns)}. Bars: ± 2 standard "
        f"uncertainties.{tail}",
        "Return-to-zero error in mm against the excursion for each dwell, one panel per axis",
        stacked(data),
    )


def _waits(returns: tuple[ReturnToZero, ...]) -> str:
    waits = [r.first.wait_s for r in returns]
    low, high = min(waits), max(waits)
    if high - low < 0.1:
        return f"read {np.mean(waits):.1f} s after the return"
    return f"read {low:.1f} to {high:.1f} s after the return"


def _played_starts(
    axes: Any, played: Verification, axis: str, full_scale_mm: float
) -> list[dict[str, Any]]:
    """Where the played job begins to trace after a park, on the same axes; what is drawn."""
    data: list[dict[str, Any]] = []
    for starts, style, mark, words in (
        (played.starts_before, BEFORE, BEFORE_MARK, "job, not compensated"),
        (played.starts_after, AFTER, AFTER_MARK, "job, compensated"),
    ):
        if starts:
            axes.errorbar(
                [100 * _part(s, "excursion", axis) / full_scale_mm for s in starts],
                [_part(s, "d", axis) for s in starts],
                linestyle="none", marker=mark, markersize=8.5, color=style["color"],
                markeredgecolor="white", markeredgewidth=1.0, label=words, zorder=5,
            )  # fmt: skip
            data += [
                {"axis": axis, "series": words, "error_mm": _part(s, "d", axis),
                 "excursion_percent_drive": 100 * _part(s, "excursion", axis) / full_scale_mm}
                for s in starts
            ]  # fmt: skip
    return data


def _part(start: StartError, what: str, axis: str) -> float:
    name = f"d{axis}_mm" if what == "d" else f"excursion_{axis}_mm"
    return float(getattr(start, name))


def _against_dwell(measured: Measured) -> Picture:
    shown = _axes_present(measured)
    data: list[dict[str, Any]] = []
    figure = new_figure(0.9 + 2.6 * len(shown))
    every = np.atleast_1d(figure.subplots(len(shown), 1, sharex=True))
    for axis, axes in zip(shown, every, strict=True):
        mine = [r for r in measured.returns if r.axis == axis]
        mine.sort(key=lambda r: (_two_digits(r.dwell_s), r.excursion_fs))
        dwell = _side_by_side(np.array([_two_digits(r.dwell_s) for r in mine]))
        share = [100 * np.array([_share(r, which) for r in mine]) for which in ("first", "last")]
        data.append({
            "axis": axis, "dwell_s": [r.dwell_s for r in mine],
            "excursion_percent_drive": [100 * r.excursion_fs for r in mine],
            "first_percent_of_excursion": share[0], "last_percent_of_excursion": share[1],
        })  # fmt: skip
        for x, top, bottom in zip(dwell, *share, strict=True):
            axes.plot([x, x], [top, bottom], color=SHADES[1], linewidth=1.2, zorder=1)
        axes.plot(dwell, share[0], linestyle="none", marker="o", markersize=7, color=SHADES[4],
                  label="first reading after the return")  # fmt: skip
        axes.plot(dwell, share[1], linestyle="none", marker="o", markersize=4.5,
                  markerfacecolor="white", color=SHADES[2],
                  label="last reading of the watch")  # fmt: skip
        axes.axhline(0.0, color=QUIET, linewidth=0.9)
        axes.set_xscale("log")
        plain_log(axes.xaxis)
        axes.set_xticks(_ticks([r.dwell_s for r in measured.returns]))
        axes.set_ylabel(f"error of {axis},\n% of its excursion")
    every[-1].set_xlabel("dwell, s")
    legend_above(figure, 2, *every)
    lasts = [r.last.wait_s for r in measured.returns if r.last is not None]
    until = ""
    if lasts:
        span = f"{min(lasts):.1f} to {max(lasts):.1f}"
        span = f"{max(lasts):.1f}" if np.ptp(lasts) < 0.1 else span
        until = f" The last readings are {span} s after."
    return picture(
        figure,
        "dwell",
        "Return-to-zero error against dwell, as a share of the excursion; above zero: the spot "
        f"stays on the side where it was held. First readings: {_waits(measured.returns)}.{until} "
        "Equal dwells are drawn side by side.",
        "Return-to-zero error as per cent of the excursion against the dwell, with the recovery "
        "between first and last reading as a line",
        stacked(data),
    )


def _side_by_side(dwell_s: Floats) -> Floats:
    """Equal dwells spread a little, evenly and without changing their middle."""
    out = dwell_s.copy()
    for value in np.unique(dwell_s):
        rows = np.flatnonzero(dwell_s == value)
        out[rows] = value * np.exp(0.085 * (np.arange(len(rows)) - (len(rows) - 1) / 2.0))
    return out


def _ticks(dwells_s: list[float]) -> list[float]:
    """The dwells themselves, without those too near to the one before to be read."""
    out: list[float] = []
    for value in sorted({_two_digits(v) for v in dwells_s}):
        if not out or value > 1.6 * out[-1]:
            out.append(value)
    return out


def _share(reading: ReturnToZero, which: str) -> float:
    residue = getattr(reading, which)
    if residue is None:
        return float("nan")
    return float(residue.error_mm / (reading.excursion_fs * reading.full_scale_mm))


def _recovery(measured: Measured) -> Picture:
    shown = [axis for axis in AXES if any(r.axis == axis for r in measured.recoveries)]
    dwells = _dwells([r.dwell_s for r in measured.recoveries])
    data: list[dict[str, Any]] = []
    figure = new_figure(0.9 + 2.7 * len(shown))
    every = np.atleast_1d(figure.subplots(len(shown), 1, sharex=True))
    for axis, axes in zip(shown, every, strict=True):
        for curve in measured.recoveries:
            if curve.axis != axis:
                continue
            k = dwells[_two_digits(curve.dwell_s)]
            sign = np.sign(curve.excursion_fs)
            data.append({
                "axis": axis, "series": f"{axis}, {100 * curve.excursion_fs:.0f} % drive, held "
                f"{curve.dwell_s:.2g} s", "after_s": curve.after_s,
                "towards_excursion_mm": sign * curve.error_mm,
            })  # fmt: skip
            axes.plot(
                curve.after_s, sign * curve.error_mm, color=SHADES[k], linestyle=DASHES[k],
                linewidth=0.9 + 0.6 * abs(curve.excursion_fs), marker=MARKERS[k], markersize=3.0,
            )  # fmt: skip
        axes.axhline(0.0, color=QUIET, linewidth=0.9)
        axes.set_xscale("log")
        plain_log(axes.xaxis)
        axes.set_ylabel(f"{axis} from its place\nbefore, mm")
    every[-1].set_xlabel("time since the drive came back to zero, s")
    for dwell, k in dwells.items():  # in order of length, whatever came first in the pattern
        every[0].plot([], [], color=SHADES[k], linestyle=DASHES[k], marker=MARKERS[k],
                      markersize=4.0, label=f"held {dwell:g} s")  # fmt: skip
    legend_above(figure, 4, every[0])
    return picture(
        figure,
        "recovery",
        "Recovery after each return to zero, counted towards the side of the excursion; broader "
        "lines for larger excursions. The time axis is logarithmic: a straight fall is creep, "
        "what stays is friction memory.",
        "Spot position against the logarithm of time after each return to zero, per axis",
        stacked(data),
    )


_LOOP_KINDS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("growing", {"color": "#9aa5ac", "linewidth": 0.9, "linestyle": (0, (1, 1))}),
    ("decaying", {"color": "#7d8a92", "linewidth": 0.9, "linestyle": "-"}),
    ("quick sweep", {"color": SHADES[1], "linewidth": 1.2, "linestyle": (0, (3.5, 1.4))}),
    ("slow sweep", {"color": SHADES[5], "linewidth": 1.5, "linestyle": "-"}),
)


def _loops(measured: Measured) -> Picture:
    shown = [axis for axis in AXES if measured.lines.get(axis) is not None]
    rates: dict[str, list[str]] = {}
    data: list[dict[str, Any]] = []
    figure = new_figure(0.9 + 2.8 * len(shown))
    every = np.atleast_1d(figure.subplots(len(shown), 1, sharex=True))
    for axis, axes in zip(shown, every, strict=True):
        line = measured.lines[axis]
        assert line is not None
        for name, style in _LOOP_KINDS:
            for n, loop in enumerate(loops_of(measured.loops, axis, name)):
                if "sweep" in name:
                    rates.setdefault(name, []).append(f"{axis} {loop.rate_per_s:.2g}")
                # a frame beside a quick move is half of that move
                hidden = np.convolve(loop.run == QUICK, (1, 1, 1), mode="same") > 0
                seen = np.where(hidden, np.nan, loop.deflection_fs)
                keep = loop.run != STRAY
                drive, seen = loop.drive[keep], seen[keep]
                data.append({
                    "axis": axis, "series": f"{name} {n + 1}", "drive_percent": 100 * drive,
                    "off_the_line_percent_fs": 100 * line.departure(drive, seen),
                })  # fmt: skip
                axes.plot(
                    100 * drive, 100 * line.departure(drive, seen),
                    label=name if n == 0 else None, **style,
                )  # fmt: skip
        axes.axhline(0.0, color=QUIET, linewidth=0.9)
        axes.set_ylabel(f"{axis} off its straight\nline, % of full scale")
    every[-1].set_xlabel("drive, % of full scale")
    legend_above(figure, 4, *every)
    words = "; ".join(
        f"{axis}: {100 * line.slope:.1f} % of full scale per 100 % drive"
        for axis, line in measured.lines.items()
        if line is not None
    )
    return picture(
        figure,
        "loops",
        "Loops: deflection against drive, the straight line of the slow sweep taken off so that "
        f"the width shows ({words}). Where both axes moved, the optics is taken out."
        + "".join(f" {k.capitalize()}: {', '.join(v)} full scales/s." for k, v in rates.items()),
        "Loops of deflection against drive after subtraction of a straight line, per axis",
        stacked(data),
    )


def loops_of(loops: Sequence[Loop], axis: str, name: str) -> list[Loop]:
    """Loops of one axis by name: 'slow sweep', 'quick sweep' (one each), 'growing', 'decaying'."""
    mine = [loop for loop in loops if loop.axis == axis]
    if "sweep" not in name:
        return [loop for loop in mine if loop.kind == name]
    sweeps = [loop for loop in mine if loop.kind == "sweep" and loop.part != "minor"]
    slow = min(
        [loop for loop in sweeps if loop.alone] or sweeps,
        key=lambda loop: loop.rate_per_s, default=None,
    )  # fmt: skip
    if name == "slow sweep":
        return [] if slow is None else [slow]
    # the quickest of those that go far
    quick = max(sweeps, key=lambda loop: loop.rate_per_s * np.ptp(loop.drive), default=slow)
    return [] if quick is slow or quick is None else [quick]
