"""`hysteresis new`: the folder of a run with a commented bench.toml to fill in."""

from pathlib import Path
from typing import Annotated

import typer


def command(
    run: Annotated[Path, typer.Argument(help="The folder to make.", metavar="RUN")],
    force: Annotated[
        bool, typer.Option("--force", help="Write bench.toml anew where there is one.")
    ] = False,
) -> None:
    """Make a run folder with a commented bench.toml.

    \b
    Example:
      hysteresis new my-run
    """
    from hysteresis.bench_template import TEMPLATE
    from hysteresis.files import write_atomic
    from hysteresis.run_folder import create_run, refuse_overwrite

    refuse_overwrite(run / "bench.toml", force)
    folder = create_run(run)
    write_atomic(folder.bench_toml, TEMPLATE)
    print(f"Wrote {folder.bench_toml}: put in the figures of your rig (those in it are invented).")
    print(f"Then make a pattern to play:  hysteresis plan {run}")
