"""`hysteresis plan`: lay out a pattern for a run, show what it will do, write it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.fit.design import Design
    from hysteresis.fit.improvement import Improvement, Known
    from hysteresis.plan.assemble import Axes
    from hysteresis.run_folder import RunFolder
    from hysteresis.tables import Pattern

SHEETS = ("reading-steps", "recheck-readings")  # kinds that come with a sheet to fill in


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with its bench.toml.", metavar="RUN")],
    kind: Annotated[
        str,
        typer.Option(
            help="characterisation, reading-steps, verification, or for later: recheck, "
            "recheck-readings."
        ),
    ] = "characterisation",
    minutes: Annotated[
        float | None,
        typer.Option(
            help="Time budget; 2 to 20 for a characterisation, which takes 6 if unsaid; "
            "0.2 to 10 for --improve, 3 if unsaid."
        ),
    ] = None,
    readings: Annotated[int, typer.Option(help="Number of readings of reading-steps.")] = 40,
    axis: Annotated[str, typer.Option(help="both, or the one axis to drive: x or y.")] = "both",
    bits: Annotated[int, typer.Option(help="Bits of a WAV sample: 16, 24 or 32.")] = 24,
    path: Annotated[
        Path | None,
        typer.Option(help="Toolpath for which a characterisation is to be best at equal time."),
    ] = None,
    improve: Annotated[
        bool,
        typer.Option("--improve", help="Plan what tells apart what RUN's fit left open."),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(help="New run folder for the pattern of --improve or --path."),
    ] = None,
    whole: Annotated[
        bool,
        typer.Option("--whole", help="With --improve: RUN's pattern and the additions in one."),
    ] = False,
    no_wav: Annotated[bool, typer.Option("--no-wav", help="Write no pattern.wav.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Write over files that exist.")] = False,
) -> None:
    """Lay out the pattern that the rig will play, and show what it does before anything moves.

    Writes pattern.csv, pattern.wav to play, pattern.png to look at, and for a person with a ruler
    a reading sheet as a table and to print. With --path the segments of a characterisation are
    chosen for that path, with RUN's model where there is one. With --improve the segments that
    tell apart what RUN's fit left open go into a new run folder; RUN is not changed. A recheck
    goes into RUN/recheck (six readings: RUN/recheck/readings), beside the pattern of the fit.

    \b
    Example:
      hysteresis plan my-run --kind characterisation --minutes 6
      hysteresis plan my-run --kind reading-steps --readings 40
      hysteresis plan my-run --kind recheck
      hysteresis plan my-run --minutes 4 --path tile.ngc
      hysteresis plan --improve my-run --out my-next-run
    """
    from hysteresis.bench import read_bench
    from hysteresis.cli.console import say_cautions
    from hysteresis.cli.plan_words import say_plan
    from hysteresis.errors import InputError
    from hysteresis.plan import KINDS, plan, preview
    from hysteresis.run_folder import create_run, open_run, recheck_folder

    if bits not in (16, 24, 32):
        raise InputError("a WAV sample has 16, 24 or 32 bits", value=bits, mend="choose one")
    if axis not in ("both", "x", "y"):
        raise InputError("there is no such axis", value=axis, mend="choose both, x or y")
    kind = "characterisation" if kind == "characterise" else kind
    if kind not in KINDS:
        raise InputError(
            "there is no such pattern", value=kind, mend="choose one of " + ", ".join(KINDS)
        )
    _go_together(kind, path, improve, out, whole)
    source = open_run(run)
    bench = read_bench(source.bench_toml)
    folder = source if out is None else _beside(source, out)
    if kind in ("recheck", "recheck-readings"):
        folder = recheck_folder(source, readings=kind == "recheck-readings")
    targets, stale = _files(folder, kind, no_wav)
    copied = [] if out is None else [folder.bench_toml]
    _make_room([*copied, *targets], stale, force)
    if improve:
        pattern = _improved(source, bench, axis, minutes, whole)  # type: ignore[arg-type]
        kind = "improvement"
        if pattern is None:
            return
    elif path is not None:
        pattern = _for_path(source, bench, path, minutes, axis)  # type: ignore[arg-type]
    else:
        pattern = plan(kind, bench, minutes=minutes, readings=readings, axes=axis)  # type: ignore[arg-type]
    what = preview(pattern, bench)
    if out is not None:
        _copy_bench(source, folder)
    create_run(folder.path)
    _write(folder, bench, pattern, kind, None if no_wav else bits)
    for file in stale:
        file.unlink()
    say_plan(bench, what, kind, [*copied, *targets], stale)
    print()
    say_cautions()


def _go_together(
    kind: str, path: Path | None, improve: bool, out: Path | None, whole: bool
) -> None:
    """Refuse options that contradict each other."""
    from hysteresis.errors import InputError

    if improve and path is not None:
        raise InputError("--improve and --path are two different plans", mend="choose one of them")
    if (improve or path is not None) and kind != "characterisation":
        raise InputError(
            "--improve and --path are for characterisations", value=kind, mend="leave out --kind"
        )
    if improve and out is None:
        raise InputError(
            "an improvement is a new measurement, so it needs a run folder of its own",
            mend="name one with --out FOLDER",
        )
    if whole and not improve:
        raise InputError("--whole belongs to --improve", mend="add --improve, or leave it out")
    if out is not None and not improve and path is None:
        raise InputError(
            "--out belongs to --improve and --path", mend="name the folder as RUN instead"
        )


def _beside(source: RunFolder, out: Path) -> RunFolder:
    from hysteresis.errors import InputError
    from hysteresis.run_folder import RunFolder

    if out.resolve() == source.path.resolve():
        raise InputError("this is the run itself", file=out, mend="name another folder with --out")
    return RunFolder(out)


def _copy_bench(source: RunFolder, folder: RunFolder) -> None:
    """The same bench in the new run's folder."""
    from hysteresis.files import read_text, write_atomic
    from hysteresis.run_folder import create_run

    create_run(folder.path)
    write_atomic(folder.bench_toml, read_text(source.bench_toml))


def _improved(
    source: RunFolder, bench: Bench, axis: Axes, minutes: float | None, whole: bool
) -> Pattern | None:
    """The informative minimum for what RUN's fit left open; None when nothing is needed."""
    from threadpoolctl import threadpool_limits

    from hysteresis.cli.console import progress, say
    from hysteresis.errors import InputError
    from hysteresis.fit.improvement import MOST_S, improvement, known, summary
    from hysteresis.model import read_model
    from hysteresis.plan.improve import appended, extras, in_a_row
    from hysteresis.table_files import read_pattern, read_recording

    if minutes is not None and not 0.2 <= minutes <= 10.0:
        raise InputError(
            "an improvement takes 0.2 to 10 minutes", value=minutes, mend="ask for 3 minutes"
        )
    pattern = read_pattern(source.pattern_csv)
    with threadpool_limits(limits=1), progress("Looking for what is open", total=2) as advance:
        run = known(
            read_model(source.model_json, bench), pattern,
            read_recording(source.recording_csv), bench,
        )  # fmt: skip
        advance()
        offered = extras(bench, axis)
        row, spans = in_a_row(bench, [extra.block for extra in offered], axis)
        most_s = MOST_S if minutes is None else 60.0 * minutes
        found = improvement(run, bench, offered, row, spans, most_s=most_s)
        advance()
    _print_improvement(found, run)
    if not found.choices:
        for sentence in summary(found):
            print(f"\n{sentence[0].upper()}{sentence[1:]}.")
        return None
    blocks = [offered[choice.index].block for choice in found.choices]
    more, _ = in_a_row(bench, blocks, axis)
    seconds = sum(choice.seconds for choice in found.choices)
    frame = float(more.t_s[-1]) - seconds
    print(f"\nAdd {seconds:.0f} s, and {frame:.0f} s of sync signature and conditioning to "
          "measure them on their own.")  # fmt: skip
    if whole:
        return appended(pattern, more, bench)
    say(
        "Note: the figures above hold for both recordings together; a fit to the new one alone "
        "knows less. With --whole both are one pattern."
    )
    return more


def _print_improvement(found: Improvement, run: Known) -> None:
    from hysteresis.cli.console import say, table
    from hysteresis.fit.identifiability import TOLD

    told = sum(block.told for block in run.blocks)
    print(f"\n{told} of {len(run.blocks)} causes are told apart by the run's recording.")
    if found.targets:
        table(
            f"What is open: standard error in % of its size (told apart below {100 * TOLD:.0f})",
            ("cause", "now", "with the additions", "verdict now"),
            [
                (t.label, f"{100 * t.before:.0f}", f"{100 * t.after:.0f}", t.verdict)
                for t in found.targets
            ],
        )
    if found.choices:
        table(
            "Segments to add", ("seconds", "segment", "tells"),
            [(f"{c.seconds:.0f}", c.name, ", ".join(c.tells)) for c in found.choices],
        )  # fmt: skip
        left, aside = _left_open(found, run)
        print()
        if left:
            say(f"Not told apart even with these: {', '.join(left)}.")
        if aside:
            say(f"Not told apart, but of one recording and not of the rig: {', '.join(aside)}.")


def _left_open(found: Improvement, run: Known) -> tuple[list[str], list[str]]:
    """Causes that the chosen segments do not tell apart: of the rig, and of one recording."""
    from hysteresis.fit.improvement import LEFT_ASIDE

    told = {target.label for target in found.targets if target.told}
    left: list[str] = []
    aside: list[str] = []
    for block in run.blocks:
        label = f"{block.name} {block.axis}".strip()
        if not block.told and label not in told:
            (aside if block.name in LEFT_ASIDE else left).append(label)
    return left, aside


def _for_path(
    source: RunFolder, bench: Bench, path: Path, minutes: float | None, axis: Axes
) -> Pattern:
    """A characterisation for one path, or the usual one where that is foretold to be better."""
    from threadpoolctl import threadpool_limits

    from hysteresis.cli.console import progress
    from hysteresis.fit.design import design_for_path
    from hysteresis.model import read_model
    from hysteresis.paths.read import read_path
    from hysteresis.plan import plan

    asked = 6.0 if minutes is None else minutes
    usual = plan("characterisation", bench, minutes=asked, axes=axis)
    wanted, _ = read_path(path, bench)
    fitted = read_model(source.model_json, bench) if source.model_json.exists() else None
    with threadpool_limits(limits=1), progress("Choosing segments for the path") as advance:
        design = design_for_path(bench, wanted, asked, usual, axes=axis, fitted=fitted)
        advance()
    _print_design(design, "the run's model" if fitted else "no model of this rig")
    return design.pattern if design.forecast_mm < design.usual_mm else usual


def _print_design(design: Design, known: str) -> None:
    from collections import Counter

    from hysteresis.cli.console import say, table

    table(
        f"Error to expect on the path, rms, from {known}",
        ("pattern of equal length", "mm"),
        [("chosen for the path", f"{design.forecast_mm:.3f}"),
         ("the usual one", f"{design.usual_mm:.3f}")],
    )  # fmt: skip
    if design.forecast_mm >= design.usual_mm:
        print("\nNo choice is foretold to be better, so this is the usual pattern.")
        return
    table("Segments chosen for the path", ("times", "segment"),
          [(str(n), name) for name, n in Counter(design.chosen).items()])  # fmt: skip
    say(
        "\nNote: this compares patterns by what a model can know. On simulated rigs the error that "
        "was played afterwards was no smaller than with the usual pattern "
        "(experiments.pattern_design): prefer the usual one unless a recheck says otherwise."
    )


def _files(folder: RunFolder, kind: str, no_wav: bool) -> tuple[list[Path], list[Path]]:
    """Files that will be written, and files there now that would then belong to no pattern."""
    sheet = [folder.reading_sheet_csv, folder.reading_sheet_pdf]
    written = [folder.pattern_csv, folder.path / "pattern.png"]
    written += [] if no_wav else [folder.pattern_wav]
    written += sheet if kind in SHEETS else []
    others = {folder.pattern_wav, *sheet} - set(written)
    return written, sorted(path for path in others if path.exists())


def _make_room(targets: list[Path], stale: list[Path], force: bool) -> None:
    """Refuse before anything is written."""
    from hysteresis.errors import InputError
    from hysteresis.run_folder import refuse_overwrite

    for path in targets:
        refuse_overwrite(path, force)
    if stale and not force:
        raise InputError(
            "the file belongs to the pattern that was planned before and is kept",
            file=stale[0],
            mend="add --force to remove it, or plan in another run folder",
        )


def _write(
    folder: RunFolder, bench: Bench, pattern: Pattern, kind: str, wav_bits: int | None
) -> None:
    from hysteresis.cli.console import progress
    from hysteresis.plan import draw_preview, write_sheet_pdf
    from hysteresis.plan.sheet import sheet_in_tenths
    from hysteresis.run_folder import RecheckFolder
    from hysteresis.table_files import write_pattern, write_typed_sheet
    from hysteresis.tables import DriveSignal
    from hysteresis.wav_files import sampled_blocks, write_drive_wav

    if wav_bits is not None:
        # The largest file first: if the disk is full, nothing else has changed yet.
        signal = DriveSignal(pattern.t_s, pattern.drive_x, pattern.drive_y, pattern.beam)
        rate = bench.drive.sample_rate_hz
        with progress("Writing the WAV", total=float(pattern.t_s[-1] * rate)) as advance:

            def blocks():  # type: ignore[no-untyped-def]
                for block in sampled_blocks(signal, rate):
                    yield block
                    advance(len(block))

            write_drive_wav(folder.pattern_wav, blocks(), rate, bits=wav_bits)
    if kind in SHEETS:
        decimals = {"t_s": 1, "drive_x": 4, "drive_y": 4}
        write_typed_sheet(folder.reading_sheet_csv, sheet_in_tenths(pattern), decimals=decimals)
        own = folder.run if isinstance(folder, RecheckFolder) else folder
        write_sheet_pdf(pattern, bench, folder.reading_sheet_pdf, own.path.resolve().name)
    title = f"{kind} for {bench.name}, {bench.suspension}, unit {bench.unit}"
    draw_preview(pattern, bench, folder.path / "pattern.png", title)
    decimals = {"t_s": 9, "drive_x": 9, "drive_y": 9}
    write_pattern(folder.pattern_csv, pattern, decimals=decimals)
