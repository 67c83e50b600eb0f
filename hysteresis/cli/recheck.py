"""`hysteresis recheck`: in half a minute, does the stored model still hold?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.measure import Measured
    from hysteresis.measure.registration import Registration
    from hysteresis.model import FittedModel
    from hysteresis.recheck import Judged
    from hysteresis.recheck.record import Circumstances
    from hysteresis.recheck.results import LogRow
    from hysteresis.run_folder import RecheckFolder, RunFolder
    from hysteresis.tables import Pattern


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with its model.json.", metavar="RUN")],
    camera: Annotated[Path | None, typer.Option(help="Camera log of the recheck.")] = None,
    video: Annotated[
        Path | None, typer.Option(help="Film of the recheck, or a folder of stills.")
    ] = None,
    typed: Annotated[Path | None, typer.Option(help="Filled-in sheet of the six readings.")] = None,
    type_: Annotated[
        bool, typer.Option("--type", help="Type the six readings now, step by step.")
    ] = False,
    temperature_c: Annotated[
        float | None,
        typer.Option(min=-40.0, max=80.0, help="Temperature of the room, degrees Celsius."),
    ] = None,
    date: Annotated[
        str | None, typer.Option(help="Day of the recheck, as 2026-03-31; today if unsaid.")
    ] = None,
    model: Annotated[
        Path | None, typer.Option(help="The model to check; model.json of the run if unsaid.")
    ] = None,
    reference: Annotated[
        bool, typer.Option("--reference", help="Compare later rechecks with this one.")
    ] = False,
    update: Annotated[
        bool,
        typer.Option("--update", help="Take over what moved: writes model_rechecked.json."),
    ] = False,
    keep_all: Annotated[
        bool, typer.Option("--keep-all", help="Use every doubtful frame or reading.")
    ] = False,
    light: Annotated[
        str, typer.Option(help="With --video: luma, red, green or blue; chosen if unsaid.")
    ] = "auto",
    pdf: Annotated[bool, typer.Option("--pdf", help="Write the report as PDF, too.")] = False,
    data: Annotated[
        Path | None,
        typer.Option(help="Folder for the data behind each figure, as CSV.", metavar="DIR"),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Write model_rechecked.json anew.")
    ] = False,
) -> None:
    """Judge whether the stored model still holds: pass, watch or refit, and what moved.

    Play RUN/recheck/pattern.wav (30 s) and film it, or take six readings by its sheet. The first
    recheck after a fit in which nothing moved becomes the reference of the later ones. Each is
    kept under its date and adds a line to recheck_log.csv; model.json is never changed. A recheck
    that went wrong leaves the control charts with 'no' in the column 'counted' of its line.

    \b
    Example:
      hysteresis plan my-run --kind recheck
      hysteresis recheck my-run --video recheck.mp4 --temperature-c 21.5
      hysteresis recheck my-run --camera film.csv --update
      hysteresis plan my-run --kind recheck-readings
      hysteresis recheck my-run --type
    """
    import shlex
    import sys

    from threadpoolctl import threadpool_limits

    from hysteresis.bench import read_bench
    from hysteresis.cli.console import progress
    from hysteresis.cli.recheck_words import say_judgement, say_trend, say_update
    from hysteresis.errors import InputError
    from hysteresis.files import sha256_of
    from hysteresis.model import read_model
    from hysteresis.recheck import judge_recheck, quick_update
    from hysteresis.recheck.known import known_record
    from hysteresis.recheck.log import history, log_row, read_log, with_row
    from hysteresis.recheck.record import Circumstances, read_reference
    from hysteresis.report import write_recheck
    from hysteresis.run_folder import open_run, recheck_folder, refuse_overwrite
    from hysteresis.table_files import read_pattern, read_timed_path

    folder = open_run(run)
    source = _source(camera, video, typed, type_)
    day = _day(date)
    bench = read_bench(folder.bench_toml)
    file = model or folder.model_json
    if not file.exists():
        raise InputError("there is no model to check", file=file,
                         mend=f"fit one first: hysteresis fit {run}")  # fmt: skip
    fitted = read_model(file, bench)
    place = recheck_folder(folder, readings=source == "typed")
    if not place.pattern_csv.exists():
        kind = "recheck" if source == "camera" else "recheck-readings"
        raise InputError(
            "the run has no pattern for a recheck", file=place.pattern_csv,
            mend=f"plan it, play it, measure it: hysteresis plan {run} --kind {kind}",
        )  # fmt: skip
    pattern = read_pattern(place.pattern_csv)
    if update:
        refuse_overwrite(folder.model_rechecked_json, force)
    rows = read_log(folder.recheck_log_csv, bench.unit)
    hashes = sha256_of(file), sha256_of(place.pattern_csv)
    baseline, unused = (
        (None, "") if reference else read_reference(place.reference_json(hashes[0]), bench, *hashes)
    )
    job = read_timed_path(folder.planned_csv) if folder.planned_csv.exists() else None
    record = _free_record(place, day, type_)
    measured, registration, read_from = _measured(
        folder, record, bench, pattern, fitted, camera, video, typed, type_, keep_all, light
    )
    known = known_record(
        place, measured.recording, hashes[0], once_more=update or reference,
        reference="" if baseline is None else baseline.record,
    )  # fmt: skip
    record = place.record(known) if known else record
    with threadpool_limits(limits=1), progress("Comparing with the stored model", 2) as advance:
        found = judge_recheck(
            fitted, pattern, measured.recording, bench, baseline=baseline, job=job,
            registration=registration, date=day,
        )  # fmt: skip
        advance()
        better, how = (
            quick_update(fitted, found, date=day, baseline=baseline)
            if update and found.judgement.moved else (None, None)
        )  # fmt: skip
        advance()
    about = Circumstances(
        day, record.path.name, source, temperature_c, file.name, *hashes,
        folder.simulated_txt.exists(),
    )  # fmt: skip
    sound = not found.judgement.moved and found.judgement.verdict != "refit"
    becomes = reference or (baseline is None and sound)
    row = log_row(about, found, bench)
    rows = rows if known else with_row(rows, row)
    _write(
        folder, place, record, bench, measured, found, about, rows, becomes,
        better if how is not None and how.accepted else None, registration, bool(known),
    )  # fmt: skip
    say_judgement(found.judgement, measured, read_from, unused)
    say_trend(history(rows, row))
    say_update(how, found.judgement, folder, file, update)
    if becomes:
        print("This recheck is now the reference of later ones.")
    if known:
        print(f"This recording is that of {known}: its record and its line stay as they are.")
    else:
        print(f"Wrote {record.recheck_json} and a line of {folder.recheck_log_csv.name}.")
    written = write_recheck(
        folder, record, update=how, pdf=pdf, data=data,
        command=shlex.join(["hysteresis", *sys.argv[1:]]),
    )  # fmt: skip
    print(f"Report: {', '.join(str(page) for page in written if page.parent != data)}")


def _write(
    folder: RunFolder, place: RecheckFolder, record: RecheckFolder, bench: Bench,
    measured: Measured, found: Judged, about: Circumstances, rows: tuple[LogRow, ...],
    becomes: bool, better: FittedModel | None, registration: Registration | None, known: bool,
) -> None:  # fmt: skip
    """Every file of a recheck, all or none; the log is renamed last.

    Of a recording that is `known`, only what is made from it: the reference, the updated model.
    """
    from contextlib import ExitStack
    from dataclasses import replace

    from hysteresis.files import sha256_of, write_json, writing
    from hysteresis.measure.run_files import DECIMALS
    from hysteresis.model import write_model
    from hysteresis.recheck import baseline_of, judge_recheck
    from hysteresis.recheck.log import write_log
    from hysteresis.recheck.record import record_content, reference_content
    from hysteresis.run_folder import create_run
    from hysteresis.table_files import write_recording

    create_run(record.path)
    # the stack renames in reverse, so what is entered first is renamed last
    with ExitStack() as stack:
        if not known:
            write_log(stack.enter_context(writing(folder.recheck_log_csv)), rows)
            write_json(
                stack.enter_context(writing(record.recheck_json)),
                record_content(about, found.judgement, bench),
            )
            write_recording(
                stack.enter_context(writing(record.recording_csv)), measured.recording,
                decimals=DECIMALS,
            )  # fmt: skip
        if becomes:
            write_json(
                stack.enter_context(writing(place.reference_json(about.model_sha256))),
                reference_content(about, baseline_of(found, ""), bench),
            )
        if better is not None:
            part = stack.enter_context(writing(folder.model_rechecked_json))
            write_model(part, better)
            # of the updated model this very recheck is the reference
            new = replace(about, model_file=folder.model_rechecked_json.name,
                          model_sha256=sha256_of(part))  # fmt: skip
            again = judge_recheck(better, found.pattern, measured.recording, bench,
                                  registration=registration)  # fmt: skip
            write_json(
                stack.enter_context(writing(place.reference_json(new.model_sha256))),
                reference_content(new, baseline_of(again, ""), bench),
            )


def _source(camera: Path | None, video: Path | None, typed: Path | None, type_: bool) -> str:
    """'camera' or 'typed'; exactly one of the four must be given."""
    from hysteresis.errors import InputError

    given = [camera is not None, video is not None, typed is not None, type_]
    if sum(given) != 1:
        what = "more than one source is given" if any(given) else "there is nothing to judge"
        raise InputError(
            what, mend="name one: --camera FILE, --video FILE, --typed FILE, or --type"
        )
    return "camera" if camera is not None or video is not None else "typed"


def _day(date: str | None) -> str:
    from datetime import UTC, datetime
    from datetime import date as calendar

    from hysteresis.errors import InputError

    if date is None:
        return datetime.now(UTC).date().isoformat()
    try:
        return calendar.fromisoformat(date).isoformat()
    except ValueError:
        raise InputError("--date is no day", value=date, mend="write it as 2026-03-31") from None


def _free_record(place: RecheckFolder, day: str, typing: bool) -> RecheckFolder:
    """The folder for this recheck: of its day, and numbered where that has been used.

    A folder with readings half typed is kept for `typing`, which goes on with them.
    """
    number, record = 1, place.record(day)
    while record.recheck_json.exists() or (not typing and record.typing_jsonl.exists()):
        number += 1
        record = place.record(f"{day}-{number}")
    return record


def _measured(
    folder: RunFolder, record: RecheckFolder, bench: Bench, pattern: Pattern, fitted: FittedModel,
    camera: Path | None, video: Path | None, typed: Path | None, type_: bool, keep_all: bool,
    light: str,
) -> tuple[Measured, Registration | None, Path]:  # fmt: skip
    """The recording, the registration behind it, and the file it was made from."""
    from hysteresis.cli.console import progress
    from hysteresis.cli.measure_place import keep_registration, note_size, registration_for_film
    from hysteresis.cli.measure_typing import type_readings
    from hysteresis.cli.measure_video import log_from_video
    from hysteresis.measure.run_files import measured_from, registration_for_log
    from hysteresis.recheck import readings_kept
    from hysteresis.run_folder import create_run
    from hysteresis.table_files import read_camera_log

    registration, kept = None, set[int]()
    if type_:
        create_run(record.path)
        typed, kept = type_readings(record, True)
    if typed is not None:
        measured = measured_from(
            folder, "typed", typed, pattern, bench, kept=kept, keep_all=keep_all
        )
        if not keep_all:
            measured = readings_kept(fitted, pattern, measured, bench, kept)
        return measured, None, typed
    if video is not None:
        registration, size, new = registration_for_film(folder, bench, video)
        create_run(record.path)
        camera = log_from_video(record, video, True, light=light)[1]
        note_size(camera, video, size)
        if new:
            keep_registration(record, registration, video)
    assert camera is not None
    if registration is None:
        registration = registration_for_log(folder, bench, camera, read_camera_log(camera))
    with progress("Aligning the camera log to the recheck's pattern"):
        measured = measured_from(
            folder, "camera", camera, pattern, bench, registration, keep_all=keep_all
        )
    return measured, registration, camera
