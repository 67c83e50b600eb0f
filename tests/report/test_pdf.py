"""Every page as PDF: what it says can be read back, fonts are inside, nothing leaves the sheet."""

from __future__ import annotations

import re
from io import BytesIO
from typing import Any

import pytest
from pypdf import PdfReader
from report_pages import COMMAND, EVIL, LONG, QUESTIONS, page

from hysteresis.cautions import CAUTIONS
from hysteresis.report.page import Grid, Table, Text
from hysteresis.report.pdf import render_pdf

A4_PT = (595.28, 841.89)  # 210 mm × 297 mm, ISO 216, in points of 1/72 inch


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    return {question: render_pdf(page(question)) for question in QUESTIONS}


def squeezed(text: str) -> str:
    """Without blanks: where a line is broken is the renderer's affair."""
    return re.sub(r"\s+", "", text)


@pytest.fixture(scope="module")
def texts(files: dict[str, bytes]) -> dict[str, str]:
    return {
        question: squeezed("".join(p.extract_text() for p in PdfReader(BytesIO(data)).pages))
        for question, data in files.items()
    }


@pytest.mark.parametrize("question", QUESTIONS)
def test_verdict_cautions_captions_and_origin_can_be_read_back(texts, question: str) -> None:
    text, made = texts[question], page(question)
    (short,) = (s for s in made.sections if s.key == "short")
    verdicts = [b.words for b in short.blocks if isinstance(b, Text) and b.kind == "verdict"]
    assert verdicts
    for words in (*verdicts, *CAUTIONS, made.note):
        assert squeezed(words) in text, words
    for figure in made.figures():
        assert squeezed(figure.caption) in text and squeezed(figure.origin.line()) in text
    for source in made.origin.sources:
        assert source.sha256 in text
    assert squeezed(COMMAND) in text


@pytest.mark.parametrize("question", QUESTIONS)
def test_every_cell_of_every_table_is_there(texts, question: str) -> None:
    for section in page(question).sections:
        for block in section.blocks:
            cells = block.cells if isinstance(block, Grid) else ((block,),)
            for table in (b for cell in cells for b in cell if isinstance(b, Table)):
                for row in (table.columns, *table.rows):
                    for cell in row:
                        assert squeezed(cell) in texts[question], cell


@pytest.mark.parametrize("question", QUESTIONS)
def test_sheets_are_a4_few_and_light(files, question: str) -> None:
    reader = PdfReader(BytesIO(files[question]))
    assert 3 <= len(reader.pages) <= 16
    assert len(files[question]) < 1_000_000
    for sheet in reader.pages:
        assert (float(sheet.mediabox.width), float(sheet.mediabox.height)) == pytest.approx(
            A4_PT, abs=0.1
        )
    assert reader.metadata is not None and reader.metadata.title
    assert [str(entry["/Title"]) for entry in reader.outline if not isinstance(entry, list)] == [
        section.title for section in page(question).sections
    ]


def fonts_of(reader: PdfReader) -> list[Any]:
    found = {}
    for sheet in reader.pages:
        for name, font in sheet["/Resources"]["/Font"].items():
            found[name] = font.get_object()
    return list(found.values())


@pytest.mark.parametrize("question", QUESTIONS)
def test_every_font_is_inside_and_a_part_only(files, question: str) -> None:
    """ISO 32000-1, 9.6.4 and 9.9: a subset's name has six letters and +, its program a stream."""
    fonts = fonts_of(PdfReader(BytesIO(files[question])))
    assert fonts
    for font in fonts:
        inner = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
        assert re.match(r"/[A-Z]{6}\+", inner["/BaseFont"])
        descriptor = inner["/FontDescriptor"].get_object()
        assert any(key in descriptor for key in ("/FontFile", "/FontFile2", "/FontFile3"))


@pytest.mark.parametrize("question", QUESTIONS)
def test_no_text_leaves_the_sheet(files, question: str) -> None:
    """Every piece of text begins within the margins and would not reach beyond the edge."""
    from hysteresis.report.pdf import MARGIN_MM

    points = 72 / 25.4
    left, right = (MARGIN_MM - 1.5) * points, A4_PT[0] - (MARGIN_MM - 1.5) * points
    pieces = 0
    for sheet in PdfReader(BytesIO(files[question])).pages:

        def seen(text: str, matrix: Any, place: Any, font: Any, size: float) -> None:
            nonlocal pieces
            words = text.strip()
            if not words:
                return
            pieces += 1
            x = matrix[4] * 1.0 + place[4]
            assert left <= x <= right, words
            # letters of DejaVu Sans are on average at least 0.3 of their size wide
            assert x + 0.3 * size * len(words.splitlines()[0]) <= right + 5, words

        sheet.extract_text(visitor_text=seen)
    assert pieces > 50


def test_names_are_shown_as_they_were_typed(texts) -> None:
    for question in QUESTIONS:
        if question != "compare":
            assert squeezed(EVIL) in texts[question]
        assert LONG in texts[question]


def test_the_same_page_gives_the_same_bytes(files) -> None:
    assert render_pdf(page("verify")) == files["verify"]
