"""What `compensate` does: look at the job once, then write it; what it says is in _words."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from hysteresis.bench import read_bench
from hysteresis.cli.compensate_asked import Asked
from hysteresis.cli.compensate_before import Rig, past
from hysteresis.cli.compensate_files import Outputs, as_seen_from, check_kept, outputs_of
from hysteresis.cli.compensate_foretold import collected, draw_foretold, foretold
from hysteresis.cli.compensate_words import say_done, sentence_of_part, too_much
from hysteresis.cli.console import progress
from hysteresis.compensate import compensate_stream, notes_for
from hysteresis.compensate.account import account
from hysteresis.compensate.controller import Controller
from hysteresis.compensate.correction import read_correction
from hysteresis.compensate.fit_limits import Remedy, first_remedy, into_field, remedies
from hysteresis.compensate.forecast import past_unknown
from hysteresis.compensate.forecast_map import ForecastMap
from hysteresis.compensate.job import JobPath, open_job
from hysteresis.compensate.map_places import PlaceCollector
from hysteresis.compensate.output import (
    beside,
    carrier_difference,
    drive_table,
    planned_table,
    positions,
    sampled,
    samples_at_rate,
)
from hysteresis.compensate.restart import PartFile, discard, left_behind, part_of
from hysteresis.compensate.scan import Scan, scan
from hysteresis.compensate.stream import PlayedBlock
from hysteresis.errors import InputError, LimitError
from hysteresis.files import sha256_of, write_json, writing
from hysteresis.model import read_model
from hysteresis.paths.wav_bytes import is_long, wav_bytes
from hysteresis.run_folder import open_run
from hysteresis.wav_files import WavForm

SHORT_S = 1800.0  # planned.csv and drive_plain.wav are written for so long a job unasked
FLOATING = 32  # bits as which a table or positions count
TOLERANCE_MM = 0.01  # of positions, unasked
STOPPED = 130  # as the shell has it
TRIED_S = 20.0  # a first pass of this time or less is repeated for advice unasked


def compensate_job(asked: Asked) -> None:
    """Do what was asked; raises one of `errors` before anything is written over."""
    began = time.monotonic()
    folder = open_run(asked.run)
    out = outputs_of(folder, asked)
    bench = read_bench(folder.bench_toml)
    asked.check(bench)
    form, rate = asked.form(bench)
    check_kept(out, asked)
    source = asked.model or folder.model_json
    fitted = read_model(source, bench)
    correction = None if asked.correction is None else read_correction(asked.correction)
    before = past(folder, fitted, source, pause_s=asked.pause_s, start_from=asked.start_from)
    rig = Rig(folder, bench, past_unknown(fitted, before[0]), source, correction, *before)
    job = open_job(asked.path, bench, asked.path_options())
    with progress("Compensating"):
        found, job, said, places = _first_pass(asked, rig, job)
        bits = form.bits if out.target.suffix.lower() == ".wav" else FLOATING
        told = foretold(rig, found, places, bits)
    written = Written(asked, rig, job, found, told, out, form, rate)
    written.write_all()
    say_done(written, said, time.monotonic() - began)


def stream_of(asked: Asked, rig: Rig, job: JobPath, **more: Any) -> Iterator[PlayedBlock]:
    """The output from its beginning; as often as asked, always the same."""
    return compensate_stream(
        rig.fitted, rig.bench, job.blocks(rig.correction), start=rig.start, beam_off=asked.beam_off,
        extra_s=asked.extra_s, **more,
    )  # fmt: skip


def _first_pass(
    asked: Asked, rig: Rig, job: JobPath
) -> tuple[Scan, JobPath, list[str], PlaceCollector]:
    """Everything about the job that one pass tells; LimitError where a limit is not met."""
    began = time.monotonic()

    def looked(at: JobPath, places: PlaceCollector) -> Scan:
        blocks = collected(stream_of(asked, rig, at, plain=True, threads=2), places)
        return scan(rig.fitted, rig.bench, blocks, history=rig.history)

    def fits(at: JobPath) -> bool:
        blocks = stream_of(asked, rig, at, threads=2)
        return not scan(rig.fitted, rig.bench, blocks).count

    said: list[str] = []
    if asked.fit_limits and (remedy := into_field(job)):
        job = job.with_options(remedy.options)
        said = [f"the path was {remedy.words} to lie in the field"]
    places = PlaceCollector()
    found = looked(job, places)
    quick = time.monotonic() - began < TRIED_S
    if not found.count:
        return found, job, said, places
    if asked.fit_limits:
        remedy = first_remedy(job, fits, found.excesses)
        if remedy is not None:
            job = job.with_options(remedy.options)
            first = found.excesses[0]
            said.append(f"the path was {remedy.words} to meet the limits: {first}")
            places = PlaceCollector()
            return looked(job, places), job, said, places
    known: list[Remedy] | None = None
    if not asked.fit_limits and quick:
        known = remedies(job, fits, found.excesses)
    raise LimitError(too_much(asked, rig, found, known))


# ---- writing -------------------------------------------------------------------------------------


@dataclass
class Written:
    """The outputs of one job: all of them, or none under its own name."""

    asked: Asked
    rig: Rig
    job: JobPath
    found: Scan
    told: ForecastMap | None
    out: Outputs
    form: WavForm
    rate: int
    difference: float | None = None
    long: bool = False
    discarded: Path | None = None
    continued_mb: float | None = None  # of a part that was there, with --go-on

    @property
    def target(self) -> Path:
        """The drive, or the positions."""
        return self.out.target

    @property
    def controller(self) -> Controller:
        """What the controller of the positions knows."""
        return self.asked.controller or "linear"  # type: ignore[return-value]

    @property
    def tolerance_mm(self) -> float:
        """How far the positions may leave the exact ones."""
        return TOLERANCE_MM if self.asked.tolerance_mm is None else self.asked.tolerance_mm

    @property
    def with_plain(self) -> bool:
        """Whether planned.csv is written, and drive_plain.wav where it keeps to the limits."""
        asked = self.asked.plain
        return self.found.duration_s <= SHORT_S if asked is None else asked

    @property
    def notes(self) -> list[str]:
        return notes_for(
            self.rig.fitted.model, self.rig.bench, self.rig.start, self.found.lead_in_s
        )

    def stream(self, **more: Any) -> Iterator[PlayedBlock]:
        return stream_of(self.asked, self.rig, self.job, **more)

    def write_all(self) -> None:
        """Write each under a temporary name, rename when all are whole."""
        out, key = self.out, self._key()
        if left_behind(self.target) and not self.asked.go_on:
            self.discarded = part_of(self.target)
            discard(self.target)
        with contextlib.ExitStack() as whole:
            stack = whole.enter_context(contextlib.ExitStack())
            write_json(stack.enter_context(writing(out.job_json)), self._account(key))
            if self.asked.preview is not None:
                self._draw(stack.enter_context(writing(self.asked.preview)))
            if self.asked.map is not None:
                part = stack.enter_context(writing(self.asked.map))
                draw_foretold(part, self.told, self.asked.map)
            with self._told("Writing the comparison" if self.with_plain else "") as advance:
                if self.with_plain:
                    self._write_plain(stack, advance)
                if self.asked.positions is not None:
                    self._write_positions(stack.enter_context(writing(self.target)), advance)
            if self.asked.positions is None:
                drive = whole.enter_context(PartFile(self.target, key, go_on=self.asked.go_on))
                self.continued_mb = drive.kept / 2**20 if self.asked.go_on else None
                self._write_drive(drive)
                drive.rename()
        # older ones belong to the output that this one replaced
        if not (self.with_plain and not self.found.plain_count):
            out.plain_wav.unlink(missing_ok=True)
        if not self.with_plain:
            out.planned_csv.unlink(missing_ok=True)
        for file in out.stale:
            file.unlink(missing_ok=True)

    @contextlib.contextmanager
    def _told(self, what: str) -> Iterator[Callable[[float], None]]:
        """A bar with the time that is left, over the seconds of output."""
        if not what or not sys.stderr.isatty():
            if what:
                print(f"{what} …", file=sys.stderr, flush=True)
            yield lambda _: None
            return
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("{task.description}"), BarColumn(),
                   TextColumn("{task.percentage:3.0f} %"), TimeRemainingColumn())  # fmt: skip
        with Progress(*columns, console=Console(stderr=True)) as bar:
            task = bar.add_task(what, total=self.found.duration_s)
            yield lambda done_s: bar.update(task, completed=done_s)

    def _counted(
        self, blocks: Iterator[PlayedBlock], advance: Callable[[float], None]
    ) -> Iterator[PlayedBlock]:
        for block in blocks:
            yield block
            advance((block.first + len(block)) * block.step_s)

    def _samples(self) -> int:
        return samples_at_rate(self.found.samples, self.found.step_s, self.rate)

    def _write_plain(self, stack: contextlib.ExitStack, advance: Callable[[float], None]) -> None:
        with open(stack.enter_context(writing(self.out.planned_csv)), "wb") as out:
            for data in planned_table(self._counted(self.stream(), advance)):
                out.write(data)
        if self.found.plain_count:
            return
        file = self.out.plain_wav
        form = replace(self.form, long=is_long(self._samples(), self.form))
        with open(stack.enter_context(writing(file)), "wb") as out:
            rows = sampled(self.stream(plain=True), self.rate, self.rig.bench, plain=True)
            for piece in wav_bytes(rows, self._samples(), self.rate, form, named=file):
                out.write(piece)

    def _write_positions(self, part: Path, advance: Callable[[float], None]) -> None:
        from hysteresis.paths.positions_out import write_positions
        from hysteresis.paths.simplified import simplified

        rows = positions(
            self._counted(self.stream(), advance), self.controller, self.rig.fitted,
            self.rig.bench,
        )  # fmt: skip
        draft = part.with_suffix(self.target.suffix.lower())  # which says how it is written
        try:
            write_positions(draft, simplified(rows, self.tolerance_mm), title=self.asked.path.name)
            draft.replace(part)
        finally:
            draft.unlink(missing_ok=True)

    def _write_drive(self, out: PartFile) -> None:
        """The drive, while another thread reads, times and compensates what follows."""
        is_wav = self.target.suffix.lower() == ".wav"
        samples = self._samples()
        self.long = is_wav and is_long(samples, self.form)
        form = replace(self.form, long=self.long)

        def write(blocks: Iterator[PlayedBlock]) -> None:
            if is_wav:
                rows = sampled(blocks, self.rate, self.rig.bench)
                for piece in wav_bytes(rows, samples, self.rate, form, named=self.target):
                    out.write(piece)
            else:
                for data in drive_table(blocks):
                    out.write(data)

        with self._told("Writing") as advance:
            try:
                beside(self._counted(self.stream(), advance), write)
                out.close_whole()
            except LimitError as error:
                raise LimitError(f"{self.target}: {error}") from error
            except KeyboardInterrupt:
                if not out.noted:
                    raise
                out.checkpoint()
                print(f"hysteresis: {sentence_of_part(out, 'stopped')}", file=sys.stderr)
                raise SystemExit(STOPPED) from None
            except OSError as error:
                if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
                    raise
                raise self._full(out, error) from error
        if self.form.carrier is not None:
            plan = sampled(self.stream(threads=2), self.rate, self.rig.bench)
            self.difference = carrier_difference(
                out.part, plan, self.form.carrier, self.form, self.rate
            )

    def _full(self, out: PartFile, error: OSError) -> Exception:
        """What to say when no more can be written; what is there stays if it is worth it."""
        if not out.noted:
            return OSError(error.errno, error.strerror or "", str(self.target))
        return InputError(
            "no more can be written to this disk", file=self.target,
            mend=f"make room and give the same command with --go-on; {out.part.name} is kept",
        )  # fmt: skip

    def _draw(self, file: Path) -> None:
        from hysteresis.paths.preview import preview_png

        chunks = self.job.chunks() if self.job.source is not None else self.job.table_chunks()
        file.write_bytes(preview_png(chunks, self.rig.bench, title=self.asked.path.name))

    # ---- what it is made from

    def _key(self) -> dict[str, Any]:
        """What decides every byte of the output."""
        asked, folder = self.asked, self.rig.folder
        start = self.rig.start
        return {
            "input": {"file": asked.path.name, "sha256": sha256_of_any(asked.path)},
            "parts of the job": _parts_of(asked.path, self.job),
            "model": _named(self.rig.model_json),
            "correction": None if asked.correction is None else _named(asked.correction),
            "bench": {"file": folder.bench_toml.name, "sha256": sha256_of(folder.bench_toml)},
            "start": None if start is None else _digest(start.x.tobytes() + start.y.tobytes()),
            "options": {
                "placement": vars_of(self.job.options.placement),
                **{k: v for k, v in vars_of(self.job.options).items() if k != "placement"},
                "beam_off": asked.beam_off, "extra_s": asked.extra_s,
            },
            "form": {
                "bits": self.form.bits, "channels": self.form.layout, "dither": self.form.dither,
                "rate_hz": self.rate, "carrier_hz": asked.carrier_hz,
                "samples": self._samples(),
            },
        }  # fmt: skip

    def _account(self, key: dict[str, Any]) -> dict[str, Any]:
        asked, name = self.asked, as_seen_from(self.rig.folder, self.target)
        if asked.positions is not None:
            output: dict[str, Any] = {
                "file": name, "kind": "positions", "controller": self.controller,
                "tolerance_mm": self.tolerance_mm,
            }  # fmt: skip
        elif self.target.suffix.lower() == ".csv":
            output = {"file": name, "kind": "table"}
        else:
            output = {"file": name, "kind": "wav", **key["form"]}
        past = None
        if asked.pause_s is not None:
            past = {"pause_s": asked.pause_s,
                    "job": None if asked.start_from is None else asked.start_from.name}  # fmt: skip
        return account(
            input_file=key["input"] , model_file=key["model"],
            correction_file=key["correction"], options=key["options"],
            output=output, started_from=past, scan=self.found, told=self.told,
        )  # fmt: skip


def vars_of(record: Any) -> dict[str, Any]:
    """The fields of a record, those that are records left out."""
    from dataclasses import fields, is_dataclass

    values = {f.name: getattr(record, f.name) for f in fields(record)}
    return {k: v for k, v in values.items() if not is_dataclass(v)}


def _named(file: Path) -> dict[str, str]:
    return {"file": file.name, "sha256": sha256_of(file)}


def sha256_of_any(path: Path) -> str:
    """SHA-256 of a file of any size."""
    with open(path, "rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _parts_of(path: Path, job: JobPath) -> dict[str, str]:
    """The toolpaths that a job file names, with their hashes."""
    if job.source is None or job.source.kind != "job":
        return {}
    from hysteresis.paths.job_file import read_job

    files = {part.file for part in read_job(path).settings.parts}
    return {name: sha256_of_any(path.parent / name) for name in sorted(files)}
