"""Placing a path: order of the steps, the start, fit, and the field."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.paths.placement import Placement, reach_mm
from hysteresis.paths.source import open_path

numbers = st.floats(-40, 40)


@given(
    numbers, numbers, st.floats(0.1, 10), st.floats(-360, 360), st.sampled_from([None, "x", "y"])
)
def test_mirror_then_scale_then_turn_then_shift(x, y, scale, degrees, mirror):
    """As complex numbers: a turn is a factor of modulus 1."""
    put = Placement(scale, degrees, 3.0, -4.0, mirror)
    z = complex(-x if mirror == "x" else x, -y if mirror == "y" else y)
    want = scale * np.exp(1j * np.radians(degrees)) * z + (3 - 4j)
    found = put.of(np.array([x]), np.array([y]))
    assert complex(found[0][0], found[1][0]) == pytest.approx(want, abs=1e-9)


def test_quarter_turns_are_exact():
    for degrees, want in ((90, (-2, 1)), (180, (-1, -2)), (270, (2, -1)), (-90, (2, -1))):
        found = Placement(rotate_deg=degrees).of(np.array([1.0]), np.array([2.0]))
        assert (found[0][0], found[1][0]) == want


def chunks(tmp_path, bench, text, placement):
    (tmp_path / "a.ngc").write_text(text)
    return list(open_path(tmp_path / "a.ngc", bench, placement=placement).chunks())


def test_the_start_stays_at_the_centre_unless_something_is_traced_from_it(tmp_path, bench):
    put = Placement(x_mm=10, y_mm=5)
    (travel,) = chunks(tmp_path, bench, "G0 X1\nM3 F60 G1 X2\n", put)
    assert travel.polyline.x_mm.tolist() == [0, 11, 12]
    assert travel.polyline.y_mm.tolist() == [0, 5, 5]
    (trace,) = chunks(tmp_path, bench, "M3 F60 G1 X2\n", put)
    assert trace.polyline.x_mm.tolist() == [10, 12]


def test_fit_brings_any_size_within_reach_and_enlarges_nothing(tmp_path, bench):
    reach = reach_mm(bench)
    for size in (1.0, 500.0, 20_000.0):
        text = f"G0 X{3 * size} Y{size}\nM3 F60 G1 X{5 * size}\nY{1.5 * size}\n"
        (chunk,) = chunks(tmp_path, bench, text, Placement(fit=True, rotate_deg=90))
        x, y = chunk.polyline.x_mm[1:], chunk.polyline.y_mm[1:]
        assert x.min() == pytest.approx(-x.max()) and y.min() == pytest.approx(-y.max())
        assert np.ptp(y) == pytest.approx(min(2 * size, 2 * reach[1]))
        assert np.ptp(x) == pytest.approx(np.ptp(y) / 4)


def test_the_field_is_checked_as_placed(tmp_path, bench):
    text = "G0 X1\nM3 F60 G1 X30\n"
    chunks(tmp_path, bench, text, Placement())
    with pytest.raises(InputError, match=r"line 2: x = 60\.000 mm lies 11\.000 mm outside"):
        chunks(tmp_path, bench, text, Placement(scale=2))


@pytest.mark.parametrize(
    "options",
    [{"scale": 0.0}, {"scale": -1.0}, {"scale": float("nan")}, {"rotate_deg": float("inf")},
     {"x_mm": 1e6}, {"mirror": "z"}, {"fit": True, "x_mm": 3.0}],
)  # fmt: skip
def test_placements_without_sense(options):
    with pytest.raises(InputError):
        Placement(**options)
