"""Worked study: a week of jobs on a rig that drifts, with and without rechecks.

    python -m experiments.worked_week
    python -m experiments.worked_week --work worked-run --reports reports

One unit on braided thread is characterised on Sunday morning. From Monday on its threads fray a
little every day and the room gets warmer and cooler. Every morning the rig is rested, and one job
is played in three ways: without compensation; with Sunday's model; and after a recheck of half a
minute, with the model as the rechecks have brought it up to date. Everything is simulated.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from data.make import SIMULATED, bench_text
from data.make import definition as data_definition
from experiments.worked import Study, asked, begun, kept_reports, say, step
from hysteresis import virtual_bench
from hysteresis.bench import Bench
from hysteresis.cli.console import table
from hysteresis.recheck.results import LogRow
from hysteresis.run_folder import RunFolder
from hysteresis.tables import DriveSignal, Floats, Pattern
from hysteresis.virtual_bench import Drift, Played, Rig, drifted

HERE = Path(__file__).parent
RUN = "tracer"
NOTE = "Simulated: an invented workshop, rig and week"


@dataclass(frozen=True)
class Error:
    """On the traced path, mm: rms, shift of the whole (mean), and rms about the mean; and the
    95 % interval that was foretold for the rms of the compensated job."""

    rms_mm: float
    shift_mm: float
    form_mm: float
    low_mm: float
    high_mm: float

    @property
    def held(self) -> bool:
        """Whether the interval holds what was played."""
        return self.low_mm <= self.rms_mm <= self.high_mm


@dataclass(frozen=True)
class Day:
    """One day: what was true, what the recheck said, and the errors of the three jobs.

    `friction`: true factor since the fit; `row`: of the recheck's log; `taken_over`: whether the
    recheck changed the model.
    """

    number: int
    name: str
    room_c: float
    friction: float
    row: LogRow
    taken_over: bool
    plain: Error
    stored: Error
    rechecked: Error


def main() -> None:
    """Tell the whole study."""
    chosen = asked(__doc__).parse_args()
    plan = definition(short=chosen.short)
    print("Simulated: rig, workshop and week are invented.")
    with begun(chosen.work) as study:
        days = week(study, plan)
        tell(days, tolerance_mm=bench_of(study).tolerance.target_mm)
        found(days)
        step(5, "A page to keep", "The last recheck, and the control charts of the week.")
        study.command("report", RUN, "--question", "recheck", "--pdf", "--note", NOTE, "--force",
                      show=False)  # fmt: skip
        kept_reports(study, chosen.reports, {f"{RUN}/recheck_report": "recheck"})


def definition(*, short: bool = False) -> dict[str, Any]:
    """The definition beside this file; `days` are numbered from 1."""
    plan = tomllib.loads((HERE / "worked_week.toml").read_text(encoding="utf-8"))
    small = plan.pop("short")
    plan["days"] = [{"number": n, **day} for n, day in enumerate(plan["days"], 1)]
    if short:
        only = small.pop("only")
        plan |= small | {"days": [day for day in plan["days"] if day["number"] in only]}
    return plan


def week(study: Study, plan: dict[str, Any]) -> list[Day]:
    """Sunday's model, then every day."""
    step(1, "Sunday morning: a model of the rig",
         f"{plan['minutes']:g} minutes of camera on the rested rig, then a fit. A pattern for "
         "rechecks lies ready beside it.")  # fmt: skip
    characterised(study, plan)
    step(2, "Monday to Sunday: a recheck of half a minute, then the job",
         "Where its verdict is REFIT, the numbers that moved are taken over (--update), if what "
         "was held out of the recheck agrees; else the model stays as it is.")  # fmt: skip
    return [one_day(study, plan, day) for day in plan["days"]]


def bench_of(study: Study) -> Bench:
    """The rig as its bench.toml has it."""
    from hysteresis.bench import read_bench

    return read_bench(RunFolder(study.path(RUN)).bench_toml)


def characterised(study: Study, plan: dict[str, Any]) -> None:
    """The run of Sunday morning, up to its model and the recheck's pattern."""
    from hysteresis.files import write_atomic
    from hysteresis.run_folder import create_run
    from hysteresis.table_files import read_pattern

    run = create_run(study.path(RUN))
    text = bench_text(plan["suspension"], plan["unit"], plan["frame_rate_hz"], data_definition())
    write_atomic(run.bench_toml, text)
    study.command("plan", RUN, "--minutes", plan["minutes"], "--no-wav", show=False)
    bench, rested = bench_of(study), {"number": 0}
    rig = virtual_bench.make_rig(bench, plan["suspension"], plan["unit"])
    film(bench, plan, rested, rig, read_pattern(run.pattern_csv), run.camera_log_csv)
    write_atomic(run.simulated_txt, SIMULATED)
    study.command("measure", RUN, show=False)
    study.command("fit", RUN, "--memory", plan["memory"], "--no-report", show=False)
    study.command("plan", RUN, "--kind", "recheck", "--no-wav", show=False)


# ---- what the rig does -------------------------------------------------------------------------


def rig_of(bench: Bench, plan: dict[str, Any], day: dict[str, Any]) -> Rig:
    """The unit as it is on this day."""
    unit = virtual_bench.make_rig(bench, plan["suspension"], plan["unit"])
    slower = day["after_effect"]
    return drifted(unit, Drift(
        friction=day["friction"], after_effect_fast=slower, after_effect_slow=slower,
        ambient_k=day["room_c"] - bench.ambient_c,
    ))  # fmt: skip


def morning(rig: Rig, day: dict[str, Any], first: Pattern | DriveSignal) -> Played:
    """What the rested rig does first in the morning."""
    return virtual_bench.play(rig, first.t_s, first.drive_x, first.drive_y, beam=first.beam,
                              history="rested", sequence=day["number"])  # fmt: skip


def after(
    rig: Rig, day: dict[str, Any], first: Pattern, pause_s: float, drive: DriveSignal, t_s: Floats
) -> tuple[Floats, Floats]:
    """Spots (x, y) at times of the clock of `drive`, which follows a pause after `first`."""
    shift = float(first.t_s[-1]) + pause_s - float(drive.t_s[0])
    both = DriveSignal(
        np.concatenate([first.t_s, drive.t_s + shift]),
        np.concatenate([first.drive_x, drive.drive_x]),
        np.concatenate([first.drive_y, drive.drive_y]),
        np.concatenate([first.beam, drive.beam]),
    )
    return at_rows(morning(rig, day, both), t_s + shift)


def at_rows(played: Played, t_s: Floats) -> tuple[Floats, Floats]:
    """Spots (x, y) at some times."""
    return np.interp(t_s, played.t_s, played.x_mm), np.interp(t_s, played.t_s, played.y_mm)


# ---- one day -----------------------------------------------------------------------------------


def one_day(study: Study, plan: dict[str, Any], day: dict[str, Any]) -> Day:
    """Recheck, update where it is due, and the job in three ways."""
    from hysteresis.files import write_atomic
    from hysteresis.paths.example_job import layered_tile_job
    from hysteresis.table_files import read_pattern

    folder, bench = RunFolder(study.path(RUN)), bench_of(study)
    rig = rig_of(bench, plan, day)
    when = date.fromisoformat(plan["start"]) + timedelta(days=day["number"] - 1)
    print(f"\nDay {day['number']}, {when:%A}, {day['room_c']:g} °C", flush=True)
    job = f"day-{day['number']}.ngc"
    write_atomic(study.path(job), layered_tile_job(**plan["layered"], **day["job"]))
    recheck = read_pattern(folder.path / "recheck" / "pattern.csv")
    film(bench, plan, day, rig, recheck, study.path(f"day-{day['number']}.csv"))
    row, taken_over = rechecked(study, day, when)

    # a rechecked model knows how its recheck left the rig; Sunday's knows nothing of this morning
    newer = folder.model_rechecked_json
    options = ("--model", f"{RUN}/{newer.name}", "--pause-s", plan["pause_s"])
    study.command("compensate", RUN, job, *(options if newer.exists() else ()), "--force",
                  show=False)  # fmt: skip
    study.command("compensate", RUN, job, "--out", f"{RUN}/stored.wav", "--force", show=False)
    errors = {
        "rechecked": error(study, "drive.wav", "", rig, day, (recheck, plan["pause_s"])),
        "stored": error(study, "stored.wav", "stored.wav.", rig, day),
        "plain": error(study, "drive_plain.wav", "", rig, day),
    }
    return Day(day["number"], f"{when:%a}", day["room_c"], day["friction"], row, taken_over,
               **errors)  # fmt: skip


def film(
    bench: Bench, plan: dict[str, Any], day: dict[str, Any], rig: Rig, first: Pattern, log: Path
) -> None:
    """What the camera sees of the morning's first pattern."""
    from hysteresis.table_files import write_camera_log

    write_camera_log(log, virtual_bench.photograph(
        morning(rig, day, first), bench, plan["unit"], sequence=day["number"],
        noise_px=plan["noise_px"],
    ))  # fmt: skip


def rechecked(study: Study, day: dict[str, Any], when: date) -> tuple[LogRow, bool]:
    """Recheck the model in use, and update it where that is due: the log's row, and whether."""
    from hysteresis.recheck.log import read_log

    folder = RunFolder(study.path(RUN))
    newer = folder.model_rechecked_json
    before = newer.read_bytes() if newer.exists() else b""
    words = ["recheck", RUN, "--camera", f"day-{day['number']}.csv",
             "--temperature-c", day["room_c"], "--date", when.isoformat()]  # fmt: skip
    if before:
        words += ["--model", f"{RUN}/{newer.name}"]
    said = study.command(*words, show=False)
    row = read_log(folder.recheck_log_csv, bench_of(study).unit)[-1]
    if row.verdict == "refit" and row.moved:
        repeat(said)
        said = study.command(*words, "--update", "--force", show=False)
    repeat(said)
    return row, newer.exists() and newer.read_bytes() != before


def repeat(said: str) -> None:
    """The verdict of a recheck, and what moved."""
    for line in said.splitlines():
        if line.startswith(("PASS", "WATCH", "REFIT", "What moved", "Updated")):
            print(f"  | {line}")


def error(
    study: Study, drive: str, named: str, rig: Rig, day: dict[str, Any],
    before: tuple[Pattern, float] | None = None,
) -> Error:  # fmt: skip
    """Play one drive of the run, after a recheck and a pause or first thing, and judge it.

    `named`: what the names of its planned.csv and job.json begin with.
    """
    from hysteresis.files import read_json
    from hysteresis.table_files import read_timed_path
    from hysteresis.wav_files import read_drive_wav

    wanted = read_timed_path(study.path(f"{RUN}/{named}planned.csv"))
    signal = read_drive_wav(study.path(f"{RUN}/{drive}"))[0]
    if before is None:
        x, y = at_rows(morning(rig, day, signal), wanted.t_s)
    else:
        x, y = after(rig, day, *before, signal, wanted.t_s)
    told = read_json(study.path(f"{RUN}/{named}job.json"))["forecast"]
    on = wanted.beam
    ex, ey = x[on] - wanted.x_mm[on], y[on] - wanted.y_mm[on]
    return Error(
        float(np.sqrt(np.mean(ex**2 + ey**2))), float(np.hypot(ex.mean(), ey.mean())),
        float(np.sqrt(np.var(ex) + np.var(ey))), told["after_low_mm"], told["after_high_mm"],
    )  # fmt: skip


# ---- what came out -----------------------------------------------------------------------------


def tell(days: list[Day], tolerance_mm: float) -> None:
    """What was left each day, and whether rechecks were worth it."""
    step(3, "What was left each day",
         "Rms error on the traced path; in brackets the same about its mean, that is without the "
         "shift of the whole job.")  # fmt: skip
    table(
        "Simulated: error of the job, mm",
        ("day", "room, °C", "friction", "verdict", "blamed", "taken over", "plain",
         "Sunday's model", "rechecked"),
        [
            (d.name, f"{d.room_c:.1f}", f"{100 * (d.friction - 1):+.0f} %", d.row.verdict,
             d.row.moved or "–", "yes" if d.taken_over else "no",
             *(f"{e.rms_mm:.3f} ({e.form_mm:.3f})" for e in (d.plain, d.stored, d.rechecked)))
            for d in days
        ],
    )  # fmt: skip
    print()
    stored, new = (np.array([getattr(d, k).rms_mm for d in days]) for k in ("stored", "rechecked"))
    form_stored, form_new = (
        np.array([getattr(d, k).form_mm for d in days]) for k in ("stored", "rechecked")
    )
    say(f"With rechecks the job was nearer on {int((new < stored).sum())} of {len(days)} days "
        f"(about its mean: {int((form_new < form_stored).sum())}). On the last day "
        f"{stored[-1]:.3f} mm were left with Sunday's model and {new[-1]:.3f} mm with the "
        f"rechecked one; about the mean {form_stored[-1]:.3f} and {form_new[-1]:.3f} mm. Within "
        f"the tolerance of {tolerance_mm:g} mm (rms) were {int((stored <= tolerance_mm).sum())} "
        f"and {int((new <= tolerance_mm).sum())} days.")  # fmt: skip
    last = days[-1]
    say(f"The interval foretold for the job held what was played on "
        f"{sum(d.stored.held for d in days)} of {len(days)} days with Sunday's model, for which "
        f"the rig's past is not known (last: {last.stored.low_mm:.3f} … {last.stored.high_mm:.3f} "
        "mm).")  # fmt: skip
    first = next((k for k, d in enumerate(days) if d.taken_over), len(days))
    if first < len(days):
        say(f"With an updated model, which knows how its recheck left the rig, it held on "
            f"{sum(d.rechecked.held for d in days[first:])} of {len(days) - first} (last: "
            f"{last.rechecked.low_mm:.3f} … {last.rechecked.high_mm:.3f} mm).")  # fmt: skip
    shift = np.array([d.stored.shift_mm for d in days])
    if np.median(shift) > tolerance_mm:
        say(
            f"Much of it is a shift of the whole job: {np.median(shift):.2f} mm in the median with "
            f"Sunday's model, between {shift.min():.2f} and {shift.max():.2f} mm. A fit does not "
            "tell the mirrors' zero from slow creep of a past that it does not know, and a later "
            "job starts from another past. One filmed job tells where to place the next "
            "(compensate --x-mm, --y-mm)."
        )


def found(days: list[Day]) -> None:
    """What each recheck found, beside what was true."""
    step(4, "What the rechecks found",
         "Change of friction against the model that was in use, ± standard uncertainty, beside "
         "the true one; the mirrors' zero in mm.")  # fmt: skip
    rows, of_model = [], 1.0
    for day in days:
        values, errors = day.row.values, day.row.errors
        rows.append((
            day.name, f"{100 * (day.friction / of_model - 1):+.1f}",
            *(f"{100 * values[k]:+.1f} ± {100 * errors[k]:.1f}"
              for k in ("friction_x", "friction_y")),
            *(f"{values[k]:+.2f} ± {errors[k]:.2f}"
              for k in ("zero_mm_x", "zero_mm_y")),
        ))  # fmt: skip
        of_model = day.friction if day.taken_over else of_model
    table(
        "Simulated: against the model in use",
        ("day", "true friction, %", "friction x, %", "friction y, %", "zero x, mm", "zero y, mm"),
        rows,
    )


if __name__ == "__main__":
    main()
