"""Parts that pages share: figures with their origin, cautions, definitions, what is missing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from hysteresis.cautions import CAUTIONS
from hysteresis.findings import Findings, Source
from hysteresis.quantities import format_with_uncertainty
from hysteresis.report.drawing import Picture
from hysteresis.report.page import (
    Block,
    Bullets,
    Figure,
    Grid,
    Provenance,
    Section,
    Table,
    Terms,
    Text,
)
from hysteresis.report.words import DEFINITIONS

CLOSING = (
    "Every figure is as good as the readings behind it. Qualified advice decides what is safe, "
    "not this report."
)


def figures(pictures: Iterable[Picture], origin: Provenance) -> tuple[Figure, ...]:
    """Pictures as figures of one origin."""
    return tuple(
        Figure(
            key=p.key.replace(" ", "-").replace("_", "-"), png=p.png, caption=p.caption, alt=p.alt,
            origin=origin, data=p.data,
        )
        for p in pictures
    )  # fmt: skip


def grid(*cells: Sequence[Block]) -> tuple[Grid, ...]:
    """Cells side by side, without empty ones; nothing where all are empty."""
    filled = tuple(tuple(cell) for cell in cells if cell)
    return (Grid(filled),) if filled else ()


def origin_of(findings: Findings, *whats: str) -> Provenance:
    """Where a figure of a run comes from: the named inputs, as far as they are there."""
    chosen = tuple(s for s in findings.sources if s.what in whats)
    return Provenance(findings.run, chosen, findings.command)


def facts(findings: Findings) -> tuple[str, ...]:
    """The line below the title."""
    bench = findings.bench
    return (
        f"suspension: {bench.suspension}",
        f"unit: {bench.unit}",
        f"{bench.ambient_c:g} °C",
        f"tolerance {bench.tolerance.target_mm:g} mm",
    )


def warnings(said: Iterable[str]) -> tuple[Text, ...]:
    """What a reader is to mind, a paragraph each."""
    return tuple(Text(f"Mind: {words}.", "warning") for words in said)


def sentence(words: str) -> str:
    """With a capital letter and a full stop."""
    return f"{words[:1].upper()}{words[1:]}" + ("" if words.endswith(".") else ".")


def cautions_section() -> Section:
    """The cautions, in every page."""
    points = Bullets(tuple(Text(caution) for caution in CAUTIONS))
    return Section("cautions", "Cautions", (points,), "Cautions", "cautions")


def definitions_section(names: Sequence[str], more: Iterable[tuple[str, str]] = ()) -> Section:
    """The definitions of these names, in the order of the list of all, and `more` before them."""
    known = [pair for pair in DEFINITIONS if pair[0] in names]
    return Section("definitions", "Definitions", (Terms((*more, *known)),), "Definitions")


def missing_section(findings: Findings, whats: Sequence[str] | None = None) -> tuple[Section, ...]:
    """What is still missing and how to come by it; no section where nothing is."""
    found = [m for m in findings.missing if whats is None or m.key in whats]
    if not found:
        return ()
    items = []
    for part in found:
        lead = f"{sentence(part.what)} To mend that: "
        if part.mend.startswith("hysteresis "):
            items.append(Text(lead, code=part.mend, tail="."))
        else:
            items.append(Text(f"{lead}{part.mend}."))
    return (Section("missing", "Still missing", (Bullets(tuple(items)),), "Still missing"),)


def origin_section(sources: Sequence[Source], software: str, command: str,
                   more: Iterable[Text] = ()) -> Section:  # fmt: skip
    """Inputs with their hashes, software and command."""
    table = Table(
        ("input", "file", "SHA-256"),
        tuple((s.what, s.file, s.sha256) for s in sources),
        "What this report was made from.",
        left=frozenset({0, 1, 2}),
        shape="stack",
    )
    made = (
        Text(f"Made by {software} with ", code=command, tail=".")
        if command
        else Text(f"Made by {software}.")
    )
    return Section("origin", "Origin", (table, made, *more), "Origin")


def model_origin(findings: Findings) -> tuple[Text, ...]:
    """How the model was made."""
    if findings.fitted is None:
        return ()
    made = findings.fitted.provenance
    software = made.get("software", "software not recorded")
    date, recipe = made.get("date", "date not recorded"), made.get("recipe", "not recorded")
    return (Text(f"Model: {software}, {date}, recipe {recipe}."),)


def signed(value: float, decimals: int = 0) -> str:
    """A number with its sign; a rounded zero has none."""
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0 else text.replace("-", "−")


def with_two_u(value: float, u: float, unit: str = "") -> str:
    """A value with two standard uncertainties."""
    return format_with_uncertainty(value, 2.0 * u, unit).replace("-", "−")
