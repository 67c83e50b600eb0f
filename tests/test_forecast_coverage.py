"""Short form of the study of what forecasts are worth: a few units, not chosen for the result.

`python -m experiments.forecast_coverage` prints the same for more seeds and suspensions.
"""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from experiments import forecast_coverage as study

SEED = 31


@pytest.mark.slow
def test_the_error_played_lies_where_it_was_foretold(capsys: pytest.CaptureFixture[str]) -> None:
    """Two units by camera and one by ruler, three paths each: at 95 % per trial, more than two
    of nine outside has a chance below 1 % if they were independent (binomial, textbook); and
    knowing the path makes the interval of a thread several times narrower.
    """
    plan = tomllib.loads((study.HERE / "forecast_coverage.toml").read_text(encoding="utf-8"))
    trials = [
        *study.by_camera(SEED, "braided-thread", 2.0, plan),
        *study.by_camera(SEED, "metal-flexure", 2.0, plan),
        *study.by_ruler(SEED, "braided-thread", plan),
    ]
    study.report("short form", trials)
    study.details(trials)
    said = capsys.readouterr().out
    assert "Simulated, short form" in said and "ladder" in said
    print(said)
    assert sum(t.inside(t.knowing) for t in trials) >= 7
    thread = trials[:3]
    knowing, blind = (
        np.median([np.log(f.after_high_mm / f.after_low_mm) for f in told])
        for told in ([t.knowing for t in thread], [t.blind for t in thread])
    )
    assert knowing < 0.8 * blind


def test_the_interval_of_a_share_is_wilsons() -> None:
    """Closed form: the p with (share − p)² = z² p (1 − p)/n (Wilson 1927; from memory)."""
    for share, count in ((0.9, 10), (0.5, 40), (1.0, 7), (0.0, 7)):
        for p in study.wilson(share, count):
            assert (share - p) ** 2 == pytest.approx(1.96**2 * p * (1 - p) / count, abs=1e-12)


def test_the_jobs_stay_on_the_field_and_are_traced() -> None:
    plan = tomllib.loads((study.HERE / "forecast_coverage.toml").read_text(encoding="utf-8"))
    bench = study.example_bench()
    jobs = study.paths(bench, plan)
    assert len(jobs) == 3
    for path in jobs.values():
        assert path.beam.any()
        assert np.abs(path.x_mm).max() <= bench.optics.full_scale_x_mm
        assert np.abs(path.y_mm).max() <= bench.optics.full_scale_y_mm
        assert (np.diff(path.t_s) > 0).all()
