"""What is dear to make is made once per test run, by whichever process of pytest asks first."""

from __future__ import annotations

import fcntl
import os
import pickle
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

_folder: list[Path] = []  # of this test run; none outside of pytest


@pytest.fixture(scope="session", autouse=True)
def shared_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that all processes of this test run have in common (pytest-xdist, How-to)."""
    own = tmp_path_factory.getbasetemp()
    _folder[:] = [own.parent if "PYTEST_XDIST_WORKER" in os.environ else own]
    return _folder[0]


def shared_place(name: str) -> Path:
    """A folder that all processes of this test run have in common; of its own outside of pytest."""
    place = (_folder[0] if _folder else Path(tempfile.mkdtemp())) / name
    place.mkdir(parents=True, exist_ok=True)
    return place


def once(name: str, make: Callable[[], Any]) -> Any:
    """What `make` gives, by way of a file; who comes second waits for the first, then reads it.

    A `make` that fails leaves nothing: the next to ask tries again and sees the fault, too.
    """
    if not _folder:
        return make()
    made = _folder[0] / f"{name}.pickle"
    with _alone(made.with_suffix(".lock")):
        if not made.exists():
            part = made.with_suffix(".part")
            part.write_bytes(pickle.dumps(make()))
            part.rename(made)
    return pickle.loads(made.read_bytes())


@contextmanager
def _alone(lock: Path) -> Iterator[None]:
    with open(lock, "w") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        yield
