"""Ctrl-C and code of others that would swallow it."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator


@contextlib.contextmanager
def ctrl_c_afterwards() -> Iterator[None]:
    """Ctrl-C within the block is heard when it ends, as `KeyboardInterrupt`.

    For short calls into code that drops exceptions, such as the import of some extension modules.
    A mask of the signal would not do: another thread could still take it.

    >>> with ctrl_c_afterwards():
    ...     import json
    """
    if (
        threading.current_thread() is not threading.main_thread()
        or signal.getsignal(signal.SIGINT) is not signal.default_int_handler
    ):
        yield  # somebody else answers Ctrl-C, or only the main thread may say who does
        return
    heard = False

    def hear(*_: object) -> None:
        nonlocal heard
        heard = True

    signal.signal(signal.SIGINT, hear)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if heard:
        raise KeyboardInterrupt
