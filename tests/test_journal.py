"""The journal: every entry whose `append` returned is there, whatever happens next."""

from __future__ import annotations

import multiprocessing
import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.journal import TORN, open_journal, read_journal

ENTRIES = [
    {"kind": "reading", "row": 3, "x_mm": 12.5, "y_mm": None},
    {"kind": "note", "words": "ä “quoted”, 7″, \\ and a line\nbreak"},
    {"kind": "undo"},
]

entries = st.lists(
    st.dictionaries(
        st.text(max_size=8),
        st.one_of(st.none(), st.booleans(), st.floats(allow_nan=False, allow_infinity=False),
                  st.integers(), st.text(max_size=20)),
        max_size=4,
    ),
    max_size=6,
)  # fmt: skip


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "typing.jsonl"


def write(path: Path, many: list[dict]) -> None:
    with open_journal(path) as journal:
        for entry in many:
            journal.append(entry)


@settings(
    deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=50
)
@given(many=entries, more=entries)
def test_what_is_appended_is_read(path: Path, many: list[dict], more: list[dict]) -> None:
    path.unlink(missing_ok=True)
    write(path, many)
    assert read_journal(path) == many
    write(path, more)
    assert read_journal(path) == many + more


def test_a_line_torn_at_any_byte_loses_nothing_before_it(path: Path) -> None:
    write(path, ENTRIES)
    data = path.read_bytes()
    whole = data.rfind(b"\n", 0, -1) + 1
    for cut in range(whole, len(data)):
        path.write_bytes(data[:cut])
        with open_journal(path) as journal:
            found = journal.entries
            journal.append({"kind": "reading", "row": 9})
        again = read_journal(path)
        assert found[:2] == again[:2] == ENTRIES[:2]
        assert again[-1] == {"kind": "reading", "row": 9}
        if cut == whole:
            assert len(again) == 3
        elif cut == len(data) - 1:  # all but the end of the line
            assert again[2] == ENTRIES[2] and len(again) == 4
        else:
            assert again[2] == {"kind": TORN, "text": data[whole:cut].decode()}
            assert len(again) == 4


def test_every_entry_is_on_disk_when_append_returns(path: Path, monkeypatch) -> None:
    order: list[str] = []
    fsync, write_to = os.fsync, os.write

    def told_fsync(handle: int) -> None:
        order.append("fsync")
        fsync(handle)

    def slow_write(handle: int, data: bytes) -> int:
        order.append("write")
        return write_to(handle, data[:7])  # a disk that takes little at a time

    with open_journal(path) as journal:
        monkeypatch.setattr(os, "fsync", told_fsync)
        monkeypatch.setattr(os, "write", slow_write)
        journal.append(ENTRIES[0])
        monkeypatch.undo()
        assert order[-1] == "fsync" and order.count("write") > 3
        assert read_journal(path) == ENTRIES[:1]


@pytest.mark.parametrize("line", [b"not json", b"[1, 2]", b"\xff\xfe", b"3"])
def test_a_line_that_is_no_entry(path: Path, line: bytes) -> None:
    path.write_bytes(b'{"kind": "undo"}\n' + line + b'\n{"kind": "undo"}\n')
    before = path.read_bytes()
    with pytest.raises(InputError) as caught:
        read_journal(path)
    assert caught.value.row == 2 and "\n" not in str(caught.value)
    with pytest.raises(InputError), open_journal(path):
        pass
    assert path.read_bytes() == before


def test_a_folder_or_nothing(tmp_path: Path, path: Path) -> None:
    with pytest.raises(InputError, match="folder"), open_journal(tmp_path):
        pass
    with pytest.raises(InputError, match="no such file"):
        read_journal(path)
    path.touch()
    assert read_journal(path) == []


def _try_to_open(path: Path, answer) -> None:
    try:
        with open_journal(path):
            answer.put("opened")
    except InputError as error:
        answer.put(str(error))


def test_one_writer_at_a_time(path: Path) -> None:
    pytest.importorskip("fcntl")
    context = multiprocessing.get_context("spawn")
    answer = context.Queue()
    with open_journal(path):
        other = context.Process(target=_try_to_open, args=(path, answer))
        other.start()
        assert "in another window" in answer.get(timeout=60)
        other.join()
    other = context.Process(target=_try_to_open, args=(path, answer))
    other.start()
    assert answer.get(timeout=60) == "opened"
    other.join()


def test_no_number_that_json_lacks(path: Path) -> None:
    with open_journal(path) as journal, pytest.raises(ValueError):
        journal.append({"x_mm": float("nan")})
    assert path.read_bytes() == b""
