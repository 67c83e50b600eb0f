"""Writes a page as HTML, beside it as PDF, and the data of its figures as CSV."""

from __future__ import annotations

from pathlib import Path

from hysteresis.errors import InputError
from hysteresis.files import write_atomic
from hysteresis.report.figure_data import csv_text, rows_of
from hysteresis.report.html import data_name, render_html
from hysteresis.report.page import Page
from hysteresis.run_folder import refuse_overwrite


def targets(target: Path, *, pdf: bool = False) -> tuple[Path, ...]:
    """The files of a page apart from its data: the HTML, and the PDF of the same name."""
    return (target, target.with_suffix(".pdf")) if pdf else (target,)


def refuse_targets(
    target: Path,
    *,
    pdf: bool = False,
    data: Path | None = None,
    overwrite: bool = False,
    makes_folder: bool = False,
    question: str = "",
) -> None:
    """Complain before any work is done where a page cannot be written; InputError.

    `makes_folder`: the command makes the page's folder itself, where it is not there; `question`:
    that of the page, whose older data in `data` are kept.
    """
    if target.suffix.lower() == ".pdf":
        raise InputError(
            "this is the name of the HTML page", file=target,
            mend="end it with .html; --pdf writes the PDF beside it",
        )  # fmt: skip
    if not makes_folder and not target.parent.is_dir():
        raise InputError("the folder to write to does not exist", file=target, mend="make it first")
    for path in targets(target, pdf=pdf):
        refuse_overwrite(path, overwrite)
    if data is not None and data.exists() and not data.is_dir():
        raise InputError("a file stands where the folder of the data is to be", file=data,
                         mend="choose another name")  # fmt: skip
    if data is not None and question and data.is_dir():
        for path in sorted(data.glob(f"{question}_*.csv")):
            refuse_overwrite(path, overwrite)


def write_page(
    page: Page,
    target: Path,
    *,
    pdf: bool = False,
    data: Path | None = None,
    overwrite: bool = False,
) -> tuple[Path, ...]:
    """Write the page and give the files written; nothing is written over unless told to.

    `data`: folder (made if need be) for one CSV per figure with all its rows.
    """
    refuse_targets(target, pdf=pdf, data=data, overwrite=overwrite)
    tables = {
        data / data_name(page, figure): csv_text(figure)
        for figure in page.figures()
        if data is not None and rows_of(figure.data)
    }
    for path in tables:
        refuse_overwrite(path, overwrite)
    content: list[tuple[Path, bytes | str]] = [(target, render_html(page))]
    if pdf:
        from hysteresis.report.pdf import render_pdf

        content.append((target.with_suffix(".pdf"), render_pdf(page)))
    if data is not None:
        data.mkdir(parents=True, exist_ok=True)
    for path, text in (*content, *tables.items()):
        write_atomic(path, text, overwrite=overwrite)
    return tuple(path for path, _ in (*content, *tables.items()))
