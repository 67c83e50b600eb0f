"""Readers meet anything at all: they read it or say in one sentence what is wrong with it.

And what the writers write, the readers read back to the last bit.
"""

import io
import tomllib
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hysteresis import table_files as tf
from hysteresis.bench import TEMPLATE, read_bench
from hysteresis.errors import InputError
from hysteresis.files import read_json, read_text, read_toml
from hysteresis.tables import CameraLog, DriveSignal, Pattern, Recording, SpotPath, TypedSheet
from hysteresis.toml_lines import lines_of_keys
from hysteresis.wav_files import read_drive_wav

QUICK = settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow], database=None
)


def _wav() -> bytes:
    out = io.BytesIO()
    samples = np.linspace(-1, 1, 30).reshape(10, 3)
    soundfile.write(out, samples, 8000, format="WAV", subtype="FLOAT")
    return out.getvalue()


VALID: dict[str, tuple[Callable[[Path], Any], bytes]] = {
    "text": (read_text, "ä\nb\n".encode()),
    "toml": (read_toml, TEMPLATE.encode()),
    "json": (read_json, b'{"a": [1, 2.5, "x", null, {"b": true}],\n "c": -1e3}\n'),
    "bench": (read_bench, TEMPLATE.encode()),
    "wav": (read_drive_wav, _wav()),
    "pattern": (
        tf.read_pattern,
        b"t_s,drive_x,drive_y,beam,segment\n0,0,0,1,sync/000\n0.5,0.9,-1,0,ladder/001/hold\n",
    ),
    "typed": (
        tf.read_typed_sheet,
        b'reading,t_s,drive_x,drive_y,x_mm,y_mm,note\n1,,0.5,0,25.5,0,\n2,1,0,0,,0,"a, b"\n',
    ),
    "camera": (tf.read_camera_log, b"frame,t_s,u_px,v_px\n3,0.1,640,360.1\n1,0.03,640,36\n"),
    "recording": (
        tf.read_recording,
        b"t_s,exposure_s,x_mm,y_mm,sigma_x_mm,sigma_y_mm,used,reason,segment\n"
        b"0.1,0.01,1,2,0.02,0.02,1,,sync/000\n,0.01,1,2,,,0,repeated,sync/000\n",
    ),
    "path": (tf.read_timed_path, b"t_s,x_mm,y_mm,beam\n-1,0,0,0\n0.5,50,-50,1\n"),
    "drive": (tf.read_drive_csv, b"t_s,drive_x,drive_y,beam\n0,0,0,0\n0.5,1,-1,1\n"),
}

# What goes wrong in real files: other signs, other scripts, other programs' habits.
_SPLINTERS = [
    *(b.encode() for b in ",;\t\"'\n\r#[]{}=.-_ "),
    *(b.encode() for b in ("nan", "inf", "1e999", "-0", "1_0", "−1", "٣", "½", "µ", "", "true")),
    *(b"\xef\xbb\xbf", b"\xff\xfe", b"\xb5", b"\x00", b"\r\n", b"\x1c", b'"""', b"9" * 5000),
    *(b"[" * 3000, b"x" * 140_000, b"\xed\xa0\x80", b"\xc2\x85", b"\xe2\x80\xa8", b"\x0c"),
]

edits = st.lists(
    st.tuples(
        st.integers(0, 5000),  # where
        st.integers(0, 12),  # how many bytes to take out
        st.one_of(st.sampled_from(_SPLINTERS), st.binary(max_size=6)),  # what to put in
    ),
    min_size=1,
    max_size=5,
)


def mutated(data: bytes, changes: list[tuple[int, int, bytes]]) -> bytes:
    for where, out, put in changes:
        where %= len(data) + 1
        data = data[:where] + put + data[where + out :]
    return data


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz") / "file"


def read_or_complain(name: str, path: Path, data: bytes) -> bool:
    """Whether the file was read; if not, the complaint is one sentence about a line of the file."""
    path.write_bytes(data)
    try:
        VALID[name][0](path)
    except InputError as error:
        text = str(error)
        assert "\n" not in text and "\r" not in text and text.endswith(".")
        assert text.startswith(str(path))
        assert len(text) < len(str(path)) + 700
        if error.row is not None and name != "wav":
            ends = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n").count(b"\n")
            assert 1 <= error.row <= ends + 1
        return False
    return True


@pytest.mark.parametrize("name", VALID)
def test_the_files_that_are_mutated_are_valid(name: str, path: Path) -> None:
    assert read_or_complain(name, path, VALID[name][1])


@pytest.mark.parametrize("name", VALID)
@QUICK
@given(data=st.binary(max_size=200))
def test_any_bytes(name: str, path: Path, data: bytes) -> None:
    read_or_complain(name, path, data)


@pytest.mark.parametrize("name", VALID)
@QUICK
@given(text=st.text(max_size=100))
def test_any_text(name: str, path: Path, text: str) -> None:
    read_or_complain(name, path, text.encode())


@pytest.mark.parametrize("name", VALID)
@QUICK
@given(changes=edits)
def test_valid_files_with_splinters(
    name: str, path: Path, changes: list[tuple[int, int, bytes]]
) -> None:
    read_or_complain(name, path, mutated(VALID[name][1], changes))


@pytest.mark.parametrize("name", sorted(set(VALID) - {"text", "json", "wav"}))
@QUICK
@given(data=st.data())
def test_valid_files_with_lines_mixed_up(name: str, path: Path, data: st.DataObject) -> None:
    lines = VALID[name][1].splitlines(keepends=True)
    mixed = data.draw(st.lists(st.sampled_from(lines), max_size=len(lines) + 2))
    read_or_complain(name, path, b"".join(mixed))


def key_paths(content: Any, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    """All places of a TOML document that a complaint could be about."""
    members = content.items() if isinstance(content, dict) else enumerate(content)
    found: set[tuple[str | int, ...]] = set()
    for key, value in members:
        found |= {(*path, key)}
        if isinstance(value, (dict, list)):
            found |= key_paths(value, (*path, key))
    return found


_TOML = [
    *("a = 1\n", "b.c = 'x'\n", "[s]\n", "[s.t]\n", "[[r]]\n", "[[r.q]]\n", "[r.u]\n", "# [no]\n"),
    *('"a b" = """\n[no]\n"""\n', "d = [1, [2, 3], # x\n {e = 1, f.g = ']'}]\n", "\n", "h = {}\n"),
    *("i = '''\\'''\n", 'j = "\\"#"\n', "k = 2026-01-02 03:04:05 # no\n", "l=[{m=1},{m=2}]\n"),
    *('n = """x""""\n', "o = [\n]\n", "'p.q' = +1e3\n"),
]


@settings(QUICK, max_examples=600)
@given(st.lists(st.sampled_from(_TOML), min_size=1, max_size=12))
def test_lines_are_known_for_just_the_keys_that_tomllib_finds(pieces: list[str]) -> None:
    text = "".join(pieces)
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    lines = lines_of_keys(text)
    assert set(lines) == key_paths(content)
    for key, line in lines.items():
        assert 1 <= line <= text.count("\n") + 1
        if isinstance(key[-1], str):
            assert key[-1] in text.split("\n")[line - 1]


# ---- round trips -----------------------------------------------------------------------------

numbers = st.floats(-1e9, 1e9)
drives = st.floats(-1, 1)
words = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
names = st.from_regex(tf.SEGMENT_NAME, fullmatch=True).filter(lambda name: name.isascii())


def _column(draw: st.DrawFn, of: st.SearchStrategy[Any], n: int, kind: Any = np.float64) -> Any:
    values = draw(st.lists(of, min_size=n, max_size=n))
    column = np.empty(n, dtype=kind)
    column[:] = values
    return column


def _gaps(of: st.SearchStrategy[float]) -> st.SearchStrategy[float]:
    return st.one_of(st.just(np.nan), of)


def _rising(draw: st.DrawFn, n: int, least: float = -1e6) -> Any:
    return np.sort(draw(st.lists(st.floats(least, 1e6), min_size=n, max_size=n, unique=True)))


@st.composite
def patterns(draw: st.DrawFn) -> Pattern:
    n = draw(st.integers(1, 8))
    t_s = np.concatenate([[0.0], _rising(draw, n - 1, 1e-9)])
    drive = [_column(draw, drives, n) for _ in "xy"]
    return Pattern(t_s, *drive, _column(draw, st.booleans(), n, bool), _column(draw, names, n, "O"))


@st.composite
def sheets(draw: st.DrawFn) -> TypedSheet:
    n = draw(st.integers(1, 8))
    t_s = _rising(draw, n)
    t_s[_column(draw, st.booleans(), n, bool)] = np.nan
    reading = draw(st.lists(st.integers(0, 2**53), min_size=n, max_size=n, unique=True))
    drive = [_column(draw, drives, n) for _ in "xy"]
    spot = [_column(draw, _gaps(numbers), n) for _ in "xy"]
    return TypedSheet(np.array(reading), t_s, *drive, *spot, _column(draw, words, n, "O"))


@st.composite
def camera_logs(draw: st.DrawFn) -> CameraLog:
    n = draw(st.integers(1, 8))
    frame = np.sort(_column(draw, st.integers(0, 20), n, np.int64))
    t_s = np.sort(_column(draw, numbers, n))
    order = np.array(draw(st.permutations(range(n))))
    px = [_column(draw, numbers, n) for _ in "uv"]
    return CameraLog(frame[order], t_s[order], *px, _column(draw, st.floats(0, 1), n))


@st.composite
def recordings(draw: st.DrawFn) -> Recording:
    n = draw(st.integers(1, 8))
    t_s = np.sort(_column(draw, numbers, n))
    t_s[_column(draw, st.booleans(), n, bool)] = np.nan
    spot = [_column(draw, _gaps(numbers), n) for _ in "xy"]
    sigma = [_column(draw, st.floats(1e-9, 1e3), n) for _ in "xy"]
    used = _column(draw, st.booleans(), n, bool)
    reason = _column(draw, words, n, "O")
    reason[~used & (reason == "")] = "doubtful"
    exposure = _column(draw, st.floats(0, 1), n)
    return Recording(t_s, exposure, *spot, *sigma, used, reason, _column(draw, names, n, "O"))


@st.composite
def paths_and_drives(draw: st.DrawFn) -> SpotPath | DriveSignal:
    n = draw(st.integers(1, 8))
    kind, of = draw(st.sampled_from([(SpotPath, numbers), (DriveSignal, drives)]))
    pair = [_column(draw, of, n) for _ in "xy"]
    return kind(_rising(draw, n), *pair, _column(draw, st.booleans(), n, bool))


ROUND_TRIPS: dict[type, tuple[Callable[..., None], Callable[[Path], Any]]] = {
    Pattern: (tf.write_pattern, tf.read_pattern),
    TypedSheet: (tf.write_typed_sheet, tf.read_typed_sheet),
    CameraLog: (tf.write_camera_log, tf.read_camera_log),
    Recording: (tf.write_recording, tf.read_recording),
    SpotPath: (tf.write_timed_path, tf.read_timed_path),
    DriveSignal: (tf.write_drive_csv, tf.read_drive_csv),
}


@settings(QUICK, max_examples=400)
@given(record=st.one_of(patterns(), sheets(), camera_logs(), recordings(), paths_and_drives()))
def test_what_is_written_is_read_back_to_the_last_bit(record: Any, path: Path) -> None:
    write, read = ROUND_TRIPS[type(record)]
    write(path, record)
    back = read(path)
    assert type(back) is type(record)
    for field in fields(record):
        ours, theirs = getattr(record, field.name), getattr(back, field.name)
        assert ours.dtype == theirs.dtype
        if ours.dtype.kind == "f":
            assert np.array_equal(ours, theirs, equal_nan=True)
            assert (np.signbit(ours) == np.signbit(theirs))[~np.isnan(ours)].all()
        else:
            assert ours.tolist() == theirs.tolist()
