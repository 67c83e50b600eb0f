"""Which suspension, and is software enough? The page of a comparison of designs."""

from __future__ import annotations

from pathlib import Path

from hysteresis.compare.results import Comparison, FigureComparison
from hysteresis.compare.words import percent, summing
from hysteresis.findings import SIMULATED, Source
from hysteresis.report.compare_figures import (
    dots_picture,
    loops_picture,
    path_picture,
    recovery_picture,
)
from hysteresis.report.compare_tables import (
    differences_table,
    figure_name,
    figures_tables,
    forecasts_table,
    left_out_table,
    path_table,
    ranking_table,
    runs_table,
)
from hysteresis.report.drawing import styled
from hysteresis.report.page import Block, Bullets, Grid, Heading, Page, Provenance, Section, Text
from hysteresis.report.parts import (
    cautions_section,
    definitions_section,
    figures,
    grid,
    origin_section,
    sentence,
    warnings,
)

MOST_DOTS = 10  # panels of figures beside the deciding one


def compare_page(found: Comparison, command: str = "") -> Page:
    """Verdict, the deciding figure, differences, small multiples, every figure, runs."""
    origin = Provenance("", _sources(found), command or found.command)
    with styled():
        body = (
            *_deciding(found, origin),
            *_multiples(found, origin),
            *_every(found, origin),
            _runs(found),
        )
    units = len({(r.suspension, r.unit) for r in found.runs})
    note = SIMULATED if all(r.simulated for r in found.runs) else ""
    if found.simulated and not note:
        note = "Some of these runs were simulated on the virtual bench: the table of runs says it"
    return Page(
        question="compare",
        title=f"Side by side: {', '.join(found.suspensions)}",
        facts=(
            f"{len(found.runs)} runs of {units} units",
            f"tolerance {found.tolerance_mm:g} mm",
            f"level {percent(found.level)}",
        ),
        note=note,
        made_at=found.made_at,
        origin=origin,
        sections=(
            _in_short(found),
            cautions_section(),
            *body,
            _definitions(found),
            origin_section(origin.sources, found.software, origin.command),
        ),
    )


def _sources(found: Comparison) -> tuple[Source, ...]:
    runs = [
        Source(f"recording of {r.label}", f"{Path(r.folder).name}/recording.csv",
               r.recording_sha256)
        for r in found.runs
    ]  # fmt: skip
    path = found.path
    own = () if path is None else (Source("own path", Path(path.file).name, path.sha256),)
    return (*own, *runs)


def _in_short(found: Comparison) -> Section:
    blocks: list[Block | Grid] = [Text(found.verdict.text, "verdict")]
    if found.path is not None:
        blocks.append(path_table(found.path, found.level))
    elif found.ranking is not None and _ranked(found):
        blocks.append(ranking_table(found.ranking, found.level))
    blocks += warnings(note.rstrip(".") for note in found.notes)
    return Section("short", "In short", tuple(blocks), "In short")


def _ranked(found: Comparison) -> bool:
    """Whether there is more than one design to rank."""
    ranking = found.ranking
    return ranking is not None and (len(ranking.rows) > 1 or bool(ranking.unranked))


def _deciding(found: Comparison, origin: Provenance) -> tuple[Section, ...]:
    blocks: list[Block | Grid] = []
    if found.path is not None:
        blocks += figures([path_picture(found.path)], origin)
        blocks += differences_table(
            found.path.after, found.level, found.path.across, "error on the path, hardware "
            "against software",
        )  # fmt: skip
        blocks.append(forecasts_table(found.path))
        if found.ranking is not None and _ranked(found):
            blocks.append(ranking_table(found.ranking, found.level))
    if found.ranking is not None:
        deciding = found.ranking.deciding
        if found.path is None:
            blocks += figures([dots_picture("deciding", [deciding])], origin)
        blocks += differences_table(deciding, found.level)
        blocks += [
            Text(sentence(f"Not ranked: {out.run}: {out.reason}"), "warning")
            for out in found.ranking.unranked
        ]
    if not blocks:
        return ()
    return (Section("deciding", "What decides", tuple(blocks), "What decides"),)


def _multiples(found: Comparison, origin: Provenance) -> tuple[Section, ...]:
    shown = figures((*loops_picture(found), *recovery_picture(found)), origin)
    if not shown:
        return ()
    cells = grid(*((figure,) for figure in shown))
    return (Section("multiples", "The memories on equal axes", cells, "On equal axes"),)


def _every(found: Comparison, origin: Provenance) -> tuple[Section, ...]:
    every = summing(found)
    if not every:
        return ()
    shown = _varied(every)
    chart = figures([dots_picture("designs", shown, len(every) - len(shown))], origin)
    means, spreads = figures_tables(found, every)
    blocks: tuple[Block | Grid, ...] = (means, *grid(chart, (spreads,)))
    return (Section("all", "Every figure of every design", blocks, "Figures"),)


def _varied(every: list[FigureComparison]) -> list[FigureComparison]:
    """At most `MOST_DOTS` figures, those first in which designs differ."""
    apart = [f for f in every if any(d.separated for d in f.differences)]
    rest = [f for f in every if f not in apart]
    chosen = [*apart, *rest][:MOST_DOTS]
    return [f for f in every if f in chosen]


def _runs(found: Comparison) -> Section:
    blocks: list[Block | Grid] = [runs_table(found), *left_out_table(found)]
    if found.methods:
        blocks.append(Heading("How it was compared"))
        blocks.append(Bullets(tuple(Text(sentence(words)) for words in found.methods)))
    return Section("runs", "The runs, and what was left out", tuple(blocks), "Runs")


def _definitions(found: Comparison) -> Section:
    told = {f.key: f.definition for f in summing(found)}
    if found.ranking is not None:
        told.setdefault(found.ranking.deciding.key, found.ranking.deciding.definition)
    terms = tuple(
        (sentence(figure_name(d)).rstrip("."), f"{sentence(d.words)} {d.formula}. {d.source}.")
        for d in told.values()
    )
    return definitions_section((), terms)
