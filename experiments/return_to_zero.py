"""How much of the memory is left after compensation?

For each seed a new invented unit with an unknown past is characterised (by camera, or by a person
with a ruler), fitted, and then plays two jobs after a short rest, with and without compensation:
a ladder of held excursions that return to zero, and a layered tile that parks to one side after
every layer. Both drives know gain, offset, optics and unequal sides; only memory differs.

    python -m experiments.return_to_zero --seeds 5

Everything it prints is simulated, on rigs whose physics is not that of the fit.
"""

from __future__ import annotations

import argparse
import time
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis import virtual_bench
from hysteresis.bench import TEMPLATE, Bench
from hysteresis.cli.console import table
from hysteresis.compensate import compensate_path, state_after_pause
from hysteresis.fit import Fit, fit_recording
from hysteresis.fit.fitted import absolute_uncertainty_mm
from hysteresis.measure import measure_camera, measure_typed
from hysteresis.model import Discrepancy, FittedModel
from hysteresis.paths.example_job import layered_tile_job
from hysteresis.paths.read import read_path
from hysteresis.plan.characterise import characterisation
from hysteresis.plan.reading_steps import reading_steps
from hysteresis.tables import Floats, Pattern, SpotPath

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Outcome:
    """One unit. Return-to-zero errors in % FS (cells, 2 axes), path errors in mm."""

    seed: int
    fit_s: float
    residual_over_noise: float
    residual_over_noise_robust: float
    zero_plain: Floats
    zero_compensated: Floats
    bias_plain_mm: float
    bias_mm: float
    rms_plain_mm: float
    rms_mm: float
    forecast_mm: tuple[float, float, float]

    @property
    def zero_cut(self) -> float:
        return _rms(self.zero_plain) / _rms(self.zero_compensated)

    @property
    def covered(self) -> bool:
        low, _, high = self.forecast_mm
        return low <= self.rms_mm <= high


def main() -> None:
    """Print the study's tables."""
    plan = tomllib.loads((HERE / "return_to_zero.toml").read_text())
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--seeds", type=int, default=plan["seeds"])
    ask.add_argument("--first-seed", type=int, default=plan["first_seed"])
    ask.add_argument("--only", choices=("camera", "typed"), default=None)
    chosen = ask.parse_args()
    seeds = range(chosen.first_seed, chosen.first_seed + chosen.seeds)
    if chosen.only != "typed":
        how = plan["camera"]
        warm_up(plan)
        report(f"camera, {how['suspension']}", [by_camera(s, how["suspension"], plan)
                                                for s in seeds])  # fmt: skip
    if chosen.only != "camera":
        for suspension in plan["typed"]["suspensions"]:
            report(f"{plan['typed']['readings']} readings with a ruler, {suspension}",
                   [by_ruler(s, suspension, plan) for s in seeds])  # fmt: skip


def warm_up(plan: dict[str, Any]) -> None:
    """Compile every kernel, so that the fit's time is that of the fit."""
    bench = example_bench()
    pattern = characterisation(bench, minutes=2.0)
    fit_recording(pattern, _filmed(bench, pattern, "metal-flexure", 0, 0.1), bench)


def by_camera(seed: int, suspension: str, plan: dict[str, Any]) -> Outcome:
    """Characterise one unit by camera, fit, play both jobs."""
    bench = example_bench()
    pattern = characterisation(bench, minutes=plan["camera"]["minutes"])
    recording = _filmed(bench, pattern, suspension, seed, plan["camera"]["noise_px"])
    return _judged(bench, pattern, recording, suspension, seed, plan)


def by_ruler(seed: int, suspension: str, plan: dict[str, Any]) -> Outcome:
    """Characterise one unit with typed readings, fit, play both jobs."""
    bench = example_bench()
    pattern = reading_steps(bench, readings=plan["typed"]["readings"])
    rig = virtual_bench.make_rig(bench, suspension, seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    sheet = virtual_bench.read_with_ruler(played, pattern, bench, seed)
    recording = measure_typed(sheet, pattern, bench).recording
    return _judged(bench, pattern, recording, suspension, seed, plan)


def example_bench() -> Bench:
    """The bench of the commented template: a field of 100 mm, a webcam at 30 frames/s."""
    return Bench.model_validate(tomllib.loads(TEMPLATE))


def _filmed(bench: Bench, pattern: Pattern, suspension: str, seed: int, noise_px: float) -> Any:
    rig = virtual_bench.make_rig(bench, suspension, seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    log = virtual_bench.photograph(played, bench, seed, noise_px=noise_px)
    return measure_camera(log, pattern, bench).recording


def _judged(
    bench: Bench, pattern: Pattern, recording: Any, suspension: str, seed: int,
    plan: dict[str, Any],
) -> Outcome:  # fmt: skip
    began = time.perf_counter()
    fit = fit_recording(pattern, recording, bench, zero_mm=absolute_uncertainty_mm(bench))
    fit_s = time.perf_counter() - began
    rig = virtual_bench.make_rig(bench, suspension, seed)
    ladder, cells = zero_ladder(bench, plan["return_to_zero"])
    job = layered_job(bench, plan["layered"])
    zeros, paths = [], []
    forecast = None
    for path in (ladder, job):
        start = state_after_pause(fit.model, fit.end, plan["pause_s"])
        result = compensate_path(as_fitted(fit), bench, path, start=start)
        if result.excesses:
            raise SystemExit(f"seed {seed}: {result.excesses[0]}")
        forecast = result.forecast
        for drive in (result.plain, result.drive):
            spots = virtual_bench.play_after(rig, pattern, plan["pause_s"], drive)
            x = np.interp(result.planned.t_s, spots.t_s, spots.x_mm)
            y = np.interp(result.planned.t_s, spots.t_s, spots.y_mm)
            if path is ladder:
                zeros.append(_zero_errors(bench, result.planned.t_s, x, y, cells,
                                          result.lead_in_s, plan["return_to_zero"]))  # fmt: skip
            else:
                on = result.planned.beam
                paths.append((x[on] - result.planned.x_mm[on], y[on] - result.planned.y_mm[on]))
    assert forecast is not None
    (px, py), (cx, cy) = paths
    return Outcome(
        seed=seed,
        fit_s=fit_s,
        residual_over_noise=max(
            _rms(fit.residual_x_mm) / fit.noise_x_mm, _rms(fit.residual_y_mm) / fit.noise_y_mm
        ),
        residual_over_noise_robust=max(
            _middle(fit.residual_x_mm) / fit.noise_x_mm,
            _middle(fit.residual_y_mm) / fit.noise_y_mm,
        ),
        zero_plain=zeros[0],
        zero_compensated=zeros[1],
        bias_plain_mm=float(np.hypot(px.mean(), py.mean())),
        bias_mm=float(np.hypot(cx.mean(), cy.mean())),
        rms_plain_mm=_rms(np.hypot(px, py)),
        rms_mm=_rms(np.hypot(cx, cy)),
        forecast_mm=(forecast.after_low_mm, forecast.after_rms_mm, forecast.after_high_mm),
    )


def zero_ladder(bench: Bench, plan: dict[str, Any]) -> tuple[SpotPath, list[tuple[float, float]]]:
    """Every excursion × dwell, signs alternating, order shuffled once and for all.

    Returns the wanted spots and, per cell, the times at which the spot leaves zero and is back.
    """
    step, rise_s = 1.0 / (8.0 * bench.limits.bandwidth_hz), 0.1
    cells = [(e, d) for e in plan["excursions"] for d in plan["dwells_s"]]
    order = np.random.default_rng(0).permutation(len(cells))
    pieces, marks, now = [np.zeros(round(2.0 / step))], [], 2.0
    part = np.arange(1, round(rise_s / step) + 1) / round(rise_s / step)
    swing = (1 - np.cos(np.pi * part)) / 2
    for turn, k in enumerate(order):
        size, dwell_s = cells[k]
        size = size * (-1) ** turn
        hold = np.full(round(dwell_s / step), size)
        wait = np.zeros(round(plan["wait_s"] / step))
        pieces += [size * swing, hold, size * (1 - swing), wait]
        leave = now
        now += step * (2 * len(swing) + len(hold))
        marks.append((leave, now))
        now += step * len(wait)
    form = np.concatenate(pieces)
    return (
        SpotPath(
            step * np.arange(len(form)),
            form * bench.optics.full_scale_x_mm,
            -form * bench.optics.full_scale_y_mm,
            np.ones(len(form), dtype=bool),
        ),
        marks,
    )


def layered_job(bench: Bench, plan: dict[str, Any]) -> SpotPath:
    """The invented tile job whose every layer parks the beam to one side."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "tile.ngc"
        file.write_text(layered_tile_job(layers=plan["layers"], duration_s=plan["duration_s"]))
        return read_path(file, bench)[0]


def _zero_errors(
    bench: Bench, t_s: Floats, x: Floats, y: Floats, cells: list[tuple[float, float]],
    lead_in_s: float, plan: dict[str, Any],
) -> Floats:  # fmt: skip
    """Return-to-zero error per cell and axis in % FS: reading after minus reading before.

    The form of the zero return of ISO 376 (from memory): both readings at the same drive, here
    the mean over the half second before leaving, and over the stated part of the wait.
    """
    out = []
    for leave, back in cells:
        before = (t_s >= lead_in_s + leave - 0.5) & (t_s < lead_in_s + leave)
        after = (t_s >= lead_in_s + back + plan["read_from_s"]) & (
            t_s < lead_in_s + back + plan["read_to_s"]
        )
        out.append([
            100 * (v[after].mean() - v[before].mean()) / full
            for v, full in ((x, bench.optics.full_scale_x_mm), (y, bench.optics.full_scale_y_mm))
        ])  # fmt: skip
    return np.array(out)


def as_fitted(fit: Fit) -> FittedModel:
    """A fit as the model file would hold it, without provenance."""
    gap: Discrepancy = fit.discrepancy
    return FittedModel(
        fit.model, fit.without_memory, fit.start_state, fit.end, (), gap, {}, {}, (), {}
    )


def report(title: str, outcomes: list[Outcome]) -> None:
    """Print one table with a row per seed, then median and worst."""
    rows = []
    for o in outcomes:
        rows.append((
            str(o.seed), f"{_rms(o.zero_plain):.2f}", f"{_rms(o.zero_compensated):.3f}",
            f"{np.abs(o.zero_compensated).max():.3f}", f"{o.zero_cut:.1f}",
            f"{o.bias_plain_mm:.3f}", f"{o.bias_mm:.3f}", f"{o.bias_plain_mm / o.bias_mm:.1f}",
            f"{o.rms_plain_mm:.3f}", f"{o.rms_mm:.3f}", f"{o.rms_plain_mm / o.rms_mm:.1f}",
            f"{o.residual_over_noise:.2f}", f"{o.residual_over_noise_robust:.2f}",
            f"{o.forecast_mm[0]:.3f}…{o.forecast_mm[2]:.3f}", "yes" if o.covered else "no",
            f"{o.fit_s:.1f}",
        ))  # fmt: skip
    table(
        f"Simulated: {title}",
        ("seed", "RTZ before %FS", "after", "worst cell", "cut ×", "bias before mm", "after",
         "cut ×", "path rms before mm", "after", "cut ×", "residual/noise", "robust",
         "forecast mm", "covers", "fit s"),
        rows,
    )  # fmt: skip
    for name, values in (
        ("return-to-zero error, cut", [o.zero_cut for o in outcomes]),
        ("off-centre bias, cut", [o.bias_plain_mm / o.bias_mm for o in outcomes]),
        ("path error rms, cut", [o.rms_plain_mm / o.rms_mm for o in outcomes]),
    ):
        print(f"{name}: median {np.median(values):.1f} ×, worst {min(values):.1f} ×")
    left = [_rms(o.zero_compensated) for o in outcomes]
    print(
        f"return-to-zero error left: median {np.median(left):.3f} % FS, worst {max(left):.3f} % FS"
    )
    held = sum(o.covered for o in outcomes)
    print(f"forecast interval covers the played error: {held} of {len(outcomes)}")


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.nanmean(np.square(values))))


def _middle(values: Floats) -> float:
    return 1.4826 * float(np.nanmedian(np.abs(values)))


if __name__ == "__main__":
    main()
