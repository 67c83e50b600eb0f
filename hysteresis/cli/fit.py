"""`hysteresis fit`: identify the memory of both axes from the run's recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.fit import Fit


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with a recording.", metavar="RUN")],
    memory: Annotated[
        str, typer.Option(help="auto, or one candidate by name (none, friction, …).")
    ] = "auto",
    recording: Annotated[
        Path | None, typer.Option(help="Recording to fit; default: recording.csv of the run.")
    ] = None,
    parameters: Annotated[
        bool, typer.Option("--parameters", help="Print every unknown with its standard error.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Write over model.json.")] = False,
) -> None:
    """Fit a memory model to the run's recording and write model.json.

    Says how well the model does on data it has not seen, and what the data cannot tell.

    \b
    Example:
      hysteresis fit my-run
    """
    from hysteresis.bench import read_bench
    from hysteresis.cli.console import progress
    from hysteresis.fit import fit_recording
    from hysteresis.fit.fitted import absolute_uncertainty_mm, as_lmfit, fitted_model
    from hysteresis.model import write_model
    from hysteresis.run_folder import open_run, refuse_overwrite
    from hysteresis.table_files import read_pattern, read_recording

    folder = open_run(run)
    refuse_overwrite(folder.model_json, force)
    bench = read_bench(folder.bench_toml)
    source = recording or folder.recording_csv
    pattern = read_pattern(folder.pattern_csv)
    rows = read_recording(source)
    with progress("Fitting", total=1.0) as advance:
        done = 0.0

        def tell(text: str, part: float) -> None:
            nonlocal done
            advance(max(0.0, part - done))
            done = max(done, part)

        fit = fit_recording(
            pattern, rows, bench,
            memory=memory, zero_mm=absolute_uncertainty_mm(bench), progress=tell,
        )  # fmt: skip
    inputs = {"bench": folder.bench_toml, "pattern": folder.pattern_csv, "recording": source}
    write_model(folder.model_json, fitted_model(fit, bench, inputs))
    _print(fit, bench)
    if parameters:
        from lmfit import fit_report

        print(fit_report(as_lmfit(fit), show_correl=False))
    print(f"\nModel: {folder.model_json}")
    print(f"Next:  hysteresis compensate {run} PATH --out {folder.drive_wav}")


def _print(fit: Fit, bench: Bench) -> None:
    from hysteresis.cli.console import table
    from hysteresis.fit.fitted import quality

    figures = quality(fit)
    if len(fit.choices) > 1:
        table(
            "Candidates (error on readings held out, in units of the noise)",
            ("memory", "held out", "worse by", "±", "unknowns", ""),
            [
                (c.name, f"{c.held_out_ratio:.2f}", f"{100 * c.worse_by:.0f} %", f"{100 * c.uncertain_by:.0f} %",
                 c.unknowns,
                 "chosen" if c.chosen else "")
                for c in fit.choices
            ],
        )  # fmt: skip

    def row(text: str, key: str, form: str, factor: float = 1.0) -> tuple[str, str, str]:
        cells = []
        for axis in "xy":
            value = figures.get(key.format(axis))
            cells.append("–" if value is None else form.format(value * factor))
        return text, cells[0], cells[1]

    table(
        f"Fit of {len(fit.seen)} rows ({bench.name}, {bench.suspension}, unit {bench.unit})",
        ("", "x", "y"),
        [
            row("noise of the measurement, mm", "noise_{}_mm", "{:.4f}"),
            row("residual of the fit (rms), mm", "residual_{}_mm", "{:.4f}"),
            row("residual / noise, rms", "residual_over_noise_{}", "{:.2f}"),
            row("residual / noise, robust", "robust_residual_over_noise_{}", "{:.2f}"),
            row("held-out residual / noise, rms", "held_out_over_noise_{}", "{:.2f}"),
            row("friction memory, % of stiffness", "friction_share_{}", "{:.2f}", 100.0),
            row("after-effect, % per decade", "after_effect_per_decade_{}", "{:.2f}", 100.0),
            row("resonance, Hz", "resonance_{}_hz", "{:.1f}"),
            row("damping ratio", "damping_ratio_{}", "{:.3f}"),
        ],
    )
    gap = fit.discrepancy
    print(f"\nError on data held out: {gap.typical_mm:.3f} mm rms over {gap.groups} groups")
    for note in fit.notes:
        print(f"Note: {note}.")
