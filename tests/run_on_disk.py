"""Writes a whole synthetic run to a folder, for the tests of findings, report and command."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from verify_data import (
    ladder,
    layered_path,
    pattern_of,
    plain_model,
    play_spot,
    recording_of,
    template_bench,
)

from hysteresis.bench import TEMPLATE, Bench
from hysteresis.files import sha256_of, write_atomic, write_json
from hysteresis.model import write_model
from hysteresis.table_files import write_pattern, write_recording, write_timed_path
from hysteresis.tables import SpotPath


def pattern():
    """Conditioning, two returns to zero, a slow sweep of each axis alone, and a repeat."""
    pieces = [("conditioning/001", 1.0, (0.0, 0.0))]
    pieces += ladder(1, (0.8, -0.5), 1.0) + ladder(2, (-0.4, 0.7), 3.0)
    for number, axis in ((1, 0), (2, 1)):
        at = 0.0
        for target in (0.8, -0.8, 0.0):
            to = (target, 0.0) if axis == 0 else (0.0, target)
            pieces.append((f"sweep/{number:03d}", abs(target - at) / 0.4, to))
            at = target
    again = ladder(1, (0.8, -0.5), 1.0)
    pieces += [(name.replace("ladder", "repeat"), d, to) for name, d, to in again]
    return pattern_of(pieces)


def write_run(folder: Path, **text: str) -> Path:
    """A run with everything in it; `text` replaces settings of the bench (name="…")."""
    folder.mkdir(parents=True, exist_ok=True)
    content = TEMPLATE
    for key, value in text.items():
        start = content.index(f"\n{key} = ") + 1
        content = content[:start] + f"{key} = {value}\n" + content[content.index("\n", start) + 1 :]
    write_atomic(folder / "bench.toml", content)
    played = pattern()
    write_pattern(folder / "pattern.csv", played)
    recording = recording_of(played, play_spot(0.03), noise=np.random.default_rng(1))
    write_recording(folder / "recording.csv", recording)
    write_job(folder)
    return folder


def write_model_of(folder: Path, bench: Bench | None = None) -> None:
    """A model without memory that claims to be fitted to the run's recording."""
    from dataclasses import replace

    from hysteresis.bench import read_bench

    fitted = plain_model(bench or read_bench(folder / "bench.toml"))
    inputs = {
        name: {"file": f"{name}.csv", "sha256": sha256_of(folder / f"{name}.csv")}
        for name in ("pattern", "recording")
    }
    fitted = replace(fitted, provenance={**fitted.provenance, "inputs": inputs})
    write_model(folder / "model.json", fitted)


def write_job(folder: Path) -> None:
    """Wanted path, both played, and the account of the job: off by 1 mm before, 0.05 mm after."""
    write_model_of(folder)
    path = layered_path(6)
    write_timed_path(folder / "planned.csv", path)
    for name, dx, dy in (("plain", 0.6, 0.8), ("compensated", 0.03, 0.04)):
        played = SpotPath(path.t_s, path.x_mm + dx, path.y_mm + dy, path.beam)
        write_timed_path(folder / f"{name}.csv", played)
    forecast = {
        "before_rms_mm": 1.1, "before_bias_x_mm": 0.5, "before_bias_y_mm": 0.7,
        "after_rms_mm": 0.06, "after_low_mm": 0.02, "after_high_mm": 0.15,
    }  # fmt: skip
    write_json(
        folder / "job.json",
        {
            "input": {"file": "tile.ngc", "sha256": "0" * 64},
            "model": {"file": "model.json", "sha256": sha256_of(folder / "model.json")},
            "drive": "drive.wav",
            "lead_in_s": 0.0,
            "forecast": forecast,
        },
    )


__all__ = ["template_bench", "write_job", "write_model_of", "write_run"]
