"""Ctrl-C that comes while code of others would swallow it is heard afterwards."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator

import pytest

from hysteresis.interrupts import ctrl_c_afterwards


@pytest.fixture(autouse=True)
def usual_answer() -> Iterator[None]:
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def swallowing() -> None:
    with contextlib.suppress(BaseException):
        signal.raise_signal(signal.SIGINT)


def test_is_heard_once_the_block_ends() -> None:
    swallowing()  # without the block it is lost
    reached = False
    with pytest.raises(KeyboardInterrupt), ctrl_c_afterwards():
        swallowing()
        reached = True
    assert reached
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_an_error_of_the_block_comes_through() -> None:
    with pytest.raises(ImportError), ctrl_c_afterwards():
        raise ImportError
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_leaves_other_answers_and_other_threads_alone() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with ctrl_c_afterwards():
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    signal.signal(signal.SIGINT, signal.default_int_handler)
    seen = []

    def elsewhere() -> None:
        with ctrl_c_afterwards():
            seen.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=elsewhere)
    thread.start()
    thread.join()
    assert seen == [signal.default_int_handler]
