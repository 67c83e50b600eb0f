"""A bench as `hysteresis new` writes it, for the tests of the simulated rig."""

import tomllib

import pytest

from hysteresis.bench import TEMPLATE, Bench


@pytest.fixture(scope="session")
def bench() -> Bench:
    return Bench.model_validate(tomllib.loads(TEMPLATE))


@pytest.fixture(scope="session")
def ac_bench(bench: Bench) -> Bench:
    drive = bench.drive.model_copy(update={"coupling": "ac", "corner_hz": 0.5})
    return bench.model_copy(update={"drive": drive})
