"""The door for toolpaths: choice of the reader, tables, the field, lines of rows, bad input."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.paths.marks import mark_path
from hysteresis.paths.read import read_path
from hysteresis.paths.smoothing import SAG_PER_T2
from hysteresis.paths.timing import timing_for

SQUARE_CSV = "x_mm,y_mm,beam,feed_mm_s\n0,0,0,\n10,0,1,40\n10,10,1,40\n0,0,0,0\n"
SQUARE_NC = "M3 F2400\nG1 X10 Y0\nX10 Y10\nG0 X0 Y0\nM2\n"


def test_the_same_square_as_table_and_as_program(read, bench):
    table, notes = read(SQUARE_CSV, "square.csv")
    program, other = read(SQUARE_NC, "square.ngc")
    assert (notes.source, other.source) == ("polyline", "RS-274")
    for name in ("t_s", "x_mm", "y_mm", "beam"):
        np.testing.assert_allclose(getattr(table, name), getattr(program, name), atol=1e-12)
    # each move is cut short by the sag of the smoothing, a T² SAG_PER_T2, at its ends
    sag = timing_for(bench).acceleration_mm_s2 * notes.kernel_s**2 * SAG_PER_T2
    assert 20 - 4 * sag < notes.trace_mm < 20
    assert math.sqrt(200) - 2 * sag < notes.travel_mm < math.sqrt(200) + 2 * sag
    assert notes.duration_s == table.t_s[-1]
    assert 40 < notes.peak_speed_mm_s <= 300 * (1 + 1e-9)


def test_the_header_or_the_suffix_chooses_the_reader(read):
    assert read(SQUARE_CSV, "square.txt")[1].source == "polyline"
    assert read(SQUARE_NC, "square.txt")[1].source == "RS-274"
    assert read("t_s,x_mm,y_mm,beam\n0,0,0,1\n1,5,0,0\n", "t.CSV")[1].source == "timed"
    assert read("\n\nt_s,x_mm,y_mm,beam\n0,0,0,1\n1,5,0,0\n", "t.dat")[1].source == "timed"


def test_every_row_of_the_path_knows_its_line(read):
    path, notes = read("G0 X0 Y5\n\nM3 F600\nG1 X10\n(c)\nX20\nM5\nG4 P1\nG0 X0\n")
    lines = notes.line_of_row
    assert len(lines) == len(path) and (np.diff(lines) >= 0).all()
    assert set(lines) <= {0, 1, 4, 6, 8, 9}
    assert {1, 4, 6, 8, 9} <= set(lines)
    on = np.flatnonzero(path.beam)
    assert set(lines[on]) == {4, 6}
    middle = np.argmin(np.abs(path.x_mm - 15) + 1e3 * ~path.beam)
    assert lines[middle] == 6


def test_a_timed_table_keeps_its_clock_half_a_kernel_later(read):
    text = "t_s,x_mm,y_mm,beam\n5,0,0,0\n6,0,0,1\n\n8,20,4,0\n9,20,4,0\n"
    path, notes = read(text, "t.csv")
    half = notes.kernel_s / 2
    assert path.t_s[0] == 0 and path.t_s[-1] == pytest.approx(4 + 2 * half, abs=notes.kernel_s / 16)
    x = np.interp(half + np.array([0.5, 2.0, 3.5]), path.t_s, path.x_mm)
    np.testing.assert_allclose(x, [0, 10, 20], atol=1e-9)
    np.testing.assert_allclose(path.t_s[1:][np.diff(path.beam)], [1 + half, 3 + half], atol=1e-9)
    assert set(notes.line_of_row) == {3, 5, 6}  # the blank line counts
    assert notes.smoothing_mm > 0


def test_waits_of_a_polyline_are_parks(read):
    rows = "0,0,0,,\n20,0,1,50,\n40,0,0,,2.5\n0,5,1,50,0\n40,0,0,,1\n"
    text = "x_mm,y_mm,beam,feed_mm_s,dwell_s\n" + rows
    path, _ = read(text, "p.csv")
    marks = mark_path(path)
    assert marks.layers == 2
    first, second = marks.spans_of("park")
    assert first.duration_s == pytest.approx(2.5, abs=0.02)
    assert second.duration_s == pytest.approx(1.0, abs=0.02)
    rows = slice(first.first + 12, first.last - 12)
    np.testing.assert_allclose(path.x_mm[rows], 40, atol=1e-12)


def test_a_standing_beam_is_remarked_on(read):
    text = "x_mm,y_mm,beam,feed_mm_s,dwell_s\n0,0,0,,\n20,0,1,50,0.5\n"
    assert "stands still" in read(text, "p.csv")[1].remarks[0]


def fault(read, text, name, **options):
    with pytest.raises(InputError) as caught:
        read(text, name, **options)
    assert "\n" not in str(caught.value) and caught.value.mend
    return caught.value


HEAD = "x_mm,y_mm,beam,feed_mm_s\n"
TIMED = "t_s,x_mm,y_mm,beam\n"


@pytest.mark.parametrize(
    ("text", "row", "column", "words"),
    [
        (HEAD + "0,0,0,\n1,0,2,5\n", 3, "beam", "neither 0 nor 1"),
        (HEAD + "0,0,0,\n\n1,0,1,\n", 4, "feed_mm_s", "no feed"),
        (HEAD + "0,0,0,\n1,0,1,0\n", 3, "feed_mm_s", "feed of 0"),
        (HEAD + "0,0,0,\n1,0,1,-5\n", 3, "feed_mm_s", "below 0"),
        (HEAD + "0,0,0,\n1,nan,1,5\n", 3, "y_mm", ""),
        (HEAD + "0,0,0,\n1,left,1,5\n", 3, "y_mm", ""),
        (HEAD + "0,0,0,\n1,,1,5\n", 3, "y_mm", ""),
        (HEAD + "0,0,0,\n1,0,1\n", 3, None, ""),
        (HEAD + "0,0,0,\n", None, None, "one row"),
        (HEAD + "3,0,0,\n3,0,1,4\n", None, None, "never leaves"),
        (HEAD, None, None, ""),
        ("x_mm,y_mm,beam\n0,0,0\n", 1, "feed_mm_s", "missing"),
        ("x_mm,y_mm,beam,feed\n0,0,0,1\n", 1, "feed", ""),
        ("time,where\n0,0\n", 1, None, ""),
        (TIMED + "0,0,0,1\n1,0,0,1\n0.5,0,0,1\n", 4, "t_s", "goes back"),
        (TIMED + "0,0,0,1\n0,0,0,1\n", 3, "t_s", "stands still"),
        (TIMED + "0,0,0,7\n1,0,0,1\n", 2, "beam", "neither"),
        (TIMED + "0,0,0,1\n", None, None, "one row"),
        (HEAD + "0,0,0,\n0,0,1,5\n49.5,0,1,5\n-60,0,1,5\n", 4, None, "0.500 mm outside"),
        (TIMED + "0,0,0,1\n1,0,-70,1\n", 3, None, "y = -70.000 mm lies 21.000 mm outside"),
        ("", None, None, "empty"),
        ("  \n", None, None, ""),
    ],
)
def test_bad_tables(read, text, row, column, words):
    error = fault(read, text, "bad.csv")
    assert (error.row, words in str(error)) == (row, True), str(error)
    if column:
        assert error.column == column
    assert "bad.csv" in str(error)


def test_a_program_outside_the_field_names_line_and_amount_also_on_an_arc(read):
    error = fault(read, "F60\nG0 X40\n(x)\nG3 X40 Y0 I12 J0\n", "out.ngc")
    assert error.row == 4 and "outside the reachable ±49.000 mm" in str(error)
    assert "worst: 14.99" in str(error)  # 64 mm less the rise of the arc over its chord
    inch = fault(read, "G20 G0 X2\n", "inch.ngc")
    assert "1.800 mm outside" in str(inch) and "inch" in str(inch)


def test_folder_missing_and_encoding(read, bench, tmp_path):
    for name in (tmp_path, tmp_path / "none.ngc"):
        with pytest.raises(InputError):
            read_path(name, bench)
    (tmp_path / "latin.ngc").write_bytes("G0 X1 (Größe)".encode("latin-1"))
    with pytest.raises(InputError, match="UTF-8"):
        read_path(tmp_path / "latin.ngc", bench)


@pytest.mark.parametrize("name", ["default_feed_mm_s", "travel_mm_s", "acceleration_mm_s2"])
@pytest.mark.parametrize("value", [0.0, -3.0, math.nan, math.inf])
def test_options_without_sense(read, name, value):
    assert name in str(fault(read, SQUARE_NC, "s.ngc", **{name: value}))


def test_a_path_too_long_for_memory_names_its_file(read):
    text = "t_s,x_mm,y_mm,beam\n0,0,0,0\n1e7,1,0,0\n"
    error = fault(read, text, "long.csv")
    assert "long.csv" in str(error) and "20000000 rows" in str(error)
    slow = fault(read, "x_mm,y_mm,beam,feed_mm_s\n0,0,0,\n1,0,1,1e-300\n", "slow.csv")
    assert "slow.csv" in str(slow) and "20000000 rows" in str(slow)


def test_skipped_words_reach_the_notes(read):
    _, notes = read("G54 T1\n" + SQUARE_NC, skip_unknown=True)
    assert [str(w) for w in notes.skipped] == [
        "G54 skipped once in line 1",
        "T skipped once in line 1",
    ]
    assert set(map(str, notes.skipped)) <= set(notes.remarks)


def test_default_feed_and_speeds(read):
    slow, _ = read("M3 G1 X10\n", default_feed_mm_s=2.0)
    assert slow.t_s[-1] == pytest.approx(5, abs=0.05)
    quick, notes = read("G0 X40\n", travel_mm_s=100.0, acceleration_mm_s2=1000.0)
    assert quick.t_s[-1] == pytest.approx(0.5 + notes.kernel_s, abs=notes.kernel_s / 16)
    assert notes.peak_speed_mm_s == pytest.approx(100)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    header=st.sampled_from([HEAD, TIMED, "x_mm,y_mm,beam,feed_mm_s,dwell_s\n", "", "t_s;x_mm\n"]),
    body=st.text(alphabet=st.sampled_from('0123456789.,-+e \n\r"abé;\t'), max_size=60),
)
def test_any_table_is_read_or_refused_in_one_sentence(bench, tmp_path, header, body):
    file = tmp_path / "fuzz.csv"
    file.write_text(header + body, encoding="utf-8", newline="")
    try:
        path, _ = read_path(file, bench)
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert (np.diff(path.t_s) > 0).all() and np.isfinite(path.x_mm).all()


numbers = st.one_of(
    st.sampled_from(["0", "1", "-1", "49", "50", "1e-300", "1e300", "", "nan", "0.5", "2.5"]),
    st.floats(-49, 49).map(repr),
)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture],
          deadline=None)  # fmt: skip
@given(
    rows=st.lists(st.tuples(numbers, numbers, st.sampled_from("01"), numbers, numbers), max_size=6)
)
def test_tables_with_strange_numbers(bench, tmp_path, rows):
    file = tmp_path / "strange.csv"
    lines = ["x_mm,y_mm,beam,feed_mm_s,dwell_s", *(",".join(r) for r in rows)]
    file.write_text("\n".join(lines), encoding="utf-8")
    try:
        path, notes = read_path(file, bench)
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert (np.diff(path.t_s) > 0).all() and np.isfinite(path.x_mm).all()
        assert len(notes.line_of_row) == len(path)
