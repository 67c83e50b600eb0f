"""`hysteresis plan`: lay out a pattern for a run, show what it will do, write it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.plan import Preview
    from hysteresis.run_folder import RunFolder
    from hysteresis.tables import Pattern


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with its bench.toml.", metavar="RUN")],
    kind: Annotated[
        str, typer.Option(help="characterisation, reading-steps, recheck or verification.")
    ] = "characterisation",
    minutes: Annotated[
        float | None,
        typer.Option(help="Time budget; 2 to 20 for a characterisation, which takes 6 if unsaid."),
    ] = None,
    readings: Annotated[int, typer.Option(help="Number of readings of reading-steps.")] = 40,
    axis: Annotated[str, typer.Option(help="both, or the one axis to drive: x or y.")] = "both",
    bits: Annotated[int, typer.Option(help="Bits of a WAV sample: 16, 24 or 32.")] = 24,
    no_wav: Annotated[bool, typer.Option("--no-wav", help="Write no pattern.wav.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Write over files that exist.")] = False,
) -> None:
    """Lay out the pattern that the rig will play, and show what it does before anything moves.

    Writes pattern.csv, pattern.wav to play, pattern.png to look at, and for a person with a ruler
    a reading sheet as a table and to print.

    \b
    Example:
      hysteresis plan my-run --kind characterisation --minutes 6
      hysteresis plan my-run --kind reading-steps --readings 40
    """
    from hysteresis.bench import read_bench
    from hysteresis.cli.console import say_cautions
    from hysteresis.errors import InputError
    from hysteresis.plan import plan, preview
    from hysteresis.run_folder import open_run

    if bits not in (16, 24, 32):
        raise InputError("a WAV sample has 16, 24 or 32 bits", value=bits, mend="choose one")
    folder = open_run(run)
    bench = read_bench(folder.bench_toml)
    targets, stale = _files(folder, kind, no_wav)
    _make_room(targets, stale, force)
    pattern = plan(kind, bench, minutes=minutes, readings=readings, axes=axis)  # type: ignore[arg-type]
    what = preview(pattern, bench)
    _write(folder, bench, pattern, kind, None if no_wav else bits)
    for path in stale:
        path.unlink()
    _print(bench, what, kind, targets, stale)
    print()
    say_cautions()


def _files(folder: RunFolder, kind: str, no_wav: bool) -> tuple[list[Path], list[Path]]:
    """Files that will be written, and files there now that would then belong to no pattern."""
    sheet = [folder.reading_sheet_csv, folder.reading_sheet_pdf]
    written = [folder.pattern_csv, folder.path / "pattern.png"]
    written += [] if no_wav else [folder.pattern_wav]
    written += sheet if kind == "reading-steps" else []
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
    from hysteresis.plan import draw_preview, reading_sheet, write_sheet_pdf
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
    if kind == "reading-steps":
        decimals = {"t_s": 1, "drive_x": 4, "drive_y": 4}
        write_typed_sheet(folder.reading_sheet_csv, reading_sheet(pattern), decimals=decimals)
        write_sheet_pdf(pattern, bench, folder.reading_sheet_pdf, folder.path.resolve().name)
    title = f"{kind} for {bench.name}, {bench.suspension}, unit {bench.unit}"
    draw_preview(pattern, bench, folder.path / "pattern.png", title)
    decimals = {"t_s": 9, "drive_x": 9, "drive_y": 9}
    write_pattern(folder.pattern_csv, pattern, decimals=decimals)


def _print(bench: Bench, what: Preview, kind: str, targets: list[Path], stale: list[Path]) -> None:
    from hysteresis.cli.console import table

    limits = bench.limits
    minutes, seconds = divmod(round(what.duration_s, 1), 60.0)
    shortest_ms, floor_ms = 1e3 * what.shortest_rise_s, 500.0 / limits.bandwidth_hz
    rows = [
        ("duration", f"{int(minutes)} min {seconds:04.1f} s", ""),
        ("moving", f"{what.moving_s:.0f} s", ""),
        ("longest time that the lit spot stands still", f"{what.longest_still_s:.1f} s", ""),
        ("largest drive x, y", _both(what.largest_drive, "{:.3f}"), f"{limits.max_drive:g}"),
        (
            "fastest change x, y",
            _both(what.largest_slew_per_s, "{:.3g}") + " per s",
            f"{limits.slew_per_s:g} per s",
        ),
        ("shortest move", f"{shortest_ms:.3g} ms", f"{floor_ms:.3g} ms"),
        (
            f"rms drive over {limits.coil_window_s:g} s, x, y",
            _both(what.hottest_rms, "{:.3f}"),
            f"{limits.coil_rms:g}",
        ),
    ]
    if what.frames is not None:
        rows.append(("camera frames", f"{what.frames}", ""))
    table(f"Pattern: {kind}", ("what", "this pattern", "limit"), rows)
    shares = [
        (part, f"{share:.1f} s", f"{100 * share / what.duration_s:.0f} %")
        for part, share in what.share_s.items()
    ]
    table("What the time goes to", ("segments", "time", "share"), shares)
    for note in what.notes:
        print(f"\nNote: {note}")
    print()
    for path in targets:
        print(f"Wrote {path}")
    for path in stale:
        print(f"Removed {path}: it belonged to the pattern before")


def _both(pair: tuple[float, float], form: str) -> str:
    return ", ".join(form.format(value) for value in pair)
