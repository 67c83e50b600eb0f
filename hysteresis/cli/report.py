"""`hysteresis report`: make a run's reports anew, as HTML, as PDF, with the data of the figures."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hysteresis.report.page import Page
    from hysteresis.run_folder import RunFolder

QUESTIONS = ("fit", "verify", "recheck")


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with its bench.toml.", metavar="RUN")],
    question: Annotated[
        str,
        typer.Option(
            help="fit: what does the rig remember, how far to trust its model; verify: is the "
            "error gone on the path; recheck: is the model still right. Default: the latest of "
            "these that the run can answer.",
            metavar="fit|verify|recheck",
        ),
    ] = "",
    out: Annotated[
        Path | None,
        typer.Option(
            help="The HTML page; default: fit_report.html, report.html or recheck_report.html."
        ),
    ] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="Write the report as PDF, too.")] = False,
    data: Annotated[
        Path | None,
        typer.Option(help="Folder for the data behind each figure, as CSV.", metavar="DIR"),
    ] = None,
    note: Annotated[
        str, typer.Option(help="A remark shown on top of the report, such as 'simulated'.")
    ] = "",
    force: Annotated[bool, typer.Option("--force", help="Write over a report.")] = False,
) -> None:
    """Make a report of a run anew from its files, one page per question.

    The page is one HTML file with its pictures and data inside; nothing is fetched from anywhere.
    Designs side by side are reported by: hysteresis compare.

    \b
    Examples:
      hysteresis report my-run --question fit --pdf --force
      hysteresis report my-run --data my-run/figures --force
    """
    import shlex
    import sys

    from hysteresis.cli.console import progress, say_cautions
    from hysteresis.errors import InputError
    from hysteresis.report import refuse_targets, write_page
    from hysteresis.run_folder import open_run

    folder = open_run(run)
    if question and question not in QUESTIONS:
        also = "; for designs side by side: hysteresis compare" if question == "compare" else ""
        raise InputError(
            "there is no such question of one run", value=question,
            mend=f"choose one of {', '.join(QUESTIONS)}{also}",
        )  # fmt: skip
    asked = question or _latest(folder)
    targets = {
        "fit": folder.fit_report_html,
        "verify": folder.report_html,
        "recheck": folder.recheck_report_html,
    }
    target = out or targets[asked]
    refuse_targets(target, pdf=pdf, data=data, overwrite=force, question=asked)
    with progress(f"Report on {asked}", total=2) as advance:
        page = _page(folder, asked, note, shlex.join(["hysteresis", *sys.argv[1:]]))
        advance()
        written = write_page(page, target, pdf=pdf, data=data, overwrite=force)
        advance()
    for path in written:
        print(f"Written: {path}")
    print()
    say_cautions()


def _latest(folder: RunFolder) -> str:
    """The last step of the job whose results are there."""
    played = folder.plain_csv.exists() or folder.compensated_csv.exists()
    if folder.planned_csv.exists() and played:
        return "verify"
    return "fit"


def _page(folder: RunFolder, question: str, note: str, command: str) -> Page:
    if question == "recheck":
        from hysteresis.report.recheck_files import last_recheck, page_of_record

        return page_of_record(folder, last_recheck(folder), command=command, note=note)
    from hysteresis.findings import gather

    if question == "fit":
        from hysteresis.report.fit_page import fit_page

        return fit_page(gather(folder, note=note, command=command, characteristics=True))
    from hysteresis.report.verify_page import verify_page

    return verify_page(gather(folder, note=note, command=command))
