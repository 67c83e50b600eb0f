"""`hysteresis virtual`: play the run's pattern, or any drive, on a simulated rig."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.cli.virtual_film import FilmWanted
    from hysteresis.run_folder import RunFolder
    from hysteresis.tables import DriveSignal, Pattern
    from hysteresis.virtual_bench import Played, Rig

Facts = list[tuple[str, str]]


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with its bench.toml.", metavar="RUN")],
    suspension: Annotated[
        str, typer.Option(help="Invented suspension, braided-thread to metal-flexure.")
    ],
    seed: Annotated[int, typer.Option(min=0, help="Number of the simulated unit.")] = 1,
    typed: Annotated[
        bool, typer.Option("--typed", help="A person reads with a ruler: write typed.csv.")
    ] = False,
    noise_px: Annotated[
        float, typer.Option(min=0.0, help="Noise of a spot centre in the camera, px.")
    ] = 0.1,
    play: Annotated[
        Path | None, typer.Option(help="Play this drive (CSV or WAV), not the run's pattern.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="With --play: write the true spots (CSV) here.")
    ] = None,
    camera_log: Annotated[
        Path | None, typer.Option(help="With --play: write what the camera sees (CSV) here.")
    ] = None,
    video: Annotated[
        Path | None,
        typer.Option(help="Write a film (.mp4, .mkv, .avi) instead of the camera's log."),
    ] = None,
    truth: Annotated[
        Path | None,
        typer.Option(help="With --video: what is true of each frame (.npz or .csv)."),
    ] = None,
    look: Annotated[
        str,
        typer.Option(help="With --video: quiet (no noise), usual, or hard (faults and lens)."),
    ] = "usual",
    size: Annotated[
        str, typer.Option(help="With --video: of the picture, as in 640x360; else 1280x720.")
    ] = "",
    sequence: Annotated[
        int | None,
        typer.Option(min=0, help="Which past of the unit; 0 for a pattern, 1 for --play."),
    ] = None,
    pause_s: Annotated[
        float | None,
        typer.Option(min=0.0, help="With --play: this many seconds after the run's pattern."),
    ] = None,
    rate_hz: Annotated[
        float, typer.Option(min=1.0, max=48_000.0, help="Rows per second of --out.")
    ] = 1000.0,
    force: Annotated[bool, typer.Option("--force", help="Write over files that exist.")] = False,
) -> None:
    """Play the run's pattern on a simulated rig and write what was measured.

    The rig, its suspension and its unit number are invented; nothing is sent to any output.

    \b
    Example:
      hysteresis virtual my-run --suspension braided-thread --seed 3
      hysteresis virtual my-run --suspension braided-thread --video clip.mp4
    """
    from hysteresis.bench import read_bench
    from hysteresis.cli.virtual_film import film_wanted
    from hysteresis.errors import InputError
    from hysteresis.files import write_atomic
    from hysteresis.run_folder import open_run
    from hysteresis.table_files import read_pattern
    from hysteresis.virtual_bench import make_rig

    folder = open_run(run)
    bench = read_bench(folder.bench_toml)
    rig = make_rig(bench, suspension, seed)
    film = film_wanted(video, truth, look, size, bench, force)
    if film is not None and typed:
        raise InputError("--typed and --video are both given", mend="choose ruler or film")
    if play is None:
        if out is not None or camera_log is not None:
            raise InputError(
                "--out and --camera-log belong to --play",
                mend="without --play the run's own files are written",
            )
        facts = _pattern(folder, bench, rig, typed, noise_px, sequence or 0, force, film)
    else:
        if pause_s is not None and sequence:
            raise InputError(
                "--pause-s goes on with the sitting in which the pattern was played",
                mend="leave out --sequence",
            )
        if typed:
            raise InputError("--typed reads the run's pattern", mend="leave out --play")
        if out is None and camera_log is None and film is None:
            raise InputError(
                "--play has nowhere to write", mend="add --out, --camera-log or --video"
            )
        drive = _drive(play)
        place = (1 if pause_s is None else 0) if sequence is None else sequence
        before = None if pause_s is None else (read_pattern(folder.pattern_csv), pause_s)
        facts = [("drive played", str(play))]
        if pause_s is not None:
            facts.append(("played after", f"the run's pattern and {pause_s:g} s of rest"))
        facts += _any_drive(
            drive, bench, rig, out, camera_log, noise_px, place, rate_hz, force, before, film
        )
    write_atomic(folder.simulated_txt, "This run was played on the virtual bench.\n")
    _print(rig, facts)


def _pattern(
    folder: RunFolder,
    bench: Bench,
    rig: Rig,
    typed: bool,
    noise_px: float,
    sequence: int,
    force: bool,
    film: FilmWanted | None,
) -> Facts:
    from hysteresis.cli.virtual_film import write_wanted
    from hysteresis.errors import InputError
    from hysteresis.run_folder import refuse_overwrite
    from hysteresis.table_files import read_pattern, write_camera_log, write_typed_sheet
    from hysteresis.virtual_bench import photograph, read_with_ruler
    from hysteresis.virtual_bench.camera import camera_of
    from hysteresis.virtual_bench.ruler import readings_of

    target = folder.typed_csv if typed else folder.camera_log_csv
    if film is None:
        refuse_overwrite(target, force)
    if not folder.pattern_csv.exists():
        raise InputError(
            "the run has no pattern yet",
            file=folder.pattern_csv,
            mend=f"make one with: hysteresis plan {folder.path}",
        )
    pattern = read_pattern(folder.pattern_csv)
    # what cannot be measured is said before the playing, not after
    _ = readings_of(pattern) if typed else camera_of(bench)
    played = _play(rig, pattern, sequence, 1000.0)
    facts = [("pattern played", str(folder.pattern_csv)), *_motion(played, sequence)]
    if film is not None:
        return [*facts, *write_wanted(film, played, bench, rig.seed, sequence, force)]
    if typed:
        sheet = read_with_ruler(played, pattern, bench, rig.seed, sequence=sequence)
        write_typed_sheet(target, sheet, decimals={"t_s": 1, "x_mm": 2, "y_mm": 2}, overwrite=force)
        facts.append(("readings by ruler", f"{len(sheet)}, to 0.5 mm, not free of slips"))
    else:
        log = photograph(played, bench, rig.seed, sequence=sequence, noise_px=noise_px)
        write_camera_log(target, log, decimals=_LOG_DECIMALS, overwrite=force)
        facts.append(("camera frames", f"{len(log)} rows, noise {noise_px:g} px"))
    return [*facts, ("written", str(target))]


_LOG_DECIMALS = {"t_s": 6, "u_px": 3, "v_px": 3, "weight": 2}


def _any_drive(
    drive: DriveSignal | Pattern,
    bench: Bench,
    rig: Rig,
    out: Path | None,
    camera_log: Path | None,
    noise_px: float,
    sequence: int,
    rate_hz: float,
    force: bool,
    before: tuple[Pattern, float] | None,
    film: FilmWanted | None,
) -> Facts:
    from hysteresis.cli.virtual_film import write_wanted
    from hysteresis.run_folder import refuse_overwrite
    from hysteresis.table_files import write_camera_log, write_timed_path
    from hysteresis.virtual_bench import photograph, spots_of
    from hysteresis.virtual_bench.camera import camera_of

    for target in (out, camera_log):
        if target is not None:
            refuse_overwrite(target, force)
    if camera_log is not None:
        camera_of(bench)
    played = _play(rig, drive, sequence, rate_hz, before)
    facts = _motion(played, sequence)
    if out is not None:
        decimals = {"t_s": 7, "x_mm": 5, "y_mm": 5}
        write_timed_path(out, spots_of(played), decimals=decimals, overwrite=force)
        facts.append(("true spots written", f"{out}, {rate_hz:g} rows per second"))
    if camera_log is not None:
        log = photograph(played, bench, rig.seed, sequence=sequence, noise_px=noise_px)
        write_camera_log(camera_log, log, decimals=_LOG_DECIMALS, overwrite=force)
        facts.append(("camera log written", f"{camera_log}, noise {noise_px:g} px"))
    if film is not None:
        facts += write_wanted(film, played, bench, rig.seed, sequence, force)
    return facts


def _drive(path: Path) -> DriveSignal | Pattern:
    """A drive CSV, a pattern CSV (told by its header) or a WAV."""
    from hysteresis.files import check_readable
    from hysteresis.table_files import read_drive_csv, read_pattern
    from hysteresis.wav_files import read_drive_wav

    if path.suffix.lower() == ".wav":
        return read_drive_wav(path)[0]
    check_readable(path)
    with path.open("rb") as source:
        header = source.readline(10_000)
    return read_pattern(path) if b"segment" in header else read_drive_csv(path)


def _play(
    rig: Rig,
    drive: DriveSignal | Pattern,
    sequence: int,
    rate_hz: float,
    before: tuple[Pattern, float] | None = None,
) -> Played:
    from hysteresis.cli.console import progress, rising
    from hysteresis.virtual_bench import play, play_after

    with progress("Playing on the simulated rig", total=1.0) as advance:
        moved = rising(advance)
        if before is not None:
            return play_after(
                rig, *before, drive, sequence=sequence, rate_hz=rate_hz, progress=moved
            )
        return play(
            rig,
            drive.t_s,
            drive.drive_x,
            drive.drive_y,
            beam=drive.beam,
            sequence=sequence,
            rate_hz=rate_hz,
            progress=moved,
        )


def _motion(played: Played, sequence: int) -> Facts:
    """What the spot did, in the words of the table."""
    import numpy as np

    facts = [
        ("past before it", f"an hour of random holds, number {sequence}"),
        ("time played", f"{played.t_s[-1] - played.t_s[0]:.1f} s"),
    ]
    for axis, mm in (("x", played.x_mm), ("y", played.y_mm)):
        facts.append((f"spot {axis}, from … to", f"{np.min(mm):.2f} mm … {np.max(mm):.2f} mm"))
        facts.append((f"spot {axis}, first → last", f"{mm[0]:.2f} mm → {mm[-1]:.2f} mm"))
    return facts


def _print(rig: Rig, facts: Facts) -> None:
    from hysteresis.cli.console import table

    rows = [("suspension", rig.suspension.name), ("unit", str(rig.seed)), *facts]
    table("Simulated: an invented rig, not a measurement", ("what", "simulated"), rows)
    print("\nEvery figure above is simulated, and nothing was sent to any output.")
