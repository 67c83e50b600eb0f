"""A page as PDF on A4, to print and to keep: fonts inside, captions beside the figures."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from hysteresis.report.drawing import AFTER, BEFORE, INK, QUIET, SHADES
from hysteresis.report.page import (
    Bars,
    Block,
    Bullets,
    Figure,
    Grid,
    Heading,
    Page,
    Section,
    Table,
    Terms,
    Text,
)
from hysteresis.report.parts import CLOSING
from hysteresis.report.pdf_table import draw_table, least_height
from hysteresis.report.pdf_text import (
    LEADING,
    MM_PER_PT,
    font,
    height_of,
    lines,
    need,
    plain,
    rgb,
    room,
    shortened,
)

if TYPE_CHECKING:
    from fpdf import FPDF

PRODUCER = "hysteresis report"  # by which a PDF is known as a report
MARGIN_MM, FOOT_MM = 18.0, 17.0
FIGURE_MM, GAP_MM = 106.0, 5.0  # a figure, and the way to the caption at its side
LEAST_SHARE = 0.84  # of a figure's size, where that saves a sheet
BODY_PT, SMALL_PT = 9.5, 7.0


def render_pdf(page: Page) -> bytes:
    """The whole page as PDF; the same page gives the same bytes."""
    with _quiet_fonts():
        pdf = _document(page)
        _head(pdf, page)
        for section in page.sections:
            _section(pdf, section)
        return bytes(pdf.output())


@contextlib.contextmanager
def _quiet_fonts() -> Iterator[None]:
    """Signs that the fonts lack are drawn as boxes; nobody needs a list of them on stderr."""
    loggers = [logging.getLogger(name) for name in ("fpdf", "fontTools")]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.ERROR)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


def _document(page: Page) -> FPDF:
    import matplotlib
    from fpdf import FPDF

    title = plain(page.title)

    class Document(FPDF):
        """A4 with the page's title on top of every sheet but the first, and its number below."""

        def header(self) -> None:
            if self.page_no() > 1:
                font(self, SMALL_PT, colour=QUIET)
                self.set_y(9.0)
                self.cell(0, 4.0, shortened(self, title, self.epw - 2.0 * self.c_margin), align="L")
            self.set_y(MARGIN_MM)

        def footer(self) -> None:
            self.set_y(-12.0)
            font(self, SMALL_PT, colour=QUIET)
            self.cell(self.epw - 20.0, 4.0, CLOSING, align="L")
            self.cell(20.0, 4.0, f"{self.page_no()} / {{nb}}", align="R")

    pdf = Document(format="A4", unit="mm")
    pdf.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
    pdf.set_auto_page_break(True, margin=FOOT_MM)
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for family, style, name in (
        ("sans", "", "DejaVuSans"), ("sans", "B", "DejaVuSans-Bold"),
        ("serif", "B", "DejaVuSerif-Bold"), ("mono", "", "DejaVuSansMono"),
    ):  # fmt: skip
        pdf.add_font(family, style, folder / f"{name}.ttf")
    pdf.set_title(title)
    pdf.set_lang("en")
    pdf.set_producer(PRODUCER)
    pdf.set_creator(plain(page.origin.command) or "hysteresis")
    pdf.set_creation_date(_moment(page.made_at))
    pdf.add_page()
    return pdf


def _moment(made_at: str) -> datetime:
    """The page's own date, so that the same page gives the same file."""
    text = made_at.removesuffix(" UTC")
    with contextlib.suppress(ValueError):
        found = datetime.fromisoformat(text)
        return found if found.tzinfo else found.replace(tzinfo=UTC)
    return datetime.now(UTC)


# ---- parts of the page -------------------------------------------------------------------------


def _head(pdf: FPDF, page: Page) -> None:
    font(pdf, 17, "B", "serif")
    lines(pdf, page.title)
    pdf.ln(1.0)
    font(pdf, 8.5, colour=QUIET)
    lines(pdf, " · ".join((*page.facts, f"made {page.made_at}")))
    if page.note:
        pdf.ln(2.0)
        _aside(pdf, page.note, SHADES[3])


def _aside(pdf: FPDF, text: str, colour: str) -> None:
    """A paragraph with a broad line at its left."""
    font(pdf, BODY_PT)
    pdf.set_x(pdf.l_margin + 4.0)
    height = height_of(pdf, text, pdf.epw - 4.0)
    need(pdf, min(height, 60.0))
    top, sheet = pdf.get_y(), pdf.page_no()
    pdf.set_x(pdf.l_margin + 4.0)
    lines(pdf, text, pdf.epw - 4.0)
    if pdf.page_no() == sheet:
        pdf.set_fill_color(*rgb(colour))
        pdf.rect(pdf.l_margin, top, 1.2, pdf.get_y() - top, style="F")
    pdf.ln(1.5)


def _section(pdf: FPDF, section: Section) -> None:
    need(pdf, max(40.0, _opening_height(pdf, section)))
    pdf.ln(5.0)
    if section.kind == "cautions":
        _cautions(pdf, section)
        return
    pdf.set_fill_color(*rgb(SHADES[3]))
    pdf.rect(pdf.l_margin, pdf.get_y(), 9.0, 0.8, style="F")
    pdf.ln(1.8)
    _title(pdf, section)
    for block in section.blocks:
        for cell in block.cells if isinstance(block, Grid) else ((block,),):
            for part in cell:
                _block(pdf, part)


def _opening_height(pdf: FPDF, section: Section) -> float:
    """From the heading to the end of the first figure or the first rows of a table, if any."""
    height = 16.0
    for block in section.blocks[:2]:
        first = block.cells[0][0] if isinstance(block, Grid) and block.cells[0] else block
        if isinstance(first, Text):
            font(pdf, BODY_PT)
            height += height_of(pdf, first.words, pdf.epw) + 1.5
            continue
        if isinstance(first, Figure):
            return height + LEAST_SHARE * _size(pdf, first)[1]
        if isinstance(first, Table):
            return height + least_height(first)
        break
    return 0.0


def _title(pdf: FPDF, section: Section) -> None:
    font(pdf, 12.5, "B", "serif")
    pdf.start_section(plain(section.title))
    lines(pdf, section.title)
    pdf.ln(1.2)


def _cautions(pdf: FPDF, section: Section) -> None:
    """A frame of its own, whole on one sheet."""
    texts = [t.words for b in section.blocks if isinstance(b, Bullets) for t in b.items]
    font(pdf, BODY_PT)
    inner = pdf.epw - 10.0
    height = sum(height_of(pdf, text, inner - 4.0) + 0.8 for text in texts) + 13.0
    need(pdf, height)
    top = pdf.get_y()
    pdf.set_draw_color(*rgb(INK))
    pdf.set_line_width(0.5)
    pdf.rect(pdf.l_margin, top, pdf.epw, height)
    margin = pdf.l_margin
    pdf.set_left_margin(margin + 5.0)
    pdf.set_y(top + 3.0)
    _title(pdf, section)
    for text in texts:
        _point(pdf, Text(text), inner)
    pdf.set_left_margin(margin)
    pdf.set_y(top + height)


def _point(pdf: FPDF, text: Text, width_mm: float) -> None:
    font(pdf, BODY_PT)
    told = text.words + text.code + text.tail
    need(pdf, min(height_of(pdf, told, width_mm - 4.0), 60.0))
    pdf.cell(4.0, pdf.font_size_pt * MM_PER_PT * LEADING, "•")
    lines(pdf, told, width_mm - 4.0)
    pdf.ln(0.8)


def _block(pdf: FPDF, block: Block) -> None:
    if isinstance(block, Text):
        _text(pdf, block)
    elif isinstance(block, Heading):
        need(pdf, 16.0)
        pdf.ln(1.5)
        font(pdf, BODY_PT, "B")
        lines(pdf, block.words)
        pdf.ln(0.6)
    elif isinstance(block, Bullets):
        for item in block.items:
            _point(pdf, item, pdf.epw)
        pdf.ln(1.0)
    elif isinstance(block, Terms):
        for name, words in block.pairs:
            need(pdf, 14.0)
            font(pdf, 8.5, "B")
            lines(pdf, name)
            font(pdf, 8.5)
            lines(pdf, words)
            pdf.ln(1.2)
    elif isinstance(block, Table):
        draw_table(pdf, block)
    elif isinstance(block, Bars):
        _bars(pdf, block)
    else:
        _figure(pdf, block)


def _text(pdf: FPDF, text: Text) -> None:
    told = text.words + text.code + text.tail
    if text.kind in ("warning", "note"):
        pdf.ln(1.0)
        _aside(pdf, told, BEFORE["color"] if text.kind == "warning" else SHADES[3])
        return
    font(pdf, 11.0 if text.kind == "verdict" else BODY_PT)
    lines(pdf, told)
    pdf.ln(1.5)


def _bars(pdf: FPDF, bars: Bars) -> None:
    font(pdf, BODY_PT)
    pdf.ln(1.5)
    left = max(pdf.get_string_width(words) for words, *_ in bars.rows) + 3.0
    need(pdf, 6.0 * len(bars.rows) + 3.0)
    for words, value, share, look in bars.rows:
        top = pdf.get_y()
        pdf.cell(left, 5.0, words)
        length = max(0.4, share * 95.0)
        # without colour the lighter one bears a frame, the other is dark
        style = BEFORE if look == "before" else AFTER
        pdf.set_draw_color(*rgb(style["color"]))
        pdf.set_fill_color(*rgb("#eec993" if look == "before" else style["color"]))
        pdf.set_line_width(0.3)
        pdf.rect(pdf.l_margin + left, top + 0.7, length, 3.6, style="DF")
        pdf.set_xy(pdf.l_margin + left + length + 2.0, top)
        pdf.cell(0, 5.0, value)
        pdf.set_xy(pdf.l_margin, top + 6.0)
    pdf.ln(2.0)


def _figure(pdf: FPDF, figure: Figure) -> None:
    """The picture with its caption at the right; a wide one has it below."""
    side = pdf.epw - FIGURE_MM - GAP_MM
    width, height = _size(pdf, figure)
    caption_mm = pdf.epw if figure.wide else side
    told = _caption_height(pdf, figure, caption_mm)
    if not figure.wide and LEAST_SHARE * height <= room(pdf) < height:
        width, height = width * (room(pdf) - 0.1) / height, room(pdf) - 0.1
    need(pdf, height + told + 2.0 if figure.wide else max(height, told))
    top = pdf.get_y()
    pdf.image(BytesIO(figure.png), pdf.l_margin, top, width, alt_text=plain(figure.alt))
    if figure.wide:
        pdf.set_y(top + height + 2.0)
        _caption(pdf, figure, pdf.l_margin, caption_mm)
        pdf.ln(3.0)
        return
    pdf.set_y(top)
    _caption(pdf, figure, pdf.l_margin + FIGURE_MM + GAP_MM, side)
    pdf.set_y(top + max(height, told) + 4.0)


def _size(pdf: FPDF, figure: Figure) -> tuple[float, float]:
    """Width and height of a picture, mm."""
    from PIL import Image

    with Image.open(BytesIO(figure.png)) as image:
        ratio = image.height / image.width
    width = min(pdf.epw if figure.wide else FIGURE_MM, (pdf.eph - 34.0) / ratio)
    return width, width * ratio


def _caption_height(pdf: FPDF, figure: Figure, width_mm: float) -> float:
    font(pdf, 8.5)
    height = height_of(pdf, figure.caption, width_mm)
    font(pdf, SMALL_PT)
    return height + 1.5 + height_of(pdf, figure.origin.line(), width_mm)


def _caption(pdf: FPDF, figure: Figure, left_mm: float, width_mm: float) -> None:
    font(pdf, 8.5)
    pdf.set_x(left_mm)
    lines(pdf, figure.caption, width_mm)
    font(pdf, SMALL_PT, colour=QUIET)
    pdf.set_xy(left_mm, pdf.get_y() + 1.5)
    lines(pdf, figure.origin.line(), width_mm)
