"""Figures of a played path against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.errors import DataError
from hysteresis.path_error import Park, path_error, path_figures, start_errors, weighted_quantile
from hysteresis.tables import SpotPath


def path(t, x, y, beam=None) -> SpotPath:
    t, x, y = (np.asarray(a, dtype=float) for a in (t, x, y))
    lit = np.ones(len(t), dtype=bool) if beam is None else np.asarray(beam, dtype=bool)
    return SpotPath(t, x, y, lit)


def line(n: int = 401) -> SpotPath:
    t = np.linspace(0.0, 4.0, n)
    return path(t, 10.0 * t, 0.0 * t)


def test_a_constant_offset() -> None:
    wanted = line()
    figures = path_figures(
        path_error(wanted, path(wanted.t_s, wanted.x_mm + 0.3, wanted.y_mm - 0.4)), 0.45
    )
    assert figures.rms_mm == pytest.approx(0.5)
    assert (figures.mean_x_mm, figures.mean_y_mm) == pytest.approx((0.3, -0.4))
    assert figures.bias_mm == pytest.approx(0.5)  # AP of ISO 9283 (from memory)
    assert figures.q95_mm == pytest.approx(0.5)
    assert figures.worst_mm == pytest.approx(0.5)
    assert figures.outside_share == pytest.approx(1.0)
    assert figures.traced_s == pytest.approx(4.0)


def test_an_error_that_grows_evenly() -> None:
    """e = a t/T: rms a/√3, mean a/2, 95 % below 0.95 a, the worst at the end (calculus)."""
    wanted = line()
    played = path(wanted.t_s, wanted.x_mm, 0.8 * wanted.t_s / 4.0)
    figures = path_figures(path_error(wanted, played), 0.2)
    assert figures.rms_mm == pytest.approx(0.8 / np.sqrt(3.0), rel=1e-5)
    assert figures.mean_y_mm == pytest.approx(0.4, rel=1e-9)
    assert figures.q95_mm == pytest.approx(0.95 * 0.8, abs=0.002)
    assert figures.worst_mm == pytest.approx(0.8, abs=0.001)
    assert (figures.worst_t_s, figures.worst_x_mm) == pytest.approx((4.0, 40.0), abs=0.06)
    assert figures.outside_share == pytest.approx(0.75, abs=0.002)


def test_a_turned_circle_has_spread_but_no_shift() -> None:
    """Turned by φ about its centre every point is off by the chord 2 R sin(φ/2)."""
    t = np.linspace(0.0, 2.0, 2001)
    angle, turn, radius = np.pi * t, 0.05, 12.0
    wanted = path(t, radius * np.cos(angle), radius * np.sin(angle))
    played = path(t, radius * np.cos(angle + turn), radius * np.sin(angle + turn))
    figures = path_figures(path_error(wanted, played))
    chord = 2.0 * radius * np.sin(turn / 2.0)
    assert figures.rms_mm == pytest.approx(chord, rel=1e-5)
    assert figures.q95_mm == pytest.approx(chord, rel=1e-5)
    assert figures.bias_mm < 1e-5
    assert np.isnan(figures.outside_share)


def test_only_intervals_with_the_beam_on_count() -> None:
    wanted = path([0, 1, 2, 3], [0, 10, 10, 20], [0, 0, 0, 0], [True, False, True, True])
    # off by 5 mm in the middle of travel only
    played = path([0, 1, 1.5, 2, 3], [0, 10, 15, 10, 20], [0, 0, 0, 0, 0])
    error = path_error(wanted, played)
    assert np.all((error.t_s < 1.0) | (error.t_s > 2.0))
    assert path_figures(error).worst_mm == pytest.approx(0.0, abs=1e-12)
    assert set(error.row.tolist()) == {0, 2}


def test_uneven_rows_do_not_weigh_more() -> None:
    """The same motion written with many rows in its first half gives the same figures."""
    t = np.concatenate([np.linspace(0.0, 2.0, 3001), [4.0]])
    dense, sparse = path(t, t, 0 * t), path([0.0, 4.0], [0.0, 4.0], [0.0, 0.0])
    played = path([0.0, 2.0, 4.0], [0.0, 2.0, 5.0], [0.0, 0.0, 0.0])
    one, two = (path_figures(path_error(p, played)) for p in (dense, sparse))
    assert one.rms_mm == pytest.approx(two.rms_mm, rel=1e-4)
    assert one.mean_x_mm == pytest.approx(0.25, rel=1e-6)
    assert two.mean_x_mm == pytest.approx(0.25, rel=1e-6)


def test_a_part_played_is_said_to_be_a_part() -> None:
    wanted = line()
    half = path([0.0, 1.0], [0.0, 10.0], [0.0, 0.0])
    error = path_error(wanted, half)
    assert error.seen_share == pytest.approx(0.25, abs=0.01)
    assert path_figures(error).traced_s == pytest.approx(1.0, abs=0.02)


def test_nothing_to_compare_is_said() -> None:
    wanted = line()
    with pytest.raises(DataError, match="one clock"):
        path_error(wanted, path([100.0, 101.0], [0.0, 1.0], [0.0, 0.0]))
    dark = path([0.0, 1.0], [0.0, 1.0], [0.0, 0.0], [False, True])
    with pytest.raises(DataError, match="never has the beam on"):
        path_error(dark, wanted)
    with pytest.raises(DataError, match="never has the beam on"):
        path_error(path([0.0], [0.0], [0.0]), wanted)


def test_start_errors_are_means_of_the_first_fifty_milliseconds() -> None:
    wanted = line()
    # decays as 1 − t/0.1 over the first 100 ms: its mean over 50 ms is 0.75
    fall = np.array([0.0, 0.1, 4.0])
    played = path(fall, 10.0 * fall, [1.0, 0.0, 0.0])
    parks = (
        Park(2, 40.0, 7.0, -3.0, -0.5, 1.0, 2.0, 0.0, 4.0),
        Park(3, 0.0, 0.0, 8.0, 9.0, 0.0, 0.0, 10.0, 11.0),
    )
    (found,) = start_errors(path_error(wanted, played), parks)
    assert found.layer == 2
    assert found.dy_mm == pytest.approx(0.75, abs=1e-9)
    assert found.distance_mm == pytest.approx(0.75, abs=1e-9)
    assert (found.dwell_s, found.wait_s) == (2.5, 0.5)
    assert (found.excursion_x_mm, found.excursion_y_mm) == (39.0, 5.0)


@given(
    st.lists(st.tuples(st.floats(-5, 5), st.floats(-5, 5)), min_size=2, max_size=20),
    st.floats(0.5, 3.0),
)
@settings(max_examples=60, deadline=None)
def test_mean_square_is_shift_square_plus_spread(points, stretch) -> None:
    """Steiner's theorem for every error: rms² = bias² + variance; and the order of the figures."""
    xy = np.array(points)
    t = stretch * np.arange(len(xy))
    wanted = path(t, 0 * t, 0 * t)
    error = path_error(wanted, path(t, xy[:, 0], xy[:, 1]))
    figures = path_figures(error)
    w = error.weight_s / error.weight_s.sum()
    spread = w @ ((error.dx_mm - figures.mean_x_mm) ** 2 + (error.dy_mm - figures.mean_y_mm) ** 2)
    assert figures.rms_mm**2 == pytest.approx(figures.bias_mm**2 + spread, abs=1e-9)
    assert figures.bias_mm <= figures.rms_mm + 1e-9 <= figures.worst_mm + 2e-9
    assert figures.q95_mm <= figures.worst_mm
    assert figures.traced_s == pytest.approx(t[-1])


def test_weighted_quantile_of_equal_weights_is_that_of_numpy() -> None:
    values = np.random.default_rng(2).normal(size=501)
    for share in (0.05, 0.5, 0.95, 1.0):
        expected = np.quantile(values, share, method="inverted_cdf")
        assert weighted_quantile(values, np.full(501, 0.3), share) == expected
