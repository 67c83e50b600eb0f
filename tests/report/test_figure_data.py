"""The data behind the figures: complete, traceable, thinned fairly, readable by other programs."""

from __future__ import annotations

import base64
import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from report_pages import COMMAND, NOTE, QUESTIONS, comparison, findings, page, run

from hysteresis.errors import InputError
from hysteresis.findings import gather
from hysteresis.report import refuse_targets, render_html, write_page
from hysteresis.report.figure_data import csv_text, rows_of, stacked, thinned
from hysteresis.report.html import EMBEDDED_BYTES
from hysteresis.report.page import Figure, Provenance, Source
from hysteresis.report.verify_page import verify_page

UNITS = (
    "_mm", "_s", "_fs", "_fs2", "_drive", "_percent", "_percent_fs", "_c", "_percent_drive",
    "_percent_of_excursion",
)  # fmt: skip
NO_NUMBERS = {
    "series", "axis", "figure", "unit", "circumstances", "reading", "component", "type", "of_unit",
    "suspension", "treatment", "run", "date", "verdict", "number",
}  # fmt: skip
OF_UNIT = {
    "data", "model", "data_standard_uncertainty", "model_standard_uncertainty", "value", "low",
    "high", "standard_uncertainty", "change", "centre", "moving_range", "range_high",
    "weighted_mean", "weighted_mean_low", "weighted_mean_high",
}  # fmt: skip
PURE = {"layer", "normalised_difference", "blamed", "recheck", "out_of_control"}


def parsed(text: str) -> pd.DataFrame:
    return pd.read_csv(io.StringIO(text), comment="#")


@pytest.mark.parametrize("question", QUESTIONS)
def test_every_figure_has_data_with_units_files_and_command(question: str) -> None:
    for figure in page(question).figures():
        text = csv_text(figure)
        head = [line for line in text.splitlines() if line.startswith("#")]
        assert any(line == f"# command: {COMMAND}" for line in head)
        for source in figure.origin.sources:
            assert f"# file: {source.file}, SHA-256 {source.sha256}" in head
        table = parsed(text)
        assert len(table) == rows_of(figure.data) > 0
        assert list(table.columns) == list(figure.data)
        for name in set(table.columns) - NO_NUMBERS - PURE:
            # figures of many kinds in one table bear their unit in a column of its own
            known = name.endswith(UNITS) or (name in OF_UNIT and {"unit", "of_unit"} & {*table})
            assert known, (figure.key, name)


def of(question: str, key: str) -> pd.DataFrame:
    return parsed(csv_text(next(f for f in page(question).figures() if f.key == key)))


def test_the_data_are_those_of_the_results() -> None:
    found = findings()
    assert found.fit_check is not None and found.played is not None and found.measured is not None
    residual = of("fit", "residuals")
    for axis, mine in (("x", found.fit_check.residual_x_mm), ("y", found.fit_check.residual_y_mm)):
        rows = residual[residual.axis == axis].residual_mm.to_numpy()
        assert np.allclose(rows, mine, rtol=1e-6, equal_nan=True)
    returns = of("fit", "excursion")
    assert len(returns) == len(found.measured.returns)
    assert sorted(returns.error_mm) == pytest.approx(
        sorted(r.first.error_mm for r in found.measured.returns), rel=1e-6
    )
    # the played paths are 1 mm and 0.05 mm off everywhere, by construction
    moved = of("verify", "map").set_index("t_s")
    wanted, plain = (moved[moved.series == s] for s in ("wanted", "not compensated"))
    assert np.allclose(plain.x_mm - wanted.x_mm, 0.6, atol=1e-5)
    assert np.allclose(plain.y_mm - wanted.y_mm, 0.8, atol=1e-5)
    assert of("verify", "along").rms_mm.max() == pytest.approx(1.0, rel=1e-5)
    path = comparison().path
    assert path is not None
    dots = of("compare", "on-path")
    means = dots[dots.series == "mean"].value.to_numpy()
    assert means == pytest.approx([v.figure.mean for v in path.variants], rel=1e-6)


@pytest.mark.parametrize("question", QUESTIONS)
def test_what_is_inside_the_page_is_the_same_or_a_thinned_part_of_it(question: str) -> None:
    html = render_html(page(question))
    links = re.findall(
        r'download="([^"]+)" href="data:text/csv;charset=utf-8;base64,([^"]+)"', html
    )
    texts = {name: base64.b64decode(data).decode("utf-8") for name, data in links}
    assert sum(map(len, texts.values())) <= EMBEDDED_BYTES
    assert len(html) < 1_000_000
    for figure in page(question).figures():
        inside, whole = texts[f"{question}_{figure.key}.csv"], csv_text(figure)
        mine, every = (
            [line for line in text.splitlines() if not line.startswith("#")]
            for text in (inside, whole)
        )
        assert set(mine) <= set(every) and mine[0] == every[0]
        assert ("# thinned: " in inside) == (len(mine) < len(every))


def test_thinning_keeps_every_series_and_its_ends() -> None:
    data = stacked([
        {"series": "long", "t_s": np.arange(50_000.0)},
        {"series": "short", "t_s": np.arange(7.0)},
        {"series": "single", "t_s": 3.0, "mean_mm": 2.5},
    ])  # fmt: skip
    few, every = thinned(data, 1000)
    assert every == 51 and rows_of(few) <= 1010
    kept = {name: few["t_s"][few["series"] == name] for name in ("long", "short", "single")}
    assert kept["long"][0] == 0.0 and kept["long"][-1] == 49_999.0
    assert len(kept["short"]) == 7 and few["mean_mm"][-1] == 2.5
    assert np.ptp(np.diff(kept["long"][:-1])) == 0.0
    assert thinned(data, 10**6) == (data, 1)
    crowd = stacked({"series": f"s{k}", "t_s": np.arange(30.0)} for k in range(200))
    assert rows_of(thinned(crowd, 1000)[0]) <= 1000 + 2 * 200
    assert len(set(thinned(crowd, 1000)[0]["series"])) == 200


def test_a_spreadsheet_is_given_no_formula_and_no_torn_line() -> None:
    """A text that begins with = + - or @ would be run as one (common practice, no source)."""
    figure = Figure(
        "k", b"", "two\nlines", "alt", Provenance("run\r\n=1", (Source("s", "f", "0" * 64),), "c"),
        stacked([{"series": s, "t_s": 1.0} for s in ("=1+1", "@x", "+2", "-3", 'a "b", c\nd')]),
    )  # fmt: skip
    lines = csv_text(figure).splitlines()
    assert lines[0] == "# figure k: two lines" and lines[1] == "# run: run =1"
    series = parsed(csv_text(figure)).series
    assert [s[:2] for s in series[:4]] == ["'=", "'@", "'+", "'-"]
    assert series[4] == 'a "b", c\nd'


def test_files_beside_the_page_and_none_written_over(tmp_path: Path) -> None:
    made, target, data = page("verify"), tmp_path / "v.html", tmp_path / "data"
    written = write_page(made, target, pdf=True, data=data)
    names = {path.name for path in written}
    assert {"v.html", "v.pdf", "verify_map.csv"} <= names
    assert {path.name for path in data.iterdir()} == {f"verify_{f.key}.csv" for f in made.figures()}
    assert (tmp_path / "v.pdf").read_bytes().startswith(b"%PDF-")
    before = {path: path.read_bytes() for path in written}
    target.unlink()
    (tmp_path / "v.pdf").unlink()
    with pytest.raises(InputError, match=r"verify_\w+\S*csv.*--force"):
        write_page(made, target, pdf=True, data=data)
    assert not target.exists()  # nothing half-written
    again = write_page(made, target, pdf=True, data=data, overwrite=True)
    assert {path: path.read_bytes() for path in again} == before  # the same inputs, the same files
    with pytest.raises(InputError, match="folder of the data"):
        refuse_targets(tmp_path / "other.html", data=target)  # a file where the folder is to be
    with pytest.raises(InputError, match=r"v\.pdf.*HTML page"):
        refuse_targets(tmp_path / "v.pdf")


def test_the_same_inputs_make_the_same_page() -> None:
    """Apart from the date: gathered, drawn and set anew."""
    again = gather(run(), note=NOTE, command=COMMAND, characteristics=True)
    again = replace(again, made_at=findings().made_at)
    assert render_html(verify_page(again)) == render_html(page("verify"))
