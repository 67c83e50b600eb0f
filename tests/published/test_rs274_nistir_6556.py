"""Rules and examples of the RS-274/NGC language.

Source: T. R. Kramer, F. M. Proctor, E. Messina, "The NIST RS274/NGC Interpreter - Version 3",
NISTIR 6556, National Institute of Standards and Technology, 17 August 2000 (public; read in a
copy of the report). Section numbers stand beside each check.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from hysteresis.errors import InputError
from hysteresis.paths.arcs import RADIUS_TOLERANCE_INCH_MM, RADIUS_TOLERANCE_MM
from hysteresis.paths.rs274 import read_rs274


def path(text: str):
    line = read_rs274(text).polyline
    return line.x_mm, line.y_mm


def refused(text: str) -> str:
    with pytest.raises(InputError) as caught:
        read_rs274(text)
    return str(caught.value)


def test_3_3_blanks_mean_nothing():
    """ "g0x +0. 12 34y 7" is equivalent to "g0 x+0.1234 y7": the report's own example."""
    assert path("g0x +0. 12 34y 7")[0][-1] == 0.1234
    assert path("g0x +0. 12 34y 7")[1][-1] == 7


def test_3_3_1_line_number_comes_first():
    assert path("N00100 G0 X1")[0][-1] == 1
    assert "line number" in refused("G0 X1 N100")


def test_3_3_2_1_numbers():
    """Optional sign, at least one digit, at most one point; no sign means positive; codes count
    as whole within 0.0001."""
    for written, value in (("341", 341), ("-0.8807", -0.8807), ("+5.", 5), (".5", 0.5), ("007", 7)):
        assert path(f"G0 X{written}")[0][-1] == value
    assert path("G0.00001 X3")[0][-1] == 3
    for wrong in ("X.", "X+", "X1..2", "X--1"):
        refused(f"G0 {wrong}")


def test_3_3_4_comments_end_at_the_first_bracket_on_their_line_and_do_not_nest():
    assert path("G0 (X9) X1 (stop motion)")[0][-1] == 1
    assert "comment" in refused("G0 (a (b)) X1")
    assert "comment" in refused("G0 (a\n) X1")


def test_3_3_5_two_words_of_one_group_or_one_letter_twice():
    for text in ("G0 G1 X1", "G20 G21", "G90 G91", "M3 M4", "G0 X1 X2", "F1 F2"):
        refused(text)
    read_rs274("G21 G90 G17 G0 M3 X1")  # one of each group


def test_3_3_6_words_may_be_reordered():
    a = path("F60 M3 G21 G90 G0 X1\nG2 X5 Y0 I2 J1")
    b = path("X1 G0 G90 M3 G21 F60\nJ1 I2 Y0 X5 G2")
    np.testing.assert_array_equal(a, b)


def test_3_3_7_motion_is_modal_and_the_wait_is_not():
    x, _ = path("F60 G1 X1\nX2\nG4 P1\nX3")
    assert x.tolist() == [0, 1, 2, 2, 3]


def test_3_5_3_1_example_in_radius_form():
    """G17 G2 x 10 y 15 r 20 z 5: clockwise, ends at (10, 15), radius 20."""
    x, y = path("F60 G17 G2 x 10 y 15 r 20 z 5")
    assert (x[-1], y[-1]) == (10, 15)
    # the centre from three points of the arc, by perpendicular bisectors
    k = len(x) // 2
    m = 2 * np.array([[x[k] - x[0], y[k] - y[0]], [x[-1] - x[0], y[-1] - y[0]]])
    s = x**2 + y**2
    centre = np.linalg.solve(m, [s[k] - s[0], s[-1] - s[0]])
    assert np.hypot(x - centre[0], y - centre[1]) == pytest.approx(20, abs=1e-9)
    u, v = x - centre[0], y - centre[1]
    assert (u[:-1] * v[1:] - u[1:] * v[:-1] < 0).all()  # clockwise as seen from +Z


def test_3_5_3_1_sign_of_the_radius_chooses_the_way_round():
    short, long = (path(f"F60 G3 X10 Y0 R{r}") for r in ("7", "-7"))
    lengths = [np.hypot(np.diff(x), np.diff(y)).sum() for x, y in (short, long)]
    half = 2 * math.asin(5 / 7)
    assert lengths[0] == pytest.approx(7 * half, rel=1e-3)
    assert lengths[1] == pytest.approx(7 * (2 * math.pi - half), rel=1e-3)


def test_3_5_3_1_errors_of_the_radius_form():
    assert "end is its start" in refused("F60 G0 X1\nG2 X1 Y0 R5")
    refused("F60 G0 X1\nG2 R5")  # both axis words left out


def test_3_5_3_2_example_in_centre_form():
    """G17 G2 x 10 y 16 i 3 j 4 z 9 from X7 Y7: centre (10, 11), radius 5, clockwise."""
    x, y = path("F60 G0 X7 Y7\nG17 G2 x 10 y 16 i 3 j 4 z 9")
    x, y = x[1:], y[1:]
    assert np.hypot(x - 10, y - 11) == pytest.approx(5, abs=1e-12)
    assert (x[-1], y[-1]) == (10, 16)
    # clockwise from (-3, -4) about the centre to (0, 5): over the left side
    assert x.min() == pytest.approx(5, abs=0.006) and x.max() == pytest.approx(10)


def test_3_5_3_2_radii_may_differ_by_two_micrometres_or_two_tenths_of_a_thousandth_inch():
    assert RADIUS_TOLERANCE_MM == 0.002
    assert pytest.approx(0.0002 * 25.4) == RADIUS_TOLERANCE_INCH_MM
    read_rs274("F60 G2 X10.0019 Y0 I5")
    assert "apart" in refused("F60 G2 X10.0021 Y0 I5")
    read_rs274("G20 F60 G2 X1.00019 Y0 I0.5")
    assert "apart" in refused("G20 F60 G2 X1.00021 Y0 I0.5")


def test_3_5_3_2_the_end_may_be_the_start():
    x, y = path("F60 G0 X10 Y0\nG3 X10 Y0 I-10 J0")
    assert np.hypot(np.diff(x[1:]), np.diff(y[1:])).sum() == pytest.approx(20 * math.pi, rel=1e-3)


def test_3_5_4_wait_in_seconds_and_not_negative():
    assert read_rs274("G0 X1\nG4 P2.5").polyline.dwell_s[-1] == 2.5
    refused("G0 X1\nG4 P-1")


def test_3_5_17_centre_offsets_are_increments_in_either_distance_mode():
    absolute = path("F60 G0 X3 Y4\nG90 G3 X13 Y4 I5 J0")
    incremental = path("F60 G0 X3 Y4\nG91 G3 X10 Y0 I5 J0")
    np.testing.assert_allclose(absolute, incremental, atol=1e-12)


def test_2_1_2_5_feed_in_units_per_minute():
    line = read_rs274("G21 F600 G1 X1\nG20 F60 X1").polyline
    assert line.feed_mm_s[1:] == pytest.approx([10, 25.4])


def test_2_2_2_lines_with_a_slash_are_carried_out_unless_the_switch_is_on():
    text = "G0 X1\n/G0 X2"
    assert read_rs274(text).polyline.x_mm[-1] == 2
    assert read_rs274(text, delete_slashed=True).polyline.x_mm[-1] == 1


def test_3_1_percent_lines():
    assert path("\n %  \nG0 X1\n%\nwhatever")[0].tolist() == [0, 1]
    refused("%\nG0 X1\n")


def test_3_6_1_nothing_is_carried_out_after_the_end():
    for end in ("M2", "M30"):
        assert path(f"G0 X1\n{end}\nG0 X2")[0].tolist() == [0, 1]


def test_3_6_2_and_3_7_2_spindle():
    """With speed 0 it does not turn, and starts when one is set; S below 0 is an error."""
    beam = read_rs274("F60 S0 M3 G1 X1\nS5 X2\nM5 X3\nM4 X4").polyline.beam
    assert beam.tolist() == [False, False, True, False, True]
    refused("S-1")


def test_3_8_table_8_order_of_execution():
    """Feed, spindle, wait, units and distance mode act before the motion of their line; the
    end of the program after it."""
    line = read_rs274("G91 G1 F60 M3 G4 P1 G20 X1\nX1 M2\nX1").polyline
    assert line.x_mm.tolist() == pytest.approx([0, 0, 25.4, 50.8])
    assert line.dwell_s.tolist() == [0, 1, 0, 0]
    assert line.beam.tolist() == [False, True, True, True]


def machine_x(text: str) -> float:
    return float(path(text)[0][-1])


def test_3_5_18_offsets_of_the_program_the_reports_own_example():
    """At X=4, G92 x7 makes the offset -3; then at X=7, G92 x9 makes it -5."""
    assert machine_x("G0 X4\nG92 x7\nG0 X7") == 4
    assert machine_x("G0 X4\nG92 x7\nG0 X10") == 7
    assert machine_x("G0 X4\nG92 x7\nG92 x9\nG0 X0") == -5
    assert "without an axis" in refused("G0 X4\nG92")


def test_3_5_18_an_axis_that_is_not_named_keeps_its_coordinate_and_increments_do_not_care():
    x, y = path("G0 X4 Y2\nG91\nG92 X7\nG0 X1 Y1\nG90 X7 Y2")
    assert (x.tolist(), y.tolist()) == ([0, 4, 5, 4], [0, 2, 3, 2])


def test_3_5_18_offsets_are_reset_and_taken_up_again():
    """G92.1 forgets them, G92.2 sets them aside, G92.3 takes up those set aside."""
    head = "G0 X4\nG92 X7\n"
    assert machine_x(head + "G92.1\nG0 X1") == 1
    assert machine_x(head + "G92.2\nG0 X1") == 1
    assert machine_x(head + "G92.2\nG92.3\nG0 X1") == -2
    assert machine_x(head + "G92.1\nG92.3\nG0 X1") == 1


def test_3_5_18_offsets_are_lengths_and_outlast_a_change_of_unit():
    assert machine_x("G21 G0 X25.4\nG92 X0\nG20 G0 X1") == pytest.approx(50.8)
    assert machine_x("G20 G0 X1\nG92 X3\nG0 X3") == pytest.approx(25.4)


def test_table_4_g92_uses_axis_words_and_so_does_a_motion_word():
    """Two words of groups 0 and 1 that both use axis words may not stand on one line."""
    assert "contradict" in refused("G0 X4\nG1 G92 X7 F60")


def test_3_5_1_3_5_2_travel_pays_no_heed_to_the_feed_and_lines_do():
    line = read_rs274("M3 F600\nG0 X1\nG1 X2\nG0 X3").polyline
    assert np.isnan(line.feed_mm_s[[1, 3]]).all() and line.feed_mm_s[2] == 10
    assert line.beam.tolist() == [False, False, True, False]


def test_3_5_3_an_arc_may_be_a_helix_and_its_height_is_left_out():
    plane = path("F60 G0 X7 Y7\nG2 X10 Y16 I3 J4")
    helix = path("F60 G0 X7 Y7 Z1\nG2 X10 Y16 Z9 I3 J4")
    np.testing.assert_array_equal(plane, helix)
