"""`hysteresis compare`: several suspensions, several units of each; which one, and is software
enough?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def command(
    runs: Annotated[
        list[Path],
        typer.Argument(
            help="Run folders, two or more; bench.toml names suspension and unit.", metavar="RUN…"
        ),
    ],
    out: Annotated[Path, typer.Option(help="Folder to write to; is made where it is not there.")],
    path: Annotated[
        Path | None,
        typer.Option(
            help="Your own toolpath (CSV, RS-274, SVG, DXF, job file): the error on it is "
            "foretold by every run's model, before and after compensation."
        ),
    ] = None,
    by: Annotated[
        list[str] | None,
        typer.Option(
            help="Figure to rank by, as KEY, KEY.AXIS or KEY:WEIGHT; repeat it for an order, or "
            "with weights for a score. Default: error left on the path, else return_to_zero.",
            metavar="KEY[:WEIGHT]",
        ),
    ] = None,
    pause_s: Annotated[
        float, typer.Option(min=0.0, help="With --path: rest between pattern and path, seconds.")
    ] = 30.0,
    feed_mm_s: Annotated[
        float | None, typer.Option(help="With --path: feed where it gives none, mm/s.")
    ] = None,
    scale: Annotated[float, typer.Option(help="With --path: its scale.")] = 1.0,
    rotate_deg: Annotated[
        float, typer.Option(help="With --path: its turn, counter-clockwise.")
    ] = 0.0,
    x_mm: Annotated[float, typer.Option(help="With --path: its shift along x.")] = 0.0,
    y_mm: Annotated[float, typer.Option(help="With --path: its shift along y.")] = 0.0,
    fit: Annotated[
        bool,
        typer.Option(
            "--fit", help="With --path: put it at the field's centre, smaller if it must be."
        ),
    ] = False,
    level: Annotated[float, typer.Option(help="Level of intervals and of every decision.")] = 0.95,
    seed: Annotated[int, typer.Option(help="Of the draws that tell how sure each place is.")] = 1,
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
    from hysteresis.compare import PathAsked, compare
    from hysteresis.compare.files import check_folder, write_comparison
    from hysteresis.compensate.job import PathOptions
    from hysteresis.files import check_readable
    from hysteresis.paths.placement import Placement
    from hysteresis.report import refuse_targets, write_compare

    check_folder(out, force)
    page = out / "comparison.html"
    refuse_targets(page, pdf=pdf, data=data, overwrite=force, makes_folder=True, question="compare")
    asked = None
    if path is not None:
        check_readable(path)
        placement = Placement(scale, rotate_deg, x_mm, y_mm, None, fit)
        words = "as in its file" if placement.plain else (
            f"scale {scale:g}, turned {rotate_deg:g}°, shifted {x_mm:g}, {y_mm:g} mm"
            + (", fitted to the field" if fit else "")
        )  # fmt: skip
        asked = PathAsked(path, PathOptions(placement, feed_mm_s=feed_mm_s), pause_s, words)
    with progress("Comparing", total=len(runs) * (2 if path is None else 3)) as advance:
        found = compare(
            runs, asked=asked, by=tuple(by or ()), level=level, seed=seed,
            command=shlex.join(["hysteresis", *sys.argv[1:]]), told=advance,
        )  # fmt: skip
        files = write_comparison(out, found, force=force)
        files += write_compare(found, page, pdf=pdf, data=data, overwrite=force)
    say_comparison(found, files)
