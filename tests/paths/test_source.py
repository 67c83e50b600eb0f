"""The door for paths of any length: kinds, chunks, second passes, memory, and garbage."""

from __future__ import annotations

import io
import time
import tracemalloc
import zlib
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.paths import text_blocks
from hysteresis.paths.chunking import Rows, chunks_of, joined
from hysteresis.paths.placement import Placement
from hysteresis.paths.read import read_path
from hysteresis.paths.source import kind_of, open_path

SQUARE = "M3 F2400\nG1 X10 Y0\nX10 Y10\nG0 X0 Y0\nM2\n"
TABLE = "x_mm,y_mm,beam,feed_mm_s\n0,0,0,\n10,0,1,40\n10,10,1,40\n0,0,0,0\n"
SVG = '<svg width="10mm" height="10mm"><rect width="10" height="10"/></svg>'


@pytest.fixture
def write(tmp_path: Path):
    def writer(text: str | bytes, name: str = "job.ngc") -> Path:
        data = text.encode() if isinstance(text, str) else text
        (tmp_path / name).write_bytes(data)
        return tmp_path / name

    return writer


def test_kinds(write):
    for text, name, kind in (
        (SQUARE, "a.txt", "RS-274"), (TABLE, "a.txt", "polyline"),
        ("\ufeff" + TABLE, "b", "polyline"), ("x", "e.svg", "SVG"),
        ("t_s,x_mm,y_mm,beam\n0,0,0,0\n", "c", "timed"), (SVG, "d.xml", "SVG"),
        ('<?xml version="1.0"?>\n<!-- a --><svg:svg xmlns:svg="x"/>', "f", "SVG"),
        ("  0\r\nSECTION\r\n  2\r\n", "g", "DXF"), ("999\nmade here\n0\nSECTION\n", "h", "DXF"),
        ("0", "i.DXF", "DXF"), ("name = 'a'", "j.toml", "job"), ("999\n", "k", "RS-274"),
    ):  # fmt: skip
        assert kind_of(write(text, name)) == kind, name


rows = st.lists(
    st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=40
)  # beam of the move, wait behind it


@settings(deadline=None, max_examples=300)
@given(rows, st.integers(2, 9), st.lists(st.integers(0, 40), max_size=4))
def test_chunks_join_to_the_path_and_end_at_rest_where_they_can(moves, most, cuts):
    n = len(moves)
    beam = np.array([b for b, _ in moves])
    dwell = np.array([0.5 * w for _, w in moves])
    whole = Rows(np.arange(n) * 1.0, -np.arange(n) * 1.0, beam, np.ones(n), dwell, np.arange(n))
    edges = sorted({0, n, *(min(c, n) for c in cuts)})
    batches = [Rows._make(c[a:b] for c in whole) for a, b in pairwise(edges)]
    chunks = list(chunks_of(batches, most))
    line, of = joined(chunks)
    assert of.tolist() == list(range(n))
    for name in ("x_mm", "y_mm", "beam", "feed_mm_s", "dwell_s"):
        np.testing.assert_array_equal(getattr(line, name), getattr(whole, name))
    end = 0
    for number, chunk in enumerate(chunks):
        path = chunk.polyline
        assert len(path) <= most
        if number:
            assert path.x_mm[0] == end and path.dwell_s[0] == 0.0
        begin, end = end, int(path.x_mm[-1])
        if number < len(chunks) - 1:
            rests = [
                i for i in range(begin + 1, begin + most) if dwell[i] or beam[i] != beam[i + 1]
            ]
            assert end == (rests[-1] if rests else begin + most - 1)


def test_a_second_pass_reads_anew_and_notes_follow(write, bench):
    file = write("G54\n" + SQUARE)
    source = open_path(file, bench, skip_unknown=True)
    first = [c.polyline.x_mm.tolist() for c in source.chunks()]
    assert [c.polyline.x_mm.tolist() for c in source.chunks()] == first == [[0, 10, 10, 0]]
    notes = source.notes
    assert (notes.kind, notes.rows, notes.last_line) == ("RS-274", 4, 5)
    assert (notes.x_mm, notes.y_mm) == ((0, 10), (0, 10))
    assert (notes.trace_mm, notes.travel_mm) == (20, pytest.approx(200**0.5))
    assert notes.remarks == ("G54 skipped once in line 1",)
    file.write_text("G0 X5\n")
    assert [c.polyline.x_mm.tolist() for c in source.chunks()] == [[0, 5]]
    assert source.notes.skipped == ()


def test_memory_does_not_grow_with_the_file(write, bench):
    """Ten times the lines, the same peak: what is held are blocks and one chunk."""
    peaks = []
    for lines in (100_000, 1_000_000):
        rng = np.random.default_rng(0)
        block = "".join(f"G1 X{x:.3f} Y{y:.3f}\n" for x, y in rng.uniform(-30, 30, (10_000, 2)))
        file = write("M3 F3000\n" + block * (lines // 10_000), f"{lines}.ngc")
        tracemalloc.start()
        count = sum(len(c.polyline) - 1 for c in open_path(file, bench).chunks())
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert count == lines
    assert peaks[1] < 1.3 * peaks[0] < 60e6


def test_a_long_table_and_its_faults_far_behind(write, bench):
    body = "1,0,1,5\n2,0,1,5\n" * 40_000
    table = write(TABLE.split("\n")[0] + "\n0,0,0,\n" + body, "a.csv")
    assert (
        sum(len(c.polyline) - (i > 0) for i, c in enumerate(open_path(table, bench).chunks()))
        == 80_001
    )
    bad = write(TABLE.split("\n")[0] + "\n0,0,0,\n" + body + "1,0,1,\n", "b.csv")
    with pytest.raises(InputError, match=r"line 80003, column feed_mm_s: no feed"):
        list(open_path(bad, bench).chunks())


def test_programs_cut_in_the_middle_of_anything_are_the_same(write, bench, monkeypatch):
    text = "".join(f"G1 X{i % 30}.5 Y{i % 7} F600 ; é {i}\r\n" for i in range(3000))
    file = write("M3\r" + text)
    want = [c.polyline.x_mm for c in open_path(file, bench).chunks()]
    for size in (61, 1000, 4096):
        blocks = list(text_blocks.line_blocks(file, size))
        assert b"".join(b for b, _ in blocks) == file.read_bytes()
        counted = 1
        for block, line in blocks:
            assert line == counted and block
            counted += text_blocks.lines_in(block)
    assert len(want[0]) == 3001


def quickly_refused(file: Path, bench, within_s: float = 2.0) -> str:
    start = time.perf_counter()
    with pytest.raises(InputError) as caught:
        list(open_path(file, bench, default_feed_mm_s=1.0).chunks())
    assert time.perf_counter() - start < within_s
    assert "\n" not in str(caught.value) and str(file) in str(caught.value)
    with pytest.raises(InputError):
        read_path(file, bench, default_feed_mm_s=1.0)
    assert time.perf_counter() - start < 2 * within_s
    return str(caught.value)


@pytest.mark.parametrize("name", ["a.ngc", "a.csv", "a.svg", "a.dxf", "a.toml"])
def test_two_gigabytes_of_zeros(tmp_path, bench, name):
    """Sparse: the size is real to every reader, the disk holds nothing."""
    file = tmp_path / name
    with open(file, "wb") as out:
        out.truncate(2 << 30)
    assert "bytes of 0" in quickly_refused(file, bench)


@pytest.mark.parametrize("name", ["a.ngc", "a.csv", "a.svg", "a.dxf", "a.toml"])
def test_two_gigabytes_that_begin_with_text(tmp_path, bench, name):
    """Random printable text without an end of line, then a hole up to 2 GB."""
    rng = np.random.default_rng(1)
    for line in (b"", b"\n"):
        text = bytes(rng.integers(33, 126, 1 << 20).astype(np.uint8))
        with open(tmp_path / name, "wb") as out:
            out.write(text[:1000] + line + text)
            out.truncate(2 << 30)
        quickly_refused(tmp_path / name, bench)


def test_a_line_without_end_is_not_read_to_its_end(tmp_path, bench):
    file = tmp_path / "a.ngc"
    with open(file, "wb") as out:
        out.write(b"G0 X1\nG1 X" + b"1" * (2 << 20))
        out.truncate(1 << 30)
    assert "line 2: a line of more than 256 kB" in quickly_refused(file, bench)
    (tmp_path / "a.csv").write_bytes(b"x_mm,y_mm,beam,feed_mm_s\n0,0,0," + b"1" * (1 << 20))
    assert "line 2: a line of more than 256 kB" in quickly_refused(tmp_path / "a.csv", bench)


def test_pictures_and_other_files_are_named(write, bench):
    from matplotlib.figure import Figure

    out = io.BytesIO()
    Figure(figsize=(1, 1)).savefig(out, format="png")
    for data, words in (
        (out.getvalue(), "a PNG picture"), (b"%PDF-1.7\n\xe2\xe3\xcf\xd3\n", "a PDF document"),
        (b"\x1f\x8b\x08\x00" + zlib.compress(b"x" * 50), "a gzip archive"),
        (b"PK\x03\x04\x00", "a ZIP archive"), (b"\xff\xfeG\x000\x00", "UTF-16"),
        (b"G0 X1\x00\n", "bytes of 0"), (b"", "empty"),
    ):  # fmt: skip
        assert words in quickly_refused(write(data), bench)


def test_options_and_files_without_sense(write, bench, tmp_path):
    file = write(SQUARE)
    for options, words in (
        ({"tolerance_mm": 0.0}, "tolerance_mm"), ({"tolerance_mm": float("nan")}, "tolerance_mm"),
        ({"default_feed_mm_s": -1.0}, "default_feed_mm_s"),
    ):  # fmt: skip
        with pytest.raises(InputError, match=words):
            open_path(file, bench, **options)
    with pytest.raises(InputError, match="clock of its own"):
        open_path(write("t_s,x_mm,y_mm,beam\n0,0,0,0\n", "t.csv"), bench)
    with pytest.raises(InputError, match="says nothing of a speed"):
        open_path(write(SVG, "a.svg"), bench)
    for missing in (tmp_path, tmp_path / "none", tmp_path / ("a" * 300), "a\x00b"):
        with pytest.raises(InputError):
            open_path(missing, bench)
    with pytest.raises(InputError, match="never leaves"):
        list(open_path(write("G0 X0 Y0\n"), bench).chunks())


def test_a_tolerance_is_that_of_the_placed_curve(write, bench):
    circle = write("F60 G0 X1 Y0\nM3\nG3 X1 Y0 I-1 J0\n")
    source = open_path(circle, bench, placement=Placement(scale=40), tolerance_mm=0.02)
    (chunk,) = source.chunks()
    x, y = chunk.polyline.x_mm[1:], chunk.polyline.y_mm[1:]
    rise = 40 - np.hypot(0.5 * (x[1:] + x[:-1]), 0.5 * (y[1:] + y[:-1])).min()
    assert 0.01 < rise <= 0.02 + 1e-9


def test_drawings_go_through_read_path_too(write, bench):
    path, notes = read_path(write(SVG, "a.svg"), bench, default_feed_mm_s=20.0)
    assert notes.source == "SVG" and path.beam.any()
    # a rectangle of 10 px, its page's middle at the centre: the page is 10 mm
    assert path.x_mm.min() == pytest.approx(-5, abs=0.05)
