"""Short form of the study of whole jobs: one unit, small jobs, not chosen for its result.

`python -m experiments.whole_jobs` prints the same for more.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from fitted_rigs import bench

from experiments import whole_jobs as study
from hysteresis.tables import DriveSignal

SEED = 11


@pytest.fixture(scope="module")
def plan() -> dict[str, Any]:
    plan = tomllib.loads((study.HERE / "whole_jobs.toml").read_text(encoding="utf-8"))
    plan["jobs"] |= plan["short"]
    return plan | {"minutes": 2.0}


def test_the_jobs_are_there_and_keep_to_the_field(plan: dict[str, Any]) -> None:
    for name, path in study.jobs(bench(), plan["jobs"]).items():
        assert name in study.JOBS
        assert path.beam.any() and not path.beam.all()
        assert max(np.abs(path.x_mm).max(), np.abs(path.y_mm).max()) <= 45.0
        assert np.all(np.diff(path.t_s) > 0)


def test_errors_are_counted_on_the_trace_and_at_its_starts() -> None:
    # 1 kHz: off 1 s, on 1 s, off 2 s, on 1 s; errors known
    t = 1e-3 * np.arange(5000)
    on = ((t >= 1) & (t < 2)) | (t >= 4)
    drive = DriveSignal(t, 0 * t, 0 * t, on)
    output = study.Output(0 * t, 0 * t, drive, drive, 1.0, 5.0)
    x, y = np.where(on, 0.3, 9.0), np.where(on, 0.4, 9.0)
    behind = (t >= 4) & (t < 4 + study.START_S)
    x[behind] = 0.6
    found = study.judged(output, x, y)
    assert found.worst_mm == pytest.approx(np.hypot(0.6, 0.4))
    share = behind.sum() / on.sum()
    assert found.rms_mm == pytest.approx(np.sqrt(0.25 * (1 - share) + 0.52 * share))
    # the first start, behind the lead-in, does not count
    assert found.starts_mm == found.parks_mm == pytest.approx(np.hypot(0.6, 0.4))
    short = replace(output, drive=DriveSignal(t, 0 * t, 0 * t, (t >= 1) & ~((t > 2) & (t < 2.1))))
    assert np.isnan(study.judged(short, x, y).starts_mm)


@pytest.mark.slow
def test_short_form(plan: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> None:
    found = study.unit(SEED, "braided-thread", plan)
    study.report("short form", found)
    study.summary({"braided-thread": found})
    print(capsys.readouterr().out)
    layers = found[0]
    assert layers.excess == 0
    assert layers.left["follow"].rms_mm < layers.plain.rms_mm
    # no drive does better than one that has seen the spots
    assert all(o.oracle.rms_mm <= o.left["follow"].rms_mm for o in found)
    # the goal of memory-nulling: a third of the error at starts, where the model is a fifth wrong
    assert layers.wrong["null"].parks_mm <= layers.wrong["follow"].parks_mm / 3
