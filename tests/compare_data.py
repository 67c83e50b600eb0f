"""Runs on disk and in memory for the tests of comparing: small, synthetic, of known figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from run_on_disk import pattern, write_model_of
from verify_data import play_spot, recording_of

from hysteresis.bench import TEMPLATE
from hysteresis.characteristics.figure import Characteristic, Condition, Definition, Pair
from hysteresis.compare.results import RunValue
from hysteresis.files import write_atomic
from hysteresis.metrics import returns_to_zero
from hysteresis.recording import observations
from hysteresis.table_files import write_pattern, write_recording

ERROR = Definition("return_to_zero", "Return-to-zero error: left over", "", "", "% FS", "less")
DRIVE = Definition("drive_for_full_scale", "Drive for full scale: needed", "", "", "1", "less")


def write_unit(
    folder: Path, suspension: str, unit: str, *, radius: float = 0.03, seed: int = 1,
    model: bool = False, replaced: dict[str, str] | None = None, played=None,
) -> Path:  # fmt: skip
    """A run of one play element per axis, whose return-to-zero error goes with its radius."""
    folder.mkdir(parents=True, exist_ok=True)
    content = TEMPLATE
    words = {"suspension": f'"{suspension}"', "unit": f'"{unit}"'} | (replaced or {})
    for key, value in words.items():
        start = content.index(f"\n{key} = ") + 1
        content = content[:start] + f"{key} = {value}\n" + content[content.index("\n", start) + 1 :]
    write_atomic(folder / "bench.toml", content)
    played = pattern() if played is None else played
    write_pattern(folder / "pattern.csv", played)
    rng = np.random.default_rng(seed)
    write_recording(folder / "recording.csv", recording_of(played, play_spot(radius), noise=rng))
    if model:
        write_model_of(folder)
    return folder


def zero_errors(pattern, recording, bench, fitted=None):
    """Figures of a run for the tests: |return to zero| of every cell, and their rms by axis."""
    full = (bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm)
    found = returns_to_zero(pattern, observations(pattern, recording), full)
    pairs = []
    for axis in ("x", "y"):
        mine = [r for r in found if r.axis == axis]
        for r in mine:
            where = (
                Condition("excursion_fs", r.excursion_fs, "FS"),
                Condition("dwell_s", r.dwell_s, "s"),
            )
            value = abs(r.percent_fs(r.first))
            pairs.append(pair(ERROR, axis, value, 100 * r.first.u_mm / 50.0, where))
        if mine:
            rms = np.sqrt(np.mean([r.percent_fs(r.first) ** 2 for r in mine]))
            pairs.append(pair(ERROR, axis, float(rms), 0.02))
    return tuple(pairs)


def pair(definition, axis, value, u, conditions=(), *, modelled=False):
    one = Characteristic(definition, axis, tuple(conditions), value, u)
    return Pair(None, one) if modelled else Pair(one, None)


def values_of(groups: dict[str, list[float]], u: float = 0.0, origin="measured"):
    """One run of one unit for each value."""
    return [
        RunValue(f"{name} {k}", name, str(k), float(value), u, origin)
        for name, group in groups.items()
        for k, value in enumerate(group)
    ]
