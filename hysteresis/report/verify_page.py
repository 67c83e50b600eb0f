"""Is the error gone on the own path? The page of a job that was played before and after."""

from __future__ import annotations

from typing import Any

from hysteresis.findings import Findings
from hysteresis.report.drawing import styled
from hysteresis.report.measured_figures import start_pictures
from hysteresis.report.measured_sections import memory_sections, quality_sections
from hysteresis.report.page import Bars, Block, Grid, Page, Section, Table, Text
from hysteresis.report.parts import (
    cautions_section,
    definitions_section,
    facts,
    figures,
    grid,
    missing_section,
    model_origin,
    origin_of,
    origin_section,
    warnings,
)
from hysteresis.report.played_figures import played_pictures
from hysteresis.report.words import measurement_verdict, plain, row_cells, verdict
from hysteresis.verify import Verification

PLAYED = ("wanted path", "played without compensation", "played with compensation")


def verify_page(findings: Findings) -> Page:
    """What playing the path showed; before that, what was measured of the memory."""
    with styled():
        body = _body(findings)
    names = ["Uncertainties and intervals"]
    if findings.played is not None:
        names.append("Error on the traced path")
    if findings.measured is not None:
        names.append("Return-to-zero error")
        if findings.played is None:
            names += ["Recovered", "Hysteresis", "Reversal value", "Repeatability"]
    return Page(
        question="verify",
        title=f"{findings.bench.name}: what compensation leaves on the path",
        facts=facts(findings),
        note=findings.note,
        made_at=findings.made_at,
        origin=origin_of(findings, *(s.what for s in findings.sources)),
        sections=(
            _in_short(findings),
            cautions_section(),
            *body,
            *missing_section(findings),
            definitions_section(names),
            origin_section(
                findings.sources, findings.software, findings.command, model_origin(findings)
            ),
        ),
    )


def _in_short(findings: Findings) -> Section:
    played = findings.played
    blocks: list[Block | Grid] = [*warnings(findings.warnings)]
    blocks += [Text(words, "verdict") for words in verdict(findings)]
    if played is not None:
        blocks += [*_bars(played), _summary(played), *warnings(played.notes), *_forecast(played)]
    return Section("short", "In short", tuple(blocks), "In short")


def _body(findings: Findings) -> tuple[Section, ...]:
    played = findings.played
    if played is None:
        return (*quality_sections(findings), *memory_sections(findings))
    shown = figures(played_pictures(played), origin_of(findings, *PLAYED))
    cells: list[tuple[Block, ...]] = [(figure,) for figure in shown]
    layers = _layers(played)
    if layers:
        cells[-1] += layers
    out = [Section("path", "The path, played", grid(*cells), "The path")]
    starts = figures(start_pictures(findings), origin_of(findings, "pattern", "recording", *PLAYED))
    if starts:
        words = (
            "Each trace begins after a park; what the park leaves is compared here with the "
            "return-to-zero errors that were measured at rest."
        )
        out.append(Section("parks", "After a park", (Text(words), *starts), "After a park"))
    return (*out, *_trust(findings))


def _trust(findings: Findings) -> tuple[Section, ...]:
    """What stands behind these figures, in short; the page of the fit tells it at length."""
    blocks: list[Block] = []
    blocks += [Text(words) for words in measurement_verdict(findings)]
    if findings.fitted is not None:
        blocks.append(
            Text("What the rig remembers, and how far to trust the model of it, is told by ",
                 code=f"hysteresis report {findings.folder} --question fit", tail=".")
        )  # fmt: skip
    if not blocks:
        return ()
    return (Section("trust", "What stands behind it", tuple(blocks), "Trust"),)


def _bars(played: Verification) -> tuple[Bars, ...]:
    """The two rms errors as lengths; none where only one was played."""
    if played.before_figures is None or played.after_figures is None:
        return ()
    before, after = played.before_figures.rms_mm, played.after_figures.rms_mm
    longest = max(before, after, 1e-300)
    return (
        Bars((
            ("not compensated", f"{plain(before)} mm", before / longest, "before"),
            ("compensated", f"{plain(after)} mm", after / longest, "after"),
        )),
    )  # fmt: skip


def _summary(played: Verification) -> Table:
    return Table(
        ("figure", "not compensated", "compensated", "times less"),
        tuple(row_cells(row) for row in played.rows),
        f"Error on the traced path. In brackets: 95 % interval, bootstrap over {played.blocks} "
        f"{played.block_kind}.",
        shape="tall",
    )


def _forecast(played: Verification) -> tuple[Table, ...]:
    told = played.forecast
    if told is None:
        return ()
    before = "–" if played.before_figures is None else plain(played.before_figures.rms_mm)
    after = "–" if played.after_figures is None else plain(played.after_figures.rms_mm)
    low, high = plain(told.after_low_mm), plain(told.after_high_mm)
    interval = f"{plain(told.after_rms_mm)} ({low} … {high})"
    answer = {True: "yes", False: "no", None: "–"}[played.covered]
    return (
        Table(
            ("rms error, mm", "foretold (95 % interval)", "played", "inside"),
            (
                ("not compensated", plain(told.before_rms_mm), before, ""),
                ("compensated", interval, after, answer),
            ),
            "What was foretold before anything was played, and what came.",
            shape="tall",
        ),
    )


def _layers(played: Verification) -> tuple[Table, ...]:
    if len(played.layers) < 2:
        return ()

    def cells(found: Any) -> tuple[str, str, str]:
        if found is None:
            return "–", "–", "–"
        return plain(found.rms_mm), plain(found.bias_mm), plain(found.worst_mm)

    rows = [
        (str(layer.layer + 1), *cells(layer.before), *cells(layer.after)) for layer in played.layers
    ]
    return (
        Table(
            ("layer", "rms before", "shift before", "worst before", "rms after", "shift after",
             "worst after"),
            tuple(rows),
            "Layer by layer, mm.",
        ),
    )  # fmt: skip
