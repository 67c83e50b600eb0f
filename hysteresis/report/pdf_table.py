"""A table of a page on A4: columns as wide as they need, within the sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from hysteresis.report.drawing import QUIET, RULE
from hysteresis.report.page import Table
from hysteresis.report.pdf_text import LEADING, MM_PER_PT, font, lines, need, plain, rgb

if TYPE_CHECKING:
    from fpdf import FPDF

LEAST_PT = 6.0
WHOLE = 6  # rows: a table of no more is never split


def least_height(table: Table) -> float:
    """Room, mm, below which a table begins on a new sheet: its head and some rows."""
    return 20.0 + 6.0 * min(len(table.rows), WHOLE)


def draw_table(pdf: FPDF, table: Table) -> None:
    """A table no wider than the sheet, its head repeated on every further one."""
    from fpdf.enums import TableBordersLayout
    from fpdf.fonts import FontFace

    size, widths = _column_widths(pdf, table)
    need(pdf, least_height(table))
    pdf.ln(1.0)
    if table.caption:
        font(pdf, 8.5, colour=QUIET)
        lines(pdf, table.caption)
        pdf.ln(0.6)
    font(pdf, size)
    pdf.set_draw_color(*rgb(RULE))
    pdf.set_fill_color(255, 255, 255)  # of the cells: the table takes what is set
    pdf.set_line_width(0.2)
    align = tuple("LEFT" if k in table.left else "RIGHT" for k in range(len(table.columns)))
    settings: dict[str, Any] = {
        "width": min(sum(widths), pdf.epw), "col_widths": tuple(widths),
        "text_align": align, "align": "LEFT",
        "borders_layout": TableBordersLayout.HORIZONTAL_LINES, "padding": (0.5, _PAD_MM),
        "line_height": size * MM_PER_PT * LEADING, "headings_style": FontFace(emphasis="BOLD"),
        "v_align": "TOP", "first_row_as_headings": True,
    }  # fmt: skip
    shade = FontFace(fill_color=rgb("#f3ecf1"))
    bold = FontFace(emphasis="BOLD", fill_color=rgb("#f3ecf1"))
    with pdf.table(**settings) as body:
        body.row([plain(name) for name in table.columns])
        for number, cells in enumerate(table.rows):
            row = body.row(style=shade if number in table.marked else None)
            for k, cell in enumerate(cells):
                row.cell(
                    plain(cell).replace(" … ", _UNBROKEN),
                    style=bold if number in table.marked and k == 0 else None,
                )
    pdf.ln(2.5)


_PAD_MM = 1.3
_UNBROKEN = "\u00a0…\u00a0"  # an interval stays on one line
SHORT = 14  # signs: a cell of no more is not broken
MOST_WHOLE = 45  # signs: a table with longer cells may break them before its letters are tiny


def _parts(text: str) -> list[str]:
    """What a line may hold at least: a short cell, an interval in brackets, else a word."""
    value, bracket, interval = text.partition(" (")
    if bracket and " … " in interval and interval.endswith(")"):
        return [value, f"({interval}"]
    return [text] if len(text) <= SHORT else text.split()


def _column_widths(pdf: FPDF, table: Table) -> tuple[float, list[float]]:
    """Size of the letters and widths of the columns, mm, which together fit the sheet.

    Headings break first, then letters get smaller, and at last the widest columns give way, down
    to their longest word.
    """
    # a hair more than measured, so that rounding never breaks a line that fits
    spare = 2.0 * _PAD_MM + 0.6
    columns = [[row[k] for row in table.rows] for k in range(len(table.columns))]

    def widest(texts: list[str]) -> float:
        return max((pdf.get_string_width(plain(text)) for text in texts), default=0.0) + spare

    def fitted(least: list[float], wish: list[float]) -> list[float]:
        share = (pdf.epw - sum(least)) / max(sum(wish) - sum(least), 1e-9)
        return [a + min(share, 1.0) * (b - a) for a, b in zip(least, wish, strict=True)]

    for size in (8.5, 8.0, 7.5, 7.0, 6.5, LEAST_PT):
        font(pdf, size, "B")
        head = [widest(name.split()) for name in table.columns]
        body = [max(widest(c), h) for c, h in zip(columns, head, strict=True)]
        if sum(body) <= pdf.epw:
            whole = [max(b, widest([n])) for b, n in zip(body, table.columns, strict=True)]
            return size, fitted(body, whole)
        words = [
            max(widest([w for text in c for w in _parts(text)]), h)
            for c, h in zip(columns, head, strict=True)
        ]
        wordy = any(len(text) > MOST_WHOLE for column in columns for text in column)
        if sum(words) <= pdf.epw and (size <= 6.5 or (wordy and size <= 7.5)):
            return size, fitted(words, body)
    return LEAST_PT, [pdf.epw * w / sum(words) for w in words]
