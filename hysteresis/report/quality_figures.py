"""Bar chart of an uncertainty budget: what each component contributes, in mm."""

from __future__ import annotations

from hysteresis.measure.quality import GOOD_SHARE, Quality
from hysteresis.report.drawing import (
    AFTER,
    BEFORE,
    INK,
    PAPER,
    QUIET,
    Picture,
    new_figure,
    picture,
    plain_log,
)
from hysteresis.report.figure_data import stacked
from hysteresis.report.words import plain
from hysteresis.uncertainty_budget import Budget, Component

FAR_BELOW = 1e-3  # of the combined uncertainty: such components are not drawn


def quality_pictures(quality: Quality | None) -> list[Picture]:
    """The chart of the two budgets of places at rest; none without a judgement."""
    if quality is None:
        return []
    shown = [b for b in (quality.return_to_zero, quality.place) if b.combined > 0]
    if not shown:
        return []
    kept = [_kept(b) for b in shown]
    rows = [len(parts) + 2 for parts in kept]
    figure = new_figure(0.37 * sum(rows) + 0.75 * len(rows) + 0.5)
    panels = figure.subplots(len(shown), 1, squeeze=False, sharex=True,
                             gridspec_kw={"height_ratios": rows})[:, 0]  # fmt: skip
    good = GOOD_SHARE * quality.tolerance_mm
    sizes = [c.contribution for parts in kept for c in parts]
    low = 0.5 * min([*sizes, *(b.combined for b in shown), good])
    high = 3.5 * max([b.expanded() for b in shown] + [quality.tolerance_mm])
    for axes, budget, parts in zip(panels, shown, kept, strict=True):
        _draw(axes, budget, parts)
        axes.axvline(good, color=QUIET, linewidth=1.1, linestyle=(0, (2, 2)), zorder=3)
        axes.axvline(quality.tolerance_mm, color=INK, linewidth=1.3, zorder=3)
        axes.set_xscale("log")
        axes.set_xlim(low, high)
        axes.set_title(budget.measurand[:1].upper() + budget.measurand[1:])
        axes.grid(visible=False, axis="y")
    plain_log(panels[-1].xaxis)
    panels[-1].set_xlabel("standard uncertainty, mm (U: expanded, 95 %)")
    caption = (
        "What each component contributes to a reading, and what comes out: u_c combined, U "
        "expanded. Hatched: type A, from the recording's own scatter; plain: type B, from "
        f"elsewhere. Dashed line: a third of the tolerance ({plain(good, 2)} mm), solid line: the "
        f"tolerance ({quality.tolerance_mm:g} mm). U left of the dashed line is good. The scale is "
        "logarithmic; components below a thousandth of u_c are left out."
    )
    alt = "; ".join(
        f"{b.measurand}: U {plain(b.expanded(), 2)} mm, most from {b.largest().words}"
        for b in shown
    )
    data = [
        {"reading": budget.measurand, "component": words, "type": kind, "contribution_mm": size}
        for budget, parts in zip(shown, kept, strict=True)
        for words, kind, size in (
            *((part.words, part.kind, part.contribution) for part in parts),
            ("u_c", "combined", budget.combined), ("U", "expanded, 95 %", budget.expanded()),
        )
    ]  # fmt: skip
    alt = f"Bar chart of uncertainty budgets. {alt}."
    return [picture(figure, "budget", caption, alt, stacked(data))]


def _kept(budget: Budget) -> list[Component]:
    parts = [c for c in budget.components if c.contribution >= FAR_BELOW * budget.combined]
    return sorted(parts, key=lambda c: -c.contribution)


def _draw(axes, budget: Budget, parts: list[Component]) -> None:  # type: ignore[no-untyped-def]
    """Bars from the top: components by size, then u_c and U."""
    for row, part in enumerate(parts):
        own = part.kind == "A"
        axes.barh(
            row, part.contribution, height=0.66,
            color="#e8b77b" if own else "#f3e3cf", edgecolor=BEFORE["color"], linewidth=0.9,
            hatch="////" if own else None,
        )  # fmt: skip
        _value(axes, row, part.contribution)
    below = len(parts)
    for row, value, shade in (
        (below, budget.combined, "#8fb0c6"),
        (below + 1, budget.expanded(), AFTER["color"]),
    ):
        axes.barh(row, value, height=0.66, color=shade, edgecolor=AFTER["color"], linewidth=0.9)
        _value(axes, row, value)
    names = [_folded(part.words) for part in parts]
    axes.set_yticks(range(below + 2), [*names, "u_c", "U"])
    axes.set_ylim(below + 1.6, -0.6)
    axes.tick_params(axis="y", length=0)


def _value(axes, row: int, value: float) -> None:  # type: ignore[no-untyped-def]
    axes.annotate(
        plain(value, 2), (value, row), xytext=(4, 0), textcoords="offset points", va="center",
        fontsize=9, color=INK, zorder=4,
        bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
    )  # fmt: skip


def _folded(words: str) -> str:
    """A long name on two lines, broken at its comma or in its middle."""
    if len(words) <= 26:
        return words
    head, comma, tail = words.partition(", ")
    if comma:
        return f"{head},\n{tail}"
    middle = min(
        (i for i, c in enumerate(words) if c == " "), key=lambda i: abs(i - len(words) / 2)
    )
    return f"{words[:middle]}\n{words[middle + 1 :]}"
