"""Sections on the measurement and on the memory as it was measured, without any model."""

from __future__ import annotations

from hysteresis.findings import Findings
from hysteresis.report.measured_figures import measured_pictures
from hysteresis.report.measured_tables import (
    budget_table,
    limits_table,
    loops_table,
    repeats_table,
    returns_table,
    used_rows,
)
from hysteresis.report.page import Block, Figure, Grid, Section, Text
from hysteresis.report.parts import figures, grid, origin_of
from hysteresis.report.quality_figures import quality_pictures


def quality_sections(findings: Findings) -> tuple[Section, ...]:
    """How good the measurement is, and the difficult frames of a film."""
    out = []
    quality = findings.quality
    if quality is not None:
        origin = origin_of(findings, "quality", "recording")
        charts = figures(quality_pictures(quality), origin)
        blocks: tuple[Block | Grid, ...] = (
            Text(quality.verdict),
            *grid(*((chart,) for chart in charts), (limits_table(quality),)),
            *(budget_table(budget) for budget in quality.budgets),
        )
        out.append(Section("quality", "How good is the measurement", blocks, "The measurement"))
    if findings.difficult_frames_png:
        sheet = Figure(
            "difficult-frames", _lighter(findings.difficult_frames_png),
            "Frames that the tracker marked as difficult, each with its reason, as "
            "difficult_frames.png shows them.",
            "Contact sheet of the frames that were difficult to track",
            origin_of(findings, "difficult frames"), wide=True,
        )  # fmt: skip
        out.append(Section("difficult", "Difficult frames of the film", (sheet,), "Frames"))
    return tuple(out)


def _lighter(png: bytes) -> bytes:
    """The same picture in 64 colours, where that is smaller: a page is to stay light."""
    from io import BytesIO

    from PIL import Image

    out = BytesIO()
    with Image.open(BytesIO(png)) as image:
        fewer = image.convert("RGB").quantize(64, dither=Image.Dither.NONE)
    fewer.save(out, format="png", optimize=True)
    return min(png, out.getvalue(), key=len)


def memory_sections(findings: Findings) -> tuple[Section, ...]:
    """The memory, as measured."""
    measured = findings.measured
    if measured is None:
        return ()
    shown = figures(measured_pictures(measured), origin_of(findings, "pattern", "recording"))
    blocks: list[Block | Grid] = [Text(used_rows(measured))]
    if shown:
        blocks += grid(*((figure,) for figure in shown))
    else:
        blocks.append(
            Text("The pattern has no return to zero that was read before and after, and no loops.")
        )
    blocks += [*loops_table(measured), *repeats_table(measured), *returns_table(measured)]
    return (Section("memory", "The memory, as measured", tuple(blocks), "The memory"),)
