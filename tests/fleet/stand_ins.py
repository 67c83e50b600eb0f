"""Work that is cheap and can go wrong on purpose; in a file of its own, so that workers find it."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from hysteresis.fleet.task import Outcome, Task, sha256


def task(run: str, **options: object) -> Task:
    """A task that tells its run apart from others."""
    return Task("fit", run, {"bench.toml": run.encode()}, **options)  # type: ignore[arg-type]


def digest(task: Task) -> Outcome:
    """The SHA-256 of what went in, as a model of the run."""
    return Outcome(True, {"model.json": sha256(b"".join(task.files.values())).encode()})


def where(task: Task) -> Outcome:
    """Which process did it; it takes a while, so that every worker gets its share."""
    time.sleep(0.05)
    return Outcome(True, plain={"pid": os.getpid(), "threads": os.environ.get("OMP_NUM_THREADS")})


def killed(task: Task) -> Outcome:
    """The run 'bad' kills its worker every time, as the system does when memory runs out."""
    if task.run == "bad":
        os.kill(os.getpid(), signal.SIGKILL)
    return digest(task)


def killed_once(task: Task) -> Outcome:
    """The run 'bad' kills its worker the first time; `task.path` names a file that remembers."""
    if task.run == "bad" and not Path(task.path).exists():
        Path(task.path).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return digest(task)


def breaks(task: Task) -> Outcome:
    """An exception that no work should let out."""
    raise ZeroDivisionError("on purpose")


def asleep(task: Task) -> Outcome:
    """A tenth of a second of waiting, which needs no core."""
    time.sleep(0.1)
    return digest(task)


def for_ever(task: Task) -> Outcome:
    """Tells its process in the file `task.path`, and never ends."""
    Path(task.path).write_text(str(os.getpid()))
    time.sleep(300.0)
    return digest(task)


def bad_news(task: Task) -> Outcome:
    """The run 'bad' breaks, the others are done."""
    return breaks(task) if task.run == "bad" else digest(task)
