"""What a pattern will do, before anything moves: figures, notes, and a picture.

Everything is worked out from the pattern's own vertices, so a pattern that was edited by hand is
described as truly as a fresh one.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hysteresis.bench import Bench
from hysteresis.files import writing
from hysteresis.plan.demands import drives, rates, rises, rolling_rms
from hysteresis.plan.readings import reading_moments
from hysteresis.plan.recheck import LONGEST_S
from hysteresis.tables import Bools, Floats, Pattern, group_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

X_COLOUR, Y_COLOUR, INK, FAINT = "#1f5f8b", "#d9822b", "#2b2b2b", "#c9ced3"
"""Blue and orange differ in lightness as well as hue, so they stay apart in grey and for all
common kinds of colour blindness; x is drawn solid and y dashed where they overlap."""


@dataclass(frozen=True)
class Preview:
    """Figures of a pattern; pairs are (x, y).

    duration_s, moving_s : whole time, and time in which an axis moves.
    longest_still_s : longest time that a lit spot stands still.
    largest_drive, largest_slew_per_s : extremes of |drive| and of its rate.
    shortest_rise_s : shortest move in one direction.
    hottest_rms, hottest_at_s : largest rms over the coil window, and the end of that window.
    frames : number of camera frames, None without a camera.
    share_s : seconds per kind of segment, in order of appearance.
    notes : what the person should know; full sentences.
    """

    duration_s: float
    moving_s: float
    longest_still_s: float
    largest_drive: tuple[float, float]
    largest_slew_per_s: tuple[float, float]
    shortest_rise_s: float
    hottest_rms: tuple[float, float]
    hottest_at_s: tuple[float, float]
    frames: int | None
    share_s: dict[str, float]
    notes: tuple[str, ...]


def preview(pattern: Pattern, bench: Bench) -> Preview:
    """Work out the figures and notes of a pattern for this bench."""
    t, both = pattern.t_s, drives(pattern)
    dt = np.diff(t)
    still = ~np.any(np.diff(both, axis=0) != 0, axis=1)
    share: defaultdict[str, float] = defaultdict(float)
    for name, length in zip(pattern.segment[:-1], dt, strict=True):
        share[name.split("/")[0]] += float(length)
    heat = [rolling_rms(t, drive, bench.limits.coil_window_s) for drive in both.T]
    hottest = [int(np.argmax(rms)) for _, rms in heat]
    lengths = np.concatenate([rises(t, drive)[1] for drive in both.T])
    speeds = [np.max(np.abs(rates(t, drive))) for drive in both.T]
    return Preview(
        duration_s=float(t[-1]),
        moving_s=float(dt[~still].sum()),
        longest_still_s=_longest_run(dt, still & pattern.beam[:-1]),
        largest_drive=_pair(np.max(np.abs(both), axis=0)),
        largest_slew_per_s=_pair(speeds),
        shortest_rise_s=float(lengths.min()) if len(lengths) else math.nan,
        hottest_rms=_pair([rms[k] for (_, rms), k in zip(heat, hottest, strict=True)]),
        hottest_at_s=_pair([at[k] for (at, _), k in zip(heat, hottest, strict=True)]),
        frames=None if bench.camera is None else int(t[-1] * bench.camera.frame_rate_hz),
        share_s=dict(share),
        notes=tuple(_notes(pattern, bench, dict(share))),
    )


def _pair(values: Floats | list[float]) -> tuple[float, float]:
    return float(values[0]), float(values[1])


def _longest_run(dt: Floats, mask: Bools) -> float:
    """Longest total time of neighbouring pieces for which the mask holds."""
    total = np.concatenate([[0.0], np.cumsum(dt * mask)])
    broken = np.maximum.accumulate(np.where(mask, 0.0, total[1:]))
    return float(np.max(total[1:] - broken, initial=0.0))


# ---- notes -------------------------------------------------------------------------------------


def holds(pattern: Pattern, at_least_s: float = 0.8) -> tuple[Floats, Floats]:
    """Length (n,) and drive (n, 2) of each stay off zero that lasts, in order of time."""
    both, dt = drives(pattern), np.diff(pattern.t_s)
    still = np.all(np.diff(both, axis=0) == 0, axis=1)
    edge = np.diff(still.astype(np.int8), prepend=0, append=0)
    start, stop = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    length = np.add.reduceat(np.append(dt, 0.0), np.column_stack([start, stop]).ravel())[::2]
    keep = (length >= at_least_s) & np.any(both[start] != 0, axis=1)
    return length[keep], both[start][keep]


def _notes(pattern: Pattern, bench: Bench, share: dict[str, float]) -> list[str]:
    """What was adapted to the bench, and what this pattern cannot show."""
    notes, limits = [], bench.limits
    if "rest" in share:
        count = len({group_of(s) for s in pattern.segment if s.startswith("rest/")})
        notes.append(
            f"{count} rest{'s' if count > 1 else ''} of {share['rest']:.0f} s in all put in, so "
            f"that the rms drive stays below limits.coil_rms = {limits.coil_rms:g} over "
            f"{limits.coil_window_s:g} s."
        )
    length, at = holds(pattern)
    lowered = []
    for axis in range(2):
        peak = np.abs(at[:, axis]) if len(length) else np.zeros(0)
        hot = length >= 30.0
        # Holds are planned up to the largest drive; less on the long ones was the coils' doing.
        if hot.any() and peak.any() and peak[hot].max() < 0.9 * peak.max():
            lowered.append(f"{peak[hot].max():.2f} in {'xy'[axis]} (shorter ones {peak.max():.2f})")
    if lowered:
        notes.append(
            f"Holds of 30 s and more reach {' and '.join(lowered)}, since limits.coil_rms allows "
            "no more: forecasts for longer holds further out are an extrapolation."
        )
    if limits.max_drive < 0.9:
        notes.append(
            f"limits.max_drive = {limits.max_drive:g}: nothing is learned about paths further out "
            f"than {limits.max_drive * bench.optics.full_scale_x_mm:.0f} mm in x and "
            f"{limits.max_drive * bench.optics.full_scale_y_mm:.0f} mm in y."
        )
    resting = [a for a, d in zip("xy", drives(pattern).T, strict=True) if not d.any()]
    if resting:
        notes.append(
            f"Axis {resting[0]} rests: its own memory and half of the cross-coupling stay unknown."
        )
    # a recheck, half a minute, only tests a model: no forecast is made from it
    for_a_fit = pattern.t_s[-1] > LONGEST_S
    if "ladder" in share and for_a_fit and len(length) and length.max() < 30.0:
        notes.append(
            f"The longest hold is {length.max():.0f} s: forecasts for longer ones are an "
            "extrapolation; a longer pattern has longer holds."
        )
    if "steps" in share and bench.camera is None:
        notes.append(
            "bench.toml has no camera: the small steps walk through the frames of one with 30 "
            "frames per second."
        )
    corner = bench.drive.corner_hz
    if bench.drive.coupling == "ac" and corner is not None:
        tau = 1.0 / (2.0 * math.pi * corner)
        notes.append(
            f"The output is AC-coupled (corner {corner:g} Hz): a held drive droops to half in "
            f"{tau * math.log(2.0):.2g} s, and overshoots to the other side afterwards. What looks "
            "like memory is partly the output; a DC-coupled output or an amplitude-modulated "
            "carrier holds."
        )
    if bench.beam.mode == "always-on":
        notes.append("The beam cannot be switched: it stays lit and still after the pattern ends.")
    return notes


# ---- picture -----------------------------------------------------------------------------------


def preview_figure(pattern: Pattern, bench: Bench, title: str) -> Figure:
    """Draw drive against time, parts against time, heat against time, and the field covered."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(13.0, 8.0), layout="constrained", facecolor="white")
    grid = figure.add_gridspec(3, 2, width_ratios=[2.6, 1.0], height_ratios=[1.5, 1.3, 0.9])
    drive_axes = figure.add_subplot(grid[0, 0])
    parts_axes = figure.add_subplot(grid[1, 0], sharex=drive_axes)
    heat_axes = figure.add_subplot(grid[2, 0], sharex=drive_axes)
    field_axes = figure.add_subplot(grid[0:2, 1])
    reach_axes = figure.add_subplot(grid[2, 1])
    t = pattern.t_s
    for drive, colour, dash, name in _lines(pattern):
        drive_axes.plot(t, drive, color=colour, linestyle=dash, linewidth=0.8, label=name)
        at, rms = rolling_rms(t, drive, bench.limits.coil_window_s)
        heat_axes.plot(at, rms, color=colour, linestyle=dash, linewidth=1.4, label=name)
    drive_axes.set_ylabel("drive / full scale")
    drive_axes.set_ylim(-1.12, 1.12)
    names, vertices = reading_moments(pattern)
    if names:
        for drive in drives(pattern).T:
            drive_axes.plot(t[vertices], drive[vertices], ".", color=INK, markersize=4)
        drive_axes.plot([], [], ".", color=INK, label="reading")
    drive_axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, frameon=False)
    _draw_parts(parts_axes, pattern)
    heat_axes.axhline(bench.limits.coil_rms, color=INK, linewidth=1.0, linestyle=":")
    heat_axes.text(
        0.995, bench.limits.coil_rms, "limit ", ha="right", va="bottom", color=INK, fontsize=8,
        transform=heat_axes.get_yaxis_transform(),
    )  # fmt: skip
    heat_axes.set_ylim(0.0, 1.25 * bench.limits.coil_rms)
    heat_axes.set_ylabel(f"rms drive over\n{bench.limits.coil_window_s:g} s / full scale")
    heat_axes.set_xlabel("time / s")
    heat_axes.set_xlim(0.0, t[-1])
    both = drives(pattern)
    field_axes.plot(both[:, 0], both[:, 1], color=FAINT, linewidth=0.6, zorder=1)
    still = np.concatenate([np.all(np.diff(both, axis=0) == 0, axis=1), [False]])
    stay = np.diff(t, append=t[-1])
    field_axes.scatter(
        both[still, 0], both[still, 1], s=12.0 + 6.0 * stay[still], color=X_COLOUR, alpha=0.45,
        edgecolors="white", linewidths=0.5, zorder=2,
    )  # fmt: skip
    ticks = [-1.0, -0.5, 0.0, 0.5, 1.0]
    field_axes.set(
        xlabel="drive x / full scale", ylabel="drive y / full scale", aspect="equal",
        xlim=(-1.1, 1.1), ylim=(-1.1, 1.1), xticks=ticks, yticks=ticks,
    )  # fmt: skip
    field_axes.set_title("way over the field; dots: stays, larger for longer", fontsize=9)
    _draw_reach(reach_axes, pattern)
    for axes in (drive_axes, parts_axes, heat_axes, field_axes, reach_axes):
        axes.grid(color=FAINT, linewidth=0.4)
        axes.set_axisbelow(True)
        axes.spines[["top", "right"]].set_visible(False)
        axes.tick_params(labelsize=8)
    figure.suptitle(title, fontsize=12, color=INK)
    return figure


def _lines(pattern: Pattern) -> list[tuple[Floats, str, str, str]]:
    return [
        (pattern.drive_x, X_COLOUR, "-", "x"),
        (pattern.drive_y, Y_COLOUR, (0, (4, 1.5)), "y"),  # type: ignore[list-item]
    ]


def _draw_parts(axes, pattern: Pattern) -> None:  # type: ignore[no-untyped-def]
    """One row per kind of segment, a bar where it plays, its share of the time beside the name."""
    kinds = [name.split("/")[0] for name in pattern.segment[:-1]]
    rows = list(dict.fromkeys(kinds))
    dt = np.diff(pattern.t_s)
    spans: defaultdict[str, list[tuple[float, float]]] = defaultdict(list)
    for kind, start, length in zip(kinds, pattern.t_s[:-1], dt, strict=True):
        if spans[kind] and abs(sum(spans[kind][-1]) - start) < 1e-9:
            spans[kind][-1] = (spans[kind][-1][0], start + length - spans[kind][-1][0])
        else:
            spans[kind].append((start, length))
    for row, kind in enumerate(rows):
        axes.broken_barh(spans[kind], (row - 0.36, 0.72), facecolors=INK, alpha=0.75)
    shares = [sum(length for _, length in spans[kind]) for kind in rows]
    axes.set_yticks(
        range(len(rows)),
        [f"{kind}  {share:.0f} s" for kind, share in zip(rows, shares, strict=True)],
    )
    axes.set_ylim(len(rows) - 0.4, -0.6)


def _draw_reach(axes, pattern: Pattern) -> None:  # type: ignore[no-untyped-def]
    """Which excursions are held for how long."""
    length, at = holds(pattern)
    if not len(length):
        axes.set_axis_off()
        return
    for axis, (colour, marker) in enumerate(((X_COLOUR, "o"), (Y_COLOUR, "D"))):
        axes.scatter(
            length, at[:, axis], s=22, color=colour, marker=marker, alpha=0.8, label="xy"[axis]
        )
    axes.set_xscale("log")
    axes.set_xlim(0.7 * length.min(), 1.4 * length.max())
    axes.set(xlabel="dwell / s", ylabel="excursion / full scale", ylim=(-1.12, 1.12))
    ticks = sorted({float(f"{v:.2g}") for v in length})
    if len(ticks) > 7:
        ticks = [
            v for v in (1, 3, 10, 30, 60, 120) if length.min() <= v * 1.05 <= 1.1 * length.max()
        ]
    axes.set_xticks(ticks, [f"{v:g}" for v in ticks])
    axes.minorticks_off()
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, fontsize=8, frameon=False)


def draw_preview(pattern: Pattern, bench: Bench, path: Path | str, title: str) -> None:
    """Save the picture as PNG."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = preview_figure(pattern, bench, title)
    with writing(path) as part:
        FigureCanvasAgg(figure).print_png(str(part))
