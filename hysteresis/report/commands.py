"""One call each by which a command writes its report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from hysteresis.report.write import write_page

if TYPE_CHECKING:
    from hysteresis.compare.results import Comparison
    from hysteresis.recheck.results import QuickUpdate
    from hysteresis.run_folder import RecheckFolder, RunFolder


def write_compare(
    comparison: Comparison,
    target: Path,
    *,
    pdf: bool = False,
    data: Path | None = None,
    command: str = "",
    overwrite: bool = False,
) -> tuple[Path, ...]:
    """Write the page of a comparison as HTML (and PDF, and CSV to `data`); gives the files."""
    from hysteresis.report.compare_page import compare_page

    page = compare_page(comparison, command)
    return write_page(page, target, pdf=pdf, data=data, overwrite=overwrite)


def write_recheck(
    run: RunFolder,
    record: RecheckFolder,
    *,
    update: QuickUpdate | None = None,
    target: Path | None = None,
    pdf: bool = False,
    data: Path | None = None,
    command: str = "",
    overwrite: bool = True,
) -> tuple[Path, ...]:
    """Write the page of a recheck whose files are there already; gives the files written.

    `target`: recheck_report.html of the run if unsaid, which the next recheck writes anew.
    """
    from hysteresis.report.recheck_files import page_of_record

    page = page_of_record(run, record, command=command, update=update)
    return write_page(
        page, target or run.recheck_report_html, pdf=pdf, data=data, overwrite=overwrite
    )
