"""Worked study: which of three suspensions for this workshop, and is software enough?

    python -m experiments.worked_choose
    python -m experiments.worked_choose --work worked-run --reports reports

Three units of each suspension were measured (data/). Each is fitted, all are compared with the
workshop's own path, and the verdict is then held against the truth, which only a simulation
knows: every unit plays the job with and without its model. Everything is simulated.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from experiments.whole_jobs import Rig, judged, made
from experiments.worked import Study, asked, begun, job_of, kept_reports, say, step, taken
from hysteresis.cli.console import table
from hysteresis.compare.files import FILES

HERE = Path(__file__).parent
OUT, ALONE = "choice", "choice-measured"


@dataclass(frozen=True)
class Played:
    """One unit and the job, rms on the traced path, mm: foretold and played."""

    unit: str
    suspension: str
    before_mm: float
    after_mm: float
    foretold_mm: float
    low_mm: float
    high_mm: float

    @property
    def held(self) -> bool:
        """Whether the forecast's interval holds what was played."""
        return self.low_mm <= self.after_mm <= self.high_mm


def main() -> None:
    """Tell the whole study."""
    chosen = asked(__doc__).parse_args()
    plan = definition(short=chosen.short)
    print("Simulated: units, workshop and job are invented.")
    with begun(chosen.work) as study:
        choose(study, plan)
        tell(played(study, plan))
        kept_reports(study, chosen.reports, {f"{OUT}/comparison": "compare"})


def definition(*, short: bool = False) -> dict[str, Any]:
    """The definition beside this file."""
    plan = tomllib.loads((HERE / "worked_choose.toml").read_text(encoding="utf-8"))
    small = plan.pop("short")
    return plan | small if short else plan


def runs_of(plan: dict[str, Any]) -> list[str]:
    """The runs' folders, such as thread-1."""
    return [f"{kind}-{unit}" for kind in plan["kinds"] for unit in plan["units"]]


def choose(study: Study, plan: dict[str, Any]) -> None:
    """Fit every unit and compare."""
    runs = runs_of(plan)
    taken(study, *runs)
    job = job_of(study, plan)
    step(1, "A model of every unit",
         f"{len(runs)} recordings, {len(plan['units'])} units of each suspension: units of one "
         "kind differ, and only units tell how much. Each gets its own model; what they say is "
         "in commands.txt.")  # fmt: skip
    for run in runs:
        study.command("measure", run, show=False)
        study.command("fit", run, "--memory", plan["memory"], "--no-report", show=False)
    step(2, "Side by side, on the workshop's own path",
         "Figures by published definitions, and the one by which a workshop decides: the error "
         "left on its own job, as each unit's model foretells it, without and with "
         "compensation.")  # fmt: skip
    study.command("compare", *runs, "--path", job, "--pause-s", plan["pause_s"],
                  "--out", OUT, *(["--pdf"] if plan["pdf"] else []))  # fmt: skip
    if plan["alone"]:
        step(3, "Side by side, by what was measured alone",
             "A forecast on the job carries the doubt of every model. Without a path the same runs "
             "are compared by their measured return-to-zero error.")  # fmt: skip
        said = study.command("compare", *runs, "--by", "return_to_zero", "--out", ALONE, show=False)
        verdict = said.strip().split("\n\n")[1]
        print("\n".join(f"  | {line}" for line in verdict.splitlines()))


def played(study: Study, plan: dict[str, Any]) -> list[Played]:
    """Play the job on every unit, driven as without memory and compensated."""
    from hysteresis import virtual_bench
    from hysteresis.bench import read_bench
    from hysteresis.compensate import state_after_pause
    from hysteresis.files import read_json
    from hysteresis.model import read_model
    from hysteresis.paths.read import read_path
    from hysteresis.run_folder import open_run
    from hysteresis.table_files import read_pattern

    step(4, "Was the verdict right?",
         "Only a simulation can tell: every unit plays the job 30 s after its pattern, and the "
         "true spots are compared with the wanted ones.")  # fmt: skip
    comparison = read_json(study.path(f"{OUT}/{FILES[0]}"))
    folders = {one["label"]: Path(one["folder"]).name for one in comparison["runs"]}
    foretold = {folders[one["label"]]: one for one in comparison["path"]["forecasts"]}
    found = []
    for run in runs_of(plan):
        folder = open_run(study.path(run))
        bench = read_bench(folder.bench_toml)
        fitted = read_model(folder.model_json, bench)
        pattern = read_pattern(folder.pattern_csv)
        unit = virtual_bench.make_rig(bench, bench.suspension, int(bench.unit))
        path, _ = read_path(study.path(plan["job"]), bench)
        assert fitted.end is not None
        start = state_after_pause(fitted.model, fitted.end, plan["pause_s"])
        output = made(fitted, bench, path, start, "follow")
        rig = Rig(unit, pattern, plan["pause_s"])
        before, after = (
            judged(output, *rig.spots(drive)).rms_mm for drive in (output.plain, output.drive)
        )
        told = foretold[run]
        found.append(Played(run, bench.suspension, before, after, told["after_mm"],
                            told["after_low_mm"], told["after_high_mm"]))  # fmt: skip
    return found


def tell(found: list[Played]) -> None:
    """True errors unit by unit and by suspension."""
    table(
        "Simulated: rms error on the traced path, mm",
        ("unit", "suspension", "played plain", "played compensated", "foretold", "95 % from", "to",
         "inside"),
        [
            (p.unit, p.suspension, f"{p.before_mm:.3f}", f"{p.after_mm:.3f}",
             f"{p.foretold_mm:.3f}", f"{p.low_mm:.3f}", f"{p.high_mm:.3f}",
             "yes" if p.held else "no")
            for p in found
        ],
    )  # fmt: skip
    table(
        "Simulated: the same by suspension, geometric means, mm",
        ("suspension", "units", "played plain", "played compensated"),
        [
            (name, len(of), *(f"{np.exp(np.mean(np.log([getattr(p, key) for p in of]))):.3f}"
                              for key in ("before_mm", "after_mm")))
            for name in dict.fromkeys(p.suspension for p in found)
            for of in [[p for p in found if p.suspension == name]]
        ],
    )  # fmt: skip
    print()
    held = sum(p.held for p in found)
    say(f"The interval that was foretold for the compensated job holds what was played on {held} "
        f"of {len(found)} units.")  # fmt: skip
    for words, key in (("Foretold", "foretold_mm"), ("Played", "after_mm")):
        say(f"{words} order after compensation, least error first: "
            f"{', '.join(in_order(found, key))}.")  # fmt: skip
    worse = [p.unit for p in found if p.after_mm > p.before_mm]
    if worse:
        say(f"Compensation made it worse on {', '.join(worse)}: there is next to no memory, and "
            "the model's own error is what is left.")  # fmt: skip


def in_order(found: list[Played], key: str) -> list[str]:
    """Suspensions by the geometric mean of a figure over their units, the least first."""
    names = dict.fromkeys(p.suspension for p in found)
    mean = {
        name: float(np.mean([np.log(getattr(p, key)) for p in found if p.suspension == name]))
        for name in names
    }
    return sorted(names, key=lambda name: mean[name])


if __name__ == "__main__":
    main()
