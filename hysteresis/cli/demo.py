"""`hysteresis demo`: the whole job on simulated rigs, in an invented workshop."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hysteresis.run_folder import RunFolder

MARK = "made-by-hysteresis-demo.txt"
NOTE = "Simulated: an invented workshop, rig and job"
PAUSE_S = "30"


@dataclass(frozen=True)
class _Rig:
    """One invented rig of the demo: how it hangs, how it is measured, what the table calls it."""

    folder: str
    suspension: str
    plan: tuple[str, ...]
    virtual: tuple[str, ...]
    measured: str


_RIGS = (
    _Rig(
        "thread", "braided-thread", ("--kind", "characterisation", "--minutes", "4", "--no-wav"),
        (), "4 minutes of camera",
    ),
    _Rig(
        "elastic", "elastic-band", ("--kind", "reading-steps", "--readings", "40", "--no-wav"),
        ("--typed",), "40 readings by ruler",
    ),
)  # fmt: skip


def command(
    out: Annotated[Path, typer.Option(help="Folder for the demo's runs.")] = Path("demo-run"),
    seed: Annotated[int, typer.Option(min=0, help="Number of the simulated units.")] = 1,
) -> None:
    """Go through the whole job on simulated rigs: plan, measure, fit, compensate, verify.

    A community workshop exposes layered tiles and gaskets with two home-built tracers; rigs,
    workshop and job are invented. What each command says is kept in commands.txt.

    \b
    Example:
      hysteresis demo --out demo-run
    """
    import time

    from hysteresis.cli.console import say_cautions, table
    from hysteresis.errors import InputError
    from hysteresis.files import write_atomic
    from hysteresis.paths.example_job import layered_tile_job
    from hysteresis.run_folder import RunFolder

    began = time.monotonic()
    if out.exists() and not (out / MARK).exists():
        raise InputError(
            "this folder was not made by the demo and is left alone",
            file=out, mend="choose another one with --out",
        )  # fmt: skip
    out.mkdir(parents=True, exist_ok=True)
    write_atomic(out / MARK, f"{NOTE}. Delete the whole folder at will.\n")
    write_atomic(out / "commands.txt", "")
    job = out / "layered_tile.ngc"
    write_atomic(job, layered_tile_job(layers=6, duration_s=45.0))
    print(f"{NOTE}.")
    print("A workshop exposes layered tiles; after every layer the beam parks at one side.\n")
    for rig in _RIGS:
        print(f"{rig.suspension}, measured by {rig.measured}:")
        _one_rig(out, rig, job, seed)
    rows = [
        cell
        for rig in _RIGS
        for cell in _rows(RunFolder(out / rig.folder), rig)
    ]  # fmt: skip
    table(
        f"{NOTE}: error on the layered tile, mm",
        ("suspension", "measured by", "figure", "before", "after", "times less"),
        rows,
    )
    print(f"\nThis took {time.monotonic() - began:.0f} s. Open the reports:")
    for rig in _RIGS:
        print(f"  {out / rig.folder / 'report.html'}")
    print()
    say_cautions()


def _one_rig(out: Path, rig: _Rig, job: Path, seed: int) -> None:
    from hysteresis.bench_template import TEMPLATE
    from hysteresis.cli.console import progress
    from hysteresis.files import write_atomic
    from hysteresis.run_folder import RunFolder

    folder = RunFolder(out / rig.folder)
    folder.path.mkdir(exist_ok=True)
    text = TEMPLATE.replace('name = "bench one"', 'name = "workshop tile tracer (invented)"')
    text = text.replace('suspension = "thread" ', f'suspension = "{rig.suspension}" ')
    text = text.replace("sample_rate_hz = 48000", "sample_rate_hz = 16000")
    if "--typed" in rig.virtual:
        text = text[: text.index("# Without a camera")] + text[text.rindex("[tolerance]") :]
    write_atomic(folder.bench_toml, text)
    run, simulated = str(folder.path), ("--suspension", rig.suspension, "--seed", str(seed))
    steps = [
        ("plan", run, *rig.plan),
        ("virtual", run, *simulated, *rig.virtual),
        ("measure", run),
        ("fit", run),
        ("compensate", run, str(job), "--pause-s", PAUSE_S),
        *(
            ("virtual", run, *simulated, "--play", str(drive), "--pause-s", PAUSE_S,
             "--out", str(spots))
            for drive, spots in (
                (folder.drive_plain_wav, folder.plain_csv),
                (folder.drive_wav, folder.compensated_csv),
            )
        ),
        ("verify", run, "--note", NOTE),
    ]  # fmt: skip
    with progress(f"  {rig.folder}", total=len(steps)) as advance:
        for step in steps:
            _say_and_run((*step, "--force"), out / "commands.txt")
            advance()


def _say_and_run(words: tuple[str, ...], log: Path) -> None:
    """Run one command of this command line, with what it says kept in a file."""
    import contextlib
    import shlex

    from hysteresis.cli import STOPPED, app

    line = shlex.join(("hysteresis", *words))
    print(f"  $ {line}", flush=True)
    with log.open("a", encoding="utf-8") as file:
        print(f"$ {line}", file=file, flush=True)
        try:
            with contextlib.redirect_stdout(file), contextlib.redirect_stderr(file):
                app(list(words), standalone_mode=False)
        except SystemExit as stop:
            if stop.code != STOPPED:
                raise
            raise KeyboardInterrupt from None  # said in the log only: say it on the terminal too
        print(file=file)


def _rows(folder: RunFolder, rig: _Rig) -> list[tuple[str, ...]]:
    """Before, after and ratio of the path's bias and rms, from the files that were written."""
    from hysteresis.findings import gather
    from hysteresis.report.words import row_cells

    played = gather(folder).played
    assert played is not None
    short = {"rms": "rms", "worst": "farthest", "bias": "shift"}  # one word: a line stays whole
    return [
        (rig.suspension, rig.measured, short[row.key], *row_cells(row)[1:])
        for row in played.rows
        if row.key in short
    ]
