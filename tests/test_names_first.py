"""A word that names nothing is told before any file is read, and before any work begins."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from hysteresis.bench import TEMPLATE
from hysteresis.cli import main
from hysteresis.cli.console import WIDTH, say
from hysteresis.fit.recipes import NAMES
from hysteresis.plan import KINDS


def said(monkeypatch, capsys, *words: object) -> str:
    monkeypatch.setattr(sys, "argv", ["hysteresis", *map(str, words)])
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code == 2
    out, err = capsys.readouterr()
    assert out == "" and "Traceback" not in err
    return err


def test_a_memory_of_no_such_name(monkeypatch, capsys, tmp_path: Path) -> None:
    err = said(monkeypatch, capsys, "fit", tmp_path / "nowhere", "--memory", "wizard")
    assert "there is no memory of that name ('wizard'); choose one of auto, " in err
    assert "Fitting" not in err and all(name in err for name in NAMES)


def test_a_pattern_of_no_such_name_where_one_is_there(monkeypatch, capsys, tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(TEMPLATE, encoding="utf-8")
    (tmp_path / "pattern.csv").write_text("of the pattern before")
    err = said(monkeypatch, capsys, "plan", tmp_path, "--kind", "wizard")
    assert "there is no such pattern ('wizard')" in err and "--force" not in err
    assert all(kind in err for kind in KINDS)


def test_too_few_refits_for_an_interval(monkeypatch, capsys, tmp_path: Path) -> None:
    assert "50" in said(monkeypatch, capsys, "fit", tmp_path, "--bootstrap", 49)


def test_a_long_sentence_is_wrapped_and_no_word_of_it_lost(capsys) -> None:
    text = "Note: " + "what relaxes more slowly than the longest dwell acts as a spring; " * 5
    say(text)
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= WIDTH and out.split() == text.split()
