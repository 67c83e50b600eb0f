"""`hysteresis verify`: compare planned, plain and compensated spots, and write the report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hysteresis.findings import Findings


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with its bench.toml.", metavar="RUN")],
    planned: Annotated[
        Path | None, typer.Option(help="Wanted spots; default: planned.csv of the run.")
    ] = None,
    plain: Annotated[
        Path | None,
        typer.Option(help="Spots played without compensation; default: plain.csv of the run."),
    ] = None,
    compensated: Annotated[
        Path | None,
        typer.Option(help="Spots played with compensation; default: compensated.csv of the run."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="The report; default: report.html of the run.")
    ] = None,
    note: Annotated[
        str, typer.Option(help="A remark shown on top of the report, such as 'simulated'.")
    ] = "",
    pdf: Annotated[bool, typer.Option("--pdf", help="Write the report as PDF, too.")] = False,
    data: Annotated[
        Path | None,
        typer.Option(help="Folder for the data behind each figure, as CSV.", metavar="DIR"),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over a report.")] = False,
) -> None:
    """Compare the wanted path with what was played, and report what compensation leaves.

    Works with whatever part of the run is there, and says what is missing. Times of all three
    paths count from the start of the drive.

    \b
    Example:
      hysteresis verify my-run --note "first try after the new thread"
    """
    import shlex
    import sys

    from hysteresis.cli.console import progress, say_cautions
    from hysteresis.findings import gather
    from hysteresis.report import refuse_targets, write_page
    from hysteresis.report.verify_page import verify_page
    from hysteresis.run_folder import open_run

    folder = open_run(run)
    target = out or folder.report_html
    refuse_targets(target, pdf=pdf, data=data, overwrite=force, question="verify")
    with progress("Verifying", total=2) as advance:
        findings = gather(
            folder, planned=planned, plain=plain, compensated=compensated, note=note,
            command=shlex.join(["hysteresis", *sys.argv[1:]]),
        )  # fmt: skip
        advance()
        written = write_page(verify_page(findings), target, pdf=pdf, data=data, overwrite=force)
        advance()
    _print(findings)
    print(f"\nReport: {', '.join(str(path) for path in written if path.parent != data)}")
    if data is not None:
        print(f"Data of the figures: {data}")
    print()
    say_cautions()


def _print(findings: Findings) -> None:
    from hysteresis.cli.console import table
    from hysteresis.report.words import row_cells, verdict

    if findings.note:
        print(findings.note)
    played = findings.played
    if played is not None:
        table(
            f"Error on the traced path ({findings.bench.name}; 95 % intervals over "
            f"{played.blocks} {played.block_kind})",
            ("figure", "not compensated", "compensated", "times less"),
            [row_cells(row) for row in played.rows],
        )
    print()
    for sentence in verdict(findings):
        print(sentence)
    for warning in (*findings.warnings, *(played.notes if played is not None else ())):
        print(f"Mind: {warning}.")
    for part in findings.missing:
        print(f"Missing: {part.what}; {part.mend}")
