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
from collections.abc import Callable
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
from hysteresis.measure.registration import register
from hysteresis.model import Discrepancy, FittedModel
from hysteresis.paths.example_job import layered_tile_job
from hysteresis.paths.read import read_path
from hysteresis.plan.characterise import characterisation
from hysteresis.plan.reading_steps import reading_steps
from hysteresis.tables import Floats, Pattern, SpotPath

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Outcome:
    """One unit. Return-to-zero errors in % FS (cells, 2 axes), path errors in mm.

    `bias_unseen_mm` is the part of the shift left that the camera could not see: its own error of
    place, from fiducials that were clicked 0.2 px off (NaN without a camera).
    """

    seed: int
    memory: str
    fit_s: float
    held_out_over_noise: float
    held_out_over_noise_robust: float
    residual_over_noise: float
    residual_over_noise_robust: float
    zero_plain: Floats
    zero_compensated: Floats
    bias_plain_mm: float
    bias_mm: float
    bias_unseen_mm: float
    rms_plain_mm: float
    rms_mm: float
    forecast_mm: tuple[float, float, float]

    @property
    def zero_cut(self) -> float:
        return _rms(self.zero_plain) / _rms(self.zero_compensated)

    @property
    def bias_cut(self) -> float:
        return self.bias_plain_mm / self.bias_mm

    @property
    def rms_cut(self) -> float:
        return self.rms_plain_mm / self.rms_mm

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
    ask.add_argument("--memory", default="auto", help="one memory by name, as in hysteresis fit")
    ask.add_argument("--suspension", default=None, help="another one for the camera, or all")
    ask.add_argument("--order", type=int, default=1, help="order of the pattern's parts; 1: usual")
    chosen = ask.parse_args()
    plan["order"] = chosen.order
    plan["memory"] = chosen.memory
    plan["camera"]["suspension"] = chosen.suspension or plan["camera"]["suspension"]
    seeds = range(chosen.first_seed, chosen.first_seed + chosen.seeds)
    cases: dict[str, list[Outcome]] = {}
    if chosen.only != "typed":
        how = plan["camera"]
        warm_up(plan)
        every = tuple(virtual_bench.SUSPENSIONS)
        for suspension in every if how["suspension"] == "all" else (how["suspension"],):
            title = f"{how['minutes']:g} min of camera, {suspension}"
            cases[title] = [by_camera(s, suspension, plan) for s in seeds]
            report(title, cases[title])
    if chosen.only != "camera":
        for suspension in plan["typed"]["suspensions"]:
            title = f"{plan['typed']['readings']} readings, {suspension}"
            cases[title] = [by_ruler(s, suspension, plan) for s in seeds]
            report(title, cases[title])
    summary(cases)


def warm_up(plan: dict[str, Any]) -> None:
    """Compile every kernel, so that the fit's time is that of the fit."""
    bench = example_bench()
    pattern = characterisation(bench, minutes=2.0)
    fit_recording(pattern, _filmed(bench, pattern, "metal-flexure", 0, 0.1), bench,
                  memory=plan["memory"])  # fmt: skip


def by_camera(seed: int, suspension: str, plan: dict[str, Any]) -> Outcome:
    """Characterise one unit by camera, fit, play both jobs."""
    bench = example_bench()
    pattern = characterisation(
        bench, minutes=plan["camera"]["minutes"], seed=plan.get("order", 1)
    )
    recording = _filmed(bench, pattern, suspension, seed, plan["camera"]["noise_px"])
    return _judged(bench, pattern, recording, suspension, seed, plan, by="camera")


def by_ruler(seed: int, suspension: str, plan: dict[str, Any]) -> Outcome:
    """Characterise one unit with typed readings, fit, play both jobs."""
    bench = example_bench()
    pattern = reading_steps(bench, readings=plan["typed"]["readings"])
    rig = virtual_bench.make_rig(bench, suspension, seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    sheet = virtual_bench.read_with_ruler(played, pattern, bench, seed)
    recording = measure_typed(sheet, pattern, bench).recording
    return _judged(bench, pattern, recording, suspension, seed, plan, by="ruler")


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
    *, by: str,
) -> Outcome:  # fmt: skip
    began = time.perf_counter()
    fit = fit_recording(
        pattern, recording, bench, memory=plan.get("memory", "auto"),
        zero_mm=absolute_uncertainty_mm(bench),
    )  # fmt: skip
    fit_s = time.perf_counter() - began
    rig = virtual_bench.make_rig(bench, suspension, seed)
    ladder, cells = zero_ladder(bench, plan["return_to_zero"])
    job = layered_job(bench, plan["layered"])
    zeros, paths = [], []
    forecast = None
    for path in (ladder, job):
        start = state_after_pause(fit.model, fit.end, plan["pause_s"])
        result = compensate_path(
            as_fitted(fit), bench, path, start=start, history=(pattern, plan["pause_s"])
        )
        if result.excesses:
            raise SystemExit(f"seed {seed}: {result.excesses[0]}")
        forecast = result.forecast
        for drive in (result.plain, result.drive):
            spots = virtual_bench.play_after(rig, pattern, plan["pause_s"], drive)
            x = np.interp(result.planned.t_s, spots.t_s, spots.x_mm)
            y = np.interp(result.planned.t_s, spots.t_s, spots.y_mm)
            if path is ladder:
                zeros.append(zero_errors(bench, result.planned.t_s, x, y, cells,
                                          result.lead_in_s, plan["return_to_zero"]))  # fmt: skip
            else:
                on = result.planned.beam
                paths.append((x[on] - result.planned.x_mm[on], y[on] - result.planned.y_mm[on]))
    assert forecast is not None
    (px, py), (cx, cy) = paths
    return Outcome(
        seed=seed,
        memory=next(c.name for c in fit.choices if c.chosen),
        fit_s=fit_s,
        held_out_over_noise=_over(_rms, fit.held.residual_x_mm, fit.held.residual_y_mm, fit),
        held_out_over_noise_robust=_over(
            _middle, fit.held.residual_x_mm, fit.held.residual_y_mm, fit
        ),
        residual_over_noise=_over(_rms, fit.residual_x_mm, fit.residual_y_mm, fit),
        residual_over_noise_robust=_over(_middle, fit.residual_x_mm, fit.residual_y_mm, fit),
        zero_plain=zeros[0],
        zero_compensated=zeros[1],
        bias_plain_mm=float(np.hypot(px.mean(), py.mean())),
        bias_mm=float(np.hypot(cx.mean(), cy.mean())),
        bias_unseen_mm=_unseen(bench, seed, job) if by == "camera" else float("nan"),
        rms_plain_mm=_rms(np.hypot(px, py)),
        rms_mm=_rms(np.hypot(cx, cy)),
        forecast_mm=(forecast.after_low_mm, forecast.after_rms_mm, forecast.after_high_mm),
    )


def _unseen(bench: Bench, seed: int, job: SpotPath) -> float:
    """Mean over the trace of where the registered camera sees a spot, less where it is."""
    assert bench.camera is not None
    x, y = job.x_mm[job.beam], job.y_mm[job.beam]
    u, v, w = virtual_bench.true_camera(bench, seed).mm_to_px @ np.array([x, y, np.ones_like(x)])
    seen_x, seen_y = register(bench.camera).homography.apply(u / w, v / w)
    return float(np.hypot((seen_x - x).mean(), (seen_y - y).mean()))


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


def zero_errors(
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
        fit.model, fit.without_memory, fit.start_state, fit.end, (), gap, {}, {}, (), {},
        trust=None if fit.trust is None else fit.trust.to_json(),
    )  # fmt: skip


def report(title: str, outcomes: list[Outcome]) -> None:
    """Print three tables with a row per seed: return to zero, the job, the fit."""
    table(
        f"Simulated: {title}. Return to zero, % of full scale",
        ("seed", "before (rms)", "after (rms)", "after, worst cell", "times less"),
        [
            (o.seed, f"{_rms(o.zero_plain):.2f}", f"{_rms(o.zero_compensated):.3f}",
             f"{np.abs(o.zero_compensated).max():.3f}", f"{o.zero_cut:.1f}")
            for o in outcomes
        ],
    )  # fmt: skip
    table(
        f"Simulated: {title}. Layered job, mm",
        ("seed", "shift before", "after", "of it camera", "times less", "rms before", "after",
         "times less", "foretold, 95 %", "inside"),
        [
            (o.seed, f"{o.bias_plain_mm:.3f}", f"{o.bias_mm:.3f}",
             f"{o.bias_unseen_mm:.3f}" if np.isfinite(o.bias_unseen_mm) else "–",
             f"{o.bias_cut:.1f}",
             f"{o.rms_plain_mm:.3f}", f"{o.rms_mm:.3f}", f"{o.rms_cut:.1f}",
             f"{o.forecast_mm[0]:.3f} … {o.forecast_mm[2]:.3f}", "yes" if o.covered else "no")
            for o in outcomes
        ],
    )  # fmt: skip
    table(
        f"Simulated: {title}. Fit",
        ("seed", "memory", "residual / noise, rms", "robust", "held out, rms", "robust",
         "seconds"),
        [
            (o.seed, o.memory, f"{o.residual_over_noise:.2f}",
             f"{o.residual_over_noise_robust:.2f}", f"{o.held_out_over_noise:.2f}",
             f"{o.held_out_over_noise_robust:.2f}", f"{o.fit_s:.1f}")
            for o in outcomes
        ],
    )  # fmt: skip


def summary(cases: dict[str, list[Outcome]]) -> None:
    """Print median and worst over the seeds, one row per case and figure."""
    rows = []
    for title, outcomes in cases.items():
        left = [_rms(o.zero_compensated) for o in outcomes]
        for words, values, worst in (
            ("return-to-zero error, times less", [o.zero_cut for o in outcomes], min),
            ("return-to-zero error left, % FS", left, max),
            ("shift of the layered job, times less", [o.bias_cut for o in outcomes], min),
            ("rms error of the layered job, times less", [o.rms_cut for o in outcomes], min),
            ("rms error of the layered job left, mm", [o.rms_mm for o in outcomes], max),
            ("held-out residual / noise, rms", [o.held_out_over_noise for o in outcomes], max),
            ("held-out residual / noise, robust",
             [o.held_out_over_noise_robust for o in outcomes], max),
        ):
            form = "{:.1f}" if "times" in words else "{:.2f}" if "noise" in words else "{:.3f}"
            rows.append((title, words, form.format(np.median(values)), form.format(worst(values))))
        inside = sum(o.covered for o in outcomes)
        rows.append((title, "forecast interval holds the played error", f"{inside}",
                     f"of {len(outcomes)}"))  # fmt: skip
    table("Simulated, all cases", ("measured by, suspension", "figure", "median", "worst"), rows)


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.nanmean(np.square(values))))


def _over(size: Callable[[Floats], float], x_mm: Floats, y_mm: Floats, fit: Fit) -> float:
    """Size of residuals over the noise of the measurement, the larger of both axes."""
    return max(size(x_mm) / fit.noise_x_mm, size(y_mm) / fit.noise_y_mm)


def _middle(values: Floats) -> float:
    return 1.4826 * float(np.nanmedian(np.abs(values)))


if __name__ == "__main__":
    main()
