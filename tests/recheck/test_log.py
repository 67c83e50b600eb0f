"""The log of rechecks: nothing in it is ever lost, and a damaged one is told by line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hysteresis.errors import InputError
from hysteresis.recheck.log import KEYS, history, read_log, with_row, write_log
from hysteresis.recheck.results import LogRow


def row(date: str, **other: object) -> LogRow:
    values = {key: 0.01 * k for k, key in enumerate(KEYS[:5])}
    one = LogRow(
        date=date, record=date, unit="A", model="0123456789ab", source="camera", verdict="pass",
        reference="", error_mm=0.02, error_high_mm=0.05, tolerance_mm=0.1, return_mm=0.01,
        p_value=0.4, temperature_c=float("nan"), moved="", values=values,
        errors=dict.fromkeys(values, 0.02),
    )  # fmt: skip
    return replace(one, **other)  # type: ignore[arg-type]


def test_what_is_written_is_read_and_a_new_row_takes_its_place(tmp_path):
    file = tmp_path / "recheck_log.csv"
    assert read_log(file, "A") == ()
    rows = with_row((row("2026-01-05"),), row("2026-01-03", temperature_c=21.5, moved="friction_x"))
    write_log(file, rows)
    again = read_log(file, "A")
    assert [r.date for r in again] == ["2026-01-03", "2026-01-05"]
    assert again[0].temperature_c == 21.5 and again[0].moved == "friction_x"
    assert np.isnan(again[1].temperature_c) and again[1].values == row("x").values
    write_log(file, with_row(again, row("2026-02-01")))
    assert len(read_log(file, "A")) == 3


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("2026-01-05,", "yesterday,", "line 3, column date: this is no date"),
        (",pass,", ",fine,", "line 2, column verdict: there is no such verdict"),
        ("0.020000", "much", "line 2, column error_mm"),
        ("0.050000", "-1", "line 2, column error_high_mm: this is below zero"),
        ("2026-01-03,", "2026-09-03,", "line 3, column date: this date is before the one above it"),
        (",A,", ",B,", "line 2, column unit: this row is of another unit than 'A'"),
        ("date,", "day,", "the column is not known"),
        ("\n2026-01-05,", "\n2026-01-05", "line 3"),
    ],
)
def test_a_damaged_log_is_refused_with_its_line(tmp_path, old, new, sentence):
    file = tmp_path / "recheck_log.csv"
    write_log(file, (row("2026-01-03"), row("2026-01-05")))
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new, 1))
    with pytest.raises(InputError) as told:
        read_log(file, "A")
    assert sentence in str(told.value) and "recheck_log.csv" in str(told.value)


def test_a_value_without_its_uncertainty_is_refused(tmp_path):
    file = tmp_path / "recheck_log.csv"
    write_log(file, (row("2026-01-03", errors={}),))
    with pytest.raises(InputError, match="stands without its uncertainty"):
        read_log(file, "A")


def test_charts_leave_out_rows_of_another_model():
    old = row("2026-01-01", model="ffffffffffff")
    rows = (old, *(row(f"2026-02-0{k}", temperature_c=20.0 + k) for k in range(1, 7)))
    past = history(rows)
    assert {len(c.values) for c in past.charts} == {6} and len(past.rows) == 7
    assert {e.name for e in past.temperature} == set(KEYS[:5])
    assert history(()).charts == ()
    # a backdated row of another model has the charts of its own model
    assert {len(c.values) for c in history(rows, old).charts} == {1}


def test_a_recheck_that_is_not_to_be_counted_is_in_no_chart(tmp_path):
    file = tmp_path / "recheck_log.csv"
    rows = (*(row(f"2026-02-0{k}") for k in range(1, 7)), row("2026-02-07", verdict="refit"))
    write_log(file, rows)
    text = file.read_text()
    # written before there was such a column
    file.write_text("\n".join(line.rpartition(",")[0] for line in text.splitlines()) + "\n")
    charts = history(read_log(file, "A")).charts
    assert {len(c.values) for c in charts} == {7} and {c.baseline for c in charts} == {6}
    lines = text.splitlines()
    file.write_text("\n".join([*lines[:2], lines[2].rpartition(",")[0] + ",no", *lines[3:], ""]))
    again = read_log(file, "A")
    assert [r.counted for r in again] == [True, False, *5 * [True]]
    assert {len(c.values) for c in history(again).charts} == {6}
    file.write_text(text.replace(",yes", ",perhaps", 1))
    with pytest.raises(InputError, match="line 2, column counted"):
        read_log(file, "A")
