"""`hysteresis measure`: what a camera or a person wrote down becomes the run's recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

if TYPE_CHECKING:
    from hysteresis.run_folder import RunFolder

Source = Literal["camera", "typed"]


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with its bench.toml.", metavar="RUN")],
    camera: Annotated[
        Path | None, typer.Option(help="Camera log; the run's camera_log.csv if unsaid.")
    ] = None,
    typed: Annotated[
        Path | None, typer.Option(help="Filled-in reading sheet; the run's typed.csv if unsaid.")
    ] = None,
    video: Annotated[
        Path | None,
        typer.Option(help="Film of the spot, or a folder of stills; leaves camera_log.csv."),
    ] = None,
    light: Annotated[
        str, typer.Option(help="With --video: luma, red, green or blue; chosen if unsaid.")
    ] = "auto",
    type_: Annotated[
        bool,
        typer.Option("--type", help="Type the readings now, step by step; leaves typed.csv."),
    ] = False,
    job: Annotated[
        str, typer.Option(help="The log is of a played job: compensated or plain.")
    ] = "",
    drive: Annotated[
        Path | None,
        typer.Option(help="With --job: the drive that was played; the run's if unsaid."),
    ] = None,
    keep: Annotated[
        str, typer.Option(help="Use these doubtful frames or readings all the same, e.g. 3,7.")
    ] = "",
    keep_all: Annotated[
        bool, typer.Option("--keep-all", help="Use every doubtful frame or reading.")
    ] = False,
    take: Annotated[
        int | None,
        typer.Option(
            help="Which playing of the pattern in the log, from 1; the last whole one if unsaid."
        ),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Write recording.csv anew where there is one.")
    ] = False,
) -> None:
    """Turn a camera log or a typed reading sheet into recording.csv.

    Rows in doubt stay in the table with a reason and are not used; --keep says otherwise.
    No value is ever changed. With --job the log of a filmed job becomes compensated.csv or
    plain.csv, for verify.

    \b
    Example:
      hysteresis measure my-run --video film.mp4
      hysteresis measure my-run --camera camera_log.csv
      hysteresis measure my-run --type
      hysteresis measure my-run --typed typed.csv --keep 17
      hysteresis measure my-run --camera job_log.csv --job compensated
    """
    from contextlib import nullcontext

    from hysteresis.bench import read_bench
    from hysteresis.cli.console import progress
    from hysteresis.cli.measure_place import keep_registration, note_size, registration_for_film
    from hysteresis.cli.measure_typing import note_written, type_readings
    from hysteresis.cli.measure_video import log_from_video
    from hysteresis.cli.measure_words import say_measured, say_quality
    from hysteresis.errors import InputError
    from hysteresis.measure.quality import assess
    from hysteresis.measure.run_files import measured_from, no_pattern, write_measured
    from hysteresis.run_folder import open_run, refuse_overwrite
    from hysteresis.table_files import read_pattern

    folder = open_run(run)
    if video is not None and (camera is not None or typed is not None):
        raise InputError("--video and another source are given", mend="measure one at a time")
    if job or drive is not None:
        _job(folder, camera, job, drive, force, video, light)
        return
    kept_typed: set[int] = set()
    if type_:
        if camera is not None or typed is not None or video is not None:
            raise InputError("--type and another source are given", mend="measure one at a time")
        typed, kept_typed = type_readings(folder, force)
    source: Source = "camera"
    if video is not None:
        path = video
    else:
        source, path = _source(folder, camera, typed)
    kept = _numbers(keep)
    if not type_:  # typing has asked already, before the first reading
        refuse_overwrite(folder.recording_csv, force)
        refuse_overwrite(folder.quality_json, force)
    bench = read_bench(folder.bench_toml)
    pattern = None
    if folder.pattern_csv.exists():
        pattern = read_pattern(folder.pattern_csv)
    elif source == "camera":
        raise no_pattern(folder)
    registration = None
    if video is not None:
        refuse_overwrite(folder.camera_log_csv, force)
        registration, size, new = registration_for_film(folder, bench, video)
        path = log_from_video(folder, video, force, light=light)[1]
        note_size(path, video, size)
        if new:
            names = keep_registration(folder, registration, video)
            print(f"Found the printed target in the film; wrote {' and '.join(names)}.")
    camera_log = source == "camera"
    with progress("Aligning the camera log to the pattern") if camera_log else nullcontext():
        measured = measured_from(
            folder, source, path, pattern, bench, registration,
            keep=kept, kept=kept_typed, keep_all=keep_all, take=take,
        )  # fmt: skip
    quality = assess(measured, measured.pattern, bench)
    write_measured(folder, measured, quality)
    if type_:
        note_written(folder, folder.recording_csv)
    say_measured(measured, path)
    say_quality(quality)
    if measured.derived:
        print(f"Wrote {folder.pattern_csv}.")
    print(f"Wrote {folder.recording_csv} and {folder.quality_json.name}. "
          f"Next:  hysteresis fit {folder.path}")  # fmt: skip


def _job(
    folder: RunFolder,
    camera: Path | None,
    job: str,
    drive: Path | None,
    force: bool,
    video: Path | None,
    light: str,
) -> None:
    """Spots of a filmed job, for verify."""
    from hysteresis.bench import read_bench
    from hysteresis.cli.console import progress
    from hysteresis.cli.measure_place import note_size, registration_for_film
    from hysteresis.cli.measure_video import JOB_LOG, log_from_video
    from hysteresis.cli.measure_words import say_measured, say_quality_short
    from hysteresis.errors import InputError
    from hysteresis.files import read_json
    from hysteresis.measure.from_job import measure_job
    from hysteresis.measure.quality import assess
    from hysteresis.measure.run_files import registration_for_log
    from hysteresis.run_folder import refuse_overwrite
    from hysteresis.table_files import (
        read_camera_log,
        read_drive_csv,
        read_timed_path,
        write_timed_path,
    )
    from hysteresis.wav_files import read_drive_wav

    places = {
        "compensated": (folder.compensated_csv, folder.drive_wav),
        "plain": (folder.plain_csv, folder.drive_plain_wav),
    }
    if job not in places:
        raise InputError(
            "--job says which job was filmed", value=job, mend="write compensated or plain"
        )
    if camera is None and video is None:
        raise InputError(
            "--job needs the film or its log", mend="add --video FILE or --camera FILE"
        )
    target, signal = places[job]
    if drive is None and job == "compensated" and folder.job_json.exists():
        name = read_json(folder.job_json).get("drive")
        signal = folder.path / str(name or signal.name)
    signal = drive or signal
    refuse_overwrite(target, force)
    bench = read_bench(folder.bench_toml)
    registration = None
    if video is not None:
        refuse_overwrite(folder.path / JOB_LOG, force)
        registration, size, _ = registration_for_film(folder, bench, video)
        camera = log_from_video(folder, video, force, light=light, of_job=True)[1]
        note_size(camera, video, size)
    assert camera is not None
    log = read_camera_log(camera)
    if registration is None:
        registration = registration_for_log(folder, bench, camera, log)
    played = (
        read_drive_wav(signal)[0] if signal.suffix.lower() == ".wav" else read_drive_csv(signal)
    )
    # the plain job's own error goes with its speed, so only the compensated one is shifted
    planned = read_timed_path(folder.planned_csv) if job == "compensated" else None
    with progress("Aligning the camera log to the job"):
        spots, measured = measure_job(log, played, bench, planned, registration=registration)
    write_timed_path(target, spots, decimals={"t_s": 6, "x_mm": 5, "y_mm": 5}, overwrite=force)
    say_measured(measured, camera)
    say_quality_short(assess(measured, measured.pattern, bench))
    if planned is not None:
        print("The spots are put beside the wanted path in time: a pure delay is no error here.")
    print(f"Wrote {target}: {len(spots)} spots. Next:  hysteresis verify {folder.path}")


def _source(folder: RunFolder, camera: Path | None, typed: Path | None) -> tuple[Source, Path]:
    """What is to be read, and from where."""
    from hysteresis.errors import InputError
    from hysteresis.measure.run_files import own_source

    if camera is not None and typed is not None:
        raise InputError("--camera and --typed are both given", mend="measure one at a time")
    if camera is not None:
        return "camera", camera
    if typed is not None:
        return "typed", typed
    return own_source(folder)


def _numbers(keep: str) -> set[int]:
    from hysteresis.errors import InputError

    try:
        return {int(word) for word in keep.replace(";", ",").split(",") if word.strip()}
    except ValueError:
        raise InputError(
            "--keep takes whole numbers with commas between them",
            value=keep,
            mend="write them as in --keep 3,7",
        ) from None
