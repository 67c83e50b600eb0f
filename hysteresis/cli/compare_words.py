"""What `compare` says: the verdict and the deciding figures first, then what they rest on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from hysteresis.cli.console import say, table
from hysteresis.compare.figures import short_words
from hysteresis.compare.results import (
    Comparison,
    DesignFigure,
    Difference,
    FigureComparison,
    OnPath,
    Ranking,
)
from hysteresis.compare.words import (
    left_out_together,
    more_units_words,
    notes_on,
    percent,
    summing,
)


def say_comparison(found: Comparison, files: Sequence[Path]) -> None:
    """Print everything; results before logs."""
    if found.simulated:
        print("Simulated on the virtual bench: some or all figures were not measured on a rig.\n")
    say(found.verdict.text)
    if found.path is not None:
        _say_path(found.path, found.level)
    if found.ranking is not None:
        _say_ranking(found.ranking)
        _say_differences(found.ranking.deciding, found.level)
    _say_figures(found)
    _say_runs(found)
    print("\nWritten: " + ", ".join(str(file) for file in files[:1]))
    say("and beside it " + ", ".join(file.name for file in files[1:]) + ".")


def _say_path(path: OnPath, level: float) -> None:
    name = Path(path.file).name
    table(
        f"Error on {name}, foretold, rms mm ({percent(level)} intervals over units; tolerance "
        f"{path.tolerance_mm:g} mm)",
        ("suspension", "", "units", "mean", "from", "to", "within tolerance"),
        [
            (v.suspension, "compensated" if v.compensated else "plain",
             len(v.figure.units), _3(v.figure.mean), _3(v.figure.low), _3(v.figure.high), v.enough)
            for v in path.variants
        ],
    )  # fmt: skip
    table(
        "Gain: times less error with compensation; shown where its interval lies above 1",
        ("suspension", "gain", "from", "to", "shown"),
        [
            (name, *(_3(v) for v in gain), "yes" if gain[1] > 1.0 else "no")
            for name in dict.fromkeys(f.suspension for f in path.forecasts)
            for gain in (path.shown_gain(name),)
        ],
    )
    table(
        "Foretold for each run, rms mm and gain, each with its 95 % interval",
        ("run", "plain", "from", "to", "compensated", "from", "to", "gain", "from", "to"),
        [
            (f.label, *(_3(v) for v in (
                f.before_mm, f.before_low_mm, f.before_high_mm, f.after_mm, f.after_low_mm,
                f.after_high_mm, f.gain, f.gain_low, f.gain_high,
            )))
            for f in path.forecasts
        ],
    )  # fmt: skip
    beyond = [f.label for f in path.forecasts if f.excesses]
    if beyond:
        say("Mind: the compensated drive exceeds a limit of the bench on " + ", ".join(beyond)
            + "; see hysteresis compensate.")  # fmt: skip


def _say_ranking(ranking: Ranking) -> None:
    """Places; nothing where there is one design only."""
    if len(ranking.rows) < 2 and not ranking.unranked:
        return
    criteria = ranking.criteria
    asked = "your" if criteria[0].chosen_by == "person" else "the default"
    how = "by weights" if ranking.mode == "weights" else "in this order"
    words = ", ".join(
        f"{c.words} ({c.axis})" + (f" × {c.weight:g}" if np.isfinite(c.weight) else "")
        for c in criteria
    )
    title = f"Rank by {asked} criteria {how}" if len(criteria) > 1 else f"Rank by {asked} criterion"
    columns = [f"{c.key[:16]}{_unit(c.unit)}" for c in criteria]
    score = ("score",) if ranking.mode == "weights" else ()
    table(
        f"{title}: {words}",
        ("place", "suspension", *columns, *score, "comes first, %", "last, %"),
        [
            (row.place, row.suspension, *(_3(v) for v in row.values),
             *((_3(row.score),) if score else ()), _share(row.first_share),
             _share(row.place_shares[-1]))
            for row in ranking.rows
        ],
    )  # fmt: skip
    for out in ranking.unranked:
        say(f"Not ranked: {out.run}: {out.reason}.")


def _say_differences(figure: FigureComparison, level: float) -> None:
    if not figure.differences:
        return
    log = figure.scale == "log"
    what = "ratio" if log else f"difference{_unit(figure.definition.unit)}"
    table(
        f"Differences in: {short_words(figure.definition)} ({percent(level)}; {figure.scale} "
        f"scale: {figure.scale_reason}; p and 'apart' by Holm, intervals each for itself; "
        "g: effect size)",
        ("first", "second", what, "from", "to", "p", "g", "apart", "more units"),
        [_difference(d, log) for d in figure.differences],
    )  # fmt: skip


def _difference(d: Difference, log: bool) -> tuple[str, ...]:
    middle, low, high = (
        (d.ratio, d.ratio_low, d.ratio_high) if log else (d.difference, d.low, d.high)
    )
    p = "–" if not np.isfinite(d.p_holm) else "<0.001" if d.p_holm < 1e-3 else f"{d.p_holm:.3f}"
    g = "–" if not np.isfinite(d.g) else f"{d.g:.1f}"
    more = "–" if not np.isfinite(d.p_holm) else more_units_words(d)
    return (
        d.first, d.second, _3(middle), _3(low), _3(high), p, g,
        "yes" if d.separated else "no", more,
    )  # fmt: skip


def _say_figures(found: Comparison) -> None:
    """Every summing figure of both axes together (of one axis, where there is one only)."""
    chosen = sorted(summing(found), key=lambda f: f.axis != "xy")  # of one axis alone: last
    within = any(np.isfinite(d.within) for f in chosen for d in f.designs)
    rows = [row[: None if within else -1] for f in chosen for row in _rows(f)]
    if rows:
        spreads = "between units and within them" if within else "between units"
        table(
            f"All figures ({percent(found.level)} intervals over units; spreads {spreads})",
            ("figure", "unit", "suspension", "mean", "from", "to", "between",
             *(("within",) if within else ())),
            rows,
        )  # fmt: skip
        for note in notes_on(chosen):
            say(note)


def _rows(figure: FigureComparison) -> Iterator[tuple[str, ...]]:
    axis = "" if figure.axis == "xy" else f" {figure.axis}"
    name = short_words(figure.definition) + axis
    unit = "" if figure.definition.unit == "1" else figure.definition.unit
    for k, d in enumerate(figure.designs):
        yield (
            name if k == 0 else "", unit if k == 0 else "", d.suspension,
            _3(d.mean), _3(d.low), _3(d.high), _spread(d.between, figure),
            _spread(d.within, figure),
        )  # fmt: skip
    for k, b in enumerate(figure.beyond, len(figure.designs)):
        yield (
            name if k == 0 else "", unit if k == 0 else "", b.suspension, f"> {_3(b.least)}",
            "–", "–", "–", "–",
        )  # fmt: skip


def _spread(value: float, figure: FigureComparison) -> str:
    if not np.isfinite(value):
        return "–"
    return f"{100 * value:.1f} %" if figure.scale == "log" else _3(value)


def _say_runs(found: Comparison) -> None:
    per: dict[str, DesignFigure | None] = dict.fromkeys(found.suspensions)
    print()
    for name in per:
        mine = [run for run in found.runs if run.suspension == name]
        units = dict.fromkeys(run.unit for run in mine)
        say(f"{name}: {len(mine)} run{'s' if len(mine) != 1 else ''} of {len(units)} "
            f"unit{'s' if len(units) != 1 else ''} ({', '.join(units)}).")  # fmt: skip
    for (what, reason, mend), names in left_out_together(found).items():
        say(f"Left out: {', '.join(names)}, {what}: {reason}" + (f"; {mend}" if mend else "") + ".")
    for note in found.notes:
        say(f"Mind: {note}.")


def _unit(unit: str) -> str:
    return "" if unit == "1" else f", {unit}"


def _share(share: float) -> str:
    return f"{100 * share:.1f}" if np.isfinite(share) else "–"


def _3(value: float) -> str:
    """Three significant digits, never as a power of ten for ordinary sizes."""
    if not np.isfinite(value):
        return "–"
    size = abs(value)
    if size >= 100 or size == 0:
        return f"{value:.0f}"
    if size < 1e-4:
        return f"{value:.1e}"
    return f"{value:.{2 - int(np.floor(np.log10(size)))}f}"
