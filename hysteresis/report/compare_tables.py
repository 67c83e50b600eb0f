"""Tables of a comparison: what decides, differences, every figure, the runs behind them."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Literal

from hysteresis.characteristics.figure import Definition
from hysteresis.compare.figures import short_words
from hysteresis.compare.results import (
    Comparison,
    Difference,
    FigureComparison,
    OnPath,
    Ranking,
)
from hysteresis.compare.words import left_out_together, more_units_words, notes_on, percent
from hysteresis.report.page import Table
from hysteresis.report.words import plain

MOST_PAIRS = 3  # of designs that a cell names


def figure_name(definition: Definition) -> str:
    """Short name of a figure, as the terminal has it, within a sentence."""
    words = short_words(definition)
    return words[:1].lower() + words[1:]


def interval(value: float, low: float, high: float) -> str:
    """A figure with its interval in brackets, where there is one."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return plain(value)
    return f"{plain(value)} ({plain(low)} … {plain(high)})"


def path_table(path: OnPath, level: float) -> Table:
    """Hardware and software against the tolerance, best first."""
    return Table(
        ("design", "units", "error, rms mm", "times less", "within tolerance"),
        tuple(
            (
                f"{v.suspension}, {'compensated' if v.compensated else 'plain'}",
                str(len(v.figure.units)), interval(v.figure.mean, v.figure.low, v.figure.high),
                interval(*path.shown_gain(v.suspension)) if v.compensated else "", v.enough,
            )
            for v in path.variants
        ),
        f"Error on {Path(path.file).name} ({path.placement}), foretold; in brackets the "
        f"{percent(level)} interval over units. Tolerance {path.tolerance_mm:g} mm; 'open': the "
        "interval holds it. Compensation is shown to gain where 'times less' lies above 1.",
        shape="stack",
    )  # fmt: skip


def forecasts_table(path: OnPath) -> Table:
    """What the model of each run foretells."""
    return Table(
        ("run", "plain, mm", "compensated, mm", "times less", "beyond a limit"),
        tuple(
            (
                f.label, interval(f.before_mm, f.before_low_mm, f.before_high_mm),
                interval(f.after_mm, f.after_low_mm, f.after_high_mm),
                interval(f.gain, f.gain_low, f.gain_high),
                str(f.excesses) if f.excesses else "–",
            )
            for f in path.forecasts
        ),
        "Foretold for each run, rms, without and with compensation, and how many times less it is "
        "with it, of the same draws (95 % intervals); stretches in which the drive would exceed a "
        "limit of the bench.",
        shape="stack",
    )  # fmt: skip


def ranking_table(ranking: Ranking, level: float) -> Table:
    """Designs in order, with how sure each place is."""
    weights = ranking.mode == "weights"
    names = tuple(
        f"{c.words}{'' if c.axis == 'xy' else ' ' + c.axis}"
        + (f", {c.unit}" if c.unit != "1" else "")
        + (f" (× {c.weight:g})" if math.isfinite(c.weight) else "")
        for c in ranking.criteria
    )
    rows = tuple(
        (
            f"{row.place}. {row.suspension}", *(plain(v) for v in row.values),
            *((plain(row.score),) if weights else ()),
            *(f"{100 * share:.1f}" if math.isfinite(share) else "–"
              for share in (row.first_share, row.place_shares[-1])),
        )
        for row in ranking.rows
    )  # fmt: skip
    whose = "your" if ranking.criteria[0].chosen_by == "person" else "the default"
    return Table(
        ("design", *names, *(("score",) if weights else ()), "comes first, %", "comes last, %"),
        rows,
        f"Order by {whose} criteria{', weighted' if weights else ''}; how sure a place is: share "
        f"of {ranking.draws} draws from the intervals.",
        shape="tall",
    )


def differences_table(
    figure: FigureComparison, level: float, more: tuple[Difference, ...] = (), of: str = ""
) -> tuple[Table, ...]:
    """Every pair of designs: how far apart, how sure, and how many units it would take."""
    found = more or figure.differences
    if not found:
        return ()
    log = figure.scale == "log"
    unit = "" if figure.definition.unit == "1" else f", {figure.definition.unit}"
    rows = []
    for d in found:
        told = (
            interval(d.ratio, d.ratio_low, d.ratio_high)
            if log
            else interval(d.difference, d.low, d.high)
        )
        rows.append(
            (
                f"{d.first} against {d.second}{f' ({d.note})' if d.note else ''}", told, _p(d),
                interval(d.g, d.g_low, d.g_high), "yes" if d.separated else "no", _more(d),
            )
        )  # fmt: skip
    what = "ratio" if log else f"difference{unit}"
    return (
        Table(
            ("designs", what, "p (Holm)", "effect size g", "apart", "more units of each"),
            tuple(rows),
            f"Differences in: {of or _name(figure)}; {percent(level)} intervals, each for itself, "
            "'apart' by Holm's p; "
            f"{'logarithmic' if log else 'plain'} scale ({figure.scale_reason}).",
            marked=frozenset(k for k, d in enumerate(found) if d.separated), shape="stack",
        ),
    )  # fmt: skip


def _p(d: Difference) -> str:
    if not math.isfinite(d.p_holm):
        return "–"
    return "< 0.001" if d.p_holm < 1e-3 else f"{d.p_holm:.3f}"


def _more(d: Difference) -> str:
    if not math.isfinite(d.p_holm):
        return "–"
    return more_units_words(d)


def figures_tables(found: Comparison, figures: list[FigureComparison]) -> tuple[Table, Table]:
    """Every summing figure, a column per design: means with intervals, then spreads."""
    designs = found.suspensions
    means, spreads = [], []
    for f in figures:
        name = f"{_name(f)}{'' if f.definition.unit == '1' else ', ' + f.definition.unit}"
        of = [f.of(design) for design in designs]
        beyond = {b.suspension: f"> {plain(b.least)}" for b in f.beyond}
        cells = [
            beyond.get(design, "–") if d is None else interval(d.mean, d.low, d.high)
            for design, d in zip(designs, of, strict=True)
        ]
        means.append((name, *cells, _apart(f)))
        pairs = [
            "–" if d is None else f"{_spread(d.between, f)} / {_spread(d.within, f)}" for d in of
        ]
        spreads.append((name, *pairs))
    units = ", ".join(
        f"{len({r.unit for r in found.runs if r.suspension == d})} of {d}" for d in designs
    )
    shape: Literal["tall", "stack"] = "tall" if len(designs) <= 3 else "stack"
    told = "In bold, and named in the last column: the designs that are told apart (Holm)."
    return (
        Table(
            ("figure", *designs, "told apart"), tuple(means),
            f"Figures of every design, the mean over its units ({units}) and in brackets its "
            f"{percent(found.level)} interval. {' '.join((told, *notes_on(figures)))}",
            left=frozenset({0, len(designs) + 1}),
            marked=frozenset(
                k for k, f in enumerate(figures) if any(d.separated for d in f.differences)
            ),
            shape="stack",
        ),
        Table(
            ("figure", *designs), tuple(spreads),
            "Spreads between units / between runs of one unit: standard deviations without the "
            "measurement's part (per cent: of the value).",
            shape=shape,
        ),
    )  # fmt: skip


def _apart(figure: FigureComparison) -> str:
    """Which designs are told apart in a figure."""
    pairs = [(d.first, d.second) for d in figure.differences if d.separated]
    if not pairs or len(pairs) == len(figure.differences):
        return "all" if pairs else "none"
    if len(pairs) > MOST_PAIRS:
        return f"{len(pairs)} of {len(figure.differences)} pairs"
    return "; ".join(f"{first} and {second}" for first, second in pairs)


def _name(figure: FigureComparison) -> str:
    return figure_name(figure.definition) + ("" if figure.axis == "xy" else f" of {figure.axis}")


def _spread(value: float, figure: FigureComparison) -> str:
    if not math.isfinite(value):
        return "–"
    return f"{100 * value:.1f} %" if figure.scale == "log" else plain(value, 2)


def runs_table(found: Comparison) -> Table:
    """What was compared."""
    return Table(
        ("run", "suspension", "unit", "°C", "memory", "origin", "software"),
        tuple(
            (
                r.label, r.suspension, r.unit, f"{r.ambient_c:g}", r.memory,
                "simulated" if r.simulated else "rig", r.software,
            )
            for r in found.runs
        ),
        "The runs that were compared.",
        left=frozenset({0, 1, 2, 4, 5, 6}), shape="stack",
    )  # fmt: skip


def left_out_table(found: Comparison) -> tuple[Table, ...]:
    """What was not compared and why."""
    grouped = left_out_together(found)
    if not grouped:
        return ()
    return (
        Table(
            ("run", "left out", "reason", "to mend it"),
            tuple((", ".join(runs), *why) for why, runs in grouped.items()),
            "What was left out.", left=frozenset({0, 1, 2, 3}), shape="stack",
        ),
    )  # fmt: skip
