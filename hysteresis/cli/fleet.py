"""`hysteresis fleet`: a folder of many runs measured, fitted and compared in one go."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

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

if TYPE_CHECKING:
    from hysteresis.fleet.rounds import Row
    from hysteresis.fleet.store import Store
    from hysteresis.fleet.task import Engine

SOME_FAILED, STOPPED = 1, 130


def command(
    folder: Annotated[
        Path, typer.Argument(help="Folder with run folders in it or below it.", metavar="FOLDER")
    ],
    workers: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=1024,
            help="Worker processes on this machine; as many as it has cores if unsaid.",
        ),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            help="Work on an existing cluster instead: address of its dask scheduler "
            "(extra: pip install 'hysteresis[cluster]').",
            metavar="tcp://HOST:PORT",
        ),
    ] = None,
    memory: Annotated[
        str, typer.Option(help="auto, or one memory by name, as in hysteresis fit.")
    ] = "auto",
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
    out: Annotated[
        Path | None, typer.Option(help="Folder for results and comparison; FOLDER/fleet if unsaid.")
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Work out every run anew; implies --force.")
    ] = False,
    force: Annotated[
        bool,
        typer.Option("--force", help="Write over files of the runs that were not made here."),
    ] = False,
) -> None:
    """Measure, fit and compare every run below a folder, many at a time.

    A run is a folder with a bench.toml. Where it has no recording.csv, its camera_log.csv or
    typed.csv is measured; model.json is written as `fit` writes it. A model that was fitted to
    the run's files is taken as it is. Results are kept in FOLDER/fleet: given again after a stop
    or a fault, the same command goes on where it was, and works out anew what has changed. The
    results are the same to the last bit however many workers there are, also on a cluster with
    processors of the same kind. The comparison is that of `hysteresis compare`, with its options,
    in FOLDER/fleet: comparison.html, the report, comparison.json and tables.

    A run that fails does not stop the others; the table of runs, also in runs.csv, says why it
    did. Exit code: 0 all runs have a result, 1 some have none, 2 nothing could be begun or kept,
    130 stopped by Ctrl-C or told to end.

    \b
    Examples:
      hysteresis fleet runs
      hysteresis fleet runs --workers 8 --path tile.ngc --scale 0.5
      hysteresis fleet runs --by return_to_zero:2 --by drive_for_full_scale:1
      hysteresis fleet runs --scheduler tcp://10.0.0.5:8786
    """
    from datetime import UTC, datetime

    from hysteresis.cli.console import say
    from hysteresis.cli.fit import refuse_unknown_memory
    from hysteresis.compare import check_level
    from hysteresis.errors import InputError
    from hysteresis.fleet.find import find_runs
    from hysteresis.fleet.rounds import Row, Stopped, fit_runs
    from hysteresis.fleet.side_by_side import check_asked
    from hysteresis.fleet.store import open_store

    refuse_unknown_memory(memory)
    if workers is not None and scheduler is not None:
        raise InputError(
            "--workers and --scheduler are both given", mend="a cluster has its own workers"
        )
    asked = asked_path(path, pause_s, feed_mm_s, scale, rotate_deg, x_mm, y_mm, fit)
    check_level(level, seed)
    place = out or folder / "fleet"
    found = find_runs(folder, place)
    if asked is not None:
        check_asked(asked, [run for _, run in found.runs])  # now rather than after an hour
    engine = _engine(workers, scheduler, len(found.runs))
    store = open_store(place)
    folders = dict(found.runs)
    stamp = datetime.now(UTC).isoformat(timespec="seconds")
    try:
        with _ended_as_by_ctrl_c(), _progress("Fitting") as told:
            rows = fit_runs(
                found.runs, store, engine,
                memory=memory, stamp=stamp, force=force, again=again, told=told,
            )  # fmt: skip
        rows += [Row(name, "failed", float("nan"), why) for name, why in found.troubles]
        rows.sort(key=lambda row: row.run)
        _say_rows(rows)
        _write_rows(rows, store)
        options = {"asked": asked, "by": tuple(by or ()), "level": level, "seed": seed}
        with _ended_as_by_ctrl_c():
            _compare(rows, folders, store, engine, again, options)
    except Stopped as stopped:
        _leave(stopped.finished, stopped.wanted)
    bad = [row for row in rows if not row.fine]
    if bad:
        print()
        say(
            f"{len(bad)} of {len(rows)} runs have no result; mend them, and give the same command "
            "again: the others are kept."
        )
        raise typer.Exit(SOME_FAILED)


def _engine(workers: int | None, scheduler: str | None, runs: int) -> Engine:
    from hysteresis.cli.console import say
    from hysteresis.fleet.cluster import check_cluster, dask
    from hysteresis.fleet.here import cores, processes

    if scheduler is None:
        return processes(max(1, min(workers or cores(), runs)))
    threads, note = check_cluster(scheduler)
    print(f"Working on {scheduler}, {threads} at a time.")
    if note:
        say(f"Note: {note}.")
    return dask(scheduler)


def _say_rows(rows: Sequence[Row]) -> None:
    from hysteresis.cli.console import table

    table(
        "Runs",
        ("run", "state", "seconds", "reason"),
        [
            (row.run, row.state, "–" if row.seconds != row.seconds else f"{row.seconds:.1f}",
             row.reason)
            for row in rows
        ],
    )  # fmt: skip


def _write_rows(rows: Sequence[Row], store: Store) -> None:
    """The same table as runs.csv, for a spreadsheet."""
    import numpy as np

    from hysteresis.files import write_table

    texts = {
        name: np.array([getattr(row, name) for row in rows], dtype=object)
        for name in ("run", "state", "reason")
    }
    seconds = np.array([row.seconds for row in rows])
    columns = {"run": texts["run"], "state": texts["state"], "seconds": seconds,
               "reason": texts["reason"]}  # fmt: skip
    write_table(store.path / "runs.csv", columns, decimals={"seconds": 2})


def _compare(
    rows: list[Row],
    folders: dict[str, Path],
    store: Store,
    engine: Engine,
    again: bool,
    options: dict[str, Any],
) -> None:
    """The comparison of what has a result; where none is possible, one sentence says why."""
    import shlex
    import sys

    from hysteresis.cli.compare_words import say_comparison
    from hysteresis.cli.console import say
    from hysteresis.compare.files import write_comparison
    from hysteresis.errors import DataError, InputError
    from hysteresis.fleet.side_by_side import compare_rows
    from hysteresis.report import write_compare

    print()
    try:
        with _progress("Comparing") as told:
            found = compare_rows(
                rows, folders, store, engine, again=again, told=told, **options,
                command=shlex.join(["hysteresis", *sys.argv[1:]]),
            )  # fmt: skip
    except (InputError, DataError) as error:
        asked = options["asked"]
        if asked is not None and getattr(error, "file", None) == str(asked.path):
            raise
        if isinstance(error, InputError) and options["by"] and error.value in options["by"]:
            raise  # a figure to rank by that is not there
        say(f"No comparison: {str(error).split(';')[0].rstrip('.')}.")
        return
    files = write_comparison(store.path, found, force=True)  # this folder is the fleet's own
    files += write_compare(found, store.path / "comparison.html", overwrite=True)
    say_comparison(found, files)


@contextmanager
def _ended_as_by_ctrl_c() -> Iterator[None]:
    """A request to end (SIGTERM) ends the workers first, as Ctrl-C does."""
    import signal
    import threading

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextmanager
def _progress(description: str) -> Iterator[Callable[[int, int], None]]:
    """A bar with the time left on stderr; where that is no terminal, a line now and then."""
    import sys
    from time import monotonic

    begin = monotonic()
    if not sys.stderr.isatty():
        print(f"{description} …", file=sys.stderr, flush=True)
        last = begin

        def line(finished: int, wanted: int) -> None:
            nonlocal last
            if 0 < finished < wanted and monotonic() - last > 10.0:
                last = monotonic()
                text = f"{description}: {finished} of {wanted}, {_left(begin, finished, wanted)} …"
                print(text, file=sys.stderr, flush=True)

        yield line
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}"), BarColumn(), TextColumn("{task.fields[count]}"),
        TimeElapsedColumn(), TextColumn("{task.fields[left]}"),
    )  # fmt: skip
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task(description, total=None, count="", left="")

        def move(finished: int, wanted: int) -> None:
            left = _left(begin, finished, wanted) if finished < wanted else ""
            count = f"{finished} of {wanted}"
            bar.update(task, total=max(wanted, 1), completed=finished, count=count, left=left)

        yield move


def _left(begin: float, finished: int, wanted: int) -> str:
    """The time left at the pace so far, in words."""
    from time import monotonic

    if not finished:
        return "time left not known yet"
    seconds = (monotonic() - begin) / finished * (wanted - finished)
    if seconds < 90:
        return f"about {max(seconds, 1):.0f} s left"
    return (
        f"about {seconds / 60:.0f} min left" if seconds < 5400 else f"{seconds / 3600:.1f} h left"
    )


def _leave(finished: int, wanted: int) -> NoReturn:
    import sys

    print(
        f"hysteresis: stopped after {finished} of {wanted} runs; what is finished is kept, and "
        "the same command goes on from there.",
        file=sys.stderr,
    )
    raise SystemExit(STOPPED)
