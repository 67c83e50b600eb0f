"""Published figures told by the data and by the fitted model, side by side, as tables and chart."""

from __future__ import annotations

from typing import Any

import numpy as np

from hysteresis.characteristics import Characteristic, Pair
from hysteresis.findings import Findings
from hysteresis.quantities import format_with_uncertainty
from hysteresis.report.drawing import (
    AFTER,
    BEFORE,
    INK,
    QUIET,
    Picture,
    legend_above,
    new_figure,
    picture,
)
from hysteresis.report.figure_data import stacked
from hysteresis.report.page import (
    Block,
    Bullets,
    Figure,
    Grid,
    Heading,
    Section,
    Table,
    Text,
)
from hysteresis.report.parts import figures, grid, origin_of, sentence
from hysteresis.report.words import name_of

REACH = 3.0  # the chart's scale; what lies beyond is drawn at its edge
MOST_ROWS = 24  # of single readings that differ
_MARKS = {"x": "o", "y": "s", "xy": "D"}


def normalised(pair: Pair) -> float:
    """E_n of ISO 13528 (from memory): (model − data) / √(U² + U²); NaN where one is missing.

    Without any uncertainty it is 0 for equal figures and infinite for others.
    """
    if pair.measured is None or pair.modelled is None:
        return float("nan")
    half = float(np.hypot(pair.measured.expanded(), pair.modelled.expanded()))
    gap = pair.modelled.value - pair.measured.value
    if half > 0:
        return gap / half
    return 0.0 if gap == 0 else float(np.copysign(np.inf, gap))


def characteristics_section(findings: Findings) -> tuple[Section, ...]:
    """Table of the figures that sum up the run, chart of all pairs, table of those that differ."""
    whole = [p for p in findings.pairs if not p.either.conditions]
    single = [p for p in findings.pairs if p.either.conditions]
    if not whole and not single:
        return ()
    blocks: list[Block | Grid] = [*_whole_tables(whole)]
    beside: list[Block] = [*_single_parts(single)]
    if findings.absent:
        beside.append(Heading("Not told by these data"))
        beside.append(
            Bullets(tuple(Text(f"{name_of(key)}: {why}.") for key, why in findings.absent))
        )
    chart: tuple[Figure, ...] = ()
    if any(not np.isnan(normalised(p)) for p in findings.pairs):
        origin = origin_of(findings, "bench", "pattern", "recording", "model")
        chart = figures([agreement_picture(findings.pairs)], origin)
    lead = Text(
        "The same definitions applied to the recording and to what the fitted model foretells for "
        "the very same pattern. Where both differ by more than their expanded uncertainty, the "
        "model lacks something, or an uncertainty is told too small."
    )
    title = "Published figures, from data and from the model"
    return (Section("figures", title, (lead, *blocks, *grid(chart, beside)), "Figures"),)


def _single_parts(single: list[Pair]) -> list[Block]:
    """Figures that each belong to one circumstance: how many, and those that differ."""
    if not single:
        return []
    both = [p for p in single if p.disagree is not None]
    differ = sorted((p for p in both if p.disagree), key=lambda p: -abs(normalised(p)))
    told = (
        f"Beside these, {len(single)} figures each belong to one circumstance, such as one "
        "excursion and dwell; all are in the data of the chart."
    )
    if both:
        told += f" {len(differ)} of the {len(both)} told by both data and model differ."
    blocks: list[Block] = [Text(told)]
    if differ:
        shown = differ[:MOST_ROWS]
        more = "" if len(shown) == len(differ) else f", the {MOST_ROWS} that differ most"
        blocks.append(_table(shown, f"Under one circumstance, where data and model differ{more}"))
    return blocks


def _whole_tables(whole: list[Pair]) -> list[Table]:
    """Figures that sum up the run: both axes in one row, those of both together below."""
    by_key: dict[str, dict[str, Pair]] = {}
    for pair in whole:
        if pair.either.axis != "xy":
            by_key.setdefault(pair.definition.key, {})[pair.either.axis] = pair
    rows: list[tuple[str, ...]] = []
    marked = set()
    for key, axes in by_key.items():
        if any(p.disagree for p in axes.values()):
            marked.add(len(rows))
        cells = [name_of(key), next(iter(axes.values())).definition.unit]
        for axis in "xy":
            found = axes.get(axis)
            cells.append(_cell(None if found is None else found.measured))
            cells.append(_cell(None if found is None else found.modelled))
        rows.append((*cells, _agreed(list(axes.values()))))
    out = []
    told = "; ± expanded uncertainty (95 %)."
    if rows:
        out.append(
            Table(
                ("figure", "unit", "x, data", "x, model", "y, data", "y, model", "agree"),
                tuple(rows), f"Figures that sum up the run{told}", left=frozenset({0, 1}),
                marked=frozenset(marked), shape="stack",
            )
        )  # fmt: skip
    both = [p for p in whole if p.either.axis == "xy"]
    return [*out, *([_table(both, "Figures of both axes together")] if both else [])]


def _agreed(pairs: list[Pair]) -> str:
    known = [p for p in pairs if p.disagree is not None]
    differ = [p.either.axis for p in known if p.disagree]
    if differ:
        return f"not in {' and '.join(differ)} ▲"
    return "yes" if known else "–"


def characteristic_terms(findings: Findings) -> tuple[tuple[str, str], ...]:
    """The definitions of the figures on the page, each once."""
    found = {p.definition.key: p.definition for p in findings.pairs}
    return tuple(
        (sentence(name_of(d.key)).rstrip("."), f"{sentence(d.words)} {d.formula}. {d.source}.")
        for d in found.values()
    )


def _table(pairs: list[Pair], caption: str) -> Table:
    rows, marked = [], set()
    for number, pair in enumerate(pairs):
        if pair.disagree:
            marked.add(number)
        rows.append(
            (
                f"{name_of(pair.definition.key)}, {pair.either.axis}{_circumstances(pair.either)}",
                pair.definition.unit,
                _cell(pair.measured),
                _cell(pair.modelled),
                {True: "no ▲", False: "yes", None: "–"}[pair.disagree],
            )
        )
    return Table(
        ("figure", "unit", "data", "model", "agree"), tuple(rows),
        f"{caption}; ± expanded uncertainty (95 %).",
        left=frozenset({0, 1}), marked=frozenset(marked), shape="stack",
    )  # fmt: skip


def _circumstances(one: Characteristic) -> str:
    told = ", ".join(f"{c.name.removesuffix('_' + c.unit).replace('_', ' ')} {c.value:.3g} {c.unit}"
                     for c in one.conditions)  # fmt: skip
    return f" ({told})" if told else ""


def _cell(one: Characteristic | None) -> str:
    if one is None:
        return "–"
    half = one.expanded()
    if not np.isfinite(half) or half <= 0:
        return f"{one.value:.3g}".replace("-", "−")
    return format_with_uncertainty(one.value, half).replace("-", "−")


def agreement_picture(pairs: tuple[Pair, ...]) -> Picture:
    """One row per figure: model minus data in units of both's expanded uncertainty."""
    both = [p for p in pairs if np.isfinite(normalised(p)) or np.isinf(normalised(p))]
    keys = list(dict.fromkeys(p.definition.key for p in both))
    figure = new_figure(1.1 + 0.27 * len(keys))
    axes = figure.subplots()
    axes.axvspan(-1.0, 1.0, color="#d9dee1", alpha=0.8, linewidth=0, zorder=0)
    axes.axvline(0.0, color=QUIET, linewidth=0.9, zorder=1)
    small = {"color": QUIET, "marker": "|", "markersize": 8.0, "linestyle": "none", "zorder": 2}
    for pair in both:
        row = keys.index(pair.definition.key)
        value = float(np.clip(normalised(pair), -REACH, REACH))
        if pair.either.conditions:
            axes.plot(value, row, **small)
            continue
        offset = {"x": -0.17, "y": 0.17}.get(pair.either.axis, 0.0)
        colour = BEFORE["color"] if pair.disagree else AFTER["color"]
        axes.plot(
            value, row + offset, linestyle="none", marker=_MARKS[pair.either.axis], markersize=6.0,
            color=colour, markeredgecolor=INK if pair.disagree else "white", markeredgewidth=0.8,
            zorder=4,
        )  # fmt: skip
    for axis in dict.fromkeys(p.either.axis for p in both if not p.either.conditions):
        axes.plot([], [], linestyle="none", marker=_MARKS[axis], color=AFTER["color"],
                  label={"xy": "both axes"}.get(axis, f"axis {axis}"))  # fmt: skip
    if any(p.either.conditions for p in both):
        axes.plot([], [], label="under one circumstance", **small)
    if any(p.disagree for p in both if not p.either.conditions):
        axes.plot([], [], linestyle="none", marker="o", color=BEFORE["color"],
                  markeredgecolor=INK, label="differs")  # fmt: skip
    axes.set_yticks(range(len(keys)), [_folded(name_of(key)) for key in keys])
    axes.set_ylim(len(keys) - 0.4, -0.6)
    axes.set_xlim(-REACH - 0.15, REACH + 0.15)
    axes.tick_params(axis="y", length=0)
    axes.grid(visible=False, axis="y")
    axes.set_xlabel("(model − data) / expanded uncertainty of both")
    legend_above(figure, 3, axes)
    return picture(
        figure, "agreement",
        "Model against data, figure by figure: within the grey band they differ by no more than "
        f"their expanded uncertainty (95 %). Marks at ± {REACH:g} lie there or beyond.",
        "Dots of the normalised difference between model and data for each published figure, "
        "with a band from minus one to one",
        stacked([_data(p) for p in pairs]),
    )  # fmt: skip


def _data(pair: Pair) -> dict[str, Any]:
    def part(one: Characteristic | None, what: str) -> float:
        return float("nan") if one is None else float(getattr(one, what))

    told = "; ".join(f"{c.name} = {c.value:.6g} {c.unit}" for c in pair.either.conditions)
    normal = normalised(pair)
    return {
        "figure": pair.definition.key, "axis": pair.either.axis, "unit": pair.definition.unit,
        "circumstances": told, "data": part(pair.measured, "value"),
        "data_standard_uncertainty": part(pair.measured, "u"),
        "model": part(pair.modelled, "value"),
        "model_standard_uncertainty": part(pair.modelled, "u"),
        "normalised_difference": normal if np.isfinite(normal) else np.nan,
    }  # fmt: skip


def _folded(words: str) -> str:
    if len(words) <= 28:
        return words
    middle = min(
        (i for i, c in enumerate(words) if c == " "), default=0,
        key=lambda i: abs(i - len(words) / 2),
    )  # fmt: skip
    return f"{words[:middle]}\n{words[middle + 1 :]}" if middle else words
