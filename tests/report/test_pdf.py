"""Every page as PDF: what it says can be read back, fonts are inside, nothing leaves the sheet."""

from __future__ import annotations

import re
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader
from report_pages import COMMAND, EVIL, LONG, QUESTIONS, page, pdf

from hysteresis.cautions import CAUTIONS
from hysteresis.report.page import Grid, Table, Text
from hysteresis.report.pdf import MARGIN_MM, render_pdf

A4_PT = (595.28, 841.89)  # 210 mm × 297 mm, ISO 216, in points of 1/72 inch


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    return {question: pdf(question) for question in QUESTIONS}


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


@cache
def letters(base: str) -> tuple[dict[int, str], Any, int]:
    """Signs, widths and the size of the square of the DejaVu file that a font is a part of."""
    import matplotlib
    from fontTools.ttLib import TTFont

    bold = "-Bold" if "Bold" in base else ""
    family = "DejaVuSerif" if "Serif" in base else "DejaVuSans"
    if "Mono" in base:
        family = "DejaVuSansMono"
    file = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / f"{family}{bold}.ttf"
    font = TTFont(file)
    return font.getBestCmap(), font["hmtx"], font["head"].unitsPerEm


def width_pt(words: str, base: str, size: float) -> float:
    """Width of a line by the advances of the font's own letters."""
    signs, widths, square = letters(base)
    return size * sum(widths[signs.get(ord(c), ".notdef")][0] for c in words) / square


def outside(data: bytes) -> tuple[list[str], int]:
    """Lines that leave the margins at the left or the right, and how many lines there are."""
    margin = (MARGIN_MM - 0.5) * 72 / 25.4
    out, count = [], 0
    for sheet in PdfReader(BytesIO(data)).pages:

        def seen(text: str, matrix: Any, place: Any, font: Any, size: float) -> None:
            nonlocal count
            words = text.rstrip()
            if not words.strip():
                return
            count += 1
            x = place[4]
            end = x + width_pt(words.strip("\n"), str(font["/BaseFont"]), size)
            if x < margin or end > A4_PT[0] - margin:
                out.append(words)

        sheet.extract_text(visitor_text=seen)
    return out, count


@pytest.mark.parametrize("question", QUESTIONS)
def test_no_text_leaves_the_sheet(files, question: str) -> None:
    out, count = outside(files[question])
    assert count > 80 and out == []


def test_a_text_that_leaves_the_sheet_would_be_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """The check itself: captions set half as wide again reach over the edge."""
    from hysteresis.report import pdf as setter

    usual = setter.lines
    monkeypatch.setattr(setter, "lines", lambda at, text, mm=None: usual(at, text, mm and 1.5 * mm))
    assert outside(render_pdf(page("verify")))[0] != []


def test_names_are_shown_as_they_were_typed(texts) -> None:
    for question in QUESTIONS:
        if question != "compare":
            assert squeezed(EVIL) in texts[question]
        assert LONG in texts[question]


def test_the_same_page_gives_the_same_bytes(files) -> None:
    assert render_pdf(page("verify")) == files["verify"]
