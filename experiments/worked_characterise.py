"""Worked study: characterise one rig, and play a layered tile on it with and without its memory.

    python -m experiments.worked_characterise
    python -m experiments.worked_characterise --work worked-run --reports reports

From the camera log in data/ to a verified job: measure, fit, figures of the data beside those of
the model, compensate, play, film, verify, report. The rig is simulated (see data/README.md).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from experiments.worked import Study, asked, begun, job_of, kept_reports, say, step, taken
from hysteresis.cli.console import table
from hysteresis.quantities import format_with_uncertainty

HERE = Path(__file__).parent
NOTE = "Simulated: an invented workshop, rig and job"


@dataclass(frozen=True)
class Outcome:
    """rms error on the traced path, mm: plain and compensated, by the camera and in truth."""

    seen_plain_mm: float
    seen_mm: float
    true_plain_mm: float
    true_mm: float
    foretold_mm: tuple[float, float, float]


def main() -> None:
    """Tell the whole study."""
    chosen = asked(__doc__).parse_args()
    plan = definition(short=chosen.short)
    print("Simulated: rig, workshop and job are invented.")
    with begun(chosen.work) as study:
        outcome = characterise(study, plan)
        tell(outcome, plan["pause_s"])
        kept_reports(study, chosen.reports, {f"{plan['run']}/fit_report": "fit",
                                             f"{plan['run']}/report": "verify"})  # fmt: skip


def definition(*, short: bool = False) -> dict[str, Any]:
    """The definition beside this file."""
    plan = tomllib.loads((HERE / "worked_characterise.toml").read_text(encoding="utf-8"))
    small = plan.pop("short")
    return plan | small if short else plan


def characterise(study: Study, plan: dict[str, Any]) -> Outcome:
    """All steps, from the camera log to the report."""
    run, job = plan["run"], job_of(study, plan)
    unit = ("--suspension", plan["suspension"], "--seed", plan["seed"])
    after = ("--pause-s", plan["pause_s"])
    taken(study, run)
    step(1, "What was measured, and how good is it?",
         "A webcam filmed the spot while the rig played its pattern. The camera's clock and pixels "
         "become the drive's time and millimetres; frames in doubt are set aside, none is "
         "changed.")  # fmt: skip
    study.command("measure", run)
    step(2, "Which memory does this rig have?",
         "Every candidate is fitted without some groups of the data and judged on those. The "
         "table after it says which causes this recording tells apart.")  # fmt: skip
    study.command("fit", run, "--memory", plan["memory"],
                  "--pdf" if plan["pdf"] else "--no-report")  # fmt: skip
    step(3, "Published figures, from the data and from the model",
         "The same definitions are put to the measured spots and to those that the model "
         "foretells. Where they differ by more than both uncertainties, the model misses "
         "something.")  # fmt: skip
    figures(study, run, plan["refits"])
    step(4, "Pre-distort the job",
         "Six layers of a tile with a gasket ring; after each the beam goes off and the spot "
         f"waits at one side. The job starts {plan['pause_s']} s after the pattern, so the model "
         "knows what the rig still remembers of it.")  # fmt: skip
    study.command("compensate", run, job, *after)
    step(5, "Play the job, and film it",
         "First as a rig without memory would be driven, then pre-distorted. The camera that "
         "filmed the pattern films both; the true spots, which only a simulation knows, are kept "
         "beside.")  # fmt: skip
    for how, drive in (("plain", "drive_plain.wav"), ("compensated", "drive.wav")):
        study.command("virtual", run, *unit, "--play", f"{run}/{drive}", *after,
                      "--noise-px", plan["noise_px"], "--camera-log", f"{run}/{how}_log.csv",
                      "--out", f"{run}/{how}_true.csv", show=False)  # fmt: skip
        study.command("measure", run, "--camera", f"{run}/{how}_log.csv", "--job", how, show=False)
    step(6, "Is the error gone?",
         "Wanted spots against what the camera saw, with intervals over layers. Two pages are "
         "kept: one about the rig and its model, one about the job.")  # fmt: skip
    study.command("verify", run, "--note", NOTE, *(["--pdf"] if plan["pdf"] else []))
    return outcome_of(study, run)


def figures(study: Study, run: str, refits: int) -> None:
    """The figures that sum up the run, as the data and as the model tell them."""
    from hysteresis.bench import read_bench
    from hysteresis.characteristics import Characteristic
    from hysteresis.characteristics.of_run import figures_of
    from hysteresis.model import read_model
    from hysteresis.run_folder import open_run
    from hysteresis.table_files import read_pattern, read_recording

    folder = open_run(study.path(run))
    bench = read_bench(folder.bench_toml)
    pairs = figures_of(
        read_pattern(folder.pattern_csv), read_recording(folder.recording_csv), bench,
        read_model(folder.model_json, bench), refits=refits,
    )  # fmt: skip

    def cell(told: Characteristic | None) -> str:
        if told is None:
            return "–"
        return format_with_uncertainty(told.value, told.expanded())

    whole = [pair for pair in pairs if not pair.either.conditions]
    table(
        "Figures that sum up the run, ± expanded uncertainty (95 %)",
        ("figure", "axis", "unit", "from the data", "of the model", "apart"),
        [
            (pair.definition.key.replace("_", " "), pair.either.axis, pair.definition.unit,
             cell(pair.measured), cell(pair.modelled),
             {True: "yes", False: "no", None: ""}[pair.disagree])
            for pair in whole
        ],
    )  # fmt: skip
    told = [pair for pair in pairs if pair.disagree is not None]
    off = sum(bool(pair.disagree) for pair in told)
    print()
    say(
        f"Of {len(told)} figures that both tell (single holds and loops as well), {off} differ by "
        "more than both uncertainties. The model was fitted to these very spots, so few should."
    )


def outcome_of(study: Study, run: str) -> Outcome:
    """rms errors of both plays, by the camera and in truth, from the files that were written."""
    from hysteresis.files import read_json
    from hysteresis.run_folder import open_run
    from hysteresis.table_files import read_timed_path
    from hysteresis.verify import verify_played

    folder = open_run(study.path(run))
    wanted = read_timed_path(folder.planned_csv)
    found = []
    for plain, compensated in (
        (folder.plain_csv, folder.compensated_csv),
        (folder.path / "plain_true.csv", folder.path / "compensated_true.csv"),
    ):
        row = verify_played(wanted, read_timed_path(plain), read_timed_path(compensated)).row("rms")
        assert row is not None and row.before is not None and row.after is not None
        found.append((row.before.value, row.after.value))
    foretold = read_json(folder.job_json)["forecast"]
    low, middle, high = (float(foretold[f"after_{key}_mm"]) for key in ("low", "rms", "high"))
    (seen_plain, seen), (true_plain, true) = found
    return Outcome(seen_plain, seen, true_plain, true, (low, middle, high))


def tell(outcome: Outcome, pause_s: float) -> None:
    """What came out, beside the truth that only a simulation knows."""
    step(7, "What came out",
         "The true spots say how well the camera's word is to be trusted, and whether the "
         "forecast made before anything moved was right.")  # fmt: skip
    low, middle, high = outcome.foretold_mm
    table(
        f"Simulated: rms error on the traced path, mm ({pause_s:g} s after the pattern)",
        ("told by", "not compensated", "compensated", "times less"),
        [
            (who, f"{plain:.3f}", f"{left:.3f}", f"{plain / left:.1f}")
            for who, plain, left in (
                ("camera", outcome.seen_plain_mm, outcome.seen_mm),
                ("true spots", outcome.true_plain_mm, outcome.true_mm),
            )
        ],
    )
    held = "holds" if low <= outcome.true_mm <= high else "does not hold"
    print()
    say(f"Foretold with compensation: {middle:.3f} mm, 95 % {low:.3f} … {high:.3f} mm. "
        f"That interval {held} the true error.")  # fmt: skip


if __name__ == "__main__":
    main()
