"""All runs of a folder: what is known already is taken from the store, the rest goes to an engine.

Only this side writes. A result is kept before the run's own files are written, so the next start
goes on from there.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from hysteresis.errors import HysteresisError, InputError
from hysteresis.files import write_atomic
from hysteresis.fleet.cluster import ClusterLost
from hysteresis.fleet.inputs import fit_task
from hysteresis.fleet.software import software
from hysteresis.fleet.store import Store
from hysteresis.fleet.task import Engine, Outcome, Results, Task, Work, sha256
from hysteresis.fleet.work import MADE, work

State = Literal["done", "as before", "failed", "not done"]
Told = Callable[[int, int], None]
"""Called with how many of how many pieces of work are finished."""


@dataclass(frozen=True)
class Row:
    """How one run fared. `seconds`: of its worker, when it was worked out; NaN where it was not.

    `plain`: what was found, as JSON holds it (see `work`).
    """

    run: str
    state: State
    seconds: float
    reason: str = ""
    plain: dict[str, Any] | None = None

    @property
    def fine(self) -> bool:
        """Whether there is a result."""
        return self.state in ("done", "as before")


class Stopped(Exception):
    """Ctrl-C: the work was ended, what was finished is kept. `finished` of `wanted` pieces."""

    def __init__(self, finished: int, wanted: int) -> None:
        super().__init__(f"{finished} of {wanted}")
        self.finished, self.wanted = finished, wanted


def fit_runs(
    runs: Sequence[tuple[str, Path]],
    store: Store,
    engine: Engine,
    *,
    stamp: str,
    memory: str = "auto",
    force: bool = False,
    again: bool = False,
    told: Told = lambda finished, wanted: None,
    work: Work = work,
) -> list[Row]:
    """Measure, fit and take the figures of every run; one row each, in the order given.

    `force`: write over files that were not made here. `again`: take nothing from the store, and
    `force`. Raises Stopped at Ctrl-C, and OSError when results cannot be kept.
    """
    folders = dict(runs)
    over = force or again

    def task(run: str) -> Task:
        return fit_task(
            run, folders[run], store.made(run), memory=memory, stamp=stamp, force=over
        )  # fmt: skip

    def place(run: str, outcome: Outcome) -> None:
        _place(run, folders[run], outcome, store, over)

    rows = _all(list(folders), task, place, store, engine, again, told, work)
    return [rows[run] for run in folders]


def forecast_on(
    names: Sequence[str],
    task: Callable[[str], Task],
    store: Store,
    engine: Engine,
    *,
    again: bool = False,
    told: Told = lambda finished, wanted: None,
    work: Work = work,
) -> dict[str, Row]:
    """Work out tasks that write nothing into a run, such as forecasts; rows by name."""
    return _all(names, task, lambda run, outcome: None, store, engine, again, told, work)


def _all(
    names: Sequence[str],
    task_of: Callable[[str], Task],
    place: Callable[[str, Outcome], None],
    store: Store,
    engine: Engine,
    again: bool,
    told: Told,
    work: Work,
) -> dict[str, Row]:
    rows: dict[str, Row] = {}
    nothing = float("nan")

    def finish(run: str, outcome: Outcome, good: State) -> None:
        rows[run] = Row(run, "failed", outcome.seconds, outcome.reason)
        if outcome.done:
            try:
                place(run, outcome)
            except InputError as error:
                rows[run] = Row(run, "failed", outcome.seconds, _sentence(error))
            except OSError as error:
                if error.errno in (errno.ENOSPC, errno.EDQUOT):
                    raise  # no other run would fare better
                reason = f"cannot be written to: {(error.strerror or str(error)).lower()}"
                rows[run] = Row(run, "failed", outcome.seconds, reason)
            else:
                rows[run] = Row(run, good, outcome.seconds, "", outcome.plain)

    def asked(run: str) -> Task | None:
        try:
            return task_of(run)
        except HysteresisError as error:
            rows[run] = Row(run, "failed", nothing, _sentence(error))
            return None

    waiting = []
    for run in names:
        task = asked(run)
        if task is not None:
            known = None if again else store.read(task.key(software()))
            if known is None:
                waiting.append(run)
            else:
                finish(run, known, "as before")

    def fresh() -> Iterator[Task]:
        for run in waiting:  # read anew: contents are held only while they are worked on
            task = asked(run)
            if task is not None:
                yield task

    finished = 0
    told(finished, len(waiting))
    lost = ""
    results = engine(fresh(), work) if waiting else _none()
    try:
        with closing(results):
            for task, outcome in results:
                if outcome.done or outcome.lasting:
                    store.write(task.key(software()), task, outcome, software())
                finish(task.run, outcome, "done")
                finished += 1
                told(finished, len(waiting))
    except KeyboardInterrupt:
        raise Stopped(finished, len(waiting)) from None
    except ClusterLost as error:
        lost = str(error)
    for run in names:
        rows.setdefault(run, Row(run, "not done", nothing, lost or "no result came back"))
    return rows


def _none() -> Results:
    """No engine is started where there is nothing to do."""
    yield from ()


def _place(run: str, folder: Path, outcome: Outcome, store: Store, over: bool) -> None:
    """Write a run's new files, those of the person's only when they are to be written over."""
    made = store.made(run)
    news = {}
    for name in MADE:
        data = outcome.files.get(name)
        if data is None:
            continue
        path = folder / name
        there = path.read_bytes() if path.is_file() else None
        if there == data:
            continue
        if path.exists() and not over and (
            there is None or sha256(there) not in made.get(name, [])
        ):  # fmt: skip
            raise InputError(
                "the file exists and is kept", file=name,
                mend="add --force to write it anew, or take it out of the run",
            )  # fmt: skip
        news[name] = data
    for name, data in news.items():
        store.note_made(run, name, data)
        write_atomic(folder / name, data)


def _sentence(error: HysteresisError) -> str:
    return str(error).rstrip(".")
