"""What does this rig remember, and how far is its model to be trusted? The page of a fit."""

from __future__ import annotations

from hysteresis.findings import Findings
from hysteresis.report.characteristic_parts import characteristic_terms, characteristics_section
from hysteresis.report.drawing import styled
from hysteresis.report.fit_figures import fit_pictures
from hysteresis.report.fit_tables import (
    candidates_table,
    causes_table,
    fit_table,
    parameters_table,
)
from hysteresis.report.measured_sections import memory_sections, quality_sections
from hysteresis.report.memory_figures import memory_pictures
from hysteresis.report.page import Block, Bullets, Heading, Page, Section, Text
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
    sentence,
    warnings,
)
from hysteresis.report.words import fit_verdict

NAMES = ("Return-to-zero error", "Recovered", "Hysteresis", "Reversal value", "Repeatability",
         "Uncertainties and intervals")  # fmt: skip


def fit_page(findings: Findings) -> Page:
    """The measurement, the memory as measured, published figures of both, and the model."""
    verdict = tuple(Text(words, "verdict") for words in fit_verdict(findings))
    with styled():
        body = (
            *characteristics_section(findings),
            *memory_sections(findings),
            *_model(findings),
            *quality_sections(findings),
        )
    return Page(
        question="fit",
        title=f"{findings.bench.name}: what it remembers, and how far to trust its model",
        facts=facts(findings),
        note=findings.note,
        made_at=findings.made_at,
        origin=origin_of(findings, *(s.what for s in findings.sources)),
        sections=(
            Section("short", "In short", (*warnings(findings.warnings), *verdict), "In short"),
            cautions_section(),
            *body,
            *missing_section(findings, ("pattern", "recording", "model")),
            _definitions(findings),
            origin_section(
                findings.sources, findings.software, findings.command, model_origin(findings)
            ),
        ),
    )


def _definitions(findings: Findings) -> Section:
    """Those of the published figures, and ours of what they do not tell."""
    terms = characteristic_terms(findings)
    told = {name.lower() for name, _ in terms}
    return definitions_section([n for n in NAMES if n.lower() not in told], terms)


def _model(findings: Findings) -> tuple[Section, ...]:
    fitted = findings.fitted
    if fitted is None:
        return ()
    both = origin_of(findings, "pattern", "recording", "model")
    told: list[Block] = [Heading("What the data do not tell")]
    if fitted.notes:
        told.append(Bullets(tuple(Text(sentence(note)) for note in fitted.notes)))
    else:
        told.append(Text("The fit found nothing that these data leave open."))
    check = findings.fit_check
    if check is not None:
        told.append(Heading("What the residuals say"))
        if check.says:
            told.append(Bullets(tuple(Text(sentence(words)) for words in check.says)))
        else:
            told.append(Text("No cause that they follow beyond chance."))
    left = figures(fit_pictures(check), both)
    right: list[Block] = [*figures(memory_pictures(fitted), origin_of(findings, "model"))]
    right += fit_table(fitted)
    blocks = (*grid(left, right), *candidates_table(fitted), *told, *causes_table(fitted))
    title = "The model, and how far to trust it"
    return (Section("model", title, (*blocks, *parameters_table(fitted)), "The model"),)
