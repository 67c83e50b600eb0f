"""The short form of the study of how often suspensions are told apart."""

from __future__ import annotations

import tomllib

import numpy as np

from experiments import compare_power
from experiments.compare_power import HERE, RULES, decided, say, split


def test_short_form_prints_every_table(capsys):
    content = tomllib.loads((HERE / "compare_power.toml").read_text())
    say(content | content["short"] | {"factors": [1.2]}, 1)
    said = capsys.readouterr().out
    assert "5 units each of braided-thread and with 1.2" in said
    assert "two equal suspensions declared different" in said
    for rule in RULES:
        assert rule.words.split(",")[0] in said
    assert "units of each for 80 %" in said


def test_decisions_on_units_that_are_known():
    """Drawn units in place of simulated ones: 20 % apart and equal, with 8 % of scatter.

    By statsmodels' TTestIndPower the power of five each is 88 % (effect ln 1.2/0.08 = 2.28);
    Welch's is a little less. 60 trials leave a share known to 4 %.
    """
    rng = np.random.default_rng(1)

    def pool(factor: float) -> list[compare_power.Unit]:
        return [
            {"x": (v, 0.01), "y": (v, 0.01), "xy": (v, 0.01)}
            for v in factor * np.exp(0.08 * rng.standard_normal(200))
        ]

    one, other = pool(1.0), pool(1.2)
    apart = [decided(*compare_power.draw(rng, one, other, 5), RULES[0], 0.95) for _ in range(60)]
    same = [decided(*split(rng, one, 5), RULES[0], 0.95) for _ in range(60)]
    assert np.mean(apart) > 0.75
    assert np.mean(same) < 0.14  # three standard errors above 5 %
