"""Short form of the study of what memory is left: one unit each, not chosen for its result.

`python -m experiments.return_to_zero` prints the same for more seeds.
"""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
import pytest

from experiments import return_to_zero as study
from hysteresis import virtual_bench
from hysteresis.optics import deflection_from_spot, nominal_optics

SEED = 11


@pytest.fixture(scope="module")
def plan() -> dict[str, Any]:
    return tomllib.loads((study.HERE / "return_to_zero.toml").read_text(encoding="utf-8"))


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def printed(outcome: study.Outcome, capsys: pytest.CaptureFixture[str]) -> None:
    """The study's tables hold what was found; `pytest -s` shows them."""
    study.report("short form", [outcome])
    said = capsys.readouterr().out
    for figure in (
        f"{outcome.zero_cut:.1f}", f"{rms(outcome.zero_plain):.2f}",
        f"{rms(outcome.zero_compensated):.3f}", f"{outcome.bias_mm:.3f}", f"{outcome.rms_mm:.3f}",
    ):  # fmt: skip
        assert figure in said
    assert "Simulated: short form" in said and str(SEED) in said
    print(said)


@pytest.mark.slow
def test_six_minutes_of_camera_cancel_the_memory_of_a_thread(
    plan: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    """30, 60, 90 % FS held 1, 10, 60 s, unknown past: at least 15 times less, below 0.15 % FS."""
    assert plan["camera"]["minutes"] == 6.0 and plan["camera"]["noise_px"] == 0.1
    assert plan["return_to_zero"]["excursions"] == [0.3, 0.6, 0.9]
    assert plan["return_to_zero"]["dwells_s"] == [1.0, 10.0, 60.0]
    outcome = study.by_camera(SEED, "braided-thread", plan)
    printed(outcome, capsys)
    assert outcome.zero_plain.shape == outcome.zero_compensated.shape == (9, 2)
    assert rms(outcome.zero_plain) > 2.0
    assert outcome.zero_cut >= 15.0 and rms(outcome.zero_compensated) < 0.15
    # the job as a whole gains too, by less: absolute places are only as good as the fiducials
    assert outcome.rms_plain_mm > 5 * outcome.rms_mm
    assert outcome.bias_plain_mm > 5 * outcome.bias_mm


@pytest.mark.slow
def test_forty_readings_cut_the_memory_of_a_thread(
    plan: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert plan["typed"]["readings"] == 40
    outcome = study.by_ruler(SEED, "braided-thread", plan)
    printed(outcome, capsys)
    assert outcome.zero_cut >= 4.0
    assert outcome.rms_plain_mm > 3 * outcome.rms_mm


@pytest.mark.slow
def test_forty_readings_never_make_a_flexure_worse(
    plan: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    """Nearly no memory to begin with: the fit must not invent one from a ruler's rounding."""
    outcome = study.by_ruler(SEED, "metal-flexure", plan)
    printed(outcome, capsys)
    assert rms(outcome.zero_plain) < 0.2
    assert rms(outcome.zero_compensated) <= 1.05 * rms(outcome.zero_plain)
    assert outcome.rms_mm <= 1.05 * outcome.rms_plain_mm


def test_the_ladder_has_every_excursion_with_every_dwell(plan: dict[str, Any]) -> None:
    bench = study.example_bench()
    path, cells = study.zero_ladder(bench, plan["return_to_zero"])
    full = bench.optics.full_scale_x_mm
    seen = set()
    for leave, back in cells:
        middle = (path.t_s > leave) & (path.t_s < back)
        size = np.abs(path.x_mm[middle]).max() / full
        held = np.ptp(path.t_s[middle & (np.abs(path.x_mm) > 0.999 * size * full)])
        seen.add((round(float(size), 3), round(float(held))))
        # at zero before it leaves and when it is back
        for at in (leave - 0.01, back + 0.01):
            assert abs(np.interp(at, path.t_s, path.x_mm)) < 1e-6
    assert seen == {(e, d) for e in (0.3, 0.6, 0.9) for d in (1, 10, 60)}
    np.testing.assert_allclose(path.y_mm / bench.optics.full_scale_y_mm, -path.x_mm / full)


@pytest.mark.parametrize("side", [1, -1])
def test_a_park_on_one_side_shifts_an_uncompensated_job_towards_it(
    plan: dict[str, Any], side: int
) -> None:
    """Common practice, no source. The study's own job, played as a rig without memory would want
    it; every layer after the first lies shifted towards the park, the first does not know it yet.
    """
    bench = study.example_bench()
    job = study.layered_job(bench, plan["layered"])
    x, y = side * job.x_mm, job.y_mm
    drive_x, drive_y = deflection_from_spot(x, y, nominal_optics(bench.optics))
    for seed in (1, 2):
        rig = virtual_bench.make_rig(bench, "braided-thread", seed)
        played = virtual_bench.play(rig, job.t_s, drive_x, drive_y, history="rested")
        off = np.interp(job.t_s, played.t_s, played.x_mm) - x
        # layers end with the long waits at the side
        parked = np.abs(x) > 0.79 * bench.optics.full_scale_x_mm
        layer = np.cumsum(np.diff(parked.astype(int), prepend=0) == 1)
        means = [off[job.beam & (layer == k)].mean() for k in range(int(layer.max()))]
        assert len(means) == plan["layered"]["layers"]
        assert all(side * (later - means[0]) > 0.3 for later in means[2:])
