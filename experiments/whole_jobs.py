"""What is left of three whole jobs, and what does the beam-off time contribute?

For each seed a new invented unit with an unknown past is characterised by camera, fitted, and
plays three jobs: layers of a contour with a park, many islands, random reversals. Each is played
as a rig without memory would be driven, and compensated with each option for the time in which
the beam is off. Beside them stands an oracle: the drive corrected again and again from what was
really played, under the same limits, until nothing gets better; no model can do what it does.
Its drive is also played in another sitting, with another past and other surroundings: what it
misses then does not repeat, and nothing learnt of the job itself would tell it.
Then the fitted memory is made a fifth too strong and too weak on purpose, the spring unchanged.

    python -m experiments.whole_jobs --seeds 5

Everything it prints is simulated, on rigs whose physics is not that of the fit.
"""

from __future__ import annotations

import argparse
import tempfile
import time
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from experiments.return_to_zero import as_fitted, example_bench
from hysteresis import virtual_bench
from hysteresis.bench import Bench
from hysteresis.cli.console import table
from hysteresis.compensate import blocks_of_path, compensate_stream, state_after_pause
from hysteresis.compensate.beam_off import LEAST_S, OPTIONS, Option
from hysteresis.compensate.compare_options import START_S, stronger
from hysteresis.compensate.lead_in import even_step_s
from hysteresis.compensate.limits import excesses
from hysteresis.compensate.stream import as_rows
from hysteresis.fit import fit_recording
from hysteresis.measure import measure_camera
from hysteresis.model import FittedModel, RigState
from hysteresis.paths.example_job import layered_tile_job
from hysteresis.paths.read import read_path
from hysteresis.paths.smoothing import hann_weights
from hysteresis.plan.characterise import characterisation
from hysteresis.tables import Bools, DriveSignal, Floats, Pattern, SpotPath

HERE = Path(__file__).parent
JOBS = ("layers", "islands", "reversals")
FADE_S = 0.3  # of the oracle's corrections at either end
PARK_S = 1.0  # starts behind a stretch of so long without the beam are told apart


@dataclass(frozen=True)
class Error:
    """Distances over everything traced, mm; `starts_mm` the rms over starts of traces behind at
    least `LEAST_S` without the beam, `parks_mm` of those behind a park (NaN: there is none)."""

    rms_mm: float
    most_mm: float
    worst_mm: float
    starts_mm: float
    parks_mm: float


@dataclass(frozen=True)
class Outcome:
    """One job of one unit: errors with the plain drive, by option, of the oracle, and of its
    drive in another sitting; and by option with the wrong models, the worse of the two signs for
    each figure. `excess`: how many stretches of all outputs exceed a limit."""

    seed: int
    job: str
    plain: Error
    left: dict[Option, Error]
    oracle: Error
    replayed: Error
    corrections: int
    wrong: dict[Option, Error]
    excess: int


def main() -> None:
    """Print the study's tables."""
    plan = tomllib.loads((HERE / "whole_jobs.toml").read_text())
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--seeds", type=int, default=plan["seeds"])
    ask.add_argument("--first-seed", type=int, default=plan["first_seed"])
    ask.add_argument("--suspension", default=plan["suspension"], help="by name, or all")
    ask.add_argument("--memory", default=plan["memory"])
    ask.add_argument("--short", action="store_true", help="smaller jobs, one unit")
    chosen = ask.parse_args()
    plan["memory"] = chosen.memory
    if chosen.short:
        plan["jobs"] |= plan["short"]
        chosen.seeds = 1
    every = tuple(virtual_bench.SUSPENSIONS)
    found: dict[str, list[Outcome]] = {}
    for suspension in every if chosen.suspension == "all" else (chosen.suspension,):
        found[suspension] = []
        for seed in range(chosen.first_seed, chosen.first_seed + chosen.seeds):
            began = time.perf_counter()
            mine = unit(seed, suspension, plan)
            found[suspension] += mine
            report(f"{suspension}, unit {seed}", mine)
            print(f"({time.perf_counter() - began:.0f} s)", flush=True)
    summary(found)


def unit(seed: int, suspension: str, plan: dict[str, Any]) -> list[Outcome]:
    """Characterise one unit, fit it, play every job."""
    bench = example_bench()
    pattern = characterisation(bench, minutes=plan["minutes"])
    rig = virtual_bench.make_rig(bench, suspension, seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    log = virtual_bench.photograph(played, bench, seed, noise_px=plan["noise_px"])
    recording = measure_camera(log, pattern, bench).recording
    fitted = as_fitted(fit_recording(pattern, recording, bench, memory=plan["memory"]))
    rig_plays = Rig(rig, pattern, plan["pause_s"])
    return [
        _job(seed, name, path, fitted, bench, rig_plays, plan)
        for name, path in jobs(bench, plan["jobs"]).items()
    ]


@dataclass(frozen=True)
class Rig:
    """A simulated unit that has played its pattern and rested."""

    unit: Any
    pattern: Pattern
    pause_s: float

    def spots(self, drive: DriveSignal, sitting: int = 0) -> tuple[Floats, Floats]:
        """Where the spot really is at each row of a drive; it was fitted in sitting 0."""
        got = virtual_bench.play_after(
            self.unit, self.pattern, self.pause_s, drive, sequence=sitting
        )
        return np.interp(drive.t_s, got.t_s, got.x_mm), np.interp(drive.t_s, got.t_s, got.y_mm)


@dataclass(frozen=True)
class Output:
    """Rows of one output: wanted spots, its drive and that of a rig without memory, and when
    the job itself begins and ends."""

    x_mm: Floats
    y_mm: Floats
    drive: DriveSignal
    plain: DriveSignal
    from_s: float
    to_s: float


def _job(
    seed: int, name: str, path: SpotPath, fitted: FittedModel, bench: Bench, rig: Rig,
    plan: dict[str, Any],
) -> Outcome:  # fmt: skip
    excess = 0
    left: dict[Option, Error] = {}
    start = state_after_pause(fitted.model, fitted.end, plan["pause_s"])
    for option in OPTIONS:
        output = made(fitted, bench, path, start, option)
        excess += exceeded(bench, output)
        left[option] = judged(output, *rig.spots(output.drive))
        if option == "follow":
            plain = judged(output, *rig.spots(output.plain))
            best, corrections, drive = oracle(output, fitted, bench, start, rig, plan["oracle"])
            replayed = judged(output, *rig.spots(drive, sitting=1))
    wrong: dict[Option, Error] = {}
    for option in OPTIONS:
        both = []
        for factor in (1.0 - plan["wrong"], 1.0 + plan["wrong"]):
            model = stronger(fitted.model, factor)
            other = replace(fitted, model=model, trust=None)
            begin = state_after_pause(model, fitted.end, plan["pause_s"])
            output = made(other, bench, path, begin, option)
            excess += exceeded(bench, output)
            both.append(judged(output, *rig.spots(output.drive)))
        wrong[option] = _worse(*both)
    return Outcome(seed, name, plain, left, best, replayed, corrections, wrong, excess)


def made(
    fitted: FittedModel, bench: Bench, path: SpotPath, start: RigState, option: Option
) -> Output:
    """The whole output for one option."""
    blocks = list(compensate_stream(
        fitted, bench, blocks_of_path(path, bench), start=start, beam_off=option, plain=True,
    ))  # fmt: skip
    inside = [b for b in blocks if b.part == "path"]
    rows = list(as_rows(blocks))
    t, x, y, ux, uy, px, py = (
        np.concatenate([getattr(r, n) for r in rows])
        for n in ("t_s", "x_mm", "y_mm", "drive_x", "drive_y", "plain_x", "plain_y")
    )
    beam = np.concatenate([r.beam for r in rows])
    return Output(
        x, y, DriveSignal(t, ux, uy, beam), DriveSignal(t, px, py, beam),
        inside[0].step_s * inside[0].first, inside[0].step_s * (inside[-1].first + len(inside[-1])),
    )  # fmt: skip


def exceeded(bench: Bench, output: Output) -> int:
    """How many stretches of the drive exceed a limit of the bench."""
    drive = output.drive
    return len(excesses(bench, drive.t_s, drive.drive_x, drive.drive_y, output.x_mm, output.y_mm,
                        bench.optics.full_scale_x_mm))  # fmt: skip


def judged(output: Output, x_mm: Floats, y_mm: Floats) -> Error:
    """Errors of played spots (rows) over everything traced."""
    t, on = output.drive.t_s, output.drive.beam
    ex, ey = x_mm - output.x_mm, y_mm - output.y_mm
    away = np.hypot(ex, ey)[on]
    return Error(
        _rms(away), float(np.quantile(away, 0.95)), float(away.max()),
        _starts(t, on, ex, ey, LEAST_S), _starts(t, on, ex, ey, PARK_S),
    )  # fmt: skip


def _starts(t: Floats, on: Bools, ex: Floats, ey: Floats, least_s: float) -> float:
    """Root mean square over the starts; the first one, behind the lead-in, does not count."""
    ends = np.flatnonzero(on[:-1] & ~on[1:]) + 1
    sizes = []
    for s in np.flatnonzero(~on[:-1] & on[1:]) + 1:
        before = ends[ends < s]
        if len(before) and t[s] - t[before[-1]] >= least_s:
            near = (t >= t[s]) & (t < t[s] + START_S) & on
            sizes.append(np.hypot(ex[near].mean(), ey[near].mean()))
    return _rms(np.array(sizes)) if sizes else float("nan")


def _worse(a: Error, b: Error) -> Error:
    names = ("rms_mm", "most_mm", "worst_mm", "starts_mm", "parks_mm")
    return Error(*(max(getattr(a, n), getattr(b, n)) for n in names))


def oracle(
    output: Output, fitted: FittedModel, bench: Bench, start: RigState, rig: Rig,
    plan: dict[str, Any],
) -> tuple[Error, int, DriveSignal]:  # fmt: skip
    """The least error that corrections from the played spots reach, their number, the drive.

    Iterative learning: what was missed is added to the path that the model is asked to follow
    (the model is only the way from mm to drive; its errors are corrected away), smoothed to the
    bench's bandwidth. The lead-in, whose swings use all of the drive, and the way out stay as
    they are. A correction that breaks a limit, or makes it worse, ends it.
    """
    step = even_step_s(bench)
    t = output.drive.t_s
    even = step * np.arange(int(np.floor(t[-1] / step + 1e-6)) + 1)
    wanted = [np.interp(even, t, v) for v in (output.x_mm, output.y_mm)]
    asked = [v.copy() for v in wanted]
    weights = hann_weights()
    # comes in while the lead-in waits at the first point, goes out on the way home
    share = np.clip((even - output.from_s) / FADE_S + 1.0, 0.0, 1.0)
    share *= np.clip((output.to_s - even) / FADE_S + 1.0, 0.0, 1.0)
    played = rig.spots(output.drive)
    best, done, kept = judged(output, *played), 0, output.drive
    for _ in range(plan["most"]):
        for v, aim, got in zip(asked, wanted, played, strict=True):
            missed = aim - np.interp(even, t, got)
            v += share * np.convolve(missed, weights, mode="same")
        ux, uy, _ = fitted.model.drives(asked[0], asked[1], step, start)
        drive = DriveSignal(t, np.interp(t, even, ux), np.interp(t, even, uy), output.drive.beam)
        other = replace(output, drive=drive)
        if exceeded(bench, other):
            break
        played = rig.spots(drive)
        error = judged(output, *played)
        if error.rms_mm > best.rms_mm * (1.0 - plan["enough"]):
            break
        best, done, kept = error, done + 1, drive
    return best, done, kept


# ---- the jobs, all invented ----------------------------------------------------------------------


def jobs(bench: Bench, plan: dict[str, Any]) -> dict[str, SpotPath]:
    """Name and timed path of every job."""
    texts = (
        layered_tile_job(plan["layers"], duration_s=plan["duration_s"]),
        islands(plan["islands"]),
        reversals(plan["strokes"]),
    )
    return {name: _read(text, bench) for name, text in zip(JOBS, texts, strict=True)}


def islands(count: int) -> str:
    """Squares of 3 mm scattered over the field, in the order in which they were drawn."""
    rng = np.random.default_rng(1)
    lines = ["G21 G90", "M5"]
    for x, y in rng.uniform(-28.0, 28.0, (count, 2)).round(3):
        lines += [f"G0 X{x} Y{y}", "M3 S1000", f"G1 X{x + 3:.3f} Y{y} F1200"]
        lines += [f"G1 X{x + 3:.3f} Y{y + 3:.3f}", f"G1 X{x} Y{y + 3:.3f}", f"G1 X{x} Y{y}", "M5"]
    return "\n".join([*lines, "M2", ""])


def reversals(count: int) -> str:
    """A zigzag of random strokes; every ten of them the spot parks for two seconds."""
    rng = np.random.default_rng(2)
    lines = ["G21 G90", "M5", "G0 X0 Y0"]
    for k in range(count):
        if k % 10 == 0:
            x, y = rng.uniform(-30.0, 30.0, 2).round(3)
            lines += ["M5", f"G0 X{x} Y{y}"] + (["G4 P2"] if k else []) + ["M3 S1000"]
        x, y = rng.uniform(-30.0, 30.0, 2).round(3)
        lines.append(f"G1 X{x} Y{y} F4800")
    return "\n".join([*lines, "M5", "M2", ""])


def _read(text: str, bench: Bench) -> SpotPath:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "job.ngc"
        file.write_text(text)
        return read_path(file, bench)[0]


# ---- tables --------------------------------------------------------------------------------------


def report(title: str, outcomes: list[Outcome]) -> None:
    """A row per unit and job: errors before and after, and with wrong models."""
    table(
        f"Simulated: {title}. Error over the trace, mm: rms / 95 % / worst",
        ("seed", "job", "plain", *OPTIONS, "oracle (corrections)", "its drive, other sitting",
         "limits exceeded"),
        [
            (o.seed, o.job, _three(o.plain), *(_three(o.left[v]) for v in OPTIONS),
             f"{_three(o.oracle)} ({o.corrections})", _three(o.replayed), o.excess)
            for o in outcomes
        ],
    )  # fmt: skip
    table(
        f"Simulated: {title}. Memory made wrong on purpose, mm: starts / behind parks / rms",
        ("seed", "job", *OPTIONS),
        [(o.seed, o.job, *(_wrong(o.wrong[v]) for v in OPTIONS)) for o in outcomes],
    )


def summary(found: dict[str, list[Outcome]]) -> None:
    """Median and worst over the units, per suspension and job."""
    rows = []
    figures: tuple[tuple[str, Callable[[Outcome], float]], ...] = (
        ("plain rms / compensated", lambda o: o.plain.rms_mm / o.left["follow"].rms_mm),
        ("compensated rms / oracle (goal 2)", lambda o: o.left["follow"].rms_mm / o.oracle.rms_mm),
        ("compensated rms / oracle's drive in another sitting",
         lambda o: o.left["follow"].rms_mm / o.replayed.rms_mm),
        ("rms of null / follow", lambda o: o.left["null"].rms_mm / o.left["follow"].rms_mm),
        ("rms of condition / follow",
         lambda o: o.left["condition"].rms_mm / o.left["follow"].rms_mm),
        ("wrong model: starts, null / follow (goal 0.33)",
         lambda o: o.wrong["null"].starts_mm / o.wrong["follow"].starts_mm),
        ("the same, behind parks", lambda o: o.wrong["null"].parks_mm / o.wrong["follow"].parks_mm),
        ("wrong model: rms, null / follow",
         lambda o: o.wrong["null"].rms_mm / o.wrong["follow"].rms_mm),
    )  # fmt: skip
    for suspension, outcomes in found.items():
        for job in JOBS:
            mine = [o for o in outcomes if o.job == job]
            for words, value in figures:
                values = np.array([value(o) for o in mine])
                values = values[np.isfinite(values)]
                if len(values):
                    worst = values.min() if words.startswith("plain") else values.max()
                    rows.append((suspension, job, words, f"{np.median(values):.2f}",
                                 f"{worst:.2f}", len(values)))  # fmt: skip
    table("Summary", ("suspension", "job", "figure", "median", "worst", "units"), rows)


def _three(e: Error) -> str:
    return f"{e.rms_mm:.3f}/{e.most_mm:.3f}/{e.worst_mm:.3f}"


def _wrong(e: Error) -> str:
    return f"{e.starts_mm:.3f}/{e.parks_mm:.3f}/{e.rms_mm:.3f}"


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


if __name__ == "__main__":
    main()
