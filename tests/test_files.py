"""Files in general and tables; and that nothing is ever half written."""

import errno
import hashlib
import os
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from hysteresis import files
from hysteresis.errors import InputError
from hysteresis.files import (
    line_of_row,
    read_json,
    read_table,
    read_text,
    read_toml,
    sha256_of,
    write_atomic,
    write_table,
    writing,
)


def fault(read: Callable[[], object]) -> InputError:
    with pytest.raises(InputError) as caught:
        read()
    assert "\n" not in str(caught.value)  # one sentence
    assert str(caught.value).endswith(".")
    return caught.value


# ---- any file --------------------------------------------------------------------------------

READERS: list[Callable[[Path], object]] = [
    read_text,
    read_toml,
    read_json,
    lambda path: read_table(path, ("a",)),
]


@pytest.mark.parametrize("read", READERS)
def test_what_is_no_file_at_all(read: Callable[[Path], object], tmp_path: Path) -> None:
    assert "no such file" in fault(lambda: read(tmp_path / "missing")).what
    assert "folder" in fault(lambda: read(tmp_path)).what
    assert "cannot be reached" in fault(lambda: read(tmp_path / ("x" * 5000))).what
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)  # opening it would wait for ever
    assert "not an ordinary file" in fault(lambda: read(pipe)).what


@pytest.mark.parametrize("read", READERS)
@pytest.mark.parametrize("content", [b"", b"\xef\xbb\xbf", b" \n\t\r\n"])
def test_empty_files(read: Callable[[Path], object], content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(content)
    what = fault(lambda: read(path)).what
    assert what == ("the file holds nothing but blanks" if content else "the file is empty")


@pytest.mark.parametrize("read", READERS)
@pytest.mark.parametrize("ends", [b"\n", b"\r\n", b"\r"])
def test_wrong_encoding(read: Callable[[Path], object], ends: bytes, tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(ends.join([b"a", b"1", "2 µm".encode("latin-1")]))
    error = fault(lambda: read(path))
    offset = len(b"a1" + 2 * ends) + 2
    assert error.what == f"byte {offset} (0xb5) is not UTF-8 text"
    assert error.row == 3
    assert error.mend == "save the file as UTF-8"
    path.write_text("a\n1\n", encoding="utf-16")
    assert "UTF-16" in fault(lambda: read(path)).what


@pytest.mark.parametrize("read", READERS)
def test_huge_file(read: Callable[[Path], object], tmp_path: Path) -> None:
    path = tmp_path / "file"
    with open(path, "wb") as handle:
        handle.truncate(513 * 2**20)  # takes no room on disk
    error = fault(lambda: read(path))
    assert "513 MB, at most 512 MB" in error.what
    assert error.mend == "cut the recording into shorter ones"


def test_byte_order_mark_is_taken_off(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_text("a,b\n1,2\n", encoding="utf-8-sig")
    assert read_text(path) == "a,b\n1,2\n"
    assert read_table(path, ("a", "b"))["a"] == [1.0]


def test_sha256(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"abc")
    # FIPS 180-2, appendix B.1: the digest of "abc".
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256_of(path) == digest == hashlib.sha256(b"abc").hexdigest()


# ---- writing ---------------------------------------------------------------------------------


def test_write_and_overwrite(tmp_path: Path) -> None:
    path = tmp_path / "file"
    write_atomic(path, "ä")
    assert path.read_bytes() == "ä".encode()
    write_atomic(path, b"two")
    assert path.read_bytes() == b"two"
    error = fault(lambda: write_atomic(path, b"three", overwrite=False))
    assert "--force" in str(error.mend)
    assert path.read_bytes() == b"two"
    assert os.listdir(tmp_path) == ["file"]


@pytest.mark.parametrize("kind", [ValueError, KeyboardInterrupt, InputError])
def test_a_failure_keeps_the_old_file_and_leaves_nothing(
    tmp_path: Path, kind: type[BaseException]
) -> None:
    path = tmp_path / "file"
    path.write_text("old")
    with pytest.raises(kind), writing(path) as part:
        part.write_text("half of the ne")
        assert path.read_text() == "old"  # nothing is seen before the rename
        raise kind("stop")
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["file"]


@pytest.mark.parametrize("step", ["replace", "fsync"])
def test_a_full_disk_names_the_target(
    tmp_path: Path, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    path = tmp_path / "file"
    path.write_text("old")
    monkeypatch.setattr(files.os, step, refuse)
    with pytest.raises(OSError, match="No space left") as caught:
        write_atomic(path, "new")
    assert caught.value.filename == str(path)
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["file"]


def test_where_no_file_can_be_written(tmp_path: Path) -> None:
    assert "folder" in fault(lambda: write_atomic(tmp_path, "")).what
    assert "does not exist" in fault(lambda: write_atomic(tmp_path / "no" / "file", "")).what
    assert "not an ordinary file" in fault(lambda: write_atomic("/dev/null", "")).what
    assert not Path("/dev/null").is_file()


def test_writing_through_a_link_keeps_the_link(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_atomic(tmp_path / "link", "new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"


def test_rights_of_a_new_file_are_those_of_any_other(tmp_path: Path) -> None:
    write_atomic(tmp_path / "ours", "x")
    (tmp_path / "theirs").write_text("x")
    assert (tmp_path / "ours").stat().st_mode == (tmp_path / "theirs").stat().st_mode


# ---- tables ----------------------------------------------------------------------------------

BAD_TABLES = [
    # (text, line, column, part of the complaint, part of the remedy)
    ("a;b;n\n1;2;x\n", 1, None, "the file uses semicolons", "export it with commas"),
    ("a\tb\tn\n1\t2\tx\n", 1, None, "the file uses tabs", "export it with commas"),
    ("1,2,x\n3,4,y\n", 1, None, "does not name any of the columns", "write the header a,b,n"),
    ("a,n\n1,x\n", 1, "b", "the column is missing", "write the header a,b,n"),
    ("n\nx\n", 1, "a, b", "columns are missing", "write the header a,b,n"),
    ("a,b,n,c\n1,2,x,3\n", 1, "c", "the column is not known", "delete it"),
    ("a,bb,n\n1,2,x\n", 1, "bb", "the column is not known", "did you mean b?"),
    ("a,b,n,a\n1,2,x,1\n", 1, "a", "stands twice", "delete one"),
    ("a,b,n,\n1,2,x,\n", 1, "4", "a column has no name", "delete it"),
    ("a,b,n\n", None, None, "a header but no rows", "fill it in"),
    ("a,b,n\n1,2,x\n1,2\n", 3, None, "the line has 2 fields, the header 3", "as many fields"),
    ("a,b,n\n1,2,x\n0,5,2,x\n", 3, None, "4 fields, the header 3", "decimal point"),
    ("a,b,n\n1,two,x\n", 2, "b", "text where a number is expected", "such as 0.25"),
    ("a,b,n\n1,0x10,x\n", 2, "b", "text where a number is expected", "such as 0.25"),
    ("a,b,n\n1,1_000,x\n", 2, "b", "text where a number is expected", "such as 0.25"),
    ("a,b,n\n1,٣,x\n", 2, "b", "text where a number is expected", "such as 0.25"),
    ("a,b,n\n1,−3,x\n", 2, "b", "text where a number is expected", "plain hyphen"),
    ("a,b,n\n1,3 mm,x\n", 2, "b", "text where a number is expected", "the unit stands in"),
    ('a,b,n\n1,"3,5",x\n', 2, "b", "text where a number is expected", "a decimal point: 3.5"),
    ("a,b,n\n1,NaN,x\n", 2, "b", "not a finite number", "delete the line"),
    ("a,b,n\n1,-inf,x\n", 2, "b", "not a finite number", "delete the line"),
    ("a,b,n\n1,1e999,x\n", 2, "b", "the number is too large", "exponent"),
    ("a,b,n\n1,,x\n", 2, "b", "the cell is empty", "fill it in"),
    ("a,b,n\n1, ,x\n", 2, "b", "the cell is empty", "fill it in"),
    ("a,b,n\n1,2,\n", 2, "n", "the cell is empty", "fill it in"),
    ("a,b,n\n\n\n1,2,x\n\n1,2,\n", 6, "n", "the cell is empty", "fill it in"),
    ('a,b,n\n1,2,"over\ntwo lines"\n1,?,x\n', 4, "b", "text where", "such as 0.25"),
    ('a,b,n\n1,2,"x\n', 2, None, "cannot be split", "quotation mark"),
    ('a,b,n\n1,2,"x"y\n', 2, None, "cannot be split", "quotation mark"),
    ("a,b,n\n1,2," + 200_000 * "x" + "\n", 2, None, "cannot be split", "quotation mark"),
]


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize(("text", "line", "column", "what", "mend"), BAD_TABLES)
def test_each_bad_table_is_told_with_line_column_and_remedy(
    tmp_path: Path, text: str, line: int | None, column: str | None, what: str, mend: str, ends: str
) -> None:
    path = tmp_path / "table.csv"
    path.write_bytes(text.replace("\n", ends).encode())
    error = fault(lambda: read_table(path, ("a", "b", "n"), text=("n",)))
    assert error.row == line
    assert error.column == column
    assert error.file == str(path)
    assert what in error.what
    assert mend in str(error.mend)


def test_optional_columns_and_empty_cells(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text("n,b\nx,\n,2\n")
    table = read_table(path, ("b", "n"), optional=("w",), text=("n",), empty_ok=("b", "n"))
    assert list(table) == ["n", "b"]
    assert np.isnan(table["b"][0]) and table["b"][1] == 2
    assert table["n"].tolist() == ["x", ""]
    path.write_text("n,b,w\nx,nan,1\n")
    error = fault(
        lambda: read_table(path, ("b", "n"), optional=("w",), text=("n",), empty_ok=("b",))
    )
    assert (error.row, error.column, error.value) == (2, "b", "nan")


@pytest.mark.parametrize("blank", [0, 60_000])
def test_long_tables_agree_with_pandas_and_faults_keep_their_line(
    tmp_path: Path, blank: int
) -> None:
    # More rows (and more blank lines) than one chunk of the reader holds.
    rows = 120_000
    rng = np.random.default_rng(5)
    frame = pd.DataFrame({"a": rng.normal(size=rows), "b": rng.integers(0, 9, rows), "n": "s/1"})
    lines = frame.to_csv(index=False).splitlines(keepends=True)
    lines[70_001:70_001] = ["\n"] * blank
    path = tmp_path / "table.csv"
    path.write_text("".join(lines))
    table = read_table(path, ("a", "b", "n"), text=("n",))
    assert len(table["a"]) == rows
    for name in ("a", "b", "n"):
        assert (table[name] == frame[name].to_numpy()).all()  # as pandas wrote it
    lines[110_000 + blank] = "1,?,s/1\n"
    path.write_text("".join(lines))
    error = fault(lambda: read_table(path, ("a", "b", "n"), text=("n",)))
    assert error.row == 110_001 + blank
    assert line_of_row(path, 0) == 2


def test_thirty_megabytes_take_a_few_seconds(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    line = "123.456789,0.123456789,-0.123456789,1,ladder/012/hold\n"
    path.write_text("t,x,y,b,n\n" + line * (30_000_000 // len(line)))
    start = time.process_time()  # whatever else the machine does
    read_table(path, ("t", "x", "y", "b", "n"), text=("n",))
    assert time.process_time() - start < 8.0  # about 1 s on the machine it was written on


def test_write_table(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    columns = {
        "a": np.array([0.1, np.nan]),
        "b": np.array([True, False]),
        "n": np.array(['say "x, y"', "two\rlines"], dtype=object),
        "i": np.array([1, 2**53]),
    }
    write_table(path, columns, decimals={})
    assert path.read_bytes() == (
        b'a,b,n,i\n0.1,1,"say ""x, y""",1\n,0,"two\rlines",9007199254740992\n'
    )
    write_table(path, {"a": np.array([0.123456, 1.0])}, decimals={"a": 3})
    assert path.read_text() == "a\n0.123\n1.000\n"
    with pytest.raises(ValueError, match="unequal"):
        write_table(path, {"a": np.zeros(2), "b": np.zeros(3)})
    with pytest.raises(ValueError, match="infinite"):
        write_table(path, {"a": np.array([np.inf])})
    assert path.read_text() == "a\n0.123\n1.000\n"  # the failures left it alone
