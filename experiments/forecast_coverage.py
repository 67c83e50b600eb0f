"""How often does the error that was played lie in the interval that was foretold?

Per suspension and seed a new invented unit with an unknown past is characterised, fitted, and
plays three jobs after a short rest: a layered tile that parks to one side, a ladder of held
excursions, and a rosette. Each is one trial: the rms error over the trace beside the 95 %
interval foretold without knowing the path (`forecast`) and with it (`forecast_on_path`).
Each is also played without compensation: does that error, and the gain, lie where they were
foretold, and is a gain said to be shown only where one is played?
Trials of one unit share its fit, so the intervals of coverage count units, not trials.

    python -m experiments.forecast_coverage --seeds 3

Everything it prints is simulated, on rigs whose physics is not that of the fit.
"""

from __future__ import annotations

import argparse
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from experiments.return_to_zero import as_fitted, example_bench, layered_job, zero_ladder
from hysteresis import virtual_bench
from hysteresis.bench import Bench
from hysteresis.cli.console import table
from hysteresis.compensate import compensate_path, state_after_pause
from hysteresis.compensate.forecast import Forecast
from hysteresis.fit import Fit, fit_recording
from hysteresis.fit.fitted import absolute_uncertainty_mm
from hysteresis.fit.uncertainty import Trust, trust
from hysteresis.measure import measure_camera, measure_typed
from hysteresis.plan.characterise import characterisation
from hysteresis.plan.reading_steps import reading_steps
from hysteresis.tables import Pattern, Recording, SpotPath

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Trial:
    """One path on one unit: played rms error in mm, and what was foretold of it.

    `plain_mm`: the same, played without compensation.
    """

    case: str
    suspension: str
    seed: int
    path: str
    played_mm: float
    plain_mm: float
    blind: Forecast
    knowing: Forecast

    def inside(self, told: Forecast) -> bool:
        """Whether the played error lies in the interval."""
        return told.after_low_mm <= self.played_mm <= told.after_high_mm

    def plain_inside(self, told: Forecast) -> bool:
        """The same without compensation."""
        return told.before_low_mm <= self.plain_mm <= told.before_high_mm

    def gain_inside(self, told: Forecast) -> bool:
        """Whether the ratio of both played errors lies in its interval."""
        return told.gain_low <= self.plain_mm / self.played_mm <= told.gain_high


def main() -> None:
    """Print the study's tables."""
    plan = tomllib.loads((HERE / "forecast_coverage.toml").read_text())
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--seeds", type=int, default=plan["seeds"])
    ask.add_argument("--first-seed", type=int, default=plan["first_seed"])
    ask.add_argument("--only", choices=("camera", "typed"), default=None)
    chosen = ask.parse_args()
    trials: list[Trial] = []
    for seed in range(chosen.first_seed, chosen.first_seed + chosen.seeds):
        for k, suspension in enumerate(plan["camera"]["suspensions"]):
            # units of one number share warmth and camera, so every trial has its own number
            for case, minutes in enumerate(plan["camera"]["minutes"]):
                if chosen.only != "typed":
                    trials += by_camera(unit(seed, k, case), suspension, minutes, plan)
            if chosen.only != "camera" and suspension in plan["typed"]["suspensions"]:
                trials += by_ruler(unit(seed, k, -1), suspension, plan)
            report(f"seed {seed} up to {suspension}", trials)
    details(trials)


def unit(seed: int, suspension: int, case: int) -> int:
    """Number of a unit that no other suspension, case or seed of the study has."""
    return 100 * seed + 10 * (case + 1) + suspension


def by_camera(seed: int, suspension: str, minutes: float, plan: dict[str, Any]) -> list[Trial]:
    """Trials of one unit that a camera watched."""
    bench = example_bench()
    pattern = characterisation(bench, minutes=minutes)
    rig = virtual_bench.make_rig(bench, suspension, seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    log = virtual_bench.photograph(played, bench, seed, noise_px=plan["camera"]["noise_px"])
    recording = measure_camera(log, pattern, bench).recording
    return _tried(f"{minutes:g} min of camera", bench, pattern, recording, suspension, seed, plan)


def by_ruler(seed: int, suspension: str, plan: dict[str, Any]) -> list[Trial]:
    """Trials of one unit that a person read with a ruler."""
    bench = example_bench()
    pattern = reading_steps(bench, readings=plan["typed"]["readings"])
    rig = virtual_bench.make_rig(bench, suspension, seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    sheet = virtual_bench.read_with_ruler(played, pattern, bench, seed)
    recording = measure_typed(sheet, pattern, bench).recording
    case = f"{plan['typed']['readings']} readings"
    return _tried(case, bench, pattern, recording, suspension, seed, plan)


def _tried(
    case: str, bench: Bench, pattern: Pattern, recording: Recording, suspension: str, seed: int,
    plan: dict[str, Any],
) -> list[Trial]:  # fmt: skip
    zero_mm = absolute_uncertainty_mm(bench)
    fit = fit_recording(pattern, recording, bench, zero_mm=zero_mm)
    known = trust(fit.solution, fit.grid, fit.seen, fit.nominal, zero_mm)
    rig = virtual_bench.make_rig(bench, suspension, seed)
    return [
        _trial(case, bench, pattern, fit, known, rig, suspension, seed, name, path, plan)
        for name, path in paths(bench, plan).items()
    ]


def _trial(
    case: str, bench: Bench, pattern: Pattern, fit: Fit, known: Trust | None, rig: Any,
    suspension: str, seed: int, name: str, path: SpotPath, plan: dict[str, Any],
) -> Trial:  # fmt: skip
    pause_s = plan["pause_s"]
    start = state_after_pause(fit.model, fit.end, pause_s)
    result = compensate_path(as_fitted(fit), bench, path, start=start)
    on = result.planned.beam
    rms = []
    for drive in (result.drive, result.plain):
        spots = virtual_bench.play_after(rig, pattern, pause_s, drive)
        x, y = (np.interp(result.planned.t_s, spots.t_s, v) for v in (spots.x_mm, spots.y_mm))
        off = np.hypot(x - result.planned.x_mm, y - result.planned.y_mm)[on]
        rms.append(float(np.sqrt(np.mean(off**2))))
    knowing = result.forecast
    if known is not None:
        knows = replace(as_fitted(fit), trust=known.to_json())
        knowing = compensate_path(
            knows, bench, path, start=start, history=(pattern, pause_s)
        ).forecast
    return Trial(case, suspension, seed, name, rms[0], rms[1], result.forecast, knowing)


def paths(bench: Bench, plan: dict[str, Any]) -> dict[str, SpotPath]:
    """The three jobs."""
    return {
        "layered tile": layered_job(bench, plan["layered"]),
        "ladder": zero_ladder(bench, plan["return_to_zero"])[0],
        "rosette": rosette(bench, plan["rosette"]),
    }


def rosette(bench: Bench, plan: dict[str, Any]) -> SpotPath:
    """A curve of petals that widens from the centre; its first second and a half is not traced."""
    t = np.arange(0.0, plan["duration_s"], 1.0 / (8.0 * bench.limits.bandwidth_hz))
    ease = np.clip(t, 0.0, 1.0)
    ease = ease**2 * (3.0 - 2.0 * ease)
    petals = 1.0 + 0.25 * np.cos(2 * np.pi * plan["petals_hz"] * t)
    radius = ease * petals * (0.15 + 0.6 * t / t[-1])
    turn = 2 * np.pi * plan["turns_hz"] * t
    return SpotPath(
        t,
        bench.optics.full_scale_x_mm * radius * np.cos(turn),
        bench.optics.full_scale_y_mm * radius * np.sin(turn),
        t > 1.5,
    )


def report(title: str, trials: list[Trial]) -> None:
    """Print coverage per case, and of all trials."""
    rows, others = [], []
    cases = list(dict.fromkeys(t.case for t in trials))
    for case in [*cases, "all"]:
        own = [t for t in trials if case in (t.case, "all")]
        units = len({(t.case, t.suspension, t.seed) for t in own})
        for words, told in (
            ("path not known", [t.blind for t in own]),
            ("path known", [t.knowing for t in own]),
        ):
            inside = [t.inside(f) for t, f in zip(own, told, strict=True)]
            above = sum(t.played_mm > f.after_high_mm for t, f in zip(own, told, strict=True))
            low, high = wilson(float(np.mean(inside)), units)
            width = np.median([f.after_high_mm / f.after_low_mm for f in told])
            off = np.median([t.played_mm / f.after_rms_mm for t, f in zip(own, told, strict=True)])
            rows.append(
                (case, words, f"{sum(inside)} of {len(own)}", f"{100 * np.mean(inside):.0f}",
                 f"{100 * low:.0f} … {100 * high:.0f}", str(above), f"{width:.1f}", f"{off:.2f}")
            )  # fmt: skip
        pairs = [(t, t.knowing) for t in own]
        plain, gain = (
            [one(t, f) for t, f in pairs] for one in (Trial.plain_inside, Trial.gain_inside)
        )
        shown = [(t, f) for t, f in pairs if f.gain_low > 1.0]
        others.append(
            (case, str(len(own)), str(sum(plain)), str(sum(gain)), str(len(shown)),
             str(sum(t.plain_mm > t.played_mm for t, _ in shown)),
             str(sum(t.plain_mm <= t.played_mm for t in own)))
        )  # fmt: skip
    table(
        f"Simulated, {title}. Played rms error in the 95 % interval foretold",
        ("case", "forecast", "inside", "%", "95 % of it", "above", "high / low",
         "played / foretold"),
        rows,
    )  # fmt: skip
    table(
        f"Simulated, {title}. Without compensation, and the gain (path known): trials inside the "
        "95 % interval; gain shown: its interval lies above 1",
        ("case", "trials", "plain inside", "gain inside", "gain shown", "and played", "no gain "
         "played"),
        others,
    )  # fmt: skip


def details(trials: list[Trial]) -> None:
    """Print every trial."""
    table(
        "Simulated. Every trial, mm",
        ("case", "suspension", "seed", "path", "played", "path not known", "path known"),
        [
            (t.case, t.suspension, str(t.seed), t.path, f"{t.played_mm:.3f}",
             _interval(t, t.blind), _interval(t, t.knowing))
            for t in trials
        ],
    )  # fmt: skip


def _interval(trial: Trial, told: Forecast) -> str:
    mark = "" if trial.inside(told) else " missed"
    return f"{told.after_rms_mm:.3f} ({told.after_low_mm:.3f} … {told.after_high_mm:.3f}){mark}"


def wilson(share: float, count: int) -> tuple[float, float]:
    """95 % interval of a share seen in `count` independent trials (Wilson 1927; from memory)."""
    z = 1.96
    middle = (share + z**2 / (2 * count)) / (1 + z**2 / count)
    half = z * np.sqrt(share * (1 - share) / count + z**2 / (4 * count**2)) / (1 + z**2 / count)
    return float(max(middle - half, 0.0)), float(min(middle + half, 1.0))


if __name__ == "__main__":
    main()
