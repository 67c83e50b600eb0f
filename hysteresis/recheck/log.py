"""recheck_log.csv: every recheck of one unit, one line each, and what they tell together.

A log is read whole before anything is added, and written beside and renamed, so that a damaged
one is told and never lost. A row's numbers are against the model, as fractions of change (mm for
the zero), with their standard uncertainties.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any, cast, get_args

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.files import line_of_row, read_table, write_table
from hysteresis.recheck.charts import control_chart
from hysteresis.recheck.judge import Judged, with_sittings
from hysteresis.recheck.record import Circumstances
from hysteresis.recheck.results import (
    WORDS,
    ControlChart,
    LogRow,
    RecheckHistory,
    TemperatureEffect,
    Verdict,
)
from hysteresis.recheck.temperature import temperature_effect

KEYS = tuple(f"{direction}_{axis}" for axis in "xy" for direction in WORDS)
TEXT = ("date", "record", "unit", "model", "source", "verdict", "reference", "moved")
FIGURES = (
    "error_mm", "error_high_mm", "tolerance_mm", "return_mm", "p_value", "temperature_c",
)  # fmt: skip
VALUES = tuple(name for key in KEYS for name in (key, f"u_{key}"))
COLUMNS = (*TEXT[:6], *FIGURES, *TEXT[6:], *VALUES)
_MEND = "mend the line, or put the log aside under another name and a new one is begun"


def read_log(path: Path | str, unit: str) -> tuple[LogRow, ...]:
    """Every row, in the order of the file; empty where there is no log yet.

    Raises InputError, with the line, for a damaged log or one of another unit.
    """
    if not Path(path).exists():
        return ()
    table = read_table(
        path,
        COLUMNS,
        text=TEXT,
        empty_ok=("reference", "moved", "return_mm", "temperature_c", *VALUES),
    )  # fmt: skip
    rows = []
    last = ""
    for k in range(len(table["date"])):
        row = _row(path, table, k)
        if row.unit != unit:
            raise _fault(path, k, "unit", row.unit,
                         f"this row is of another unit than {unit!r} of bench.toml",
                         "give each unit a run folder of its own")  # fmt: skip
        if row.date < last:
            raise _fault(path, k, "date", row.date, "this date is before the one above it", _MEND)
        last = row.date
        rows.append(row)
    return tuple(rows)


def log_row(about: Circumstances, one: Judged, bench: Bench) -> LogRow:
    """The line of one recheck. Its numbers are against the model, whatever it was judged by."""
    judgement, found = one.judgement, one.found
    error = np.sqrt(np.diag(with_sittings(found.names, found.noise)))
    keys = [f"{direction}_{axis}" for axis, direction in found.names]
    plain = [
        float(v if d == "zero_mm" else np.expm1(v))
        for (_, d), v in zip(found.names, found.value, strict=True)
    ]
    return LogRow(
        date=about.date, record=about.record, unit=bench.unit, model=about.model_sha256[:12],
        source=about.source, verdict=judgement.verdict, reference=judgement.reference,
        error_mm=judgement.on_path.error_mm, error_high_mm=judgement.on_path.high_mm,
        tolerance_mm=judgement.on_path.tolerance_mm, return_mm=judgement.return_mm,
        p_value=judgement.p_value,
        temperature_c=float("nan") if about.temperature_c is None else about.temperature_c,
        moved=" ".join(s.key for s in judgement.moved),
        values=dict(zip(keys, plain, strict=True)),
        errors=dict(zip(keys, error.tolist(), strict=True)),
    )  # fmt: skip


def with_row(rows: tuple[LogRow, ...], new: LogRow) -> tuple[LogRow, ...]:
    """The rows with a new one at the place of its date."""
    return tuple(sorted((*rows, new), key=lambda row: row.date))


def write_log(path: Path | str, rows: tuple[LogRow, ...]) -> None:
    """Write the whole log, beside and renamed."""
    table: dict[str, Any] = {
        name: np.array([getattr(row, name) for row in rows], dtype=object) for name in TEXT
    }
    table |= {name: np.array([getattr(row, name) for row in rows]) for name in FIGURES}
    for key in KEYS:
        table[key] = np.array([row.values.get(key, np.nan) for row in rows])
        table[f"u_{key}"] = np.array([row.errors.get(key, np.nan) for row in rows])
    decimals = {name: 6 for name in (*FIGURES, *VALUES)} | {"temperature_c": 2}
    write_table(path, {name: table[name] for name in COLUMNS}, decimals=decimals)


def history(rows: tuple[LogRow, ...]) -> RecheckHistory:
    """Charts and the temperature's part, of the rows that share the last one's model and source.

    Of those whose numbers a refit or an update has put elsewhere the limits would mean nothing.
    """
    if not rows:
        return RecheckHistory((), (), ())
    mine = [r for r in rows if (r.model, r.source) == (rows[-1].model, rows[-1].source)]
    charts: list[ControlChart] = []
    warmth: list[TemperatureEffect] = []
    for key in KEYS:
        have = [r for r in mine if np.isfinite(r.values.get(key, np.nan))]
        if not have:
            continue
        unit = "mm" if key.startswith("zero") else "1"
        values = [r.values[key] for r in have]
        charts.append(control_chart(key, unit, [r.date for r in have], values))
        effect = temperature_effect(key, unit, [r.temperature_c for r in have], values)
        warmth += [] if effect is None else [effect]
    have = [r for r in mine if np.isfinite(r.return_mm)]
    if have:
        returns = [r.return_mm for r in have]
        charts.append(control_chart("return_mm", "mm", [r.date for r in have], returns))
    return RecheckHistory(rows, tuple(charts), tuple(warmth))


def _row(path: Path | str, table: dict[str, Any], k: int) -> LogRow:
    def text(name: str) -> str:
        return str(table[name][k])

    try:
        datetime.fromisoformat(text("date"))
    except ValueError:
        raise _fault(path, k, "date", text("date"), "this is no date", _MEND) from None
    if text("verdict") not in get_args(Verdict):
        raise _fault(path, k, "verdict", text("verdict"), "there is no such verdict",
                     "write pass, watch or refit")  # fmt: skip
    for name in ("error_mm", "error_high_mm", "tolerance_mm", "return_mm", "p_value"):
        if table[name][k] < 0.0:
            raise _fault(path, k, name, float(table[name][k]), "this is below zero", _MEND)
    values = {key: float(table[key][k]) for key in KEYS if np.isfinite(table[key][k])}
    errors = {key: float(table[f"u_{key}"][k]) for key in values}
    for key, error in errors.items():
        if not error >= 0.0:
            raise _fault(path, k, f"u_{key}", error, "a value stands without its uncertainty",
                         _MEND)  # fmt: skip
    figures = {name: float(table[name][k]) for name in FIGURES}
    return LogRow(
        date=text("date"), record=text("record"), unit=text("unit"), model=text("model"),
        source=text("source"), verdict=cast(Verdict, text("verdict")),
        reference=text("reference"), moved=text("moved"), values=values, errors=errors, **figures,
    )  # fmt: skip


def _fault(
    path: Path | str, k: int, column: str, value: object, what: str, mend: str
) -> InputError:
    return InputError(what, file=path, row=line_of_row(path, k), column=column, value=value,
                      mend=mend)  # fmt: skip
