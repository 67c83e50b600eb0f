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
from hysteresis.recheck.temperature import temperature_effect, told_together

KEYS = tuple(f"{direction}_{axis}" for axis in "xy" for direction in WORDS)
TEXT = ("date", "record", "unit", "model", "source", "verdict", "reference", "moved")
FIGURES = (
    "error_mm", "error_high_mm", "tolerance_mm", "return_mm", "p_value", "temperature_c",
)  # fmt: skip
VALUES = tuple(name for key in KEYS for name in (key, f"u_{key}"))
RETURNS = "return_mm"
CHARTED = ("friction_x", "spring_x", "friction_y", "spring_y", RETURNS)
"""Figures with a control chart: few, since each further one alarms by chance, too. The zero tells
more of how camera or ruler stand, and the after-effect is the most uncertain; the chi-square of
each recheck looks at them all."""
COUNTED = "counted"  # 'no': a person's word that this recheck is not to be counted
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
        optional=(COUNTED,),
        text=(*TEXT, COUNTED),
        empty_ok=(COUNTED, "reference", "moved", "return_mm", "p_value", "temperature_c", *VALUES),
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
    known = judgement.fits
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
        values=dict(zip(keys, plain, strict=True)) if known else {},
        errors=dict(zip(keys, error.tolist(), strict=True)) if known else {},
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
    table[COUNTED] = np.array(["yes" if row.counted else "no" for row in rows], dtype=object)
    for key in KEYS:
        table[key] = np.array([row.values.get(key, np.nan) for row in rows])
        table[f"u_{key}"] = np.array([row.errors.get(key, np.nan) for row in rows])
    decimals = {name: 6 for name in (*FIGURES, *VALUES)} | {"temperature_c": 2}
    write_table(path, {name: table[name] for name in (*COLUMNS, COUNTED)}, decimals=decimals)


def history(rows: tuple[LogRow, ...], of: LogRow | None = None) -> RecheckHistory:
    """Charts and the temperature's part, of the rows that share the model and source of one row.

    `of`: that row, the last one if unsaid. Where a refit or an update has put the numbers
    elsewhere, limits over both would mean nothing. Rows that are not counted are left out; those
    that ask for a refit are shown and make no limits.
    """
    if not rows:
        return RecheckHistory((), (), ())
    of = rows[-1] if of is None else of
    mine = [r for r in rows if (r.model, r.source) == (of.model, of.source) and r.counted]
    charts: list[ControlChart] = []
    warmth: list[TemperatureEffect] = []
    for key in (*KEYS, RETURNS):
        have = [r for r in mine if np.isfinite(_figure(r, key))]
        unit = "mm" if key.startswith("zero") or key == RETURNS else "1"
        values = [_figure(r, key) for r in have]
        if have and key in CHARTED:
            charts.append(control_chart(
                key, unit, [r.date for r in have], values, charts=len(CHARTED),
                makes_limits=[r.verdict != "refit" for r in have],
            ))  # fmt: skip
        if key != RETURNS:
            effect = temperature_effect(key, unit, [r.temperature_c for r in have], values)
            warmth += [] if effect is None else [effect]
    return RecheckHistory(rows, tuple(charts), told_together(warmth))


def _figure(row: LogRow, key: str) -> float:
    return row.return_mm if key == RETURNS else row.values.get(key, np.nan)


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
    counted = str(table[COUNTED][k]).strip().lower() if COUNTED in table else "yes"
    if counted not in ("", "yes", "no"):
        raise _fault(path, k, COUNTED, counted, "this is neither yes nor no",
                     "write no for a recheck that is not to be counted")  # fmt: skip
    figures = {name: float(table[name][k]) for name in FIGURES}
    return LogRow(
        date=text("date"), record=text("record"), unit=text("unit"), model=text("model"),
        source=text("source"), verdict=cast(Verdict, text("verdict")),
        reference=text("reference"), moved=text("moved"), values=values, errors=errors,
        counted=counted != "no", **figures,
    )  # fmt: skip


def _fault(
    path: Path | str, k: int, column: str, value: object, what: str, mend: str
) -> InputError:
    return InputError(what, file=path, row=line_of_row(path, k), column=column, value=value,
                      mend=mend)  # fmt: skip
