"""A page as one self-contained HTML file: pictures and data inside, nothing fetched, no scripts."""

from __future__ import annotations

import base64
import re
from typing import TYPE_CHECKING, Any

from hysteresis.report.drawing import AFTER, BEFORE, SHADES
from hysteresis.report.figure_data import EMBEDDED_ROWS, csv_text, rows_of, thinned
from hysteresis.report.page import Figure, Grid, Page
from hysteresis.report.parts import CLOSING

if TYPE_CHECKING:
    from markupsafe import Markup

EMBEDDED_BYTES = 250_000  # of all data inside a page together; they are thinned until they fit


def render_html(page: Page) -> str:
    """The whole page as text. Every text that came from a file is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("hysteresis.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["pieces"] = _pieces
    environment.tests["grid"] = lambda block: isinstance(block, Grid)
    environment.filters["kind_of"] = lambda block: type(block).__name__.lower()
    environment.filters["embedded"] = _embedded
    environment.filters["options"] = _options
    links = _links(page)
    return environment.get_template("page.html").render(
        page=page,
        colours={"before": BEFORE["color"], "after": AFTER["color"], "mark": SHADES[3]},
        links=links,
        closing=CLOSING,
    )


def _pieces(cell: str) -> list[str]:
    """A cell in parts between which a narrow screen may break it: a figure, then its interval."""
    value, bracket, interval = cell.partition(" (")
    return [value, f"({interval}"] if bracket and interval.endswith(")") else [cell]


def _options(text: str) -> Markup:
    """A command whose options are never broken at their hyphens; all of it escaped."""
    from markupsafe import Markup, escape

    return Markup(
        re.sub(r"(?<!\S)--[\w-]+", r'<span class="whole">\g<0></span>', str(escape(text)))
    )


def _embedded(png: bytes) -> str:
    return f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}"


def _links(page: Page) -> dict[str, dict[str, Any]]:
    """A download of the data of each figure, by its key, within the page's bounds."""
    shown = [figure for figure in page.figures() if rows_of(figure.data)]
    most = EMBEDDED_ROWS
    while True:
        found = [(figure, *_csv(figure, most)) for figure in shown]
        if sum(len(text) for _, text, *_ in found) <= EMBEDDED_BYTES or most < 100:
            break
        most = most * 3 // 4
    return {
        figure.key: {
            "name": data_name(page, figure),
            "href": "data:text/csv;charset=utf-8;base64,"
            + base64.b64encode(text.encode("utf-8")).decode("ascii"),
            "rows": rows,
            "all": rows_of(figure.data),
        }
        for figure, text, rows in found
    }


def _csv(figure: Figure, most: int) -> tuple[str, int]:
    data, every = thinned(figure.data, most)
    return csv_text(figure, every, data), rows_of(data)


def data_name(page: Page, figure: Figure) -> str:
    """Name of the file with the data of a figure."""
    return f"{page.question}_{figure.key}.csv"
