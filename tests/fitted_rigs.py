"""Recordings of simulated rigs and fits to them, made once per test run and shared.

The rigs are those of the virtual bench, whose physics is not that of the fit.
"""

from __future__ import annotations

import tomllib
from functools import cache

import numpy as np
from shared import once

from hysteresis import virtual_bench
from hysteresis.bench import TEMPLATE, Bench
from hysteresis.fit import Fit, fit_recording
from hysteresis.measure import measure_camera, measure_typed
from hysteresis.plan import plan
from hysteresis.recording import Observations
from hysteresis.tables import Pattern, Recording

FRAME_S, EXPOSURE_S = 1.0 / 30.0, 0.008


def bench_with(**sections: dict[str, object]) -> Bench:
    """The template's bench with some settings changed: bench_with(limits={"coil_rms": 0.2})."""
    content = tomllib.loads(TEMPLATE)
    for section, settings in sections.items():
        content[section] |= settings
    return Bench.model_validate(content)


@cache
def bench() -> Bench:
    return bench_with()


@cache
def read_by_ruler(suspension: str, seed: int, readings: int = 40) -> tuple[Pattern, Recording]:
    """Reading steps played on a unit, and what a person with a ruler wrote down."""
    pattern = plan("reading-steps", bench(), readings=readings)
    rig = virtual_bench.make_rig(bench(), suspension, seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    sheet = virtual_bench.read_with_ruler(played, pattern, bench(), seed)
    return pattern, measure_typed(sheet, pattern, bench()).recording


@cache
def filmed(suspension: str, seed: int, minutes: float = 2.0) -> tuple[Pattern, Recording]:
    """A characterisation played on a unit, as the camera of the template sees it."""
    pattern = plan("characterisation", bench(), minutes=minutes)
    rig = virtual_bench.make_rig(bench(), suspension, seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    log = virtual_bench.photograph(played, bench(), seed)
    return pattern, measure_camera(log, pattern, bench()).recording


@cache
def typed_fit(suspension: str = "braided-thread", seed: int = 1) -> Fit:
    return fit_recording(*read_by_ruler(suspension, seed), bench())


@cache
def camera_fit(suspension: str = "braided-thread", seed: int = 3) -> Fit:
    """By a camera, with the memory chosen; some fifteen seconds, so once for all processes."""
    name = f"camera_fit_{suspension}_{seed}"
    return once(name, lambda: fit_recording(*filmed(suspension, seed), bench()))


def observed(
    start_s: np.ndarray,
    x_mm: np.ndarray,
    y_mm: np.ndarray,
    group: np.ndarray | str,
    *,
    sigma_mm: float = 0.02,
    exposure_s: float = EXPOSURE_S,
    timed: bool = True,
) -> Observations:
    """Observations as `recording.observations` would give them."""
    n = len(start_s)
    groups = np.full(n, group, object) if isinstance(group, str) else np.asarray(group, object)
    return Observations(
        np.asarray(start_s, float), np.full(n, exposure_s), np.asarray(x_mm, float),
        np.asarray(y_mm, float), np.full(n, sigma_mm), np.full(n, sigma_mm), groups,
        np.arange(n, dtype=float), timed,
    )  # fmt: skip
