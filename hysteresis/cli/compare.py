"""`hysteresis compare`: several suspensions, several units of each; which one, and is software
enough?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hysteresis.cli.compare_asked import (
    PAUSE_S,
    By,
    FeedMmS,
    Fit,
    Level,
    OwnPath,
    PauseS,
    RotateDeg,
    Scale,
    Seed,
    XMm,
    YMm,
    asked_path,
)


def command(
    runs: Annotated[
        list[Path],
        typer.Argument(
            help="Run folders, two or more; bench.toml names suspension and unit.", metavar="RUN…"
        ),
    ],
    out: Annotated[Path, typer.Option(help="Folder to write to; is made where it is not there.")],
    path: OwnPath = None,
    by: By = None,
    pause_s: PauseS = PAUSE_S,
    feed_mm_s: FeedMmS = None,
    scale: Scale = 1.0,
    rotate_deg: RotateDeg = 0.0,
    x_mm: XMm = 0.0,
    y_mm: YMm = 0.0,
    fit: Fit = False,
    level: Level = 0.95,
    seed: Seed = 1,
    pdf: Annotated[bool, typer.Option("--pdf", help="Write the report as PDF, too.")] = False,
    data: Annotated[
        Path | None,
        typer.Option(help="Folder for the data behind each figure, as CSV.", metavar="DIR"),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over an older comparison.")] = False,
) -> None:
    """Compare suspensions by the runs of their units, and say which one and whether software is
    enough.

    Several runs of one unit show the spread within it; both axes are two figures of one unit.
    What cannot be compared is named with the reason. Writes comparison.json, tables and
    comparison.html, the report, to --out.

    \b
    Examples:
      hysteresis compare thread-1 thread-2 flexure-1 flexure-2 --out thread-or-flexure
      hysteresis compare runs/* --path tile.ngc --out choice
      hysteresis compare runs/* --by return_to_zero:2 --by drive_for_full_scale:1 --out choice
    """
    import shlex
    import sys

    from hysteresis.cli.compare_words import say_comparison
    from hysteresis.cli.console import progress
    from hysteresis.compare import compare
    from hysteresis.compare.files import check_folder, write_comparison
    from hysteresis.report import refuse_targets, write_compare

    check_folder(out, force)
    page = out / "comparison.html"
    refuse_targets(page, pdf=pdf, data=data, overwrite=force, makes_folder=True, question="compare")
    asked = asked_path(path, pause_s, feed_mm_s, scale, rotate_deg, x_mm, y_mm, fit)
    with progress("Comparing", total=len(runs) * (2 if path is None else 3)) as advance:
        found = compare(
            runs, asked=asked, by=tuple(by or ()), level=level, seed=seed,
            command=shlex.join(["hysteresis", *sys.argv[1:]]), told=advance,
        )  # fmt: skip
        files = write_comparison(out, found, force=force)
        files += write_compare(found, page, pdf=pdf, data=data, overwrite=force)
    say_comparison(found, files)
