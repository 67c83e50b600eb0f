"""A comparison on disk: everything as JSON, and tables that a spreadsheet opens."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel

from hysteresis.compare.figures import short_words
from hysteresis.compare.results import Comparison, FigureComparison
from hysteresis.errors import InputError
from hysteresis.files import write_atomic, write_json

FORMAT = "hysteresis comparison 1"
JSON, DESIGNS, DIFFERENCES, RUNS, LEFT_OUT = (
    "comparison.json", "comparison.csv", "comparison_differences.csv", "comparison_runs.csv",
    "comparison_left_out.csv",
)  # fmt: skip
FILES = (JSON, DESIGNS, DIFFERENCES, RUNS, LEFT_OUT)

Row = Sequence[object]


def check_folder(out: Path, force: bool, names: Sequence[str] = FILES) -> None:
    """Say early what keeps the outputs from being written; makes nothing yet."""
    try:
        if out.exists() and not out.is_dir():
            raise InputError("a file of this name stands in the way of the folder to write to",
                             file=out, mend="choose another name")  # fmt: skip
        if (out / "bench.toml").exists():
            raise InputError("this is a run, so a comparison cannot be kept here", file=out,
                             mend="name another folder with --out DIR")  # fmt: skip
        taken = [out / name for name in names if (out / name).exists()]
    except OSError as error:
        raise InputError(f"this folder cannot be reached: {error.strerror}", file=out) from error
    if taken and not force:
        raise InputError("the file exists and is kept", file=taken[0],
                         mend="add --force to write it anew, or choose another folder")  # fmt: skip
    place = out
    while not place.exists() and place != place.parent:
        place = place.parent
    if not place.is_dir():
        raise InputError("a file of this name stands in the way of the folder to write to",
                         file=place, mend="choose another name")  # fmt: skip
    if not os.access(place, os.W_OK | os.X_OK):
        raise InputError("no permission to write into this folder", file=place,
                         mend="choose another folder or change its rights")  # fmt: skip


def write_comparison(out: Path, found: Comparison, *, force: bool = False) -> tuple[Path, ...]:
    """Write all tables and the JSON into `out`, which is made where it is not there."""
    check_folder(out, force)
    out.mkdir(parents=True, exist_ok=True)
    every = _every(found)
    for name, header, rows in (
        (DESIGNS, _DESIGN_COLUMNS, _design_rows(every)),
        (DIFFERENCES, _DIFFERENCE_COLUMNS, _difference_rows(every)),
        (RUNS, _RUN_COLUMNS, _run_rows(every, found)),
        (LEFT_OUT, ("run", "what", "reason", "mend"),
         ((o.run, o.what, o.reason, o.mend) for o in found.left_out)),
    ):  # fmt: skip
        write_atomic(out / name, _csv(header, rows), overwrite=force)
    write_json(out / JSON, {"format": FORMAT} | to_plain(found), overwrite=force)
    return tuple(out / name for name in FILES)


def to_plain(value: Any) -> Any:
    """Dataclasses, arrays and numbers as JSON takes them; what is not finite becomes null."""
    if isinstance(value, BaseModel):
        return to_plain(value.model_dump())
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, np.ndarray):
        return to_plain(value.tolist())
    if isinstance(value, dict):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_plain(item) for item in value]
    if isinstance(value, (float, np.floating)):
        # eight digits: more than any reading has
        return float(f"{value:.8g}") if np.isfinite(value) else None
    if isinstance(value, np.generic):
        return value.item()
    return value


def _every(found: Comparison) -> list[FigureComparison]:
    first = [] if found.path is None else [found.path.after, found.path.before]
    return [*first, *found.figures]


def _csv(header: Sequence[str], rows: Iterable[Row]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([_cell(cell) for cell in row])
    return text.getvalue()


def _cell(cell: object) -> object:
    """Empty for what is not known; text that a spreadsheet would run as a formula is quoted."""
    if isinstance(cell, (float, np.floating)):
        return f"{cell:.6g}" if np.isfinite(cell) else ""
    if cell is None:
        return ""
    if isinstance(cell, str) and cell[:1] in "=+-@":
        return "'" + cell
    return cell


_FIGURE_COLUMNS = ("key", "figure", "axis", "conditions", "unit", "scale")
_DESIGN_COLUMNS = (
    *_FIGURE_COLUMNS, "suspension", "units", "runs", "mean", "low", "high",
    "between_units", "within_unit", "measurement", "spreads_are",
)  # fmt: skip
_DIFFERENCE_COLUMNS = (
    *_FIGURE_COLUMNS, "first", "second", "difference", "low", "high", "ratio", "ratio_low",
    "ratio_high", "p", "p_holm", "separated", "hedges_g", "g_low", "g_high", "power", "more_units",
    "detectable", "note",
)  # fmt: skip
_RUN_COLUMNS = (
    *_FIGURE_COLUMNS, "run", "folder", "suspension", "unit_of_suspension", "value",
    "standard_uncertainty", "origin",
)  # fmt: skip


def _about(figure: FigureComparison) -> tuple[object, ...]:
    conditions = "; ".join(f"{c.name} = {c.value:.4g} {c.unit}" for c in figure.conditions)
    return (
        figure.key, short_words(figure.definition), figure.axis, conditions,
        figure.definition.unit, figure.scale,
    )  # fmt: skip


def _design_rows(figures: Sequence[FigureComparison]) -> Iterable[Row]:
    for figure in figures:
        spreads = "shares of the value" if figure.scale == "log" else "in the unit"
        for d in figure.designs:
            yield (
                *_about(figure), d.suspension, len(d.units), d.runs, d.mean, d.low, d.high,
                d.between, d.within, d.measurement, spreads,
            )  # fmt: skip


def _difference_rows(figures: Sequence[FigureComparison]) -> Iterable[Row]:
    for figure in figures:
        for d in figure.differences:
            yield (
                *_about(figure), d.first, d.second, d.difference, d.low, d.high, d.ratio,
                d.ratio_low, d.ratio_high, d.p, d.p_holm, int(d.separated), d.g, d.g_low, d.g_high,
                d.power, d.more_units, d.detectable, d.note,
            )  # fmt: skip


def _run_rows(figures: Sequence[FigureComparison], found: Comparison) -> Iterable[Row]:
    folder = {run.label: run.folder for run in found.runs}
    for figure in figures:
        for v in figure.values:
            yield (*_about(figure), v.label, folder.get(v.label, ""), v.suspension, v.unit,
                   v.value, v.u, v.origin)  # fmt: skip
