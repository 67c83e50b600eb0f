"""Short form of the study of self-recovery: few seeds, counted up, none chosen for its result.

`python -m experiments.self_recovery` prints the same for twenty.
"""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from experiments import self_recovery as study

SEEDS = range(101, 104)


@pytest.fixture(scope="module")
def plan() -> dict[str, Any]:
    return tomllib.loads((study.HERE / "self_recovery.toml").read_text(encoding="utf-8"))


@pytest.mark.slow
@pytest.mark.parametrize("name", study.MODELS)
def test_a_model_finds_its_own_parameters(name: str, plan: dict[str, Any]) -> None:
    """At least 90 % within their 95 % intervals is asked of the study; of three seeds this allows
    for three binomial standard deviations of the count."""
    found = study.recovery(name, SEEDS, plan)
    spread = 3 * (0.95 * 0.05 / found.asked) ** 0.5
    print(f"{name}: {found.inside} of {found.asked}")
    assert found.share >= 0.95 - 0.05 - spread
    assert found.worst_sigma < 6.0


@pytest.mark.slow
@pytest.mark.parametrize("name", ["none", "droop", "friction", "after-effect", "both"])
def test_auto_finds_the_family(name: str, plan: dict[str, Any]) -> None:
    found = study.families(name, SEEDS[:1], plan)
    print(found)
    assert found.right == 1
