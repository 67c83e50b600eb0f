"""The runs of a fleet compared: figures from the store, forecasts on a path by the engine."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path, PurePosixPath

from hysteresis.bench import Bench, read_bench
from hysteresis.characteristics.figure import Pair
from hysteresis.compare import PathAsked, compare_opened
from hysteresis.compare.results import Comparison, LeftOut, PathForecast
from hysteresis.compare.runs import OpenedRun, open_runs
from hysteresis.compensate.job import open_job
from hysteresis.errors import HysteresisError, InputError
from hysteresis.files import check_readable
from hysteresis.fleet.find import BENCH
from hysteresis.fleet.rounds import Row, Told, forecast_on
from hysteresis.fleet.store import Store
from hysteresis.fleet.task import Engine, Task
from hysteresis.fleet.work import pair_from_plain, placement_of
from hysteresis.model import FittedModel
from hysteresis.paths.job_file import read_job
from hysteresis.paths.source import kind_of
from hysteresis.tables import Pattern, Recording

Nothing = Callable[[float], None]


def compare_rows(
    rows: Sequence[Row],
    folders: dict[str, Path],
    store: Store,
    engine: Engine,
    *,
    asked: PathAsked | None = None,
    by: Sequence[str] = (),
    level: float = 0.95,
    seed: int = 1,
    again: bool = False,
    command: str = "",
    told: Told = lambda finished, wanted: None,
) -> Comparison:
    """Compare the runs that have a result, as `hysteresis compare` does.

    Raises InputError where fewer than two can be compared, and for a path that cannot be read.
    """
    fine = [row for row in rows if row.fine]
    opened = open_runs([folders[row.run] for row in fine])
    plain = {folders[row.run]: (row.plain or {}).get("figures", []) for row in fine}
    by_recording = {id(run.recording): plain[run.folder.path] for run in opened.runs}

    def figures(
        pattern: Pattern, recording: Recording, bench: Bench, fitted: FittedModel | None
    ) -> tuple[Pair, ...]:
        return tuple(pair_from_plain(one) for one in by_recording[id(recording)])

    def foretold(
        runs: Sequence[OpenedRun], asked: PathAsked, _: Nothing
    ) -> tuple[list[PathForecast], list[LeftOut]]:
        content = path_content(asked.path)
        named = {str(run.folder.path): run for run in runs if run.fitted is not None}
        found = forecast_on(
            list(named), lambda name: _forecast_task(name, named[name], asked, content), store,
            engine, again=again, told=told,
        )  # fmt: skip
        forecasts, left = [], []
        for name, run in named.items():
            row = found[name]
            if row.fine:
                forecasts.append(PathForecast(
                    label=run.label, suspension=run.suspension, unit=run.unit, **(row.plain or {})
                ))  # fmt: skip
            else:
                left.append(LeftOut(run.label, "error on the own path", row.reason))
        return forecasts, left

    return compare_opened(
        opened, figures, foretold=foretold, asked=asked, by=by, level=level, seed=seed,
        command=command,
    )  # fmt: skip


def _forecast_task(
    name: str, run: OpenedRun, asked: PathAsked, content: dict[str, bytes]
) -> Task:  # fmt: skip
    files = {
        file.name: file.read_bytes()
        for file in (run.folder.bench_toml, run.folder.pattern_csv, run.folder.recording_csv,
                     run.folder.model_json)
    }  # fmt: skip
    return Task(
        "forecast", name, files | content, path=f"path/{asked.path.name}", pause_s=asked.pause_s,
        placement=placement_of(asked.options),
    )  # fmt: skip


def check_asked(asked: PathAsked, folders: Sequence[Path]) -> None:
    """InputError for a path that cannot be read, or leaves the field, before an hour of fitting.

    By the first bench that can be read; one that cannot is told by its run.
    """
    path_content(asked.path)
    for folder in folders:
        try:
            bench = read_bench(folder / BENCH)
        except HysteresisError:
            continue
        for _ in open_job(asked.path, bench, asked.options).blocks():
            break
        return


def path_content(path: Path) -> dict[str, bytes]:
    """A path's file, and those that a job file refers to, by names below 'path/'.

    Raises InputError for what cannot be read, and for a part that lies outside the job's folder.
    """
    check_readable(path)
    found = {f"path/{path.name}": path.read_bytes()}
    if kind_of(path) != "job":
        return found
    for part in read_job(path).settings.parts:
        inside = PurePosixPath(part.file.replace("\\", "/"))
        if inside.is_absolute() or ".." in inside.parts:
            raise InputError(
                "a part of the job lies outside its folder", file=path, value=part.file,
                mend="put it beside the job file: workers get it from there",
            )  # fmt: skip
        file = path.parent / inside
        check_readable(file)
        found[f"path/{inside.as_posix()}"] = file.read_bytes()
    return found
