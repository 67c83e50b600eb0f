"""The work on an existing cluster, through dask `distributed` (extra `cluster`).

Workers need this toolkit in the same version and no shared disk: contents go and come over the
network. A result counts only where the software is the same as here.
"""

from __future__ import annotations

import contextlib
import functools
import logging
import re
import socket
import warnings
from collections.abc import Iterable, Iterator
from typing import Any

from hysteresis.errors import InputError
from hysteresis.fleet.software import differences, processor, software
from hysteresis.fleet.task import Engine, Outcome, Results, Task, Work, failed

CONNECT_S = 5.0
"""How long a scheduler may take to answer."""
AHEAD = 2  # tasks on their way for each thread of the cluster, so that none waits for the next
_ADDRESS = re.compile(r"(tcp|tls)://(\[[0-9a-fA-F:.]+\]|[\w.-]+):(\d{1,5})")


class ClusterLost(Exception):
    """The scheduler went away; the message says so in words."""


def check_address(address: str) -> None:
    """InputError for what is no address of a scheduler."""
    found = _ADDRESS.fullmatch(address)
    if found is None or not 0 < int(found[3]) < 65_536:
        raise InputError(
            "--scheduler takes the address of a scheduler", value=address,
            mend="write it as tcp://HOST:PORT, as the scheduler says it when it starts",
        )  # fmt: skip


def dask(address: str) -> Engine:
    """An engine on the cluster of this scheduler.

    Raises InputError (when work begins) where `distributed` is missing, the scheduler does not
    answer, or a worker has other software; ClusterLost when the scheduler goes away.
    """
    check_address(address)

    def engine(tasks: Iterable[Task], work: Work) -> Results:
        with _quiet(), _client(address) as client:
            yield from _through(client, address, tasks, work)

    return engine


def check_cluster(address: str) -> tuple[int, str]:
    """Connect and leave again: how many threads the workers have, and what to mind ('' nothing).

    Raises InputError as the engine does, before anything is begun.
    """
    check_address(address)
    with _quiet(), _client(address) as client:
        return _checked(client, address)


@contextlib.contextmanager
def _client(address: str) -> Iterator[Any]:
    try:
        from distributed import Client
    except ImportError as error:
        raise InputError(
            "--scheduler needs the package distributed, which is not installed",
            mend="install it with: pip install 'hysteresis[cluster]'",
        ) from error
    try:
        host, _, port = address.partition("://")[2].rpartition(":")
        # refused at once where nobody listens; the client would go on trying
        socket.create_connection((host.strip("[]"), int(port)), timeout=CONNECT_S).close()
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except Exception as error:  # time out, refused, no such host, something else that answers
        raise InputError(
            "no scheduler answers at this address", value=address,
            mend="check that it runs (dask scheduler) and that its port can be reached from here",
        ) from error  # fmt: skip
    try:
        yield client
    finally:
        with contextlib.suppress(Exception):
            client.close(timeout=CONNECT_S)


def _checked(client: Any, address: str) -> tuple[int, str]:
    """Threads of the cluster, and what to mind; InputError for other software or no workers."""
    workers = client.scheduler_info(n_workers=-1)["workers"]
    if not workers:
        raise InputError(
            "this scheduler has no workers", value=address,
            mend=f"start some: dask worker {address} --nthreads 1",
        )  # fmt: skip
    try:
        there = client.run(about_worker)
    except ModuleNotFoundError as error:
        raise InputError(
            f"a worker lacks {error.name}", value=address,
            mend="install the same version of hysteresis where the workers run, and restart them",
        ) from error  # fmt: skip
    except Exception as error:
        raise InputError(
            f"the workers do not answer as they should: {type(error).__name__}: {error}",
            value=address, mend="check that they run the same version of hysteresis as here",
        ) from error  # fmt: skip
    for worker, (theirs, _) in sorted(there.items()):
        unlike = differences(software(), theirs)
        if unlike:
            raise _other_software(unlike, worker)
    others = sorted({kind for _, kind in there.values()} - {processor()})
    note = ""
    if others:
        note = (
            f"workers have another processor ({', '.join(others)}) than this machine "
            f"({processor()}): results may differ from those made here in their last digits"
        )
    return sum(int(about["nthreads"]) for about in workers.values()), note


def _other_software(unlike: str, worker: str) -> InputError:
    return InputError(
        f"a worker has other software: {unlike}", value=worker,
        mend="install the same versions there, and restart it: results would not be the same",
    )  # fmt: skip


def about_worker() -> tuple[dict[str, str], str]:
    """Asked of each worker: its software and its processor."""
    return software(), processor()


def _through(client: Any, address: str, tasks: Iterable[Task], work: Work) -> Results:
    from distributed import as_completed
    from distributed.client import FutureCancelledError

    threads, _ = _checked(client, address)
    waiting, running = iter(tasks), {}
    finished = as_completed([], loop=client.loop)

    def send() -> None:
        task = next(waiting, None)
        if task is not None:
            # pure=False: the store knows what was done before, the scheduler need not
            with warnings.catch_warnings():  # that a long recording goes over the network
                warnings.simplefilter("ignore", UserWarning)
                future = client.submit(on_worker, work, task, software(), pure=False)
            running[future] = task
            finished.add(future)

    for _ in range(AHEAD * threads):
        send()
    while running:
        future = next(finished)
        task = running.pop(future)
        error = future.exception() if future.status == "error" else None
        if future.status in ("cancelled", "lost") or isinstance(error, FutureCancelledError):
            raise ClusterLost(f"the scheduler at {address} went away")
        if error is None:
            yield task, future.result()
        else:
            yield task, _said(error)
        future.release()
        send()


def _said(error: BaseException) -> Outcome:
    """What the scheduler says of a task without a result."""
    if type(error).__name__ == "KilledWorker":
        return failed("its workers were ended one after the other, as when memory runs out")
    if isinstance(error, InputError):
        return failed(str(error).rstrip("."))
    return failed(f"unexpected: {type(error).__name__}: {error}")


def on_worker(work: Work, task: Task, asked: dict[str, str]) -> Outcome:
    """Runs on a worker: the task, if the software is the one that was asked for.

    Workers may have joined since the cluster was looked at.
    """
    unlike = differences(asked, software())
    if unlike:
        raise InputError(f"a worker that joined later has other software: {unlike}")
    _one_thread_for_good()
    return work(task)


@functools.cache
def _one_thread_for_good() -> None:
    """Linear algebra on one thread, never given back: a worker may run tasks side by side."""
    import scipy.linalg  # noqa: F401  its BLAS is to be there when threads are limited
    from threadpoolctl import threadpool_limits

    threadpool_limits(limits=1)


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Without the engine's own log, which tells of every connection that ends."""
    log = logging.getLogger("distributed")
    before = log.level
    log.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        log.setLevel(before)
