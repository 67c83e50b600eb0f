"""Results on disk: read back as they were, or not at all."""

from __future__ import annotations

import json

import pytest

from fleet.stand_ins import task
from hysteresis.errors import InputError
from hysteresis.fleet.store import open_store
from hysteresis.fleet.task import Outcome, sha256

SOFTWARE = {"hysteresis": "1"}
OUTCOME = Outcome(True, {"model.json": '{"µ": 1}\n'.encode()}, {"figures": [0.1 + 0.2]}, 1.25)


def test_a_result_is_read_back_as_it_was(tmp_path) -> None:
    store = open_store(tmp_path / "fleet")
    store.write("ab", task("a"), OUTCOME, SOFTWARE)
    assert open_store(tmp_path / "fleet").read("ab") == OUTCOME
    assert store.read("cd") is None


@pytest.mark.parametrize("change", ["cut", "edited", "swapped", "empty", "list"])
def test_a_result_that_is_not_whole_is_no_result(tmp_path, change) -> None:
    store = open_store(tmp_path / "fleet")
    store.write("ab", task("a"), OUTCOME, SOFTWARE)
    path = tmp_path / "fleet" / "results" / "ab.json"
    text = path.read_text()
    if change == "cut":
        path.write_text(text[: len(text) // 2])
    elif change == "edited":
        path.write_text(json.dumps(json.loads(text) | {"done": False}))
    elif change == "swapped":  # the result of another key under this one's name
        store.write("cd", task("c"), OUTCOME, SOFTWARE)
        path.write_bytes((tmp_path / "fleet" / "results" / "cd.json").read_bytes())
    else:
        path.write_text("" if change == "empty" else "[]")
    assert store.read("ab") is None


def test_the_ledger_knows_what_was_written_where(tmp_path) -> None:
    store = open_store(tmp_path / "fleet")
    assert store.made("a/b") == {}
    for data in (b"one", b"two", b"one"):
        store.note_made("a/b", "model.json", data)
    assert store.made("a/b") == {"model.json": [sha256(b"one"), sha256(b"two")]}
    assert store.made("a") == {}


def test_a_folder_that_is_something_else_is_refused_and_left_alone(tmp_path) -> None:
    (tmp_path / "file").write_text("mine")
    with pytest.raises(InputError, match="stands in the way"):
        open_store(tmp_path / "file")
    (tmp_path / "bench.toml").write_text("")
    with pytest.raises(InputError, match="this is a run"):
        open_store(tmp_path)
    other = tmp_path / "other"
    other.mkdir()
    (other / "fleet.json").write_text('{"ships": 3}')
    with pytest.raises(InputError, match="not one of a fleet's results"):
        open_store(other)
    (other / "fleet.json").write_text('{"schema": "hysteresis fleet", "schema_version": 99}')
    with pytest.raises(InputError, match="schema version 99"):
        open_store(other)
    assert [path.name for path in other.iterdir()] == ["fleet.json"]
