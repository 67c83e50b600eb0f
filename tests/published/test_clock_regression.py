"""The clock's linear core against an exact regression: statsmodels' weighted least squares."""

from __future__ import annotations

import numpy as np
import statsmodels.api as sm

from hysteresis.measure.clock_mirror import Mirror
from hysteresis.measure.clock_refine import Film, Guess, refine, weighted
from hysteresis.measure.drive_columns import DriveColumns

STIFF = Mirror(2 * np.pi * 1500.0, 0.05)


def test_a_straight_clock_against_weighted_least_squares() -> None:
    """A ramp up and one down: at the offset found, statsmodels' WLS sees nothing left of it.

    Without rows and memory, and with mirrors that are far too quick to matter, the spot is linear
    in a constant, the gain and gain × offset on the ramps. The weights are those of the method.
    """
    t = np.array([0.0, 10.0, 30.0, 50.0, 60.0])
    drive = np.array([0.0, 0.0, 0.8, 0.0, 0.0])
    value = np.column_stack([drive, drive])
    area = np.vstack(
        [np.zeros(2), np.cumsum((value[1:] + value[:-1]) / 2 * np.diff(t)[:, None], 0)]
    )
    columns = DriveColumns(t, value, area)
    rng = np.random.default_rng(3)
    stamps = np.arange(0.3, 60.0, 0.05)
    true_offset = 0.123
    u = np.interp(stamps - true_offset, t, drive)
    spot = 50.0 * np.column_stack([u, np.zeros_like(u)]) + rng.normal(0, 0.02, (len(stamps), 2))
    # y never moves: one drive is enough, so the second column is a copy of the first
    guess = Guess(0.12, 0.0, 0.0, (STIFF, STIFF))
    found = refine(Film(stamps, spot, np.zeros(len(stamps)), 1e-5), columns, guess,
                   (True, False, False, False, False, False, False))  # fmt: skip
    offset = found.guess.offset_s
    at = np.interp(stamps - offset, t, drive)
    past = stamps - offset
    slope = np.where((past > 10) & (past < 30), 0.04, 0.0)
    slope = np.where((past > 30) & (past < 50), -0.04, slope)
    left = weighted(np.column_stack([at, at]), np.column_stack([slope, slope]), spot)
    exact = sm.WLS(spot[:, 0], np.column_stack([np.ones(len(at)), at, -slope]),
                   weights=left[2]).fit()  # fmt: skip
    u_offset = exact.bse[2] / abs(exact.params[1])
    # refine stops when a step gains less than 0.02 in cost: within sqrt(0.02) of an uncertainty
    assert abs(exact.params[2] / exact.params[1]) < 0.15 * u_offset
    assert abs(offset - true_offset) < 3 * u_offset
    digits = -np.log10(abs(exact.params[2] / exact.params[1]) / u_offset)
    print(f"offset and WLS agree to {digits:.1f} digits of the uncertainty")
