"""The RS-274 reader: meaning of words, the beam, what is refused and where.

Rules of the standard with their sections are in tests/published/test_rs274_nistir_6556.py.
"""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.paths.rs274 import read_rs274


def rows(text: str, **options):
    found = read_rs274(text, **options)
    line = found.polyline
    return [
        (float(x), float(y), bool(b), None if math.isnan(f) else float(f), float(d))
        for x, y, b, f, d in zip(
            line.x_mm, line.y_mm, line.beam, line.feed_mm_s, line.dwell_s, strict=True
        )
    ]


def fault(text: str, **options) -> InputError:
    with pytest.raises(InputError) as caught:
        read_rs274(text, file="job.ngc", **options)
    error = caught.value
    assert error.file == "job.ngc" and error.mend
    assert str(error).count("\n") == 0
    return error


def test_beam_is_on_while_the_spindle_would_turn_and_off_in_travel():
    found = rows("M3 S100 F600\nG1 X1\nG0 X2\nG1 X3\nS0\nX4\nS50\nX5\nM5\nX6\nM4\nX7\n")
    assert [(x, beam, feed) for x, _, beam, feed, _ in found] == [
        (0, False, None),
        (1, True, 10),
        (2, False, None),
        (3, True, 10),
        (4, False, 10),  # S0
        (5, True, 10),
        (6, False, 10),  # M5
        (7, True, 10),  # M4, the power still in force
    ]


def test_beam_without_any_power_word_is_on_and_power_without_m3_is_off():
    assert rows("F60 M3 G1 X1")[-1][2] is True
    assert rows("F60 S500 G1 X1")[-1][2] is False


def test_a_wait_is_a_row_of_its_own_with_its_beam_and_line():
    found = read_rs274("F60 M3 G1 X1\nG4 P0.5\nM5\nG4 P2\nG0 X3\n")
    assert found.polyline.dwell_s.tolist() == [0, 0, 0.5, 2, 0]
    assert found.polyline.beam.tolist() == [False, True, True, False, False]
    assert found.line_of_vertex.tolist() == [0, 1, 2, 4, 5]
    assert found.remarks == ("the beam is on and stands still during a wait (line 2)",)


def test_every_point_of_an_arc_keeps_the_line_of_its_word():
    found = read_rs274("\n(a)\nG0 X5 ; b\n\nF60 G3 X-5 I-5\nG1 X0\n")
    counts = {int(n): int((found.line_of_vertex == n).sum()) for n in set(found.line_of_vertex)}
    assert counts[0] == counts[3] == counts[6] == 1
    assert counts[5] > 10


def test_comments_line_numbers_case_and_blanks():
    plain = rows("G1 F60\nX1 Y2\nX3\n")
    assert rows("%\nn10 g1 f 6 0 (G1 X9)\nN20x1y2;X9 (\n\t x 3 (a)(b;)\r\nM30\n%\njunk") == plain
    assert rows("G1 F60\rX1 Y2\rX3\r") == plain
    assert rows("G01 F060.\nX+1.0 Y02\nG1.0X3.") == plain


def test_nothing_behind_the_end_of_the_program_is_read():
    assert len(rows("G0 X1\nM2\nthis is no program\n")) == 2


def test_lines_with_a_slash():
    text = "G0 X1\n/G0 X2\n/N5 G0 X3\n"
    found = read_rs274(text)
    assert found.polyline.x_mm.tolist() == [0, 1, 2, 3]
    assert "carried out" in found.remarks[0] and "2 lines, first line 2" in found.remarks[0]
    assert read_rs274(text, delete_slashed=True).polyline.x_mm.tolist() == [0, 1]


def test_z_is_ignored_and_said_so():
    found = read_rs274("G0 X1 Z5\nG1 Z-1 F60\nG2 X1 Y0 I1 J0 Z3\n")
    assert found.line_of_vertex.max() == 3 and 2 not in found.line_of_vertex
    assert found.remarks == ("Z is ignored (3 lines, first line 1)",)


def test_change_of_unit_keeps_the_number_of_the_feed_and_remarks_on_it():
    found = read_rs274("G21 F60 G1 X10\nG20\nG1 X1\nG21 F120 X30\nX40")
    assert found.polyline.feed_mm_s[1:] == pytest.approx([1, 25.4, 2, 2])
    assert found.remarks == (
        "the unit changes and the feed in force is now read in the new unit (line 2)",
    )


@pytest.mark.parametrize(
    ("text", "row", "words"),
    [
        ("G0 X1\nG1 X2 Q5 F60", 2, ("not read", "Q5", "--skip-unknown")),
        ("G0 X1\nG54\n", 2, ("not read", "G54")),
        ("G0 X1\nM8\n", 2, ("not read", "M8")),
        ("G0 X1\nT1 M6\n", 2, ("not read", "T1")),
        ("G0 X1\nG18\n", 2, ("not read", "G18")),
        ("G0 X1\nG38.2 X4\n", 2, ("not read", "G38.2")),
        ("G0 X1\nG X4\n", 2, ("the letter G without a number",)),
        ("G0 X1\nG0 X[1+2]\n", 2, ("expressions",)),
        ("G0 X1\n#1=4\n", 2, ("parameters",)),
        ("G0 X1\nG0 X#1\n", 2, ("parameters",)),
        ("G0 X1 (open\nG0 X2", 1, ("comment that is not closed",)),
        ("G0 (a (b) c) X1", 1, ("comment",)),
        ("G0 X1 N5", 1, ("line number",)),
        ("G0 X1 E2", 1, ("the letter E",)),
        ("G0 X1\nG0 X1.2.3", 2, ("does not know",)),
        ("G0 X1\nG0 X1e3 Y2", 2, ("the letter E", "G0 X1e3 Y2")),
        ("G0 Xé5", 1, ("letter X without",)),
        ("G0 ſ5", 1, ("does not know",)),
        ("G0 X٣", 1, ("letter X without",)),
        ("G0 X1 /", 1, ("'/' that does not stand",)),
        ("G0 X1\n%\n", 2, ("'%' line in the middle",)),
        ("%\nG0 X1\n", 3, ("cut short",)),
        ("G0 X1 X2", 1, ("X stands twice",)),
        ("G0 G1 X2", 1, ("contradict",)),
        ("M3 M5", 1, ("contradict",)),
        ("X2", 1, ("without a mode of motion",)),
        ("G4", 1, ("without its length",)),
        ("G4 P-1", 1, ("not between 0 and",)),
        ("G4 P99999999", 1, ("not between 0 and",)),
        ("G0 X1 P3", 1, ("P without G4",)),
        ("G0 X1 R3", 1, ("not an arc",)),
        ("S-1", 1, ("below 0",)),
        ("F-1", 1, ("feed out of range",)),
        ("M3 G1 X1", 1, ("before any feed",)),
        ("M3 F0 G1 X1", 1, ("feed of 0",)),
        ("G0 X" + "9" * 400, 1, ("100000 mm away",)),
        ("G20 G0 X4000", 1, ("100000 mm away", "check the unit")),
        ("F60 G2", 1, ("without its end and its centre",)),
        ("F60 G2 X5", 1, ("without a centre or radius",)),
        ("F60 G2 Z5", 1, ("without a centre or radius",)),
        ("F60 G2 X5 I1 R3", 1, ("a centre and a radius",)),
        ("F60 G2 X0 I0", 1, ("radius 0",)),
        ("F60 G2 X5 R0", 1, ("radius 0",)),
        ("F60 G2 X5 I1e9", 1, ("the letter E",)),
        ("F60 G2 X5 I1000000", 1, ("too large",)),
        ("F60\nG0 X1\nG2 X5 I1", 3, ("1.0000 mm at the start", "3.0000 mm at its end")),
        ("F60 G2 X5 R2", 1, ("cannot span", "2.5000 mm or more")),
        ("F60 G3 X0 Y0 R2", 1, ("whose end is its start", "full circle with its centre")),
        ("M3 F60", 1, ("no move",)),
        ("", None, ("no move",)),
    ],
)
def test_what_is_refused_names_line_and_remedy(text, row, words):
    error = fault(text)
    assert error.row == row
    for word in words:
        assert word in str(error), str(error)


def test_skipped_words_are_counted_and_their_axes_go_with_them():
    text = "G54 G90\nT1 M6\nG0 X1 Y1 A3\nG54\nG38.2 X5 Y5\nG28 X7\nG0 X2\nM8\nG64 P0.1\nX3\n"
    found = read_rs274(text, skip_unknown=True)
    assert found.polyline.x_mm.tolist() == [0, 1, 2, 3]  # neither 5 nor 7
    counts = {w.word: (w.count, w.first_line) for w in found.skipped}
    assert counts == {
        "G54": (2, 1), "T": (1, 2), "M6": (1, 2), "A": (1, 3), "G38.2": (1, 5), "X": (2, 5),
        "Y": (1, 5), "G28": (1, 6), "M8": (1, 8), "G64": (1, 9), "P": (1, 9),
    }  # fmt: skip
    assert "G54 skipped 2 times, first in line 1" in [str(w) for w in found.skipped]


def test_a_skipped_cycle_leaves_no_mode_of_motion_behind():
    error = fault("G1 F60 X1\nG81 X2 Z-3 R1\nX3\n", skip_unknown=True)
    assert error.row == 3 and "without a mode of motion" in str(error)


def test_text_that_is_no_word_is_an_error_even_when_skipping():
    assert fault("G0 X1\nhello world\n", skip_unknown=True).row == 2
    assert fault("G0 X#1\n", skip_unknown=True).row == 1


def test_default_feed_stands_in_until_the_first_feed():
    found = rows("M3 G1 X1\nF60 X2", default_feed_mm_s=7.0)
    assert [row[3] for row in found] == [None, 7.0, 1.0]


def decimal(value: int) -> str:
    return f"{value / 1000:.3f}"


moves = st.lists(
    st.tuples(
        st.sampled_from(["G0", "G1", "G2", "G3"]),
        st.integers(-30_000, 30_000),
        st.integers(-30_000, 30_000),
        st.booleans(),
    ),
    min_size=1,
    max_size=12,
)


def program(steps, *, absolute: bool, inch: bool = False) -> str:
    """The same moves in either distance mode or unit; arcs of radius twice the chord, by R."""
    lines = ["G90" if absolute else "G91", "G20" if inch else "G21", "F100" if inch else "F2540"]
    at = (0, 0)
    unit = 25.4 if inch else 1.0
    for code, x, y, beam in steps:
        to = (x, y)
        if to == at:
            continue
        lines.append("M3" if beam else "M5")
        shown = to if absolute else (to[0] - at[0], to[1] - at[1])
        word = f"{code} X{shown[0] / 1000 / unit:.12f} Y{shown[1] / 1000 / unit:.12f}"
        if code in ("G2", "G3"):
            word += f" R{2 * math.hypot(to[0] - at[0], to[1] - at[1]) / 1000 / unit:.12f}"
        lines.append(word)
        at = to
    return "\n".join([*lines, "G0 X1 Y1"])


def same(a: str, b: str) -> None:
    first, second = read_rs274(a), read_rs274(b)
    assert len(first.polyline) == len(second.polyline)
    np.testing.assert_array_equal(first.line_of_vertex, second.line_of_vertex)
    np.testing.assert_array_equal(first.polyline.beam, second.polyline.beam)
    last = len(first.polyline) - 1  # the closing move means different places, so leave it out
    for name in ("x_mm", "y_mm", "feed_mm_s"):
        np.testing.assert_allclose(
            getattr(first.polyline, name)[:last], getattr(second.polyline, name)[:last], atol=1e-8
        )


@given(moves)
def test_absolute_and_incremental_give_the_same_path(steps):
    same(program(steps, absolute=True), program(steps, absolute=False))


@given(moves)
def test_inch_and_millimetre_give_the_same_path(steps):
    same(program(steps, absolute=True), program(steps, absolute=True, inch=True))


VALID = (
    "%\nN1 G21 G90 (start)\nM3 S10 F600\nG1 X1.5 Y-2\nG2 X3 Y0 I1 J1.5\n/G3 X1 R4\nG4 P.5\nM5\n%"
)


@settings(max_examples=300)
@given(st.text(alphabet=st.sampled_from("GMXYZIJRPFSN0123456789.-+/%();# \n\tgé[T"), max_size=80))
@example("G2 X1 Y1 R1 F1\nG2")
def test_any_text_is_read_or_refused_in_one_sentence(text):
    for skip in (False, True):
        try:
            found = read_rs274(text, skip_unknown=skip)
        except InputError as error:
            assert "\n" not in str(error)
        else:
            assert np.isfinite(found.polyline.x_mm).all() and np.isfinite(found.polyline.y_mm).all()
            line = found.polyline
            moved = np.hypot(np.diff(line.x_mm), np.diff(line.y_mm)) > 0
            assert (line.feed_mm_s[1:][moved & line.beam[1:]] > 0).all()
            assert (line.dwell_s >= 0).all()


@settings(max_examples=300)
@given(
    st.lists(
        st.tuples(st.integers(0, len(VALID)), st.integers(0, 3), st.text(max_size=3)), max_size=4
    )
)
def test_damaged_programs_are_read_or_refused(damage):
    text = VALID
    for at, drop, insert in damage:
        text = text[:at] + insert + text[at + drop :]
    for skip in (False, True):
        try:
            read_rs274(text, skip_unknown=skip)
        except InputError as error:
            assert "\n" not in str(error)


def test_a_long_line_of_digits_costs_no_more_than_its_length():
    start = time.perf_counter()
    fault("G0 X" + "1" * 200_000 + "!")
    assert time.perf_counter() - start < 2.0


def test_two_hundred_thousand_lines_keep_the_pace_of_a_million_in_ten_seconds():
    rng = np.random.default_rng(0)
    xy = rng.uniform(-30, 30, (200_000, 2))
    text = "M3 F3000\n" + "\n".join(f"G1 X{x:.3f} Y{y:.3f}" for x, y in xy)
    start = time.process_time()
    found = read_rs274(text)
    assert time.process_time() - start < 2.0
    assert found.line_of_vertex[-1] == 200_001
