"""Reads what a recheck left behind, so that its page can be made anew at any time."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast, get_args

from hysteresis.bench import Bench, read_bench
from hysteresis.errors import InputError
from hysteresis.files import read_json, sha256_of
from hysteresis.findings import Source
from hysteresis.plain_content import PartFault, entries, number, within, word
from hysteresis.recheck.log import history, read_log
from hysteresis.recheck.record import SCHEMA, SCHEMA_VERSION
from hysteresis.recheck.results import (
    WORDS,
    Judgement,
    OnPath,
    QuickUpdate,
    RecheckHistory,
    Shift,
    Verdict,
)
from hysteresis.report.page import Page, Provenance
from hysteresis.report.recheck_page import recheck_page
from hysteresis.run_folder import RecheckFolder, RunFolder, recheck_folder

MEND = "recheck again: hysteresis recheck"
MOST = 1e12


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
    raise InputError("nothing was rechecked yet", file=run.path, mend=f"{MEND} {run.path}")


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


def read_judgement(path: Path) -> Judgement:
    """The judgement in a recheck.json; InputError, naming the entry, for anything else."""
    data = read_json(path, mend=MEND)
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise InputError("this is not the record of a recheck", file=path, mend=MEND)
    if data.get("schema_version") != SCHEMA_VERSION:
        raise InputError("the record has another schema version", file=path,
                         value=data.get("schema_version"), mend=MEND)  # fmt: skip
    try:
        told = entries(data, "judgement")
        with within("judgement"):
            return _judgement(told)
    except PartFault as fault:
        raise InputError(
            f"the record's content is not as it should be: {fault}", file=path, mend=MEND
        ) from fault


def _judgement(told: dict[str, Any]) -> Judgement:
    verdict = word(told, "verdict")
    if verdict not in get_args(Verdict):
        raise PartFault("verdict", f"is {verdict!r}, not pass, watch or refit")
    on = entries(told, "on_path")
    with within("on_path"):
        on_path = OnPath(
            word(on, "path"),
            *(number(on, key, 0.0, MOST)
              for key in ("error_mm", "low_mm", "high_mm", "worst_mm", "tolerance_mm")),
        )  # fmt: skip
    reasons = told.get("reasons")
    if not isinstance(reasons, list) or not all(isinstance(r, str) for r in reasons):
        raise PartFault("reasons", "is not a list of sentences")
    shifts = told.get("shifts")
    if not isinstance(shifts, list):
        raise PartFault("shifts", "is not a list")
    figures = {
        key: _figure(told, key)
        for key in ("chi_square", "p_value", "return_mm", "residual_mm", "noise_mm")
    }
    return Judgement(
        verdict=cast(Verdict, verdict),
        degrees=int(number(told, "degrees", 0.0, 1e6)),
        shifts=tuple(_shift(entry, k) for k, entry in enumerate(shifts, 1)),
        on_path=on_path,
        against=word(told, "against"),
        reference=str(told.get("reference") or ""),
        reasons=tuple(reasons),
        **figures,
    )


def _figure(told: dict[str, Any], key: str) -> float:
    """A number, or NaN where it was not known (null)."""
    return float("nan") if told.get(key, 0.0) is None else number(told, key, 0.0, MOST)


def _shift(entry: Any, place: int) -> Shift:
    with within(f"shifts.{place}"):
        if not isinstance(entry, dict):
            raise ValueError("is no entry with a name and numbers")
        axis, direction = word(entry, "axis"), word(entry, "direction")
        if axis not in ("x", "y") or direction not in WORDS:
            raise ValueError(f"names {direction!r} of {axis!r}, which is no direction")
        value, error, by, by_error = (
            number(entry, key, -MOST, MOST)
            for key in ("value", "standard_error", "moved_by", "moved_by_error")
        )
        return Shift(axis, direction, value, error, entry.get("moved") is True, by, by_error)
