"""A stored model of a simulated thread and rechecks of that thread, for the tests of the stage."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

from hysteresis import virtual_bench
from hysteresis.bench import Bench
from hysteresis.measure import measure_camera
from hysteresis.model import FittedModel, bench_identity, read_model
from hysteresis.plan import plan
from hysteresis.tables import CameraLog, Pattern, Recording
from hysteresis.virtual_bench import Drift, drifted
from tests.plan.conftest import bench_with

SEED = 1
MODELS = Path(__file__).parent / "models"


@cache
def bench() -> Bench:
    return bench_with()


@cache
def pattern() -> Pattern:
    return plan("recheck", bench())


@cache
def stored_model() -> FittedModel:
    """What `experiments.recheck_power` fitted to unit 1 from four minutes of camera."""
    fitted = read_model(MODELS / "braided-thread-1-4.json")
    return replace(fitted, bench=bench_identity(bench()))


@cache
def log_of(sequence: int, drift: Drift = Drift()) -> CameraLog:  # noqa: B008  (it is frozen)
    """A recheck of the unit, filmed by a camera whose marks were clicked anew."""
    rig = drifted(virtual_bench.make_rig(bench(), "braided-thread", SEED), drift)
    p = pattern()
    played = virtual_bench.play(rig, p.t_s, p.drive_x, p.drive_y, sequence=sequence)
    return virtual_bench.photograph(played, bench(), 1000 + sequence, sequence=sequence)


@cache
def recording_of(sequence: int, drift: Drift = Drift()) -> Recording:  # noqa: B008
    return measure_camera(log_of(sequence, drift), pattern(), bench()).recording
