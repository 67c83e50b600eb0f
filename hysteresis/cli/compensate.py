"""`hysteresis compensate`: pre-distort a toolpath and write the drive signal."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.compensate import Compensated
    from hysteresis.model import FittedModel
    from hysteresis.run_folder import RunFolder
    from hysteresis.tables import Pattern


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with model.json.", metavar="RUN")],
    path: Annotated[
        Path, typer.Argument(help="Toolpath: CSV or RS-274 (.ngc, .nc, .gcode).", metavar="PATH")
    ],
    out: Annotated[
        Path | None, typer.Option(help="Drive signal, .wav or .csv; default: drive.wav of the run.")
    ] = None,
    pause_s: Annotated[
        float | None,
        typer.Option(
            min=0.0,
            help="Seconds at rest between the end of the pattern and this output; the model then "
            "knows how far creep has recovered. Leave out when the rig's past is unknown.",
        ),
    ] = None,
    bits: Annotated[int, typer.Option(help="Bits of the WAV: 16, 24 or 32 (float).")] = 24,
    feed_mm_s: Annotated[
        float | None, typer.Option(help="Feed where the path gives none, mm/s.")
    ] = None,
    travel_mm_s: Annotated[float | None, typer.Option(help="Speed of travel moves, mm/s.")] = None,
    skip_unknown: Annotated[
        bool, typer.Option("--skip-unknown", help="Pass over unknown RS-274 words, and list them.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Write over files that exist.")] = False,
) -> None:
    """Pre-distort a toolpath with the run's model and write the drive signal.

    Begins with a conditioning move. Writes the drive, the same job without compensation
    (drive_plain.wav, for comparison, where that keeps to the limits), the wanted spots
    (planned.csv) and job.json. Limits that are not met are listed and nothing is written.

    \b
    Example:
      hysteresis compensate my-run tile.ngc --pause-s 60 --out my-run/drive.wav
    """
    from hysteresis.bench import read_bench
    from hysteresis.cli.console import progress, say_cautions
    from hysteresis.compensate import compensate_path, state_after_pause
    from hysteresis.errors import LimitError
    from hysteresis.model import read_model
    from hysteresis.paths.read import read_path
    from hysteresis.run_folder import open_run, refuse_overwrite

    folder = open_run(run)
    target = out or folder.drive_wav
    _keep_apart(folder, target, path)
    for file in (target, folder.drive_plain_wav, folder.planned_csv, folder.job_json):
        refuse_overwrite(file, force)
    stale = _of_the_job_before(folder, target, force)
    bench = read_bench(folder.bench_toml)
    fitted = read_model(folder.model_json, bench)
    with progress("Compensating", total=3) as advance:
        wanted, notes = read_path(
            path, bench, skip_unknown=skip_unknown,
            default_feed_mm_s=feed_mm_s, travel_mm_s=travel_mm_s,
        )  # fmt: skip
        advance()
        start = None if pause_s is None else state_after_pause(fitted.model, fitted.end, pause_s)
        history = None if pause_s is None else _history(folder, fitted, pause_s)
        result = compensate_path(fitted, bench, wanted, start=start, history=history)
        advance()
        if result.excesses:
            raise LimitError(_too_much(result, path))
        _write(folder, bench, result, target, path, bits)
        for file in stale:
            file.unlink()
        advance()
    _print(result, [str(n) for n in notes.remarks], [str(w) for w in notes.skipped], bench)
    print(f"\nDrive: {target}")
    for file in stale:
        print(f"Removed {file}: it belonged to the job before.")
    print("Play it, film it, and then:")
    print(f"  hysteresis measure {run} --camera FILE --job compensated")
    print(f"  hysteresis verify {run}")
    print()
    say_cautions()


def _history(
    folder: RunFolder, fitted: FittedModel, pause_s: float
) -> tuple[Pattern, float] | None:
    """The pattern that the model was fitted to and the pause since, if that pattern is there."""
    from hysteresis.files import sha256_of
    from hysteresis.table_files import read_pattern

    source = fitted.provenance.get("inputs", {}).get("pattern", {})
    file = folder.pattern_csv
    if fitted.trust is None or not file.exists() or source.get("sha256") != sha256_of(file):
        return None
    return read_pattern(file), pause_s


def _of_the_job_before(folder: RunFolder, target: Path, force: bool) -> list[Path]:
    """Files there now that would then be taken for parts of the new job."""
    from hysteresis.errors import InputError

    stale = [folder.plain_csv, folder.compensated_csv]
    if target.resolve() != folder.drive_wav.resolve():
        stale.append(folder.drive_wav)
    stale = [file for file in stale if file.exists()]
    if stale and not force:
        raise InputError(
            "the file belongs to the job that was compensated before and is kept", file=stale[0],
            mend="add --force to remove it, or work in another run folder",
        )  # fmt: skip
    return stale


def _keep_apart(folder: RunFolder, target: Path, path: Path) -> None:
    """Refuse, even with --force, an output in the place of an input or of another output.

    Likewise one whose name does not say how it is to be written.
    """
    from hysteresis.errors import InputError

    others = [folder.drive_plain_wav, folder.planned_csv, folder.job_json]
    inputs = [
        path, folder.bench_toml, folder.pattern_csv, folder.camera_log_csv, folder.typed_csv,
        folder.recording_csv, folder.model_json,
    ]  # fmt: skip
    if target.resolve() in {file.resolve() for file in (*others, *inputs)}:
        raise InputError(
            "this name belongs to another file of the job", file=target,
            mend="choose another one with --out",
        )  # fmt: skip
    if path.resolve() in {file.resolve() for file in others}:
        raise InputError(
            "the toolpath would be written over by an output of the same name", file=path,
            mend="copy it to another name first",
        )  # fmt: skip
    if target.suffix.lower() not in (".wav", ".csv"):
        raise InputError(
            "a drive signal is written as .wav or .csv", file=target, value=target.suffix or None,
            mend="give the file one of these endings",
        )  # fmt: skip


def _too_much(result: Compensated, path: Path) -> str:
    from hysteresis.compensate.limits import MOST_PLACES

    shown = "; ".join(str(e) for e in result.excesses[:MOST_PLACES])
    more = len(result.excesses) - MOST_PLACES
    tail = f"; and {more} more" if more > 0 else ""
    return (
        f"{path}: the limits of bench.toml are not met, so nothing was written: {shown}{tail}; "
        "make the path smaller, move it towards the centre, or slow it down"
    )


def _write(
    folder: RunFolder, bench: Bench, result: Compensated, target: Path, path: Path, bits: int
) -> None:
    """Write all outputs or none: each under a temporary name, renamed when all are whole."""
    from contextlib import ExitStack
    from os import replace

    from hysteresis.files import sha256_of, write_json, writing
    from hysteresis.paths.drive_out import write_drive
    from hysteresis.table_files import write_timed_path

    account = {
        "input": {"file": path.name, "sha256": sha256_of(path)},
        "model": {"file": folder.model_json.name, "sha256": sha256_of(folder.model_json)},
        "drive": target.name,
        "lead_in_s": result.lead_in_s,
        "duration_s": float(result.planned.t_s[-1]),
        "forecast": result.forecast.to_json(),
        "end_state": {"x": result.end.x.tolist(), "y": result.end.y.tolist()},
    }
    drives = [(target, result.drive)]
    if not result.plain_excesses:
        drives.append((folder.drive_plain_wav, result.plain))
    with ExitStack() as all_or_none:
        write_json(all_or_none.enter_context(writing(folder.job_json)), account)
        for file, drive in drives:
            part = all_or_none.enter_context(writing(file))
            draft = part.with_suffix(file.suffix)  # which says how it is written
            all_or_none.callback(draft.unlink, missing_ok=True)
            try:
                write_drive(draft, drive, bench.drive.sample_rate_hz, bits=bits)
            except OSError as error:  # the person knows the file, not the draft
                raise OSError(error.errno, error.strerror or str(error), str(file)) from error
            replace(draft, part)
        part = all_or_none.enter_context(writing(folder.planned_csv))
        write_timed_path(part, result.planned, decimals={"x_mm": 5, "y_mm": 5})
    if result.plain_excesses:  # an older one would belong to another job
        folder.drive_plain_wav.unlink(missing_ok=True)


def _print(result: Compensated, remarks: list[str], skipped: list[str], bench: Bench) -> None:
    import numpy as np

    from hysteresis.cli.console import table

    f = result.forecast
    table(
        "Forecast over the traced path",
        ("", "mm", "95 % interval, mm"),
        [
            ("error without compensation, rms", f"{f.before_rms_mm:.3f}", ""),
            ("its mean in x", f"{f.before_bias_x_mm:+.3f}", ""),
            ("its mean in y", f"{f.before_bias_y_mm:+.3f}", ""),
            ("error left with compensation, rms", f"{f.after_rms_mm:.3f}",
             f"{f.after_low_mm:.3f} … {f.after_high_mm:.3f}"),
            ("tolerance of the bench", f"{bench.tolerance.target_mm:.3f}", ""),
        ],
    )  # fmt: skip
    t = result.planned.t_s
    print(
        f"\n{t[-1]:.1f} s of output, {result.lead_in_s:.1f} s of it lead-in; largest drive "
        f"x {np.abs(result.drive.drive_x).max():.3f}, y {np.abs(result.drive.drive_y).max():.3f} "
        f"(allowed {bench.limits.max_drive:g}); every limit of the bench is met."
    )
    for words in _harm(result, bench):
        print(f"Mind: {words}.")
    if result.plain_excesses:
        print(
            "Note: without compensation the job would exceed a limit, so there is no "
            f"drive_plain.wav: {result.plain_excesses[0]}."
        )
    if not result.planned.beam.any():
        print("Mind: the path never has the beam on, so nothing of it is traced.")
    for note in (*result.notes, *remarks):
        print(f"Note: {note}.")
    for word in skipped:
        print(f"Passed over: {word}")


def _harm(result: Compensated, bench: Bench) -> list[str]:
    """What a person should know before playing a job that compensation does not make good."""
    f, allowed = result.forecast, bench.tolerance.target_mm
    out = []
    if f.after_rms_mm >= f.before_rms_mm:
        out.append(
            f"compensation is not foretold to help here: {f.after_rms_mm:.3f} mm are left with it, "
            f"{f.before_rms_mm:.3f} mm without; "
            + ("fit again" if result.plain_excesses else "play drive_plain.wav, or fit again")
        )
    if f.after_rms_mm > allowed:
        out.append(
            f"the error foretold with compensation, {f.after_rms_mm:.3f} mm, is above the "
            f"tolerance of the bench, {allowed:.3f} mm; measure for longer and fit again, or "
            "allow more in bench.toml (target_mm)"
        )
    return out
