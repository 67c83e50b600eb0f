"""Pictures of a recording and of a fit: returns to zero, recovery, loops, residuals."""

from __future__ import annotations

from typing import Any

import numpy as np

from hysteresis.findings import Findings, FitCheck, Measured
from hysteresis.loops import QUICK, STRAY
from hysteresis.metrics import AXES, ReturnToZero
from hysteresis.path_error import StartError
from hysteresis.report.drawing import (
    AFTER,
    AFTER_MARK,
    BEFORE,
    BEFORE_MARK,
    DASHES,
    INK,
    MARKERS,
    QUIET,
    SHADES,
    Picture,
    legend_above,
    new_figure,
    picture,
    plain_log,
)
from hysteresis.tables import Floats


def measured_pictures(findings: Findings) -> list[Picture]:
    """Pictures of the recording, as far as its pattern shows something."""
    measured = findings.measured
    if measured is None:
        return []
    out = []
    if measured.returns:
        out += [_against_excursion(findings, measured), _against_dwell(measured)]
    if measured.recoveries:
        out.append(_recovery(measured))
    if any(measured.lines.values()):
        out.append(_loops(measured))
    return out


def fit_pictures(check: FitCheck | None) -> list[Picture]:
    """Residuals of the fit."""
    return [] if check is None else [_residuals(check)]


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


def _against_excursion(findings: Findings, measured: Measured) -> Picture:
    shown = _axes_present(measured)
    dwells = _dwells([r.dwell_s for r in measured.returns])
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
        _played_starts(axes, findings, axis, full_scale)
        _second_scale(axes, full_scale)
    every[-1].set_xlabel("excursion, % of full drive")
    legend_above(figure, 3, *every)
    played = findings.played is not None and bool(
        findings.played.starts_before or findings.played.starts_after
    )
    tail = (
        " Triangles and discs: where the played job begins to trace after a park, against the "
        "excursion to that park."
        if played
        else ""
    )
    return picture(
        figure,
        "excursion",
        f"Return-to-zero error against excursion, {_waits(measured.returns)}. Bars: ± 2 standard "
        f"uncertainties.{tail}",
        "Return-to-zero error in mm against the excursion for each dwell, one panel per axis",
    )


def _waits(returns: tuple[ReturnToZero, ...]) -> str:
    waits = [r.first.wait_s for r in returns]
    low, high = min(waits), max(waits)
    if high - low < 0.1:
        return f"read {np.mean(waits):.1f} s after the return"
    return f"read {low:.1f} to {high:.1f} s after the return"


def _played_starts(axes: Any, findings: Findings, axis: str, full_scale_mm: float) -> None:
    """Where the played job begins to trace after a park, on the same axes."""
    if findings.played is None:
        return
    for starts, style, mark, words in (
        (findings.played.starts_before, BEFORE, BEFORE_MARK, "job, not compensated"),
        (findings.played.starts_after, AFTER, AFTER_MARK, "job, compensated"),
    ):
        if starts:
            axes.errorbar(
                [100 * _part(s, "excursion", axis) / full_scale_mm for s in starts],
                [_part(s, "d", axis) for s in starts],
                linestyle="none", marker=mark, markersize=8.5, color=style["color"],
                markeredgecolor="white", markeredgewidth=1.0, label=words, zorder=5,
            )  # fmt: skip


def _part(start: StartError, what: str, axis: str) -> float:
    name = f"d{axis}_mm" if what == "d" else f"excursion_{axis}_mm"
    return float(getattr(start, name))


def _against_dwell(measured: Measured) -> Picture:
    shown = _axes_present(measured)
    figure = new_figure(0.9 + 2.6 * len(shown))
    every = np.atleast_1d(figure.subplots(len(shown), 1, sharex=True))
    for axis, axes in zip(shown, every, strict=True):
        mine = [r for r in measured.returns if r.axis == axis]
        mine.sort(key=lambda r: (_two_digits(r.dwell_s), r.excursion_fs))
        dwell = _side_by_side(np.array([_two_digits(r.dwell_s) for r in mine]))
        share = [100 * np.array([_share(r, which) for r in mine]) for which in ("first", "last")]
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
    figure = new_figure(0.9 + 2.7 * len(shown))
    every = np.atleast_1d(figure.subplots(len(shown), 1, sharex=True))
    for axis, axes in zip(shown, every, strict=True):
        for curve in measured.recoveries:
            if curve.axis != axis:
                continue
            k = dwells[_two_digits(curve.dwell_s)]
            sign = np.sign(curve.excursion_fs)
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
    figure = new_figure(0.9 + 2.8 * len(shown))
    every = np.atleast_1d(figure.subplots(len(shown), 1, sharex=True))
    for axis, axes in zip(shown, every, strict=True):
        line = measured.lines[axis]
        assert line is not None
        for name, style in _LOOP_KINDS:
            for n, loop in enumerate(_loops_of(measured, axis, name)):
                if "sweep" in name:
                    rates.setdefault(name, []).append(f"{axis} {loop.rate_per_s:.2g}")
                # a frame beside a quick move is half of that move
                hidden = np.convolve(loop.run == QUICK, (1, 1, 1), mode="same") > 0
                seen = np.where(hidden, np.nan, loop.deflection_fs)
                keep = loop.run != STRAY
                drive, seen = loop.drive[keep], seen[keep]
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
    )


def _loops_of(measured: Measured, axis: str, name: str) -> list[Any]:
    mine = [loop for loop in measured.loops if loop.axis == axis]
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
    return [] if quick is slow else [quick]


def _residuals(check: FitCheck) -> Picture:
    present = [
        (axis, residual, sigma, rms, noise)
        for axis, residual, sigma, rms, noise in (
            ("x", check.residual_x_mm, check.sigma_x_mm, check.rms_x_mm, check.noise_x_mm),
            ("y", check.residual_y_mm, check.sigma_y_mm, check.rms_y_mm, check.noise_y_mm),
        )
        if np.isfinite(residual).any()
    ]
    figure = new_figure(2.5 + 1.85 * len(present))
    every = figure.subplots(len(present) + 1, 1, height_ratios=[1.0] * len(present) + [1.25])
    for axes in every[1 : len(present)]:
        axes.sharex(every[0])
    few = len(check.t_s) < 300
    for (axis, residual, _, rms, noise), axes in zip(present, every, strict=False):
        axes.plot(
            check.t_s, residual, linestyle="none", marker="o" if few else ".",
            markersize=4.0 if few else 1.6, color=SHADES[3], rasterized=True,
        )  # fmt: skip
        axes.axhspan(-2 * noise, 2 * noise, color="#b9c1c6", alpha=0.6, linewidth=0, zorder=0.5)
        finite = residual[np.isfinite(residual)]
        reach = max(3.0 * noise, float(np.quantile(np.abs(finite), 0.998)) * 1.15)
        axes.set_ylim(-reach, reach)
        axes.set_ylabel(f"{axis}, mm")
        axes.set_title(f"{axis}: rms {rms:.3f} mm, noise {noise:.3f} mm (band ± 2 noise)")
    every[len(present) - 1].set_xlabel("time in the pattern, s")
    _histogram(every[-1], present)
    return picture(
        figure,
        "residuals",
        "Measured minus modelled, against time and as a histogram in units of the measurement's "
        "own noise. A perfect model leaves the grey bell; what is broader is the model's error.",
        "Residuals of the fit against time for each axis, and their histogram beside a normal "
        "curve",
    )


def _histogram(axes: Any, present: list[tuple[Any, ...]]) -> None:
    edges = np.linspace(-6.0, 6.0, 49)
    middle = (edges[:-1] + edges[1:]) / 2.0
    total = max(int(np.isfinite(residual).sum()) for _, residual, *_ in present)
    if total < 300:
        edges = np.linspace(-6.0, 6.0, 17)
    normal = np.exp(-(middle**2) / 2.0) / np.sqrt(2.0 * np.pi)
    axes.fill_between(middle, normal, color="#b9c1c6", alpha=0.8, linewidth=0, label="noise alone")
    styles: tuple[dict[str, Any], ...] = (
        {"color": SHADES[5], "linestyle": "-"},
        {"color": SHADES[1], "linestyle": (0, (3, 1))},
    )
    for (axis, residual, sigma, *_), style in zip(present, styles, strict=False):
        z = (residual / sigma)[np.isfinite(residual)]
        count, _ = np.histogram(np.clip(z, -5.99, 5.99), edges)
        axes.stairs(count / len(z) / np.diff(edges), edges, label=axis, linewidth=1.5, **style)
    axes.set_xlabel("residual / noise (all beyond ± 6 are in the outer bars)")
    axes.set_ylabel("density")
    axes.legend(loc="upper right")
    axes.spines["left"].set_color(INK)
