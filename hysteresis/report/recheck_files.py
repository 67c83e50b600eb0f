"""Reads what a recheck left behind, so that its page can be made anew at any time."""

from __future__ import annotations

from pathlib import Path

from hysteresis.bench import Bench, read_bench
from hysteresis.errors import InputError
from hysteresis.files import sha256_of
from hysteresis.findings import Source
from hysteresis.recheck.log import history, read_log
from hysteresis.recheck.record import AGAIN, read_judgement
from hysteresis.recheck.results import QuickUpdate, RecheckHistory
from hysteresis.report.page import Page, Provenance
from hysteresis.report.recheck_page import recheck_page
from hysteresis.run_folder import RecheckFolder, RunFolder, recheck_folder


def last_recheck(run: RunFolder) -> RecheckFolder:
    """The record of the last line of the log that is still there; InputError where there is none.

    Filmed rechecks and those with a ruler lie in folders of their own; the log tells which.
    """
    bench = read_bench(run.bench_toml)
    for row in reversed(read_log(run.recheck_log_csv, bench.unit)):
        place = recheck_folder(run, readings=row.source == "typed")
        record = place.record(row.record)
        if row.record == Path(row.record).name and record.recheck_json.exists():
            return record
    raise InputError("nothing was rechecked yet", file=run.path, mend=f"{AGAIN} {run.path}")


def page_of_record(
    run: RunFolder,
    record: RecheckFolder,
    *,
    command: str = "",
    note: str = "",
    update: QuickUpdate | None = None,
) -> Page:
    """The page of one recheck from its files and the log; InputError for damaged ones."""
    bench = read_bench(run.bench_toml)
    judgement = read_judgement(record.recheck_json)
    past = _until(run, bench, record)
    sources = tuple(
        Source(what, path.name, sha256_of(path))
        for what, path in (
            ("recheck", record.recheck_json),
            ("recording of the recheck", record.recording_csv),
            ("pattern of the recheck", record.pattern_csv),
            ("log of rechecks", run.recheck_log_csv),
            ("model", run.model_json),
            ("bench", run.bench_toml),
        )
        if path.exists()
    )
    return recheck_page(
        judgement, past, bench, Provenance(run.path.resolve().name, sources, command),
        record=record.path.name, update=update, simulated=run.simulated_txt.exists(), note=note,
    )  # fmt: skip


def _until(run: RunFolder, bench: Bench, record: RecheckFolder) -> RecheckHistory:
    """The log up to this recheck: what came later is not this page's."""
    rows = read_log(run.recheck_log_csv, bench.unit)
    source = "typed" if record.path.parent.name == "readings" else "camera"
    name = record.path.name
    mine = [k for k, row in enumerate(rows) if (row.record, row.source) == (name, source)]
    return history(rows[: mine[-1] + 1], rows[mine[-1]]) if mine else history(rows)
