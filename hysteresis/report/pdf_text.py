"""Words on a sheet: fonts, paragraphs, and how high they are."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hysteresis.report.drawing import INK

if TYPE_CHECKING:
    from fpdf import FPDF

LEADING = 1.38  # line height over size of the letters
MM_PER_PT = 25.4 / 72.0


def plain(text: str) -> str:
    """On one line and without control signs, which no font can draw."""
    return "".join(c if c.isprintable() else " " for c in text)


def font(pdf: FPDF, size: float, style: str = "", family: str = "sans", colour: str = INK) -> None:
    pdf.set_font(family, style, size)
    pdf.set_text_color(*rgb(colour))


def rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def shortened(pdf: FPDF, text: str, width_mm: float) -> str:
    if pdf.get_string_width(text) <= width_mm:
        return text
    while text and pdf.get_string_width(text + "…") > width_mm:
        text = text[:-1]
    return text + "…"


def lines(pdf: FPDF, text: str, width_mm: float | None = None) -> float:
    """Write a paragraph from the left margin or within `width_mm`; gives its height."""
    size = pdf.font_size_pt * MM_PER_PT * LEADING
    top = pdf.get_y()
    pdf.multi_cell(width_mm or 0, size, plain(text), align="L", new_x="LMARGIN", new_y="NEXT")
    return float(pdf.get_y() - top)


def height_of(pdf: FPDF, text: str, width_mm: float) -> float:
    """How high a paragraph would be in the font that is set."""
    size = pdf.font_size_pt * MM_PER_PT * LEADING
    found = pdf.multi_cell(width_mm, size, plain(text), align="L", dry_run=True, output="LINES")
    return size * len(found)  # type: ignore[arg-type]


def room(pdf: FPDF) -> float:
    return float(pdf.page_break_trigger - pdf.get_y())


def need(pdf: FPDF, height_mm: float) -> None:
    """Begin a new sheet where the rest of this one is too short."""
    if height_mm > room(pdf):
        pdf.add_page()
