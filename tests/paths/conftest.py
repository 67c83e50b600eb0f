"""A bench as the template gives it, and a way to read a program or table from text."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hysteresis.bench import TEMPLATE, Bench
from hysteresis.paths.notes import PathNotes
from hysteresis.paths.read import read_path
from hysteresis.tables import SpotPath

Reader = Callable[..., tuple[SpotPath, PathNotes]]


@pytest.fixture(scope="session")
def bench() -> Bench:
    return Bench.model_validate(tomllib.loads(TEMPLATE))


@pytest.fixture
def read(bench: Bench, tmp_path: Path) -> Reader:
    """Write text to a file of that name and read it as a path."""

    def reader(text: str, name: str = "job.ngc", **options: Any) -> tuple[SpotPath, PathNotes]:
        (tmp_path / name).write_text(text, encoding="utf-8")
        return read_path(tmp_path / name, bench, **options)

    return reader
