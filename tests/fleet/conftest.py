"""Invented runs of a few readings by ruler: measured and fitted in a second."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from experiments.fleet_speed import make_run


@pytest.fixture(scope="session")
def invented(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two units of two suspensions, played on the virtual bench; not to be changed."""
    folder = tmp_path_factory.mktemp("invented")
    for name, suspension in (("cord", "twisted-cord"), ("flexure", "metal-flexure")):
        make_run(folder / name, suspension, 1, 2.0, True)
    return folder


@pytest.fixture
def runs(invented: Path, tmp_path: Path) -> Path:
    """A fresh copy of them."""
    return Path(shutil.copytree(invented, tmp_path / "runs"))


@pytest.fixture(scope="session")
def cluster() -> Iterator[str]:
    """Address of a scheduler with one worker of two threads, in a process of its own."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=1, threads_per_worker=2, processes=True, dashboard_address=":0",
        silence_logs=50,
    ) as cluster:  # fmt: skip
        yield cluster.scheduler_address
