"""Writes a page as HTML, beside it as PDF, and the data of its figures as CSV."""

from __future__ import annotations

from pathlib import Path

from hysteresis.errors import InputError
from hysteresis.files import write_atomic
from hysteresis.report.figure_data import csv_text, rows_of
from hysteresis.report.html import data_name, render_html
from hysteresis.report.page import Page
from hysteresis.report.pdf import PRODUCER
from hysteresis.run_folder import RecheckFolder, RunFolder, refuse_overwrite

PAGES = ("report", "fit_report", "recheck_report", "comparison")
# by what a page, its PDF and the data of its figures are known
_MARKS = {".html": b"<!doctype html>", ".pdf": PRODUCER.encode(), ".csv": b"# figure "}
_MOST_READ = 8_000_000


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
    if target.suffix.lower() != ".html":
        raise InputError("a report is an HTML page", file=target, mend="end its name with .html")
    if not makes_folder and not target.parent.is_dir():
        raise InputError("the folder to write to does not exist", file=target, mend="make it first")
    for path in targets(target, pdf=pdf):
        _refuse(path, overwrite)
    if data is not None and data.exists() and not data.is_dir():
        raise InputError("a file stands where the folder of the data is to be", file=data,
                         mend="choose another name")  # fmt: skip
    if data is not None and question and data.is_dir():
        for path in sorted(data.glob(f"{question}_*.csv")):
            if path.name not in _names_of_a_run():
                _refuse(path, overwrite)


def _refuse(path: Path, overwrite: bool) -> None:
    """Complain where a file is not to be written over; --force is for reports and their data only.

    A link is followed, as the writing does: what counts is the file that would be lost.
    """
    if path.is_dir():
        raise InputError("this is a folder", file=path, mend="name a file to write")
    refuse_overwrite(path, overwrite)
    real = path.resolve()
    if real.name in _names_of_a_run() or real.suffix.lower() != path.suffix.lower():
        raise InputError(
            f"this is the name of another file of a run ({real.name})", file=path,
            mend="choose another name for the report",
        )  # fmt: skip
    if path.is_file() and real.stem not in PAGES and not _ours(real):
        raise InputError(
            "this file is no report, nor data of one, and is kept even with --force", file=path,
            mend="choose another name, or remove it",
        )  # fmt: skip


def _names_of_a_run() -> frozenset[str]:
    """Names of the files of a run, without those of its pages."""
    run = RunFolder(Path("run"))
    found = {
        getattr(of, name).name
        for of in (run, RecheckFolder(Path("run/recheck"), run))
        for name, kind in vars(type(of)).items()
        if isinstance(kind, property)
    }
    return frozenset(name for name in found if Path(name).stem not in PAGES)


def _ours(path: Path) -> bool:
    """Whether an existing file is a page of this toolkit or the data of one of its figures."""
    with open(path, "rb") as handle:
        content = handle.read(_MOST_READ if path.suffix.lower() == ".pdf" else 64)
    mark = _MARKS[path.suffix.lower()]
    return mark in content if path.suffix.lower() == ".pdf" else content.startswith(mark)


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
        _refuse(path, overwrite)
    content: list[tuple[Path, bytes | str]] = [(target, render_html(page))]
    if pdf:
        from hysteresis.report.pdf import render_pdf

        content.append((target.with_suffix(".pdf"), render_pdf(page)))
    if data is not None:
        data.mkdir(parents=True, exist_ok=True)
    for path, text in (*content, *tables.items()):
        write_atomic(path, text, overwrite=overwrite)
    return tuple(path for path, _ in (*content, *tables.items()))
