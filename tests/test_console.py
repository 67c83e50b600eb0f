"""What is printed fits the terminal: tables and sentences, no word lost."""

from __future__ import annotations

import pytest

from hysteresis.cli.console import WIDTH, say, table

LONG = (
    "a remark that goes on for as long as remarks go on, with a number 12.5 mm and more behind it"
)


@pytest.mark.parametrize("columns", [60, 80, 100, 200])
def test_tables_fit_and_lose_no_word(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    rows = [("noise floor", "0.017 mm", LONG), ("clock", "0.16 ms", LONG + " " + LONG)]
    table("Quality " + LONG, ("what", "value", "remark"), rows)
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= min(columns, WIDTH)
    for row in rows:
        for cell in row:
            assert sorted(set(cell.split()) - set(out.split())) == []
    assert out.count("noise floor") == out.count("0.16 ms") == 1


def test_a_table_that_fits_stays_in_one_line_a_row(capsys: pytest.CaptureFixture[str]) -> None:
    table("", ("name", "mm"), [("x", "1.5"), ("y", "-12.25")])
    assert capsys.readouterr().out == "name      mm\n----  ------\nx        1.5\ny     -12.25\n"


def test_sentences_fit(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "70")
    say("Note: " + LONG + ".")
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 2 and max(map(len, lines)) <= 70
    assert " ".join(" ".join(lines).split()) == "Note: " + LONG + "."
