"""Long programs: the kernel of plain lines agrees with the reader, chunks with the whole path,
and what programs for layered work write is read or named.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.paths.chunking import chunks_of, joined
from hysteresis.paths.notes import Tally
from hysteresis.paths.rs274 import read_rs274, rows_of_program


def streamed(text: str, *, fast: bool, cuts: tuple[int, ...] = (), most: int = 50_000, **options):
    """Outcome of a program cut into blocks behind some lines: arrays, notes, or the complaint."""
    lines = text.encode("utf-8", "surrogatepass").splitlines(keepends=True)
    edges = sorted({0, len(lines), *(min(c, len(lines)) for c in cuts)})
    blocks = [(b"".join(lines[a:b]), a + 1) for a, b in pairwise(edges)]
    tally = Tally()
    try:
        batches = rows_of_program(blocks, tally, fast=fast, file="j", **options)
        line, of = joined(chunks_of(batches, most))
    except InputError as error:
        return str(error)
    columns = (line.x_mm, line.y_mm, line.beam, line.feed_mm_s, line.dwell_s, of)
    return [c.tobytes() for c in columns], tally.remarks(), tally.skipped(), tally.heights


word = st.one_of(
    st.sampled_from([
        "G0", "G1", "g01", "G90", "G91", "M3", "M5", "M4", "M104", "G92", "G2", "X1.5", "Y-2", "X",
        "X0.1234567890123456789", "X900719925474099.3", "Z0.2", "F600", "F0", "S0", "S12.5", "S-1",
        "E1.5", " E2", "N5", "*33", "; c", "(c)", "(c", "(é)", ";é", "%", "/", "X1 2", "x + 3",
        "M2", "G20", "X1e3", "Y.", "Y+.5", "\t", " ", "*", "I1", "R5", "P1", "G4", "X1.2.3", "X9e",
        "X100001", "\x00", "N", "G1.00001", "-", "M03",
    ]),
    st.floats(-3000, 3000).map(lambda v: f"X{v:.4f}"),
    st.floats(-30, 30).map(lambda v: f"Y{v:.9f}"),
)  # fmt: skip
plain_word = st.sampled_from(
    ["G0 ", "G1 ", "X1.5 ", "Y-2.25", "X3Y4 ", "Z1 ", "E0.5 ", "F90 ", "M3 ", "M5 ", " ;l"]
)
line = st.one_of(st.lists(word, max_size=5), st.lists(plain_word, max_size=4)).map("".join)
program = st.lists(line, max_size=12).flatmap(
    lambda lines: st.sampled_from(["\n", "\r\n", "\r"]).map(lambda end: end.join(lines))
)


@settings(max_examples=600, deadline=None)
@given(text=program, skip=st.booleans(), feed=st.sampled_from([None, 7.0]),
       cuts=st.tuples(st.integers(0, 12), st.integers(0, 12)),
       most=st.sampled_from([2, 3, 50_000]))  # fmt: skip
@example("F60M3G1X1\nX0.3\nX2Z1\nX3Z2*11\n", False, None, (1, 2), 2)
@example("M3 F60 G1 X1\nX2 E1\nG92 E0\nX3 E1\nM106 S0\nX4", True, None, (2, 3), 3)
def test_the_kernel_of_plain_lines_gives_the_readers_rows_bit_for_bit(text, skip, feed, cuts, most):
    slow = streamed(text, fast=False, skip_unknown=skip, default_feed_mm_s=feed)
    fast = streamed(
        text, fast=True, cuts=cuts, most=most, skip_unknown=skip, default_feed_mm_s=feed
    )
    if isinstance(slow, str) and "holds no move" in slow:
        assert isinstance(fast, str) and "holds no move" in fast
    else:
        assert fast == slow


def test_numbers_are_the_nearest_floats():
    """The kernel divides two exact whole numbers, which IEEE 754 rounds correctly."""
    rng = np.random.default_rng(5)
    values = [f"{v:.{d}f}" for d in range(10) for v in rng.uniform(-900, 900, 300)]
    text = "\n".join(f"G0 X{v}" for v in values)
    tally = Tally()
    rows = list(rows_of_program([(text.encode(), 1)], tally, fast=True))
    assert np.concatenate([r.x_mm for r in rows])[1:].tolist() == [float(v) for v in values]


def test_programs_of_layered_work():
    text = (
        "N1 G21 *18\nN2 M104 S200 ; heat\nG92 E0\nM106 S255\nT0\nM3\nG1 Z0.2 F600\n"
        "G1 X1 Y0 E0.1 F1200\ng1x2y0\nM107\nG1 Z0.4\nG1 X3 E0.3\n"
    )
    with pytest.raises(InputError, match=r"line 2: a word that is not read .*M104.*--skip-unknown"):
        read_rs274(text)
    found = read_rs274(text, skip_unknown=True)
    assert found.polyline.x_mm.tolist() == [0, 1, 2, 3]
    assert found.polyline.beam.tolist() == [False, True, True, True]  # S255 of M106 is no power
    assert found.polyline.feed_mm_s[1:].tolist() == [20, 20, 20]
    counts = {w.word: (w.count, w.first_line) for w in found.skipped}
    assert counts == {
        "M104": (1, 2), "S": (2, 2), "E": (3, 3), "M106": (1, 4), "T": (1, 5), "M107": (1, 10),
    }  # fmt: skip
    assert "checksums (*nn) are not looked at (line 1)" in found.remarks
    assert any("the traces lie at 2 heights Z in turn; a layer" in r for r in found.remarks)


def test_an_e_without_a_blank_before_it_may_be_an_exponent_and_is_never_passed_over():
    for text in ("G0 X1E3", "G0 X1(c)E3", "G0 X1e-3"):
        with pytest.raises(InputError, match="exponent"):
            read_rs274(text, skip_unknown=True)
    assert read_rs274("G0 X1 E3", skip_unknown=True).polyline.x_mm[-1] == 1


def test_power_of_a_beam_word_is_kept_beside_an_unknown_m():
    found = read_rs274("F60\nM3 S0 M106\nG1 X1\nG1 X2 M106 S9\n", skip_unknown=True)
    assert found.polyline.beam.tolist() == [False, False, False]
    assert [w.word for w in found.skipped] == ["M106", "S"]


def test_centres_absolute_or_from_the_start():
    """G90.1 and G91.1, from memory: I and J as positions, offsets of G92 included."""
    plain = read_rs274("F60 G0 X3 Y4\nG3 X13 Y4 I5 J0\nG3 X3 Y4 I-5 J0").polyline
    same = read_rs274("F60 G0 X3 Y4\nG90.1 G3 X13 Y4 I8 J4\nG91.1 G3 X3 Y4 I-5 J0").polyline
    moved = read_rs274(
        "F60 G0 X3 Y4\nG92 X103 Y54\nG90.1\nG3 X113 Y54 I108 J54\nX103 Y54 I108 J54"
    ).polyline
    for other in (same, moved):
        np.testing.assert_allclose(other.x_mm, plain.x_mm, atol=1e-9)
        np.testing.assert_allclose(other.y_mm, plain.y_mm, atol=1e-9)
    with pytest.raises(InputError, match="lacks I or J"):
        read_rs274("F60 G90.1 G3 X10 Y0 I5")


def test_a_long_wait_names_its_unit():
    found = read_rs274("G0 X1\nG4 P500\n")
    assert found.remarks == ("a wait of 500 s: P of G4 is read in seconds (line 2)",)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("G92", "without an axis"), ("G0 X1 G92", "contradict"), ("G92.1 X3", "does not take it"),
        ("G92 X1 R3", "does not take"), ("G92 X1\nG92 X900000", "offset of more than"),
        ("G0 X1 *", "does not know"), ("G0 X1 *3 Y2", "does not know"),
        ("G90 G90.1\nG0 X1\nG90.1 G91.1", "contradict"),
    ],
)  # fmt: skip
def test_what_is_refused(text, words):
    with pytest.raises(InputError, match=words):
        read_rs274(text)


def test_what_is_so_anyway_may_be_said() -> None:
    """Feed per minute, no offsets of a tool (NISTIR 6556, 3.5.10, 3.5.11, 3.5.20, from memory);
    G93, inverse time, gives F another meaning and is not read."""
    head = "G17 G21 G40 G49 G90 G94\nM3 F600\n"
    with_head, without = read_rs274(head + "G1 X3 Y1\n"), read_rs274("M3 F600\nG1 X3 Y1\n")
    assert np.array_equal(with_head.polyline.feed_mm_s, without.polyline.feed_mm_s, equal_nan=True)
    assert np.array_equal(with_head.polyline.x_mm, without.polyline.x_mm)
    assert not with_head.skipped
    for skip in (False, True):
        with pytest.raises(InputError, match="G93"):
            read_rs274("G93 M3 F600\nG1 X3 Y1\n", skip_unknown=skip)
