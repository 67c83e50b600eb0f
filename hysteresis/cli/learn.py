"""`hysteresis learn`: make model and path better by what a played job showed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from collections.abc import Callable

    from hysteresis.compensate.correction import PathLearned
    from hysteresis.compensate.learn import ModelLearned
    from hysteresis.model import FittedModel, RigModel, RigState
    from hysteresis.run_folder import RunFolder
    from hysteresis.tables import Pattern

WHAT = ("model", "path", "both")
JOBS = ("compensated", "plain")


def command(
    run: Annotated[Path, typer.Argument(help="Run folder of the played job.", metavar="RUN")],
    job: Annotated[
        str, typer.Option(help="Which play to learn from: compensated or plain.")
    ] = "compensated",
    what: Annotated[str, typer.Option(help="What to make better: model, path or both.")] = "both",
    model: Annotated[
        Path | None, typer.Option(help="The model to update; default: model.json of the run.")
    ] = None,
    correction: Annotated[
        Path | None,
        typer.Option(help="The correction of the path that was in the drive played, if any."),
    ] = None,
    drive: Annotated[
        Path | None, typer.Option(help="The drive that was played; default: that of job.json.")
    ] = None,
    pause_s: Annotated[
        float | None,
        typer.Option(
            min=0.0,
            help="Seconds at rest between the end of the pattern and the job; default: as job.json "
            "tells, else the rig's past is not known.",
        ),
    ] = None,
    accept: Annotated[
        bool,
        typer.Option("--accept", help="Put the new model in the place of model.json; it is kept."),
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Write over files that exist.")] = False,
) -> None:
    """Learn from a job that was played and measured.

    Moves a few numbers of the model (strength of friction and after-effect, spring, zero), and
    with repeated layers shifts the path against the error that they share. Every third layer is
    held out; what does not lower the error there is not taken. Writes model_learned.json and
    correction.json; model.json stays as it is unless --accept is given.

    \b
    Example:
      hysteresis learn my-run --pause-s 60
      hysteresis learn my-run --what model --accept
    """
    from contextlib import ExitStack

    from hysteresis.bench import read_bench
    from hysteresis.cli.console import progress, say
    from hysteresis.compensate.correction import learn_correction, read_correction, write_correction
    from hysteresis.compensate.learn import learn_model, with_end
    from hysteresis.compensate.played_job import played_job
    from hysteresis.errors import InputError
    from hysteresis.files import writing
    from hysteresis.model import read_model, write_model
    from hysteresis.run_folder import open_run, refuse_overwrite
    from hysteresis.table_files import read_timed_path

    folder = open_run(run)
    for value, known, name in ((what, WHAT, "--what"), (job, JOBS, "--job")):
        if value not in known:
            raise InputError(f"{name} does not know this word", value=value,
                             mend=f"choose {', '.join(known[:-1])} or {known[-1]}")  # fmt: skip
    source = model or folder.model_json
    learned_json, correction_json = run / "model_learned.json", run / "correction.json"
    if what != "path" and not accept:
        refuse_overwrite(learned_json, force)
    if what != "model":
        refuse_overwrite(correction_json, force or _same(correction, correction_json))
    bench = read_bench(folder.bench_toml)
    fitted = read_model(source, bench)
    planned = read_timed_path(_there(folder.planned_csv, run))
    spots_csv = folder.compensated_csv if job == "compensated" else folder.plain_csv
    spots = read_timed_path(_there(spots_csv, run, job))
    account = _account(folder.job_json)
    played_drive = _drive(_there(drive or _drive_file(folder, account, job), run))
    _check_correction(account if job == "compensated" else {}, correction, folder)
    before = None if correction is None else read_correction(correction)
    pattern = _pattern(folder, fitted)
    pause = _pause(account) if pause_s is None else pause_s
    with progress("Learning", total=3) as advance:
        seen = played_job(bench, planned, spots, played_drive, _start(fitted, pattern, pause))
        advance()
        of_model = learn_model(fitted, seen) if what != "path" else None
        better = fitted if of_model is None else of_model.fitted
        advance()
        of_path = None
        if what != "model":
            new = better.model if of_model is not None else None
            of_path = learn_correction(seen, new, before)
        advance()
    wrote: list[str] = []
    model_next, correction_next = model, correction
    with ExitStack() as all_or_none:
        if of_model is not None and of_model.accepted:
            better = with_end(better, pattern)
            target = folder.model_json if accept else learned_json
            if accept:
                kept = _free(run)
                _copied(folder.model_json, all_or_none.enter_context(writing(kept)))
                wrote.append(f"The model as it was: {kept}")
            write_model(all_or_none.enter_context(writing(target)), better)
            wrote.append(f"The model as learned: {target}")
            model_next = None if accept else target
        if of_path is not None and of_path.correction is not None:
            part = all_or_none.enter_context(writing(correction_json))
            write_correction(part, of_path.correction)
            wrote.append(f"The correction of the path: {correction_json}")
            correction_next = correction_json
    _print(of_model, of_path, seen.block_kind)
    if pause is None:
        say("Mind: the rig's past before the job is not known; give --pause-s if it is.")
    for line in wrote or ["Nothing was written: nothing that was learned held on new layers."]:
        say(line)
    if wrote:
        print("\nThe next drive (--force removes the job before and what was filmed of it):")
        print(f"  {_next(run, account, model_next, correction_next, pause)}")


def _check_correction(account: dict[str, Any], correction: Path | None, folder: RunFolder) -> None:
    """Refuse to learn as if another correction, or none, had been in the drive played."""
    from hysteresis.errors import InputError
    from hysteresis.files import sha256_of

    told = account.get("correction", "unknown")  # an older account does not tell
    if isinstance(told, dict):
        name = told.get("file")
        if correction is None:
            raise InputError(
                f"the drive played held the correction {name}", file=folder.job_json,
                mend="name that file with --correction",
            )  # fmt: skip
        if correction.exists() and sha256_of(correction) != told.get("sha256"):
            raise InputError(
                f"this is not the correction that was in the drive played, {name}",
                file=correction, mend="name the one that was",
            )  # fmt: skip
    elif told is None and correction is not None:
        raise InputError("the drive played held no correction", file=correction,
                         mend="leave out --correction")  # fmt: skip


def _next(
    run: Path, account: dict[str, Any], model: Path | None, correction: Path | None,
    pause_s: float | None,
) -> str:  # fmt: skip
    """The command that makes the next drive with what was learned."""
    from shlex import join

    source = account.get("input")
    name = source.get("file") if isinstance(source, dict) else None
    words = ["hysteresis", "compensate", str(run), name if isinstance(name, str) else "PATH"]
    words += _as_before(account.get("options"))
    words += [] if model is None else ["--model", str(model)]
    words += [] if correction is None else ["--correction", str(correction)]
    words += [] if pause_s is None else ["--pause-s", f"{pause_s:g}"]
    return join([*words, "--force"])


def _as_before(options: Any) -> list[str]:
    """The flags by which the path was placed and timed; a correction fits no other."""
    from dataclasses import asdict

    from hysteresis.compensate.job import PathOptions

    if not isinstance(options, dict):
        return []
    usual = {"beam_off": "follow", "extra_s": 0.0, **asdict(PathOptions())}
    place = options.get("placement")
    found = {**(place if isinstance(place, dict) else {}), **options}
    usual |= usual["placement"]
    words: list[str] = []
    for name, value in found.items():
        if name == "placement" or name not in usual or value is None or value == usual[name]:
            continue
        flag = "--" + name.replace("_", "-")
        if name == "park":
            words += ["--park", f"{value[0]:g},{value[1]:g}", "--park-wait-s", f"{value[2]:g}"]
        elif name == "slowed":
            words.append("--fit-limits")  # which slowed it
        elif value is True:
            words.append(flag)
        else:
            for entry in value if isinstance(value, list) else [value]:
                words += [flag, str(entry)]
    return words


def _same(one: Path | None, other: Path) -> bool:
    return one is not None and one.resolve() == other.resolve()


def _there(file: Path, run: Path, job: str = "compensated") -> Path:
    from hysteresis.errors import InputError

    if not file.exists():
        how = f"hysteresis measure {run} --camera FILE --job {job}"
        mend = {
            "planned.csv": f"make the job with: hysteresis compensate {run} PATH",
            f"{job}.csv": f"play the job, film it, and: {how}",
        }.get(file.name, "name the drive that was played with --drive")
        raise InputError("the file is needed to learn from the job", file=file, mend=mend)
    return file


def _account(file: Path) -> dict[str, Any]:
    """The job's account, empty where there is none."""
    from hysteresis.errors import InputError
    from hysteresis.files import read_json

    if not file.exists():
        return {}
    found = read_json(file)
    if not isinstance(found, dict):
        raise InputError("this is not the account of a job", file=file,
                         mend="make the job again with: hysteresis compensate")  # fmt: skip
    return found


def _drive_file(folder: RunFolder, account: dict[str, Any], job: str) -> Path:
    if job == "plain":
        return folder.drive_plain_wav
    name = account.get("drive")
    return folder.path / name if isinstance(name, str) else folder.drive_wav


def _drive(file: Path) -> Any:
    """The drive that was played, of either form."""
    from hysteresis.table_files import read_drive_csv
    from hysteresis.wav_files import read_drive_wav

    return read_drive_csv(file) if file.suffix.lower() == ".csv" else read_drive_wav(file)[0]


def _pause(account: dict[str, Any]) -> float | None:
    """The pause since the pattern that the job was made for, where its account tells one."""
    started = account.get("started_from")
    if isinstance(started, dict) and started.get("job") is not None:
        return None  # it went on from another job, not from the pattern
    for part in (started, account.get("options")):
        value = part.get("pause_s") if isinstance(part, dict) else None
        if isinstance(value, (int, float)) and not isinstance(value, bool) and value >= 0.0:
            return float(value)
    return None


def _pattern(folder: RunFolder, fitted: FittedModel) -> Pattern | None:
    """The pattern that the model was fitted to, if it is the one in the run."""
    from hysteresis.files import sha256_of
    from hysteresis.table_files import read_pattern

    source = fitted.provenance.get("inputs", {}).get("pattern", {})
    file = folder.pattern_csv
    if not file.exists() or source.get("sha256") != sha256_of(file):
        return None
    return read_pattern(file)


def _start(
    fitted: FittedModel, pattern: Pattern | None, pause_s: float | None
) -> Callable[[RigModel], RigState]:
    """The state of any model before the job: of this rig's past, as far as it is known."""
    from hysteresis.compensate import state_after_pause
    from hysteresis.compensate.played_job import state_after_pattern

    def of(model: RigModel) -> RigState:
        if pause_s is None:
            return model.rest()
        end = fitted.end if pattern is None else state_after_pattern(model, fitted.start, pattern)
        return state_after_pause(model, end, pause_s)

    return of


def _free(run: Path) -> Path:
    """A name for the model as it was that no file has yet."""
    number, file = 1, run / "model_before.json"
    while file.exists():
        number += 1
        file = run / f"model_before_{number}.json"
    return file


def _copied(source: Path, target: Path) -> None:
    target.write_bytes(source.read_bytes())


def _print(of_model: ModelLearned | None, of_path: PathLearned | None, kind: str) -> None:
    from hysteresis.cli.console import say, table

    rows = []
    if of_model is not None:
        rows.append(("spots foretold by the model", f"{of_model.held_before_mm:.4f}",
                     f"{of_model.held_after_mm:.4f}", _word(of_model.accepted)))  # fmt: skip
    if of_path is not None:
        taken = of_path.correction is not None
        rows.append(("error of the path", f"{of_path.held_before_mm:.4f}",
                     f"{of_path.held_after_mm:.4f}", _word(taken)))  # fmt: skip
    table(f"Rms over {kind} held out, mm", ("", "before", "after", "learned"), rows)
    if of_model is not None:
        table(
            "Moved numbers of the model" + ("" if of_model.accepted else " (not taken)"),
            ("number", "by", "± (standard error)", "unit"),
            [
                (m.words, f"{m.value:+.4f}" if m.unit == "mm" else f"{m.value:.3f}",
                 f"{m.standard_error:.4f}" if m.unit == "mm" else f"{m.standard_error:.3f}", m.unit)
                for m in of_model.moved
            ],
        )  # fmt: skip
    if of_path is not None and of_path.correction is not None:
        print(f"\nThe path is shifted by at most {of_path.largest_mm:.3f} mm.")
    print()
    for found in (of_model, of_path):
        for note in () if found is None else found.notes:
            say(f"Mind: {note}.")


def _word(taken: bool) -> str:
    return "taken" if taken else "refused"
