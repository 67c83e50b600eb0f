"""How long does a fleet of runs take on one core, on all cores, and through the distributed engine?

Invented units of every suspension are filmed on the virtual bench with a short pattern (or read by
ruler with --typed) and kept in --folder for the next time. Each way of working measures, fits and
takes the figures of a fresh copy of all runs; the results must be the same bytes, and are compared.

    python -m experiments.fleet_speed --runs 100 --folder fleet-runs
    python -m experiments.fleet_speed --short

Everything it prints of the runs is simulated; the times are those of this machine, with its load
average beside them: on a busy machine they say little.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from hysteresis import virtual_bench
from hysteresis.bench import TEMPLATE, read_bench
from hysteresis.cli.console import table
from hysteresis.files import write_atomic
from hysteresis.fleet.cluster import dask
from hysteresis.fleet.find import find_runs
from hysteresis.fleet.here import cores, in_process, processes
from hysteresis.fleet.inputs import fit_task
from hysteresis.fleet.rounds import Row, fit_runs
from hysteresis.fleet.software import processor
from hysteresis.fleet.store import open_store
from hysteresis.fleet.task import Engine
from hysteresis.fleet.work import MADE, work
from hysteresis.plan.characterise import characterisation
from hysteresis.plan.reading_steps import reading_steps
from hysteresis.table_files import write_camera_log, write_pattern, write_typed_sheet

STAMP = "2026-01-01T00:00:00+00:00"
"""One date for all models, so that whole files can be compared."""
READINGS = 16
LOG_DECIMALS = {"t_s": 6, "u_px": 3, "v_px": 3, "weight": 2}


@dataclass(frozen=True)
class Pass:
    """One way of working through all runs. `sum_s`: sum over the runs of the time each took."""

    name: str
    seconds: float
    sum_s: float
    failed: int
    load: tuple[float, float]
    results: dict[str, bytes]


def make_runs(folder: Path, count: int, minutes: float, typed: bool) -> Path:
    """The invented runs, made where they are not there yet; the folder that holds them."""
    place = folder / (f"typed-{READINGS}" if typed else f"filmed-{minutes:g}-min")
    names = tuple(virtual_bench.SUSPENSIONS)
    for k in range(count):
        suspension, unit = names[k % len(names)], 1 + k // len(names)
        run = place / f"{unit:03d}-{suspension}"
        if not (run / "simulated.txt").exists():
            make_run(run, suspension, unit, minutes, typed)
    return place


def make_run(run: Path, suspension: str, unit: int, minutes: float, typed: bool) -> None:
    """Film one invented unit, or read it by ruler."""
    run.mkdir(parents=True, exist_ok=True)
    text = re.sub(r"(?m)^suspension = \S+", f'suspension = "{suspension}"', TEMPLATE)
    write_atomic(run / "bench.toml", re.sub(r"(?m)^unit = \S+", f'unit = "{unit}"', text))
    bench = read_bench(run / "bench.toml")
    pattern = reading_steps(bench, READINGS) if typed else characterisation(bench, minutes)
    write_pattern(run / "pattern.csv", pattern)
    rig = virtual_bench.make_rig(bench, suspension, unit)
    played = virtual_bench.play(
        rig, pattern.t_s, pattern.drive_x, pattern.drive_y, beam=pattern.beam
    )
    if typed:
        sheet = virtual_bench.read_with_ruler(played, pattern, bench, unit)
        write_typed_sheet(run / "typed.csv", sheet, decimals={"t_s": 1, "x_mm": 2, "y_mm": 2})
    else:
        log = virtual_bench.photograph(played, bench, unit)
        write_camera_log(run / "camera_log.csv", log, decimals=LOG_DECIMALS)
    write_atomic(run / "simulated.txt", "This run was played on the virtual bench.\n")


def worked_through(name: str, source: Path, count: int, engine: Engine, memory: str) -> Pass:
    """Every run anew, in a copy that holds nothing but what was measured."""
    with tempfile.TemporaryDirectory(prefix="fleet-speed-") as place:
        folder = Path(place) / "runs"
        for run in sorted(source.iterdir())[:count]:
            shutil.copytree(run, folder / run.name)
        store = open_store(Path(place) / "results")
        found = find_runs(folder, store.path)
        load = os.getloadavg()[0]
        begin = time.perf_counter()
        rows = fit_runs(
            found.runs, store, engine, stamp=STAMP, memory=memory,
            told=lambda finished, wanted: said(name, begin, finished, wanted),
        )  # fmt: skip
        seconds = time.perf_counter() - begin
        results = {
            f"{run}/{file}": (path / file).read_bytes()
            for run, path in found.runs for file in MADE if (path / file).exists()
        } | {f"{row.run}/figures": repr(row.plain).encode() for row in rows}  # fmt: skip
    return Pass(name, seconds, sum(r.seconds for r in rows if r.seconds == r.seconds),
                len(told_of(rows)), (load, os.getloadavg()[0]), results)  # fmt: skip


def told_of(rows: list[Row]) -> list[Row]:
    """The runs that failed, which are named."""
    bad = [row for row in rows if not row.fine]
    for row in bad:
        print(f"{row.run}: {row.reason}")
    return bad


def said(name: str, begin: float, finished: int, wanted: int) -> None:
    """A line now and then, for whoever waits."""
    if finished and finished % 10 == 0:
        print(f"{name}: {finished} of {wanted}, {time.perf_counter() - begin:.0f} s",
              file=sys.stderr, flush=True)  # fmt: skip


@contextmanager
def cluster_here(workers: int) -> Iterator[str]:
    """A scheduler and workers of the distributed engine on this machine; the address."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=":0"
    ) as cluster:
        yield cluster.scheduler_address


def main() -> None:
    """Print the table."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--runs", type=int, default=100)
    ask.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "fleet-runs")
    ask.add_argument("--memory", default="both", help="as in hysteresis fit")
    ask.add_argument("--minutes", type=float, default=2.0, help="of the filmed pattern")
    ask.add_argument("--typed", action="store_true", help="readings by ruler, not a camera")
    ask.add_argument("--workers", type=int, default=cores(), help="of the second and third way")
    ask.add_argument("--no-cluster", action="store_true")
    ask.add_argument("--short", action="store_true", help="one run by ruler, here and in a worker")
    chosen = ask.parse_args()
    many = f"{chosen.workers} workers"
    ways = [("1 worker", processes(1)), (many, processes(chosen.workers))]
    if chosen.short:
        chosen.runs, chosen.typed, chosen.no_cluster, chosen.memory = 1, True, True, "auto"
        ways = [("1 worker", processes(1)), ("in this process", in_process)]
    source = make_runs(chosen.folder, chosen.runs, chosen.minutes, chosen.typed)
    if not chosen.short:
        first = sorted(source.iterdir())[0]
        work(fit_task("warm", first, {}, memory=chosen.memory, stamp=STAMP, force=True))  # compiles
    passes = [
        worked_through(name, source, chosen.runs, engine, chosen.memory) for name, engine in ways
    ]
    if not chosen.no_cluster:
        with cluster_here(chosen.workers) as address:
            passes.append(worked_through(
                f"distributed, {many}", source, chosen.runs, dask(address), chosen.memory
            ))  # fmt: skip
    report(passes, chosen.runs)
    if any(one.results != passes[0].results for one in passes):
        raise SystemExit("The results are NOT the same.")


def report(passes: list[Pass], runs: int) -> None:
    """Times, speed-up, and whether all files are the same."""
    base = passes[0]
    print(f"{runs} invented runs; {cores()} cores ({processor()}); times in s, wall clock")
    table(
        "Simulated runs measured, fitted and figured",
        ("way", "time", "per run", "speed-up", "sum of runs", "failed", "load before", "after",
         "bytes as 1 worker"),
        [
            (one.name, f"{one.seconds:.1f}", f"{one.seconds / runs:.2f}",
             f"{base.seconds / one.seconds:.2f}", f"{one.sum_s:.1f}", one.failed,
             f"{one.load[0]:.1f}", f"{one.load[1]:.1f}",
             "the same" if one.results == base.results else "OTHERS")
            for one in passes
        ],
    )  # fmt: skip
    size = sum(map(len, base.results.values()))
    print(f"Compared: {len(base.results)} files and lists of figures, {size / 2**20:.1f} MB each.")


if __name__ == "__main__":
    main()
