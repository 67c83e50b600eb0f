"""The runs of a fleet compared: figures from the store, forecasts on a path by the engine."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path, PurePosixPath

from hysteresis.bench import Bench
from hysteresis.characteristics.figure import Pair
from hysteresis.compare import PathAsked, compare_opened
from hysteresis.compare.results import Comparison, LeftOut, PathForecast
from hysteresis.compare.runs import OpenedRun, open_runs
from hysteresis.compensate.job import PathOptions
from hysteresis.errors import InputError
from hysteresis.files import check_readable
from hysteresis.fleet.rounds import Row, Told, forecast_on
from hysteresis.fleet.store import Store
from hysteresis.fleet.task import Engine, Task
from hysteresis.fleet.work import pair_from_plain
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
    path: Path | None = None,
    pause_s: float = 30.0,
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

    asked = None if path is None else PathAsked(path, PathOptions(), pause_s)
    return compare_opened(opened, figures, foretold=foretold, asked=asked, command=command)


def _forecast_task(
    name: str, run: OpenedRun, asked: PathAsked, content: dict[str, bytes]
) -> Task:  # fmt: skip
    files = {
        file.name: file.read_bytes()
        for file in (run.folder.bench_toml, run.folder.pattern_csv, run.folder.recording_csv,
                     run.folder.model_json)
    }  # fmt: skip
    return Task(
        "forecast", name, files | content, path=f"path/{asked.path.name}", pause_s=asked.pause_s
    )


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
