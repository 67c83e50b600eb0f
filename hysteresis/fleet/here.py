"""The work on this machine: in this process, or spread over worker processes.

A worker that is ended from outside (out of memory, as a rule) takes its pool with it. What was
being worked on then is tried once more, one run at a time, so that the one at fault is known.

This file imports nothing heavy: a worker reads it before it settles how many threads numpy has.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context
from multiprocessing.connection import Connection
from types import TracebackType

from hysteresis.fleet.task import Engine, Outcome, Results, Task, Work, failed

ENDED = "its worker was ended twice, as the system does when memory runs out"
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


def cores() -> int:
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def in_process(tasks: Iterable[Task], work: Work) -> Results:
    """One task after the other in this process."""
    for task in tasks:
        yield task, work(task)


def processes(workers: int) -> Engine:
    """An engine of so many worker processes, each with one thread for linear algebra."""

    def engine(tasks: Iterable[Task], work: Work) -> Results:
        waiting = iter(tasks)
        more = True
        while more:
            suspects: list[Task] = []
            with _Pool(workers) as pool:
                running: dict[Future[Outcome], Task] = {}
                while not suspects:
                    while more and len(running) < workers:
                        task = next(waiting, None)
                        more = task is not None
                        if task is not None:
                            try:
                                running[pool.submit(work, task)] = task
                            except BrokenProcessPool:  # a worker ended while it was idle
                                suspects.append(task)
                                break
                    if not running:
                        break
                    finished, _ = wait(running, return_when=FIRST_COMPLETED)
                    for future in finished:
                        task = running.pop(future)
                        outcome = _outcome(future)
                        if outcome is None:
                            suspects.append(task)
                        else:
                            yield task, outcome
                if suspects:
                    suspects += running.values()
            for task in suspects:
                yield task, _alone(task, work)

    return engine


def _alone(task: Task, work: Work) -> Outcome:
    with _Pool(1) as pool:
        return _outcome(pool.submit(work, task)) or failed(ENDED)


def _outcome(future: Future[Outcome]) -> Outcome | None:
    """What a worker gave back; None where it was ended."""
    try:
        return future.result()
    except BrokenProcessPool:
        return None
    except Exception as error:  # what cannot be sent to a worker or back
        return failed(f"unexpected: {type(error).__name__}: {error}")


class _Pool:
    """A pool whose workers end at once when it is left, and when this process is gone.

    Each worker watches the reading end of a pipe that only this process can write to: its end
    is the worker's end, whatever ended it (a kill of this process cannot be caught otherwise).
    """

    def __init__(self, workers: int) -> None:
        context = get_context("spawn")  # the same everywhere, and nothing inherited by chance
        self._reading, self._lifeline = context.Pipe(duplex=False)
        self._pool = ProcessPoolExecutor(
            workers, mp_context=context, initializer=_begin, initargs=(self._reading,)
        )

    def submit(self, work: Work, task: Task) -> Future[Outcome]:
        with _without_ctrl_c():  # workers start in here
            return self._pool.submit(work, task)

    def __enter__(self) -> _Pool:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self._lifeline.close()
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._reading.close()


@contextmanager
def _without_ctrl_c() -> Iterator[None]:
    """What starts in here never hears of Ctrl-C, from its first moment; here it comes later.

    It is for the parent, which ends the workers. A worker could refuse it only once it runs.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(lifeline: Connection) -> None:
    """What a worker does first."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ.update(dict.fromkeys(_THREADS, "1"))  # of this worker alone
    threading.Thread(target=_watch, args=(lifeline,), daemon=True).start()


def _watch(lifeline: Connection) -> None:
    try:
        lifeline.recv_bytes()
    except (EOFError, OSError):
        os._exit(1)
