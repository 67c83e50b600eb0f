"""Units and printed uncertainties."""

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.quantities import (
    format_with_uncertainty,
    fs_from_mm,
    full_scale_mrad,
    mm_from_fs,
    mrad_from_fs,
    number_with_unit,
    parse_length_mm,
    percent_fs_from_mm,
)


@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        # JCGM 100:2008, 7.2.2: m_S = 100,021 47 g with u = 0,35 mg, here in g.
        (100.02147, 0.00035, "100.02147 ± 0.00035 g"),
        # JCGM 100:2008, 7.2.6: 10,057 62 ohm with u = 27 milliohm is rounded to 10,058 ohm.
        (10.05762, 0.027, "10.058 ± 0.027 g"),
        (0.123456, 0.0041, "0.1235 ± 0.0041 g"),
        (12346.0, 678.0, "12350 ± 680 g"),
        (5.0, 0.0996, "5.00 ± 0.10 g"),  # rounds up into one more digit, which is dropped
        (-0.0001, 0.5, "0.00 ± 0.50 g"),  # no minus in front of zero
        (0.5, 0.0, "0.5 ± 0 g"),
        (0.5, math.inf, "0.5 ± ∞ g"),
        (0.5, math.nan, "0.5 g (uncertainty not known)"),
        (math.nan, 0.1, "not determined"),
        (-math.inf, 0.1, "−∞ g"),
        (1.5e9, 2.3e6, "(1.5000 ± 0.0023)e+09 g"),
        (1.5e-12, 2.3e-14, "(1.500 ± 0.023)e-12 g"),
        (0.0, 2.3e-14, "(0.0 ± 2.3)e-14 g"),
    ],
)
def test_value_with_uncertainty(value: float, u: float, shown: str) -> None:
    assert format_with_uncertainty(value, u, "g") == shown


def test_a_number_without_unit_ends_with_the_number() -> None:
    assert format_with_uncertainty(1.0, 0.1) == "1.00 ± 0.10"


@given(st.floats(allow_nan=True), st.floats(allow_nan=True))
def test_any_two_numbers_can_be_printed(value: float, u: float) -> None:
    assert format_with_uncertainty(value, u, "mm")


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e4))
def test_what_is_printed_is_near_what_is_meant(value: float, u: float) -> None:
    shown, printed_u = format_with_uncertainty(value, u).strip("()").split(" ± ")
    if "e" in printed_u:
        digits, power = printed_u.split(")e")
        shown, printed_u = f"{shown}e{power}", f"{digits}e{power}"
    # Two significant digits: half a step of the second one is at most 5 % of u.
    assert float(printed_u) == pytest.approx(u, rel=0.0501)
    assert abs(float(shown) - value) <= 0.0501 * u + 1e-9 * abs(value)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("3.2 mm", 3.2),
        ("0.32 cm", 3.2),
        ("3,2", 3.2),
        (" -3.2mm ", -3.2),
        ("−3,2 MM", -3.2),  # typed with a true minus sign
        ("1e-3 m", 1.0),
        ("500 µm", 0.5),
        ("500 um", 0.5),
        ("2 in", 50.8),  # an inch is 25.4 mm by definition
        (".5", 0.5),
    ],
)
def test_lengths_as_people_type_them(text: str, mm: float) -> None:
    assert parse_length_mm(text) == pytest.approx(mm, rel=1e-12)


def test_default_unit_of_a_bare_number() -> None:
    assert number_with_unit("3.2", "cm") == pytest.approx(32.0)
    assert number_with_unit("3.2 mm", "cm") == pytest.approx(3.2)


@pytest.mark.parametrize("text", ["", "mm", "3.2.1", "1,234.5", "nan", "inf", "3 furlong", "1e999"])
def test_what_is_no_length_is_refused(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_length_mm(text)
    assert caught.value.value == text
    assert "mm" in str(caught.value.mend)


@given(st.text(max_size=20))
def test_any_text_is_a_length_or_refused(text: str) -> None:
    with contextlib.suppress(InputError):
        assert math.isfinite(parse_length_mm(text))


def test_full_scale_and_mm() -> None:
    assert fs_from_mm(25.0, 50.0) == 0.5
    assert mm_from_fs(0.5, 50.0) == 25.0
    assert percent_fs_from_mm(0.05, 50.0) == pytest.approx(0.1)


def test_mirror_turns_by_half_the_angle_of_the_beam() -> None:
    # A spot as far out as the plane is away: the beam stands at 45 degrees, the mirror at 22.5.
    assert full_scale_mrad(250.0, 250.0) == pytest.approx(math.radians(22.5) * 1000)
    assert mrad_from_fs(0.5, 250.0, 250.0) == pytest.approx(math.radians(22.5) * 500)
