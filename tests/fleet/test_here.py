"""Worker processes on this machine: all get their share, one that dies takes nobody with it."""

from __future__ import annotations

import os
import time
from contextlib import closing
from pathlib import Path

import pytest

from fleet import stand_ins
from fleet.stand_ins import task
from hysteresis.fleet.here import ENDED, in_process, processes

NAMES = ("a", "b", "bad", "c", "d")


def gone(pid: int) -> bool:
    """Whether a process has ended (or is a zombie nobody has waited for)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


def ends(pid: int, within_s: float = 20.0) -> bool:
    deadline = time.monotonic() + within_s
    while not gone(pid) and time.monotonic() < deadline:
        time.sleep(0.02)
    return gone(pid)


def test_processes_give_what_one_process_gives_each_task_once() -> None:
    tasks = [task(name) for name in NAMES]
    here = dict((t.run, o) for t, o in in_process(tasks, stand_ins.digest))
    there = [(t.run, o) for t, o in processes(2)(iter(tasks), stand_ins.digest)]
    assert len(there) == len(here) and dict(there) == here


def test_every_worker_has_its_share_and_one_thread_and_this_process_none() -> None:
    before = dict(os.environ)
    found = [o.plain for _, o in processes(2)([task(str(k)) for k in range(12)], stand_ins.where)]
    assert len({plain["pid"] for plain in found} | {os.getpid()}) == 3
    assert {plain["threads"] for plain in found} == {"1"}
    assert dict(os.environ) == before


def test_a_run_that_kills_its_worker_twice_is_named_and_the_others_are_done() -> None:
    found = {t.run: o for t, o in processes(2)([task(n) for n in NAMES], stand_ins.killed)}
    assert sorted(found) == sorted(NAMES)
    assert {n for n in NAMES if not found[n].done} == {"bad"}
    assert found["bad"].reason == ENDED and not found["bad"].lasting


def test_a_run_whose_worker_was_ended_once_is_done_at_the_second_try(tmp_path) -> None:
    flag = str(tmp_path / "flag")
    tasks = [task(name, path=flag) for name in NAMES]
    found = {t.run: o for t, o in processes(2)(tasks, stand_ins.killed_once)}
    assert sorted(found) == sorted(NAMES) and all(o.done for o in found.values())


def test_an_exception_of_the_work_is_the_fault_of_its_run_alone() -> None:
    ((_, outcome),) = processes(1)([task("a")], stand_ins.breaks)
    assert outcome.reason == "unexpected: ZeroDivisionError: on purpose" and not outcome.lasting


def test_closing_the_engine_ends_workers_in_the_middle_of_their_work(tmp_path) -> None:
    told = tmp_path / "pid"

    def tasks():
        yield task("endless", path=str(told))
        while not told.exists() or not told.read_text():
            time.sleep(0.02)
        raise KeyboardInterrupt  # what Ctrl-C does, at a moment that the test can choose

    with pytest.raises(KeyboardInterrupt), closing(processes(2)(tasks(), stand_ins.for_ever)) as r:
        next(r)
    assert ends(int(told.read_text()))
