"""`hysteresis fit`: identify the memory of both axes from the run's recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.fit import Fit
    from hysteresis.fit.causes import Block
    from hysteresis.run_folder import RunFolder

LIKE_NOISE = 1.5  # residual over noise up to which it may be called noise


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with a recording.", metavar="RUN")],
    memory: Annotated[
        str,
        typer.Option(
            help="auto, or one by name: none, droop, friction, power-law, after-effect, bouc-wen, "
            "both, preisach, both-and-droop, play-creep.",
        ),
    ] = "auto",
    recording: Annotated[
        Path | None, typer.Option(help="Recording to fit; default: recording.csv of the run.")
    ] = None,
    parameters: Annotated[
        bool, typer.Option("--parameters", help="Print every unknown with its standard error.")
    ] = False,
    bootstrap: Annotated[
        int | None,
        typer.Option(
            help="Refits to blocks drawn with replacement, for intervals; 200 will do.",
            min=50,
            max=10_000,
        ),
    ] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="Write the report as PDF, too.")] = False,
    data: Annotated[
        Path | None,
        typer.Option(help="Folder for the data behind each figure, as CSV.", metavar="DIR"),
    ] = None,
    report: Annotated[
        bool, typer.Option(help="Write fit_report.html, which takes a few more seconds.")
    ] = True,
    force: Annotated[
        bool, typer.Option("--force", help="Write over model.json and the report.")
    ] = False,
) -> None:
    """Fit a memory model to the run's recording and write model.json and fit_report.html.

    Compares the memories that the data can carry on data held out, says how well the chosen one
    does, which causes the data tell apart, and what the residuals have to say.

    \b
    Examples:
      hysteresis fit my-run
      hysteresis fit my-run --memory preisach --force
      hysteresis fit my-run --bootstrap 200 --parameters --force
    """
    from hysteresis.bench import read_bench
    from hysteresis.cli.console import progress, rising
    from hysteresis.fit import fit_recording
    from hysteresis.fit.fitted import absolute_uncertainty_mm, fitted_model, parameter_lines
    from hysteresis.fit.record import causes_of, with_record
    from hysteresis.measure.registration_file import read_registration
    from hysteresis.model import write_model
    from hysteresis.report import refuse_targets
    from hysteresis.run_folder import open_run, refuse_overwrite
    from hysteresis.table_files import read_pattern, read_recording

    refuse_unknown_memory(memory)
    folder = open_run(run)
    refuse_overwrite(folder.model_json, force)
    if report:
        refuse_targets(folder.fit_report_html, pdf=pdf, data=data, overwrite=force, question="fit")
    bench = read_bench(folder.bench_toml)
    source = recording or folder.recording_csv
    pattern = read_pattern(folder.pattern_csv)
    rows = read_recording(source)
    registration = None
    if bench.camera is not None and folder.registration_json.exists():
        registration = read_registration(folder.registration_json)
    with progress("Fitting", total=1.0) as advance:
        to = rising(advance)
        fit = fit_recording(
            pattern, rows, bench,
            memory=memory, zero_mm=absolute_uncertainty_mm(bench, registration),
            progress=lambda text, part: to(part),
        )  # fmt: skip
    inputs = {"bench": folder.bench_toml, "pattern": folder.pattern_csv, "recording": source}
    causes = causes_of(fit)
    write_model(folder.model_json, with_record(fitted_model(fit, bench, inputs), fit, causes))
    _print(fit, bench)
    _causes(fit, causes)
    if bootstrap:
        _intervals(fit, bootstrap)
    if parameters:
        print("\n".join(["", *parameter_lines(fit)]))
    print(f"\nModel: {folder.model_json}")
    if report:
        written = _report(folder, source, pdf, data, force)
        print(f"Report: {', '.join(str(path) for path in written if path.parent != data)}")
    print(f"Next:  hysteresis compensate {run} PATH --pause-s 30 --out {folder.drive_wav}")


def refuse_unknown_memory(memory: str) -> None:
    """Refuse a name that no memory has; a known one may still be more than the data carry."""
    from hysteresis.errors import InputError
    from hysteresis.fit.recipes import NAMES

    names = ("auto", *NAMES)
    if memory not in names:
        raise InputError(
            "there is no memory of that name", value=memory,
            mend="choose one of " + ", ".join(names),
        )  # fmt: skip


def _print(fit: Fit, bench: Bench) -> None:
    from hysteresis.cli.console import say, table
    from hysteresis.fit.fitted import quality
    from hysteresis.fit.recipes import NAMES

    figures = quality(fit)
    if len(fit.choices) > 1:
        table(
            "Candidates (error on readings held out, in units of the noise)",
            ("memory", "held out", "worse by", "±", "unknowns", ""),
            [
                (c.name, f"{c.held_out_ratio:.2f}", f"{100 * c.worse_by:.0f} %",
                 f"{100 * c.uncertain_by:.0f} %", c.unknowns, "chosen" if c.chosen else "")
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
            *(
                [row(_corner_words(bench), "output_corner_{}_hz", "{:.3g}")]
                if any(key.startswith("output_corner_") for key in figures)
                else []
            ),
        ],
    )
    gap = fit.discrepancy
    chosen = next(c.name for c in fit.choices if c.chosen)
    print(f"\nMemory: {chosen} ({NAMES.get(chosen, chosen)})")
    print(f"Error on data held out: {gap.typical_mm:.3f} mm rms over {gap.groups} groups")
    for note in fit.notes:
        if "not identifiable" not in note:  # said below, with its reason
            say(f"Note: {note}.")


def _corner_words(bench: Bench) -> str:
    stated = bench.drive.corner_hz
    beside = "DC-coupled" if stated is None else f"{stated:g}"
    return f"corner of the output, Hz (bench.toml: {beside})"


def _report(
    folder: RunFolder, source: Path, pdf: bool, data: Path | None, force: bool
) -> tuple[Path, ...]:
    """Write the page on the memory and its model from the files that are there now."""
    import shlex
    import sys

    from hysteresis.cli.console import progress
    from hysteresis.findings import gather
    from hysteresis.report import write_page
    from hysteresis.report.fit_page import fit_page

    with progress("Report", total=2) as advance:
        findings = gather(
            folder, recording=source, command=shlex.join(["hysteresis", *sys.argv[1:]]),
            characteristics=True,
        )  # fmt: skip
        advance()
        page = fit_page(findings)
        written = write_page(page, folder.fit_report_html, pdf=pdf, data=data, overwrite=force)
        advance()
    return written


def _causes(fit: Fit, causes: tuple[Block, ...]) -> None:
    """Which causes the data tell apart, and what the residuals say."""
    from hysteresis.cli.console import say, table
    from hysteresis.fit.diagnostics import diagnose
    from hysteresis.fit.fitted import quality
    from hysteresis.fit.identifiability import lines
    from hysteresis.fit.record import cause_cells

    table("What the data tell apart", ("cause", "figure", "verdict"), cause_cells(causes))
    for line in lines(causes):
        say(f"Note: {line}.")
    findings = diagnose(fit.seen, fit.residual_x_mm, fit.residual_y_mm, fit.grid)
    for finding in findings:
        say(f"Residuals, {finding.text}.")
    if findings:
        return
    figures = quality(fit)
    worst = max(v for k, v in figures.items() if k.startswith("residual_over_noise"))
    if worst < LIKE_NOISE:
        print("Residuals: nothing but noise.")
    else:
        say(
            f"Residuals: {worst:.1f} times the noise, and no cause that they follow; of few rows "
            "none can be named."
        )


def _intervals(fit: Fit, count: int) -> None:
    """Unknowns with 95 % intervals from refits to redrawn blocks of the recording."""
    from hysteresis.cli.console import progress, rising, table
    from hysteresis.fit.block_bootstrap import block_bootstrap

    with progress("Refitting", total=1.0) as advance:
        drawn = block_bootstrap(
            fit.solution, fit.grid, fit.seen, fit.nominal, count=count, progress=rising(advance)
        )
    moving = drawn.standard_error > 0
    table(
        f"Intervals from {count} refits to {drawn.blocks} redrawn blocks",
        ("unknown", "value", "standard error", "95 % from", "to"),
        [
            (str(name), f"{value:.4g}", f"{error:.2g}", f"{low:.4g}", f"{high:.4g}")
            for name, value, error, low, high in zip(
                drawn.names[moving], drawn.solution[moving], drawn.standard_error[moving],
                drawn.low[moving], drawn.high[moving], strict=True,
            )
        ],
    )  # fmt: skip
